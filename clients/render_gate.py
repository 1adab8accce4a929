"""A run of the merge gate as text of at most 80 columns."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from clients.gate.run import Outcome
from clients.gate.verdict import Bar, Judged, folded, kind_of, roots
from clients.layout import wrap
from clients.render import join, plural
from clients.render_finding import Paint, change_lines, headline, painted, plain, proof_lines
from clients.render_values import Locate, finding_value, nowhere
from clients.reports.words import percent, terms_text, unjudged_texts

_ORDER = ("new", "worsened", "reopened", "known", "waived")
_WIDE = 10  # columns of the mark
_CHANGED = {"added": "new file", "modified": "changed", "untracked": "new file, untracked",
            "unchanged": "as it was"}  # fmt: skip
_QUIET = ("in-force", "not-judged")


def gate_text(outcome: Outcome, paint: Paint = plain) -> str:
    """The whole run: a head, every circuit, what lies beside them, and the verdict as the last line."""
    scope = outcome.scope
    against = "the baseline alone" if scope.base is None else scope.base.name
    short = "" if scope.base is None or scope.base.commit is None else f" ({scope.base.commit[:10]})"
    lines = wrap(f"{scope.head.name} against {against}{short}, {outcome.terms.today.isoformat()}", rest="  ")
    for item in outcome.judged:
        lines += ["", *_circuit(item, outcome, paint)]
    lines += _beside(outcome)
    return join([*lines, "", *wrap(verdict_line(outcome), first="verdict: ", rest="  ")])


def verdict_line(outcome: Outcome) -> str:
    """What counts, what could not be checked, and the exit status."""
    found = outcome.verdict
    parts = []
    if found.not_checked:
        parts.append(f"{plural(found.not_checked, 'item')} could not be checked")
    parts += [f"{found.counted[kind]} {kind}" for kind in _ORDER if found.counted.get(kind)]
    if outcome.bar.erosion and found.eroded:
        parts.append(plural(found.eroded, "eroded margin"))
    if not parts:
        parts.append("no circuit to judge" if not found.circuits else "nothing counts")
    said = ", ".join(parts)
    if found.consequences:
        said += f", and {plural(found.consequences, 'consequence')} of these"
    return f"{said} (threshold {outcome.bar.threshold}); exit status {found.status}"


def _circuit(item: Judged, outcome: Outcome, paint: Paint) -> list[str]:
    subject, bar = item.subject, outcome.bar
    was = f", was {subject.base_path}" if subject.kind == "renamed" else ""
    nowhere_there = subject.head is None and subject.base is None
    kind = f" ({_CHANGED.get(subject.kind, subject.kind)}{was})"
    kind = "" if outcome.scope.base is None or nowhere_there else kind
    lines = wrap(subject.label + kind, rest="  ")
    if subject.base_problem is not None:
        lines += _marked("note", f"the base of this file cannot be read, so that everything in it is new: "
                                 f"{subject.base_problem}")  # fmt: skip
    if item.problem is not None:
        return lines + painted(_problem(item.problem), "error", paint)
    for text in item.blockers:
        lines += painted(_marked("unchecked", text), "error", paint)
    answer = item.comparison
    if answer is None:
        return lines
    lines += _renamed(answer["renamed"])
    locate = nowhere if subject.head is None else subject.head.locate
    below = folded(item.findings, bar)
    shown = sorted(roots(item.findings, bar), key=lambda one: _rank(one, bar))
    for finding in shown:
        lines += _finding(finding, below.get(str(finding["identity"]), ()), bar, locate, paint)
    for finding in answer["gone"]:
        lines += _marked("gone", _head(finding))
    for eroded in sorted(answer["eroded"], key=lambda one: -one["fell"]):
        fell = _marked("eroded", _erosion(eroded))
        lines += painted(fell, "warning", paint) if bar.erosion else fell
    told = {(one["waiver"]["side"], one["waiver"]["pointer"]) for one in shown if one["waiver"] is not None}
    for text in unjudged_texts(answer["unjudged"]):
        lines += _marked("unjudged", text)
    for terms in answer["terms"]:
        lines += _marked("terms", terms_text(terms))
    for waiver in answer["waivers"]:
        if waiver["status"] not in _QUIET and (waiver["side"], waiver["pointer"]) not in told:
            lines += _marked("waiver", f"{waiver['status']}: {_waiver(waiver)}")
    lines += _base(answer.get("base"))
    if not item.findings and item.is_checked:
        lines += _marked("clean", "nothing found")
    return lines


def _rank(finding: Mapping[str, Any], bar: Bar) -> tuple[bool, int]:
    """What counts comes first."""
    return not bar.counts(finding), _ORDER.index(kind_of(finding))


def _marked(mark: str, text: str) -> list[str]:
    return wrap(text, first=f"  {mark:<{_WIDE}}", rest=" " * (_WIDE + 4))


def _problem(problem: Mapping[str, Any]) -> list[str]:
    lines = []
    for error in problem.get("errors") or ():
        place = "" if error.get("line") is None else f"line {error['line']}"
        said = (place, str(error.get("pointer") or ""), str(error["detail"]))
        lines += _marked("unchecked", ": ".join(part for part in said if part))
        for key, lead in (("seen", "seen"), ("accepted", "needed"), ("nearest", "did you mean")):
            if error.get(key):
                lines += wrap(f"{lead}: {error[key]}", first=" " * (_WIDE + 4), rest=" " * (_WIDE + 6))
    return lines + _marked("unchecked", str(problem.get("detail") or problem.get("title") or ""))


def _renamed(renamed: Mapping[str, Mapping[str, str]]) -> list[str]:
    pairs = [f"{word}{old} -> {new}" for key, word in (("parts", ""), ("nets", "net "))
             for old, new in sorted(renamed[key].items())]  # fmt: skip
    return _marked("renamed", ", ".join(pairs)) if pairs else []


def _finding(finding: Mapping[str, Any], consequences: Sequence[Mapping[str, Any]], bar: Bar, locate: Locate,
             paint: Paint) -> list[str]:
    """One that counts with its numbers and its mend, any other in one line; what it causes below it."""
    kind, counts = kind_of(finding), bar.counts(finding)
    line = locate(str(finding["pointers"][0])) if finding["pointers"] else None
    lines = _marked(kind, _head(finding) + ("" if line is None else f", line {line}"))
    indent = " " * (_WIDE + 2)
    if counts:
        lines = painted(lines, str(finding["severity"]), paint)
        lines += wrap(_numbers(finding), first=indent)
        lines += wrap(str(finding["message"]), first=indent)
        lines += _mend(finding, locate, indent)
    if finding["waiver"] is not None:
        lines += wrap(f"waiver {finding['waiver']['status']}: {_waiver(finding['waiver'])}", first=indent,
                      rest=indent + "  ")
    elif finding["mark"] == "worsened" and _is_worse_elsewhere(finding):
        lines += wrap(str(finding["why"]), first=indent, rest=indent + "  ")
    for other in consequences:
        lines += wrap(f"{kind_of(other)} {_head(other)}", first=f"{indent}causes: ", rest=indent + "  ")
    return lines


def _is_worse_elsewhere(finding: Mapping[str, Any]) -> bool:
    """More than its margin, which the numbers show already, got worse."""
    before = finding["before"]
    return bool(before["severity"] != finding["severity"] or before["places"] < finding["places"])


def _head(finding: Mapping[str, Any]) -> str:
    """The head of a finding; where it was seen is in its message."""
    return headline({**finding, "state": None, "corner": None})


def _numbers(finding: Mapping[str, Any]) -> str:
    """``0.41 -> 0.3, limit >= 3; margin -59 % -> -70 % of the limit``."""
    test, before = finding["test"], finding["before"]
    unit, now = str(test["unit"]), finding["margin"]
    left = finding_value(test["left"], unit)
    limit = finding_value(test["right"], unit)
    if before is None:
        return f"{left}, limit {test['relation']} {limit}; margin {_percent(now)} of the limit"
    if before["left"] is not None:  # a baseline keeps only the margin
        left = _course(before["left"], test["left"], unit)
        limit = _course(before["right"], test["right"], unit)
    was, is_now = _percent(before["margin"]), _percent(now)
    margin = is_now if was == is_now else f"{was} -> {is_now}"
    return f"{left}, limit {test['relation']} {limit}; margin {margin} of the limit"


def _percent(margin: float | None) -> str:
    return "without bound" if margin is None else percent(margin)


def _mend(finding: Mapping[str, Any], locate: Locate, indent: str) -> list[str]:
    """The smallest proven remedy: what to do, where, and its numbers."""
    proven = [remedy for remedy in finding["remedies"] if remedy["proof"]["proven"]]
    if not proven:
        return []
    first = proven[0]
    lines = wrap(f"mend: {first['summary']}", first=indent, rest=indent + "  ")
    lines += change_lines(first["patch"], locate, indent + "  ")
    return lines + proof_lines(first["proof"], indent + "  ")


def _waiver(waiver: Mapping[str, Any]) -> str:
    """Place, subject, reason, owner, date, and what is said of it."""
    named = [*waiver.get("parts", ()), *(f"net {net}" for net in waiver.get("nets", ()))]
    about = f"{waiver.get('rule', '')} at {', '.join(named)}" if waiver.get("rule") else ""
    side = f"of the {waiver['side']}" if waiver.get("side") else ""
    said = " ".join(part for part in (str(waiver["pointer"]), side) if part)
    lead = f"{said}: {about}" if about else said
    given = ", ".join(f"{key} {waiver[key]}" for key in ("owner", "expires") if waiver.get(key))
    why = f": {waiver['explanation']}" if waiver.get("explanation") else ""
    reason = f'; reason "{waiver["reason"]}"' if waiver.get("reason") else ""
    return lead + reason + (f" ({given})" if given else "") + why


def _erosion(item: Mapping[str, Any]) -> str:
    before, after = item["before"], item["after"]
    unit = str(after["unit"])
    subject = ", ".join(str(name) for name in item["subject"])
    where = ", ".join(part for part in (subject, f"in {item['state']}" if item["state"] else "") if part)
    limit = _course(before["right"], after["right"], unit)
    lead = f"{item['rule']}: {where}" if where else str(item["rule"])
    return (f"{lead}: {_course(before['left'], after['left'], unit)}, limit {after['relation']} {limit}; "
            f"still kept, margin down by {percent(item['fell'])}")


def _course(before: float | None, after: float | None, unit: str) -> str:
    """``3.1 -> 3.05``, or once what did not move."""
    was, now = finding_value(before, unit), finding_value(after, unit)
    return now if was == now else f"{was} -> {now}"


def _base(base: Mapping[str, Any] | None) -> list[str]:
    """What was wrong with the base: then more may read as new than is."""
    if base is None:
        return []
    said = [f"{rule} could not be run on the base" for rule in base["failed"]]
    said += [] if base["complete"] else ["not every state of the base was found"]
    return [line for text in said for line in _marked("note", f"{text}; its findings may read as new")]


def _beside(outcome: Outcome) -> list[str]:
    """Deleted circuits, proposed policies and the baseline."""
    lines: list[str] = []
    for path in outcome.scope.picked.deleted:
        lines += wrap(f"{path}: deleted or renamed away", rest="  ")
    for item in outcome.scope.proposals:
        lines += wrap(f"{item.file}: policy proposed, not in effect here: {'; '.join(item.says)}", rest="  ")
        lines += _problem(item.problem) if item.problem is not None else []
    known, ratchet = outcome.scope.known, outcome.ratchet
    if known is not None and known.proposed:
        said = "baseline proposed: the base does not have it, so it excuses nothing here"
        lines += wrap(f"{known.path}: {said}", rest="  ")
    if known is not None and ratchet is not None and ratchet.says:
        lines += wrap(f"{known.path}: the baseline can be tighter (--ratchet):", rest="  ")
        for text in ratchet.says:
            lines += wrap(text, first="  - ", rest="    ")
    return ["", *lines] if lines else []
