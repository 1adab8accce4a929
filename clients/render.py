"""Answers as plain text of at most 80 columns.

Every function takes the JSON-ready answer of the service and returns one text
with a final line break.  Output is ASCII except for what the document itself
brings in; colour comes only through ``paint``.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from typing import Any

from clients.layout import table, wrap
from clients.render_finding import (
    Depth,
    Paint,
    change_lines,
    finding_lines,
    headline,
    painted,
    plain,
    proof_lines,
)
from clients.render_values import Locate, duration, nowhere, place, quantity, short_name, valued
from clients.render_waivers import at_finding, counted, short_lines, waiver_lines

_SEVERITIES = ("error", "warning", "note")
_KINDS = ("violated", "satisfied", "not-applicable", "undecided", "failed")
_TOLD_KINDS = ("violated", "undecided", "failed")
_SHOWN_KINDS = ("undecided", "failed")


def join(lines: Sequence[str]) -> str:
    return "\n".join(lines) + "\n"


def plural(count: int, word: str) -> str:
    return f"{count} {word}" if count == 1 else f"{count} {word}s"


def review_text(review: Mapping[str, Any], *, title: str | None = None, label: str = "",
                depth: Depth = "card", locate: Locate = nowhere, paint: Paint = plain,
                remedies: bool = True) -> str:
    """A whole review.  ``label`` is the file name, ``title`` the circuit's own title."""
    findings = counted(review.get("findings") or ())
    by_cause = _by_cause(findings)
    roots = [item for item in findings if not _is_folded(item, findings)]
    if depth == "line":
        lines = []
        for item in findings:
            lines += finding_lines(item, depth="line", locate=locate, label=label, paint=paint)
        lines += short_lines(review, label, locate)
        lines += _blockers(review, label)
        return join([*lines, *wrap(f"{label or review.get('circuit', '')}: {verdict(review)}", rest="  ")])
    lines = wrap(f"{review.get('circuit', '')}" + (f": {title}" if title else ""), rest="  ")
    if label and label != review.get("circuit"):
        lines += wrap(label, first="  in ")
    lines += _states(review.get("states") or (), review.get("timed") or ())
    for item in roots:
        lines += ["", *finding_lines(item, depth=depth, locate=locate, paint=paint, remedies=remedies,
                                     consequences=by_cause.get(str(item.get("identity")), ()))]
        lines += at_finding(item)
    lines += waiver_lines(review, locate)
    lines += ["", *_outcomes(review)]
    lines += _assumed(review.get("assumed") or (), depth)
    lines += _listed("policy", [str(item) for item in review.get("policy") or ()])
    lines += _listed("cautions", [str(item) for item in review.get("cautions") or ()])
    lines += _listed("problems of the network", network_problems(review))
    lines += ["", *wrap(verdict(review), first="verdict: ", rest="  ")]
    return join(lines)


def verdict(review: Mapping[str, Any]) -> str:
    """``2 errors, 1 warning`` or ``nothing found``, what is waived, and what could not be checked."""
    findings = review.get("findings") or ()
    counts = Counter(str(item.get("severity")) for item in counted(findings))
    parts = [plural(counts[name], name) for name in _SEVERITIES if counts[name]] or ["nothing found"]
    waived = len(findings) - sum(counts.values())
    if waived:
        parts.append(f"{waived} waived")
    failed = [item for item in review.get("outcomes") or () if item.get("kind") == "failed"]
    if failed:
        parts.append(f"{plural(len(failed), 'rule')} could not be run")
    if review.get("complete") is False:
        parts.append("the search for states was not complete")
    if network_problems(review):
        parts.append("the network itself has faults")
    return ", ".join(parts)


def _is_folded(finding: Mapping[str, Any], findings: Sequence[Mapping[str, Any]]) -> bool:
    cause = finding.get("caused_by")
    return bool(cause) and cause != finding.get("identity") and any(
        item.get("identity") == cause and not item.get("caused_by") for item in findings)


def _by_cause(findings: Sequence[Mapping[str, Any]]) -> dict[str, list[Mapping[str, Any]]]:
    folded: dict[str, list[Mapping[str, Any]]] = {}
    for item in findings:
        if _is_folded(item, findings):
            folded.setdefault(str(item["caused_by"]), []).append(item)
    return folded


def _subject(outcome: Mapping[str, Any]) -> str:
    subject = outcome.get("subject") or ()
    return subject if isinstance(subject, str) else ", ".join(str(item) for item in subject)


def _outcomes(review: Mapping[str, Any]) -> list[str]:
    outcomes = list(review.get("outcomes") or ())
    rules: dict[str, Counter[str]] = {}
    for item in outcomes:
        rules.setdefault(str(item.get("rule")), Counter())[str(item.get("kind"))] += 1
    if not rules:
        return ["outcomes: no rule ran"]
    lines = ["outcomes"]
    told = [rule for rule, kinds in sorted(rules.items()) if any(kinds[kind] for kind in _TOLD_KINDS)]
    lines += table([[rule, ", ".join(f"{rules[rule][kind]} {kind}" for kind in _KINDS if rules[rule][kind])]
                    for rule in told], indent="  ")
    content = [rule for rule, kinds in sorted(rules.items()) if rule not in told and kinds["satisfied"]]
    silent = [rule for rule in sorted(rules) if rule not in told and rule not in content]
    for word, names in (("satisfied: ", content), ("not applicable: ", silent)):
        if names:
            lines += wrap(", ".join(names), first=f"  {word}", rest="    ")
    seen: set[str] = set()
    for kind in _SHOWN_KINDS:
        for item in outcomes:
            if item.get("kind") == kind:
                text = f"{kind}: {item.get('rule')}: {_subject(item)}".rstrip(": ")
                text += f": {item['reason']}" if item.get("reason") else ""
                if text not in seen:
                    seen.add(text)
                    lines += wrap(text, first="  ", rest="    ")
    return lines


def _blockers(review: Mapping[str, Any], label: str) -> list[str]:
    """What keeps a review from counting as a pass, one line each."""
    lead = f"{label}: " if label else ""
    lines = []
    for item in review.get("outcomes") or ():
        if item.get("kind") == "failed":
            lines += wrap(f"{lead}failed: {item.get('rule')}: {item.get('reason', '')}", rest="  ")
    for text in network_problems(review):
        lines += wrap(f"{lead}problem: {text}", rest="  ")
    return lines


def network_problems(review: Mapping[str, Any]) -> list[str]:
    """The problems that no failed outcome has told already."""
    told = {str(item.get("reason")) for item in review.get("outcomes") or () if item.get("kind") == "failed"}
    return [str(item) for item in review.get("problems") or () if str(item) not in told]


def _assumed(assumed: Sequence[Mapping[str, Any]], depth: Depth) -> list[str]:
    if not assumed:
        return []
    lines = ["", f"assumed, because the document does not say ({plural(len(assumed), 'value')})"]
    if depth == "lesson":
        return lines + table([[str(item.get("pointer", "")), valued(item), str(item.get("source", ""))]
                              for item in assumed], indent="  ", align=("<", ">"))
    sources: dict[str, list[str]] = {}
    for item in assumed:
        sources.setdefault(str(item.get("source", "")), []).append(f"{_assumed_name(item)} {valued(item)}")
    for source, items in sources.items():
        lines += wrap(f"{source}: " + ", ".join(items), first="  ", rest="    ")
    return lines


def _assumed_name(item: Mapping[str, Any]) -> str:
    return short_name(str(item.get("pointer", ""))) or str(item.get("quantity", ""))


def _states(states: Sequence[Mapping[str, Any]], timed: Sequence[Mapping[str, Any]]) -> list[str]:
    """The states by name, one row per position of contacts and drivers; then those that end by themselves."""
    rows: dict[str, list[str]] = {}
    for state in states:
        positions = {**(state.get("contacts") or {}), **(state.get("drivers") or {})}
        key = ", ".join(f"{part} {position}" for part, position in positions.items())
        name = str(state.get("name", ""))
        mark = "" if state.get("stable") is not False or name.endswith("(unstable)") else " (unstable)"
        rows.setdefault(key, []).append(name + mark)
    lines = []
    for key, names in rows.items():
        lines += wrap(", ".join(names), first=f"  {key}: " if key else "  ", rest="    ")
    for state in timed:
        positions = {**(state.get("contacts") or {}), **(state.get("drivers") or {})}
        key = ", ".join(f"{part} {position}" for part, position in positions.items())
        ends = state.get("ends") or {}
        at = quantity(ends.get("voltage"), "V")
        when = duration(ends.get("after"))
        text = f"{state.get('name')}, until {ends.get('capacitor')} reaches {at} after {when}"
        lines += wrap(text, first=f"  {key}: " if key else "  ", rest="    ")
    return ["", "states at typical gain", *lines] if lines else []


def _listed(title: str, items: Sequence[str]) -> list[str]:
    if not items:
        return []
    lines = ["", title]
    for item in items:
        lines += wrap(item, first="  - ", rest="    ")
    return lines


def mend_text(answer: Mapping[str, Any], *, label: str, locate: Locate = nowhere,
              paint: Paint = plain) -> str:
    """What ``mend`` did, what it was proven by, and what is left for a person."""
    applied = list(answer.get("applied") or ())
    remaining = counted(answer.get("remaining") or ())
    lines = wrap(f"{label}: {plural(len(applied), 'proven remedy').replace('remedys', 'remedies')} applied")
    told: tuple[Any, ...] = ()
    for item in applied:
        group = (item.get("pass"), item.get("together"))
        if item.get("together") and group != told:
            lines += wrap("together, the smallest set found that clears all that can be cleared:", first="  ")
        told = group
        lines += wrap(f"{item.get('rule', '')}: {item.get('summary', '')}", first="  ", rest="    ")
        lines += change_lines(item.get("patch") or (), locate, indent="    ")
        lines += proof_lines(item.get("proof"), indent="    ")
        cleared = {str(key).split("/")[0] for key in item.get("clears") or ()}
        others = sorted(cleared - {str(item.get("rule"))})
        if others:
            lines += wrap(f"also clears: {', '.join(others)}", first="    ", rest="      ")
    if answer.get("restored"):
        places = ", ".join(place(pointer, locate) for pointer in answer["restored"])
        lines += wrap(f"put back, because it proved not to be needed: {places}", first="  ", rest="    ")
    if answer.get("withdrawn"):
        lines += wrap(f"withdrawn: {answer['withdrawn']}", first="  ", rest="    ")
    if remaining:
        lines += ["", "left for a person to decide"]
        for item in remaining:
            text = wrap(f"{headline(item)}: {item.get('message', '')}", first="  ", rest="    ")
            lines += painted(text, str(item.get("severity")), paint)
            for reason in item.get("why") or ():
                lines += wrap(str(reason), first="    why: ", rest="      ")
    lines += waiver_lines(answer.get("review") or {}, locate)
    return join(lines)
