"""One finding as text, at three depths of the same data: line, card, lesson."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any, Literal

from clients.layout import table, wrap
from clients.render_values import Locate, changes, finding_value, place, quantity, short_place, valued

Depth = Literal["line", "card", "lesson"]
Paint = Callable[[str, str], str]

_COLOURS = {"error": "red", "warning": "yellow", "note": "cyan"}


def plain(text: str, colour: str) -> str:
    """A :data:`Paint` that leaves the text as it is."""
    return text


def headline(finding: Mapping[str, Any]) -> str:
    """``warning: min-beta-drive: Q1, R1 (bright, beta min)``."""
    subject = ", ".join([*finding.get("parts", ()), *(f"net {net}" for net in finding.get("nets", ()))])
    where = situation(finding)
    line = f"{finding.get('severity', 'note')}: {finding.get('rule', '')}"
    return line + (f": {subject}" if subject else "") + (f" ({where})" if where else "")


def situation(item: Mapping[str, Any]) -> str:
    """``bright, beta min``: the state and the corner of a finding."""
    state, corner = item.get("state"), item.get("corner")
    named = f"beta {corner}" if corner in ("min", "typical", "max") else corner
    return ", ".join(str(part) for part in (state, named) if part)


def painted(lines: list[str], severity: str, paint: Paint) -> list[str]:
    """``lines`` with the colour of the severity."""
    colour = _COLOURS.get(severity, "")
    return [paint(line, colour) for line in lines] if colour else lines


def finding_lines(finding: Mapping[str, Any], *, depth: Depth = "card", locate: Locate, label: str = "",
                  consequences: Sequence[Mapping[str, Any]] = (), paint: Paint = plain,
                  remedies: bool = True) -> list[str]:
    """The finding as lines of at most 80 columns.

    ``label`` (a file name) opens the line form; ``consequences`` are findings
    that this one causes: they are folded under it as single headlines.
    """
    severity = str(finding.get("severity", "note"))
    message = str(finding.get("message", ""))
    if depth == "line":
        pointers = finding.get("pointers") or [""]
        line = locate(pointers[0])
        lead = f"{label}{'' if line is None else f':{line}'}: " if label else ""
        return painted(wrap(f"{lead}{headline(finding)}: {message}", rest="  "), severity, paint)
    lines = painted(wrap(headline(finding), rest="  "), severity, paint)
    lines += wrap(message, first="  ")
    lines += _evidence(finding, locate)
    lines += _judged(finding)
    lines += _grounds(finding.get("grounds"), depth)
    if remedies:
        lines += _remedies(finding.get("remedies") or (), locate)
    lines += _advice(finding.get("advice") or ())
    if consequences:
        lines += ["", "  it also causes"]
        for other in consequences:
            lines += wrap(f"{headline(other)}: {other.get('message', '')}", first="    ", rest="      ")
    if depth == "lesson":
        lines += ["", *wrap(f"the whole lesson: thumbrule lesson {finding.get('rule', '')}", first="  ")]
        lines += wrap(f"identity: {finding.get('identity', '')}", first="  ")
    return lines


def _evidence(finding: Mapping[str, Any], locate: Locate) -> list[str]:
    rows = []
    for item in finding.get("evidence") or ():
        grounds = (short_place(item.get("pointer"), locate), str(item.get("source") or ""))
        where = "; ".join(part for part in grounds if part)
        meaning = str(item.get("meaning", ""))
        value = finding_value(item.get("value"), str(item.get("unit", "")))
        rows.append([str(item.get("symbol", "")), value, str(item.get("origin", "")),
                     f"{meaning} ({where})" if where else meaning])
    if not rows:
        return []
    return ["", "  read and worked out", *table(rows, indent="    ", align=("<", ">"))]


def _judged(finding: Mapping[str, Any]) -> list[str]:
    """The inequality that was judged, and where else it is violated."""
    test = finding.get("test")
    if not test:
        return []
    unit = str(test.get("unit", ""))
    left, right = finding_value(test.get("left"), unit), finding_value(test.get("right"), unit)
    relation, margin = str(test.get("relation", "")), test.get("margin")
    verdict = "is not met"
    if margin is not None and margin < 0:
        verdict += f": {quantity(-margin, unit)} {'short' if '>' in relation else 'too much'}"
    lines = ["", *wrap(f"{left} {relation} {right} {verdict}", first="  judged  ")]
    places = [situation(item) for item in finding.get("occurrences") or ()]
    here = situation(finding)
    others = [item for item in dict.fromkeys(places) if item and item != here]
    return lines + (wrap("; ".join(others), first="  also at  ") if others else [])


def _grounds(grounds: Mapping[str, Any] | None, depth: Depth) -> list[str]:
    if not grounds:
        return []
    lines = ["", *wrap(str(grounds.get("rule_of_thumb", "")), first="  rule of thumb  ", rest="    ")]
    if grounds.get("formula"):
        lines += wrap(str(grounds["formula"]), first="    ", rest="      ")
    if depth == "lesson":
        lines += table([[symbol, str(meaning)] for symbol, meaning in (grounds.get("symbols") or {}).items()],
                       indent="      ")
        for key, word in (("holds", "holds: "), ("fails", "does not hold: ")):
            if grounds.get(key):
                lines += wrap(str(grounds[key]), first=f"    {word}", rest="      ")
    if grounds.get("source"):
        lines += wrap(str(grounds["source"]), first="    source: ", rest="      ")
    return lines


def _remedies(remedies: Sequence[Mapping[str, Any]], locate: Locate) -> list[str]:
    proven = [remedy for remedy in remedies if (remedy.get("proof") or {}).get("proven", True)]
    unproven = [remedy for remedy in remedies if remedy not in proven]
    lines: list[str] = []
    if proven:
        lines += ["", "  remedies, smallest change first"]
        for at, remedy in enumerate(proven, 1):
            lines += wrap(str(remedy.get("summary", "")), first=f"    {at}. ", rest="       ")
            lines += change_lines(remedy.get("patch") or (), locate, indent="       ")
            lines += proof_lines(remedy.get("proof"), indent="       ")
    if unproven:
        lines += ["", "  considered and withdrawn"]
        for remedy in unproven:
            reason = str((remedy.get("proof") or {}).get("reason", ""))
            lines += wrap(str(remedy.get("summary", "")), first="    - ", rest="      ")
            lines += change_lines(remedy.get("patch") or (), locate, indent="      ")
            if reason:
                lines += wrap(reason, first="      because: ", rest="        ")
    return lines


def change_lines(patch: Sequence[Mapping[str, Any]], locate: Locate, indent: str) -> list[str]:
    """One line per changed value: where it stands, old -> new."""
    lines = []
    for pointer, wording in changes(patch):
        lines += wrap(f"{place(pointer, locate)}: {wording}", first=indent, rest=indent + "  ")
    return lines


def proof_lines(proof: Mapping[str, Any] | None, indent: str) -> list[str]:
    """before -> after -> limit, the corners it was proven at, and what else it changes."""
    if not proof:
        return []
    unit = str(proof.get("unit", ""))
    after = proof.get("after")
    course = (f"{finding_value(proof.get('before'), unit)} -> "
              f"{'no longer applies' if after is None else quantity(after, unit)}"
              f" (limit {quantity(proof.get('limit'), unit)})")
    corners = ", ".join(str(corner) for corner in proof.get("corners") or ())
    lines = wrap(course + (f"; proven at {corners}" if corners else ""), first=indent, rest=indent + "  ")
    for effect in proof.get("effects") or ():
        lines += wrap(f"then {effect.get('symbol', '')} = {valued(effect)}, {effect.get('meaning', '')}",
                      first=indent, rest=indent + "  ")
    return lines


def _advice(advice: Sequence[Any]) -> list[str]:
    if not advice:
        return []
    lines = ["", "  advice without proof"]
    for item in advice:
        if isinstance(item, Mapping):
            reason = item.get("reason")
            lines += wrap(str(item.get("summary", "")), first="    - ", rest="      ")
            if reason:
                lines += wrap(str(reason), first="      because: ", rest="        ")
        else:
            lines += wrap(str(item), first="    - ", rest="      ")
    return lines
