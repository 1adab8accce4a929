"""Documents whose waivers alone are at fault: a waiver that cannot be read must not hide a circuit.

It counts as expired instead, so a slip of the pen in a date never turns a check off.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import Any

from schemas.document import Check, Checked, check_raw
from schemas.problems import Complaint, Problem
from schemas.values import read_name, read_slug
from service.waivers import MalformedWaiver

_PLACE = re.compile(r"(/waivers(?:/(?:0|[1-9][0-9]*))?)(?:/.*)?\Z", re.DOTALL)


class Lenient:
    """A check of plain data for one document: as ``check``, but waivers that fail are set aside.

    Afterwards ``malformed`` has those waivers, ``raw`` the data without them.
    """

    def __init__(self, check: Check = check_raw) -> None:
        self.check = check
        self.malformed: tuple[MalformedWaiver, ...] = ()
        self.raw: Any = None

    def __call__(self, raw: Any, part_types: Mapping[str, str] | None) -> Checked:
        self.raw = raw
        circuit, problems, complete = self.check(raw, part_types)
        if circuit is not None or not isinstance(raw, Mapping):
            return circuit, problems, complete
        if complete:
            at_fault = _by_waiver(problems)
        else:  # so many problems that checking stopped: are they all in the waivers?
            bare, others, _ = self.check(_without(raw, {"/waivers"}), part_types)
            at_fault = {"/waivers": tuple(problems)} if bare is not None else None
            problems = problems if bare is not None else others
        if at_fault is None:
            return None, problems, complete
        rest = _without(raw, at_fault)
        found, others, complete = self.check(rest, part_types)
        if found is not None:
            self.raw = rest
            self.malformed = tuple(_set_aside(raw, place, at_fault[place]) for place in _in_order(at_fault))
        return found, others, complete


def _by_waiver(problems: Sequence[Problem]) -> dict[str, tuple[Problem, ...]] | None:
    """The problems by the waiver they are in; ``None`` when one is somewhere else."""
    groups: dict[str, tuple[Problem, ...]] = {}
    for problem in problems:
        match = _PLACE.match(problem.pointer)
        if match is None:
            return None
        groups[match[1]] = (*groups.get(match[1], ()), problem)
    if "/waivers" in groups:  # not a list, or too long: nothing in it can be used
        return {"/waivers": tuple(problems)}
    return groups or None


def _in_order(places: Mapping[str, Any]) -> list[str]:
    return sorted(places, key=lambda place: (len(place), place))


def _without(raw: Mapping[str, Any], places: Any) -> dict[str, Any]:
    """The document without some waivers, or without all."""
    kept = {key: value for key, value in raw.items() if key != "waivers"}
    if "/waivers" not in places:
        kept["waivers"] = [w for i, w in enumerate(raw["waivers"]) if f"/waivers/{i}" not in places]
    return kept


def _set_aside(raw: Mapping[str, Any], place: str, problems: tuple[Problem, ...]) -> MalformedWaiver:
    """What can be read of a waiver: enough to say which finding it was meant for."""
    index = place.removeprefix("/waivers").lstrip("/")
    waiver = raw["waivers"][int(index)] if index else None
    members = waiver if isinstance(waiver, Mapping) else {}

    def text(name: str) -> str:
        value = members.get(name)
        return value if isinstance(value, str) and value.isprintable() and len(value) <= 200 else ""

    return MalformedWaiver(
        place, _slug(members.get("rule")), _names(members.get("parts")), _names(members.get("nets")),
        text("reason"), text("owner"), text("expires"), problems)  # fmt: skip


def _slug(value: Any) -> str:
    try:
        return read_slug(value)
    except Complaint:
        return ""


def _names(value: Any) -> tuple[str, ...]:
    """The names in a list; none when one of them is no name, so that it cannot cover too much."""
    try:
        return tuple(read_name(item) for item in value) if isinstance(value, (list, tuple)) else ()
    except Complaint:
        return ()
