"""Documents read with everything the program knows: part types are checked against the published ones."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from functools import cache
from types import MappingProxyType
from typing import Any

from schemas.circuit import Circuit
from schemas.document import Check, Document, Spelling, check_raw, load, read
from schemas.positions import PositionMap
from schemas.problems import DocumentProblems, Problem, located
from service.lenient import Lenient
from service.waivers import MalformedWaiver


@cache
def type_kinds() -> Mapping[str, str]:
    """Published part type -> part kind."""
    from rules.analysis.part_types import PART_TYPES

    return MappingProxyType({name: part.kind for name, part in PART_TYPES.items()})


def read_document(data: bytes, spelling: Spelling | None = None, name: str = "") -> Document:
    """A checked document from bytes.  Raises :class:`schemas.problems.DocumentProblems`."""
    return read(data, spelling, name, part_types=type_kinds())


def read_leniently(
    data: bytes, spelling: Spelling | None = None, name: str = "", *, check: Check = check_raw
) -> tuple[Document, tuple[MalformedWaiver, ...]]:
    """A document, and its waivers that cannot be used: those alone do not keep a circuit from being judged.

    ``raw`` and ``circuit`` of the document are without those waivers.  Raises
    :class:`schemas.problems.DocumentProblems` for every other problem.
    """
    lenient = Lenient(check)
    found = read(data, spelling, name, part_types=type_kinds(), check=lenient)
    if not lenient.malformed:
        return found, ()
    told = tuple(placed(item, found.positions) for item in lenient.malformed)
    return replace(found, raw=lenient.raw), told


def placed(item: MalformedWaiver, positions: PositionMap) -> MalformedWaiver:
    """The same with line and column."""

    def place(problem: Problem) -> Problem:
        mark = positions.nearest_key(problem.pointer)
        return located(problem, mark.line, mark.column)

    return replace(item, problems=tuple(place(problem) for problem in item.problems))


def read_at_boundary(data: bytes, spelling: Spelling | None = None, name: str = "") -> Document:
    """The same for what comes over HTTP: after the strict intake the marshmallow schemas judge.

    They find the same problems as the walker that commands use, which starts faster.
    """
    from schemas.marshmallow_schemas import check_raw as check

    return read(data, spelling, name, part_types=type_kinds(), check=check)


def read_leniently_at_boundary(
    data: bytes, spelling: Spelling | None = None, name: str = ""
) -> tuple[Document, tuple[MalformedWaiver, ...]]:
    """:func:`read_leniently`, judged by the marshmallow schemas."""
    from schemas.marshmallow_schemas import check_raw as check

    return read_leniently(data, spelling, name, check=check)


def load_circuit(raw: Mapping[str, Any]) -> Circuit:
    """A checked circuit from plain data.  Raises :class:`schemas.problems.DocumentProblems`."""
    return load(raw, part_types=type_kinds())


def refusal(refused: DocumentProblems) -> tuple[int, str, list[dict[str, Any]]]:
    """Status, sentence and errors: 400 for text that does not read, 422 for what fails a check."""
    errors = [problem.as_dict() for problem in refused.problems]
    more = "" if refused.complete else f" Checking stopped after {len(errors)} problems."
    if refused.malformed:
        return 400, f"The text is not well-formed JSON or YAML.{more}", errors
    return 422, f"The text is not a circuit document.{more}", errors
