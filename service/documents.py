"""Documents read with everything the program knows: part types are checked against the published ones."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from types import MappingProxyType
from typing import Any

from schemas.circuit import Circuit
from schemas.document import Document, Spelling, load, read
from schemas.problems import DocumentProblems


@cache
def type_kinds() -> Mapping[str, str]:
    """Published part type -> part kind."""
    from rules.analysis.part_types import PART_TYPES

    return MappingProxyType({name: part.kind for name, part in PART_TYPES.items()})


def read_document(data: bytes, spelling: Spelling | None = None, name: str = "") -> Document:
    """A checked document from bytes.  Raises :class:`schemas.problems.DocumentProblems`."""
    return read(data, spelling, name, part_types=type_kinds())


def read_at_boundary(data: bytes, spelling: Spelling | None = None, name: str = "") -> Document:
    """The same for what comes over HTTP: after the strict intake the marshmallow schemas judge.

    They find the same problems as the walker that commands use, which starts faster.
    """
    from schemas.marshmallow_schemas import check_raw

    return read(data, spelling, name, part_types=type_kinds(), check=check_raw)


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
