"""Parts that a rule would fit: as changes of the document, and in a copy of the circuit."""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Any

from rules.analysis.resolve import part_pointer
from schemas.circuit import Circuit, Part, frozen_map
from schemas.finding import Change
from schemas.quantities import document_text


@dataclass(frozen=True, slots=True)
class Fitting:
    """New parts, and pins of old parts that move to another net: (part, pin, net)."""

    parts: tuple[Part, ...] = ()
    moved: tuple[tuple[str, str, str], ...] = ()

    def changes(self, circuit: Circuit) -> tuple[Change, ...]:
        """The same as changes of the document."""
        made = [Change(part_pointer(part.name), None, _document(part)) for part in self.parts]
        made.extend(
            Change(part_pointer(name, "pins", pin), circuit.parts[name].pins[pin], net)
            for name, pin, net in self.moved
        )
        return tuple(made)

    def applied(self, circuit: Circuit) -> Circuit:
        """The circuit with the parts fitted."""
        parts = {**circuit.parts, **{part.name: part for part in self.parts}}
        for name, pin, net in self.moved:
            parts[name] = replace(parts[name], pins=frozen_map({**parts[name].pins, pin: net}))
        return replace(circuit, parts=frozen_map(parts))


def _document(part: Part) -> dict[str, Any]:
    made: dict[str, Any] = {"kind": part.kind}
    for key in part.values:
        number = part.number(key)
        made[key] = part.text(key) if number is None else document_text(number, key)
    return {**made, "pins": dict(part.pins)}


def new_part(
    circuit: Circuit,
    letter: str,
    kind: str,
    pins: Mapping[str, str],
    taken: Iterable[str] = (),
    **values: float | str,
) -> Part:
    """A part under the next free name with this letter (D1, D2 ...) that is not in ``taken`` either.

    ``values`` in SI units, or text such as a type; empty text counts as not given.
    """
    used = {*circuit.parts, *taken}
    name = next(f"{letter}{k}" for k in itertools.count(1) if f"{letter}{k}" not in used)
    given = {key: value for key, value in values.items() if value != ""}
    return Part(name, kind, frozen_map(pins), frozen_map(given))


def new_net(circuit: Circuit, like: str) -> str:
    """A net that is not there yet, named after one that is."""
    used = set(circuit.net_names)
    stem = like[:56]  # a name has at most 64 characters
    return next(f"{stem}_{k}" for k in itertools.count(2) if f"{stem}_{k}" not in used)
