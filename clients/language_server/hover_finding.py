"""Hover on a finding: its working, from the message to the proven remedies.

``working(finding, ...) -> str`` is Markdown from a finding in the shape of
``POST /v1/reviews`` (or a :class:`schemas.finding.Finding`);
``finding_hover(snapshot, findings, ...) -> Hover`` puts those at one place
together.  The numbers are those of the finding: nothing is worked out here.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from lsprotocol import types as lsp

from clients.language_server.markdown import blocks, code, plain, table
from clients.render_finding import headline, situation
from clients.render_values import Locate, changes, finding_value, quantity, short_place, valued
from schemas.finding import Finding


def finding_hover(findings: Sequence[Finding | Mapping[str, Any]], reach: lsp.Range | None = None, *,
                  locate: Locate | None = None, lessons: str | None = None) -> lsp.Hover | None:
    """The workings of the findings at one place, in the order given; ``None`` for none.

    ``lessons`` is the address of a server that has lessons, ``locate`` gives
    the line of a pointer.
    """
    if not findings:
        return None
    text = "\n\n---\n\n".join(working(finding, locate=locate, lessons=lessons) for finding in findings)
    return lsp.Hover(lsp.MarkupContent(lsp.MarkupKind.Markdown, text), reach)


def working(finding: Finding | Mapping[str, Any], *, locate: Locate | None = None,
            lessons: str | None = None) -> str:
    """Message, test, evidence, rule of thumb, remedies and the way to the lesson, as Markdown."""
    told = shape(finding)
    find: Locate = locate or (lambda pointer: None)
    return blocks([f"**{plain(headline(told))}**"], [plain(told.get("message", ""))], _test(told),
                  _evidence(told, find), _grounds(told.get("grounds") or {}),
                  _remedies(told.get("remedies") or (), find), _advice(told.get("advice") or ()),
                  _waiver(told.get("waiver")), [lesson(str(told.get("rule", "")), lessons)])


def shape(finding: Finding | Mapping[str, Any]) -> Mapping[str, Any]:
    if isinstance(finding, Finding):
        from service.shapes import finding_shape

        return finding_shape(finding)
    return finding


def lesson(slug: str, lessons: str | None) -> str:
    """A link to the lesson where a server has it, else the command that prints it."""
    command = code(f"thumbrule lesson {slug}")
    if not lessons:
        return f"Lesson: {command}"
    return f"[Lesson: {plain(slug)}]({lessons.rstrip('/')}/v1/rules/{slug}) or {command}"


def _test(finding: Mapping[str, Any]) -> list[str]:
    test = finding.get("test")
    if not test:
        return []
    unit = str(test.get("unit", ""))
    left, right = finding_value(test.get("left"), unit), finding_value(test.get("right"), unit)
    relation, margin = str(test.get("relation", "")), test.get("margin")
    line = f"Judged: {code(f'{left} {relation} {right}')}"
    if margin is not None and margin < 0:
        line += f" is not met, {quantity(-margin, unit)} {'short' if '>' in relation else 'too much'}"
    lines = [f"{line}."]
    places = dict.fromkeys(situation(item) for item in finding.get("occurrences") or ())
    others = [place for place in places if place and place != situation(finding)]
    return lines + ([f"Also at: {plain('; '.join(others))}"] if others else [])


def _evidence(finding: Mapping[str, Any], locate: Locate) -> list[str]:
    rows = []
    for item in finding.get("evidence") or ():
        grounds = (short_place(item.get("pointer"), locate), str(item.get("source") or ""))
        value = finding_value(item.get("value"), str(item.get("unit", "")))
        rows.append([code(item.get("symbol", "")), plain(value),
                     plain(item.get("origin", "")), plain(item.get("meaning", "")),
                     plain("; ".join(word for word in grounds if word))])
    return table(("symbol", "value", "origin", "meaning", "from"), rows)


def _grounds(grounds: Mapping[str, Any]) -> list[str]:
    if not grounds:
        return []
    lines = [f"**Rule of thumb.** {plain(grounds.get('rule_of_thumb', ''))}"]
    if grounds.get("formula"):
        lines += ["", code(grounds["formula"])]
    for key, word in (("source", "Source"), ("holds", "Holds"), ("fails", "Does not hold")):
        if grounds.get(key):
            lines += ["", f"{word}: {plain(grounds[key])}"]
    return lines


def _remedies(remedies: Iterable[Mapping[str, Any]], locate: Locate) -> list[str]:
    lines: list[str] = []
    proven = [remedy for remedy in remedies if (remedy.get("proof") or {}).get("proven", True)]
    for at, remedy in enumerate(proven, 1):
        lines.append(f"{at}. {plain(remedy.get('summary', ''))}")
        for pointer, wording in changes(remedy.get("patch") or ()):
            lines.append(f"   - {plain(short_place(pointer, locate))}: {code(wording)}")
        lines += [f"   - {line}" for line in _proof(remedy.get("proof") or {})]
    return ["**Proven remedies**, smallest change first:", "", *lines] if lines else []


def _proof(proof: Mapping[str, Any]) -> Iterable[str]:
    if not proof:
        return
    unit, after = str(proof.get("unit", "")), proof.get("after")
    now = "no longer applies" if after is None else quantity(after, unit)
    corners = ", ".join(str(corner) for corner in proof.get("corners") or ())
    before, limit = finding_value(proof.get("before"), unit), quantity(proof.get("limit"), unit)
    at = f"; proven at {plain(corners)}" if corners else ""
    yield f"before {plain(before)}, after {plain(now)}, limit {plain(limit)}{at}"
    for effect in proof.get("effects") or ():
        meaning = plain(effect.get("meaning", ""))
        yield f"then {code(effect.get('symbol', ''))} = {plain(valued(effect))}, {meaning}"


def _advice(advice: Iterable[Any]) -> list[str]:
    lines = []
    for item in advice:
        if isinstance(item, Mapping):
            reason = f" (because {item['reason']})" if item.get("reason") else ""
            lines.append(f"- {plain(str(item.get('summary', '')) + reason)}")
        else:
            lines.append(f"- {plain(item)}")
    return ["**Advice without proof**", "", *lines] if lines else []


def _waiver(waiver: Mapping[str, Any] | None) -> list[str]:
    if not waiver:
        return []
    return [f"**Waiver** ({plain(waiver.get('status', ''))}): {plain(waiver.get('reason', ''))},"
            f" {plain(waiver.get('owner', ''))}, until {plain(waiver.get('expires', ''))}."]
