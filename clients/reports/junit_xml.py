"""A JUnit-style XML report: a suite per circuit, a case per rule.

There is no formal standard; written is what common readers share: one
``failure``, ``error`` or ``skipped`` in a case, each with ``message``.  No
times, no machine, no order but that of names.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any
from xml.sax.saxutils import escape, quoteattr

from clients.render_finding import headline
from clients.reports.entry import Entry, Finding, counts, is_waived, ordered, relative_margin
from clients.reports.words import described, fell, inequality, justification, percent, proven

# Everything that XML 1.0 (section 2.2) does not allow as a character.
_NOT_XML = re.compile("[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
CHECKED = "the circuit could be checked"
"""The case that stands for a document that cannot be read, or a search that did not end."""


@dataclass(frozen=True, slots=True)
class Case:
    """``kind`` is ``pass``, ``failure``, ``error`` or ``skipped``; ``text`` is the body."""

    name: str
    kind: str
    message: str = ""
    type: str = ""
    text: str = ""


def junit(entries: Iterable[Entry], *, threshold: str = "warning", erosion: bool = False) -> str:
    """The report as text, ASCII for every locale.  A finding is a failure when it counts at ``threshold``.

    With ``erosion`` a margin that is kept but fell is a failure as well.
    """
    suites = [(entry, cases(entry, threshold, erosion)) for entry in ordered(entries)]
    every = [case for _, found in suites for case in found]
    lines = ['<?xml version="1.0" encoding="UTF-8"?>', f"<testsuites name=\"thumbrule\"{_numbers(every)}>"]
    for entry, found in suites:
        lines.append(f"  <testsuite name={_attribute(_name(entry))}{_numbers(found)}>")
        lines += [line for case in found for line in _case(entry, case)]
        lines.append("  </testsuite>")
    text = "\n".join([*lines, "</testsuites>"]) + "\n"
    return text.encode("ascii", "xmlcharrefreplace").decode("ascii")


def cases(entry: Entry, threshold: str, erosion: bool = False) -> list[Case]:
    """A case for each rule that ran or could not, by name, after the one for the circuit itself."""
    blocked = entry.incomplete
    first = Case(CHECKED, "pass")
    if blocked:
        first = Case(CHECKED, "error", blocked[0], "could-not-check", "\n".join(_blocked(entry, blocked)))
    rules = {str(item["rule"]) for item in (*(entry.answer.get("outcomes") or ()), *entry.findings)}
    return [first, *(_rule(entry, rule, threshold, erosion) for rule in sorted(rules))]


def _rule(entry: Entry, rule: str, threshold: str, erosion: bool) -> Case:
    findings = [item for item in entry.findings if item["rule"] == rule]
    failing = [item for item in findings if counts(item, threshold)]
    worn = [fell(item) for item in entry.eroded if item["rule"] == rule]
    told = "\n\n".join([*(_finding(entry, item) for item in findings), *worn])
    reasons = {kind: _reasons(entry, rule, kind) for kind in ("failed", "undecided", "not-applicable")}
    if reasons["failed"]:
        text = "\n".join([*reasons["failed"], *([told] if told else [])])
        return Case(rule, "error", "; ".join(reasons["failed"]), "rule-failed", text)
    if failing:
        more = f" (and {len(failing) - 1} more)" if len(failing) > 1 else ""
        return Case(rule, "failure", f"{failing[0].get('message', '')}{more}", _worst(failing), told)
    if worn and erosion:
        return Case(rule, "failure", worn[0], "margin", told)
    excused = [text for item in findings if (text := _excuse(item))]
    if excused:
        return Case(rule, "skipped", "; ".join(excused), "", told)
    if told:
        return Case(rule, "pass", text=told)
    for kind in ("undecided", "not-applicable"):
        only = kind == "undecided" or not _ran(entry, rule)
        if reasons[kind] and only:
            return Case(rule, "skipped", f"{kind}: {'; '.join(reasons[kind])}")
    return Case(rule, "pass")


def _reasons(entry: Entry, rule: str, kind: str) -> list[str]:
    """Why outcomes of that kind came about, each once."""
    found = (str(item.get("reason") or "no reason given") for item in entry.outcomes(kind)
             if item["rule"] == rule)
    return sorted(dict.fromkeys(found))


def _ran(entry: Entry, rule: str) -> bool:
    return any(item["rule"] == rule for item in entry.outcomes("satisfied", "violated"))


def _worst(findings: Sequence[Finding]) -> str:
    severities = {str(item["severity"]) for item in findings}
    return next(name for name in ("error", "warning", "note") if name in severities)


def _excuse(finding: Finding) -> str:
    """Why a finding does not count; empty where only its severity is too low."""
    if is_waived(finding):
        return f"waived: {justification(finding['waiver'])}"
    if finding.get("counts") is False:
        return f"{finding.get('mark', 'known')}: {finding.get('why') or 'it does not count'}"
    return ""


def _finding(entry: Entry, finding: Finding) -> str:
    """The finding in some lines: where, message, numbers, what would mend it."""
    lines = [f"{entry.place(finding)}: {headline(finding)}", str(finding.get("message", ""))]
    lines += _judged(finding)
    if finding.get("caused_by"):
        lines.append(f"follows from: {finding['caused_by']}")
    if finding.get("mark"):
        lines.append(f"{finding['mark']}: {finding.get('why') or ''}".rstrip(": "))
    waiver = finding.get("waiver")
    if waiver:
        lines.append(f"waiver, {waiver.get('status')}: {justification(waiver)}")
    lines += [f"proven: {described(item)}" for item in proven(finding)]
    return "\n".join([*lines, f"identity: {finding.get('identity', '')}"])


def _judged(finding: Finding) -> list[str]:
    test = finding.get("test")
    if not test:
        return []
    margin, before = relative_margin(finding), finding.get("before")
    line = f"judged: {' '.join(inequality(test))}"
    line += "" if margin is None else f", margin {percent(margin)}"
    if before and before.get("margin") is not None:
        line += f", before {percent(float(before['margin']))}"
    return [line]


def _blocked(entry: Entry, blocked: Sequence[str]) -> list[str]:
    errors = [item for item in (entry.problem or {}).get("errors") or () if isinstance(item, Mapping)]
    lines = []
    for item in errors:
        line = f":{item['line']}" if item.get("line") else ""
        lead = ": ".join(text for text in (f"{entry.label}{line}", str(item.get("pointer") or "")) if text)
        lines.append(f"{lead}: {item.get('detail', '')}")
    return [*blocked, *lines]


def _name(entry: Entry) -> str:
    return str(entry.answer.get("circuit") or entry.label)


def _numbers(found: Sequence[Case]) -> str:
    numbers = {"tests": len(found)}
    for kind, name in (("failure", "failures"), ("error", "errors"), ("skipped", "skipped")):
        numbers[name] = sum(case.kind == kind for case in found)
    return "".join(f' {name}="{number}"' for name, number in numbers.items())


def _case(entry: Entry, case: Case) -> list[str]:
    lead = f"    <testcase classname={_attribute(entry.label)} name={_attribute(case.name)}"
    if case.kind == "pass":
        if not case.text:
            return [f"{lead}/>"]
        return [f"{lead}>", f"      <system-out>{_text(case.text)}</system-out>", "    </testcase>"]
    kind = f" type={_attribute(case.type)}" if case.type else ""
    inner = f"      <{case.kind} message={_attribute(case.message)}{kind}"
    inner += f">{_text(case.text)}</{case.kind}>" if case.text else "/>"
    return [f"{lead}>", inner, "    </testcase>"]


def _allowed(text: str) -> str:
    return _NOT_XML.sub(lambda match: f"\\x{ord(match[0]):02x}", text)


def _attribute(text: Any) -> str:
    return quoteattr(_allowed(str(text)))


def _text(text: str) -> str:
    return escape(_allowed(text), {"\r": "&#13;"})
