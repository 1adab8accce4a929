"""What a comparison is asked with: two circuits in one document, and findings that are known already.

``{"base": circuit or null, "head": circuit, "known": [finding, ...]}``, in either
spelling, through the same strict intake as a circuit by itself.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Any, TypeAlias

from schemas.circuit import Circuit
from schemas.document import Check, Checked, Document, Spelling, check_raw, read
from schemas.finding import SEVERITIES
from schemas.layout import choice
from schemas.problems import (
    MAX_PROBLEMS,
    Complaint,
    Enough,
    Problem,
    ProblemSink,
    listed,
    nearest_name,
    pointer,
    quoted,
    show,
)
from schemas.shapes import INVALID, Leaf, ListOf, Member, Object
from schemas.values import read_line
from service.documents import placed, type_kinds
from service.lenient import Lenient
from service.waivers import MalformedWaiver

MEMBERS = ("base", "head", "known")
MAX_KNOWN = 5000

Json: TypeAlias = dict[str, Any]
Side: TypeAlias = tuple[Document, tuple[MalformedWaiver, ...]]


def _read_margin(raw: object) -> float | None:
    if raw is None or (isinstance(raw, (int, float)) and not isinstance(raw, bool) and math.isfinite(raw)):
        return None if raw is None else float(raw)
    raise Complaint("a margin in units of the limit is needed", seen=show(raw), accepted="a number, or null")


def _read_places(raw: object) -> int:
    if isinstance(raw, int) and not isinstance(raw, bool) and 1 <= raw <= 1_000_000:
        return raw
    raise Complaint("a number of states is needed", seen=show(raw), accepted="a whole number from 1")


def _anything(raw: object) -> object:
    return raw


_LINE = Leaf("line", read_line)
KNOWN = ListOf("known findings", Object("a known finding", {
    "identity": Member(_LINE, required=True, meaning="the identity of a finding"),
    "severity": Member(choice(*SEVERITIES), required=True, meaning=", ".join(SEVERITIES)),
    "margin": Member(Leaf("margin", _read_margin), required=True, meaning="a number, or null"),
    "places": Member(Leaf("places", _read_places), required=True, meaning="a whole number from 1"),
    # what a baseline keeps for its reader
    **{name: Member(Leaf("any", _anything)) for name in ("rule", "parts", "nets")},
}), 0, MAX_KNOWN)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Pair:
    """A comparison as it was asked for."""

    base: Side | None
    head: Side
    known: tuple[Mapping[str, Any], ...]


class _PairCheck:
    """The check that :func:`schemas.document.read` applies; keeps what it made of either side."""

    def __init__(self, check: Check) -> None:
        self.sides = {"base": Lenient(check), "head": Lenient(check)}
        self.circuits: dict[str, Circuit | None] = {"base": None, "head": None}
        self.known: tuple[Mapping[str, Any], ...] = ()

    def __call__(self, raw: Any, part_types: Mapping[str, str] | None) -> Checked:
        problems = [Problem.of(pointer(complaint.at), complaint) for complaint in _outline(raw)]
        complete = True
        for side in ("base", "head") if isinstance(raw, Mapping) else ():
            if raw.get(side) is None:
                continue
            circuit, found, whole = self.sides[side](raw[side], part_types)
            problems += [replace(problem, pointer=f"/{side}{problem.pointer}") for problem in found]
            self.circuits[side] = circuit
            complete = complete and whole
        problems += self._known(raw)
        if problems:
            return None, problems[:MAX_PROBLEMS], complete and len(problems) <= MAX_PROBLEMS
        return self.circuits["head"], [], complete

    def _known(self, raw: Any) -> list[Problem]:
        given = raw.get("known") if isinstance(raw, Mapping) else None
        if given is None:
            return []
        sink = ProblemSink()
        try:
            found = KNOWN.walk(given, ("known",), sink)
        except Enough:
            return sink.problems
        self.known = () if found is INVALID else found
        return sink.problems


def _outline(raw: Any) -> Iterator[Complaint]:
    if not isinstance(raw, Mapping):
        yield Complaint("a comparison is an object", seen=show(raw),
                        accepted=f"an object with the members {listed(MEMBERS)}")  # fmt: skip
        return
    for key in raw:
        if key not in MEMBERS:
            yield Complaint(f"a comparison has no member {quoted(str(key))}", seen=quoted(str(key)),
                            accepted=listed(MEMBERS), nearest=nearest_name(str(key), MEMBERS), at=(str(key),))
    if raw.get("head") is None:
        seen = "null" if "head" in raw else "nothing"
        yield Complaint('a comparison needs the member "head"', seen=seen, accepted="a circuit document",
                        at=("head",))  # fmt: skip


def read_pair(data: bytes, spelling: Spelling, *, check: Check = check_raw) -> Pair:
    """The two circuits in ``data``.  A malformed waiver is set aside, as :func:`read_leniently` does.

    Raises :class:`schemas.problems.DocumentProblems`, pointers such as ``/head/parts/R1``.
    """
    checking = _PairCheck(check)
    whole = read(data, spelling, part_types=type_kinds(), check=checking)

    def side(name: str) -> Side | None:
        circuit, lenient = checking.circuits[name], checking.sides[name]
        if circuit is None:
            return None
        positions = whole.positions.below(f"/{name}", whole.text)
        document = Document(circuit, lenient.raw, whole.text, whole.spelling, positions, whole.marked)
        return document, tuple(placed(item, positions) for item in lenient.malformed)

    head = side("head")
    assert head is not None
    return Pair(side("base"), head, checking.known)
