"""The same circuit told differently: other names, another order, parts turned round; and dials."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import Any, TypeVar

from schemas.circuit import Circuit, Part, Requirement, frozen_map
from schemas.document import Document, read
from schemas.problems import Complaint, unescape
from schemas.quantities import DIMENSIONS, parse

SYMMETRICAL = frozenset({"a", "b"})
T = TypeVar("T")


def document(text: str) -> Document:
    """A lesson's circuit.  Raises :class:`schemas.problems.DocumentProblems`."""
    return read(text.encode(), "yaml")


def of_data(raw: Mapping[str, Any]) -> Circuit:
    """A circuit from plain data.  Raises :class:`schemas.problems.DocumentProblems`."""
    return read(json.dumps(raw).encode(), "json").circuit


@dataclass(frozen=True, slots=True)
class Names:
    """What parts and nets are called now, by what they were called."""

    parts: Mapping[str, str]
    nets: Mapping[str, str]

    def of(self, name: str) -> str:
        """A name that may be that of a part, of a net or of neither."""
        return self.parts.get(name, self.nets.get(name, name))

    def back(self) -> Names:
        """The other way round."""
        return Names(*({now: was for was, now in names.items()} for names in (self.parts, self.nets)))


def same_names(circuit: Circuit) -> Names:
    return Names({name: name for name in circuit.parts}, {net: net for net in circuit.net_names})


def renamed(circuit: Circuit) -> tuple[Circuit, Names]:
    """Every part and net under another name, in the reverse order."""
    parts = {name: f"X{len(circuit.parts) - k:02d}" for k, name in enumerate(circuit.parts)}
    nets = {net: f"w{len(circuit.net_names) - k:02d}" for k, net in enumerate(circuit.net_names)}
    made = {
        parts[name]: replace(
            part, name=parts[name], pins=frozen_map({pin: nets[net] for pin, net in part.pins.items()})
        )
        for name, part in circuit.parts.items()
    }
    changed = replace(
        circuit,
        name="renamed",
        parts=frozen_map(made),
        ground=nets[circuit.ground],
        states=frozen_map(
            {
                label: frozen_map({parts[name]: region for name, region in wanted.items()})
                for label, wanted in circuit.states.items()
            }
        ),
        nets=frozen_map({nets[net]: note for net, note in circuit.nets.items()}),
        stimuli=frozen_map(
            {
                label: tuple(replace(action, part=parts[action.part]) for action in actions)
                for label, actions in circuit.stimuli.items()
            }
        ),
        requirements=tuple(_requirement(item, nets) for item in circuit.requirements),
        waivers=tuple(
            replace(item, parts=tuple(parts[p] for p in item.parts), nets=tuple(nets[n] for n in item.nets))
            for item in circuit.waivers
        ),
    )
    return changed, Names(parts, nets)


def _requirement(item: Requirement, nets: Mapping[str, str]) -> Requirement:
    values = {
        key: nets[value] if key == "net" and isinstance(value, str) else value
        for key, value in item.values.items()
    }
    return replace(item, values=frozen_map(values))


def reordered(circuit: Circuit) -> Circuit:
    """The circuit with parts, pins, remarks, states and stimuli in the reverse order; lists keep theirs.

    A document is sorted when it is read; a rule has to cope with circuits that were built by hand too.
    """
    parts = {name: replace(part, pins=_backwards(part.pins)) for name, part in circuit.parts.items()}
    return replace(
        circuit,
        parts=_backwards(parts),
        nets=_backwards(circuit.nets),
        states=_backwards({label: _backwards(wanted) for label, wanted in circuit.states.items()}),
        stimuli=_backwards(circuit.stimuli),
    )


def _backwards(items: Mapping[str, T]) -> Mapping[str, T]:
    return MappingProxyType({key: items[key] for key in reversed(list(items))})


def redrawn(circuit: Circuit) -> Circuit:
    """Every part whose pins are alike (resistor, contact, capacitor without polarity ...) turned round."""
    parts = {name: _turned(part) for name, part in circuit.parts.items()}
    return replace(circuit, parts=frozen_map(parts))


def _turned(part: Part) -> Part:
    if set(part.pins) != SYMMETRICAL:
        return part
    return replace(part, pins=frozen_map({"a": part.pins["b"], "b": part.pins["a"]}))


@dataclass(frozen=True, slots=True)
class Scale:
    """The values between the ends of a dial, in SI units: 0 is good, 1 is bad."""

    good: float
    bad: float

    def at(self, place: float) -> float:
        """By ratio where both ends have one sign and lie apart, else evenly."""
        low, high = sorted((abs(self.good), abs(self.bad)))
        if self.good * self.bad > 0.0 and high > 1.2 * low:
            return self.good * math.pow(self.bad / self.good, place)
        return self.good + place * (self.bad - self.good)


def scale(good: str, bad: str) -> Scale | None:
    """The scale between two texts of one dimension; ``None`` where they are words."""
    for dimension in DIMENSIONS:
        try:
            return Scale(parse(_plain(good), dimension), parse(_plain(bad), dimension))
        except Complaint:
            continue
    return None


def _plain(text: str) -> float | str:
    """A text that is a number counts as the number."""
    try:
        return float(text)
    except ValueError:
        return text


def turned_to(found: Document, place: str, value: float | str) -> Circuit:
    """The document with another value at the pointer ``place``.

    Raises ``LookupError`` where the pointer leads nowhere, and
    :class:`schemas.problems.DocumentProblems` where the value is refused.
    """
    raw = json.loads(json.dumps(found.raw))
    *way, last = [unescape(token) for token in place.split("/")[1:]]
    holder: Any = raw
    for token in way:
        holder = holder[int(token) if isinstance(holder, list) else token]
    key: Any = int(last) if isinstance(holder, list) else last
    if not isinstance(holder, list) and key not in holder:
        raise LookupError(f"the passing circuit has nothing at {place}")
    holder[key] = value
    return of_data(raw)
