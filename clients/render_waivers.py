"""Accepted findings as text: what is waived in one line each, and every waiver that is not in force."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from clients.layout import wrap
from clients.render_finding import headline
from clients.render_values import Locate, place

Item = Mapping[str, Any]


def is_waived(finding: Item) -> bool:
    """Does a waiver in force take this finding out of the count?"""
    return (finding.get("waiver") or {}).get("status") == "in-force"


def counted(findings: Sequence[Item]) -> list[Item]:
    return [item for item in findings if not is_waived(item)]


def waiver_lines(review: Item, locate: Locate) -> list[str]:
    """The sections on waivers, empty where the document has none."""
    lines: list[str] = []
    waived = [item for item in review.get("findings") or () if is_waived(item)]
    if waived:
        lines += ["", "waived, and not counted"]
        for item in waived:
            lines += wrap(f"{headline(item)}: {accepted(item['waiver'])}", first="  - ", rest="    ")
    idle = _idle(review)
    if idle:
        lines += ["", "waivers that are not in force"]
        for item in idle:
            where = place(str(item.get("pointer", "")), locate)
            lines += wrap(f"{where}: {_told(item)}", first="  - ", rest="    ")
    return lines


def short_lines(review: Item, label: str, locate: Locate) -> list[str]:
    """The same, one entry to a line, for the short form."""
    lines: list[str] = []
    for item in review.get("findings") or ():
        if is_waived(item):
            lead = _lead(label, locate((item.get("pointers") or [""])[0]))
            lines += wrap(f"{lead}waived: {headline(item)}: {accepted(item['waiver'])}", rest="  ")
    for item in _idle(review):
        lines += wrap(f"{_lead(label, locate(str(item.get('pointer', ''))))}waiver: {_told(item)}", rest="  ")
    return lines


def at_finding(finding: Item) -> list[str]:
    """Why the waiver of a finding that counts does not hold."""
    waiver = finding.get("waiver")
    if not waiver or is_waived(finding):
        return []
    text = f"{waiver.get('status')}: {waiver.get('explanation', '')}"
    return ["", *wrap(text, first="  waiver  ", rest="    ")]


def accepted(waiver: Item) -> str:
    """``hand-selected at test (bench, to 2027-06-30)``."""
    return f"{waiver.get('reason', '')} ({waiver.get('owner', '')}, to {waiver.get('expires', '')})"


def _idle(review: Item) -> list[Item]:
    return [item for item in review.get("waivers") or () if item.get("status") != "in-force"]


def _told(item: Item) -> str:
    named = ", ".join([*item.get("parts", ()), *(f"net {net}" for net in item.get("nets", ()))])
    about = ": ".join(part for part in (str(item.get("rule") or ""), named) if part)
    return f"{item.get('status')}" + (f": {about}" if about else "") + f": {item.get('explanation', '')}"


def _lead(label: str, line: int | None) -> str:
    return f"{label}{'' if line is None else f':{line}'}: " if label else ""
