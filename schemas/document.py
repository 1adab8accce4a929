"""Reading, checking and writing circuit documents."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Literal, TypeAlias

from schemas.circuit import Circuit
from schemas.intake import Intake, NotText, Unreadable, decode, sniff, with_places
from schemas.json_text import read_json
from schemas.layout import DOCUMENT
from schemas.positions import PositionMap
from schemas.problems import (
    DocumentProblems,
    Enough,
    Malformed,
    Problem,
    ProblemSink,
    covers,
    located,
)
from schemas.references import references
from schemas.shapes import INVALID
from schemas.values import write

Spelling: TypeAlias = Literal["json", "yaml"]
Checked: TypeAlias = tuple[Circuit | None, list[Problem], bool]
Check: TypeAlias = Callable[[Any, Mapping[str, str] | None], Checked]


@dataclass(frozen=True, slots=True)
class Document:
    """A checked document with its text.

    ``raw`` is plain JSON data (to be treated as read-only); ``text`` is
    without a byte order mark, and ``marked`` says whether there was one.
    """

    circuit: Circuit
    raw: dict[str, Any]
    text: str
    spelling: Spelling
    positions: PositionMap
    marked: bool = False


def read(data: bytes, spelling: Spelling | None = None, name: str = "", *,
         part_types: Mapping[str, str] | None = None, check: Check | None = None) -> Document:
    """A checked document from bytes (UTF-8, at most ``intake.MAX_BYTES``).

    ``spelling`` is told by the ending of ``name`` or by the text when not
    given.  ``part_types`` maps published part types to part kinds; ``None``
    leaves types unchecked.  ``check`` judges the plain data; the service's
    HTTP boundary gives the one of :mod:`schemas.marshmallow_schemas`.

    Raises :class:`DocumentProblems` with every problem, each with line and
    column; :class:`Malformed` when the text is not JSON or YAML at all.
    """
    if spelling not in (None, "json", "yaml"):
        raise ValueError(f"unknown spelling {spelling!r}")
    try:
        text, marked = decode(data)
    except NotText as c:
        raise Malformed([Problem.of("", c, *c.place)]) from None
    chosen: Spelling = spelling or ("json" if sniff(text, name) == "json" else "yaml")
    intake = Intake(text)
    raw, complete = _take_in(intake, chosen)
    positions = intake.positions()
    problems = with_places(intake.sink.problems, intake.offsets, positions)
    circuit: Circuit | None = None
    if complete:
        circuit, found, complete = (check or check_raw)(raw, part_types)
        tainted = [p.pointer for p in problems]
        problems += [_placed(p, positions) for p in found
                     if not any(covers(p.pointer, t) or covers(t, p.pointer) for t in tainted)]
    if problems or circuit is None:
        raise (DocumentProblems if intake.readable else Malformed)(problems, complete)
    return Document(circuit, raw, text, chosen, positions, marked)


def load(raw: Mapping[str, Any], *, part_types: Mapping[str, str] | None = None) -> Circuit:
    """A checked circuit from plain data.  Raises :class:`DocumentProblems` without lines."""
    circuit, problems, complete = check_raw(raw, part_types)
    if circuit is None:
        raise DocumentProblems(problems, complete)
    return circuit


def parse_text(text: str, spelling: Spelling) -> tuple[Any, PositionMap]:
    """Plain data and positions of a text that need not be a circuit document.

    Raises :class:`DocumentProblems` for what the strict intake refuses, and
    :class:`Malformed` when the text is not JSON or YAML at all.
    """
    intake = Intake(text)
    raw, complete = _take_in(intake, spelling)
    positions = intake.positions()
    if intake.sink.problems:
        problems = with_places(intake.sink.problems, intake.offsets, positions)
        raise (DocumentProblems if intake.readable else Malformed)(problems, complete)
    return raw, positions


def dump(circuit: Circuit) -> dict[str, Any]:
    """Plain data with every quantity in SI, in fixed member order; ``load(dump(c)) == c``."""
    ambient = circuit.ambient
    out: dict[str, Any] = {"format": circuit.format, "name": circuit.name}
    if circuit.title is not None:
        out["title"] = circuit.title
    if circuit.use is not None:
        out["use"] = circuit.use
    out["ground"] = circuit.ground
    if ambient is not None:
        out["ambient"] = {"low": ambient.low, "nominal": ambient.nominal, "high": ambient.high}
    out["parts"] = {name: {"kind": part.kind, **{key: write(value) for key, value in part.values.items()},
                           "pins": dict(part.pins)} for name, part in circuit.parts.items()}
    sections: dict[str, Any] = {
        "nets": {name: ({"terminal": True} if note.terminal else {})
                 | ({"label": note.label} if note.label is not None else {})
                 | ({"wire": note.wire} if note.wire is not None else {})
                 | ({"wire_area": note.wire_area} if note.wire_area is not None else {})
                 for name, note in circuit.nets.items()},
        "assumptions": dict(circuit.assumptions),
        "states": {name: dict(regions) for name, regions in circuit.states.items()},
        "stimuli": {name: [{"at": a.at, "part": a.part, "to": a.to} for a in actions]
                    for name, actions in circuit.stimuli.items()},
        "requirements": [{"kind": r.kind} | ({"name": r.name} if r.name is not None else {})
                         | {key: write(value) for key, value in r.values.items()}
                         for r in circuit.requirements],
        "waivers": [{"rule": w.rule} | ({"parts": list(w.parts)} if w.parts else {})
                    | ({"nets": list(w.nets)} if w.nets else {})
                    | {"reason": w.reason, "owner": w.owner, "expires": w.expires}
                    | ({"accepted": w.accepted} if w.accepted is not None else {})
                    for w in circuit.waivers],
    }
    out.update({name: section for name, section in sections.items() if section})
    return out


def _take_in(intake: Intake, spelling: Spelling) -> tuple[Any, bool]:
    """Plain data, and whether the whole text could be read."""
    try:
        if spelling == "json":
            return read_json(intake), True
        from schemas.yaml_text import read_yaml  # a JSON document does not pay for it
        return read_yaml(intake), True
    except (Unreadable, Enough):
        return None, False


def check_raw(raw: Any, part_types: Mapping[str, str] | None) -> Checked:
    """The circuit when there is no problem; the problems; whether all of them were found."""
    sink = ProblemSink()
    try:
        circuit = DOCUMENT.walk(raw, (), sink)
        if isinstance(raw, Mapping):
            for complaint in references(raw, part_types):
                sink.add((), complaint)
    except Enough:
        return None, sink.problems, False
    return (None if circuit is INVALID or sink.problems else circuit), sink.problems, True


def _placed(problem: Problem, positions: PositionMap) -> Problem:
    mark = positions.nearest_key(problem.pointer)
    return located(problem, mark.line, mark.column)
