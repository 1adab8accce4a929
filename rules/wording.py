"""Words, numbers and references that several rules share."""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import TYPE_CHECKING

from rules.analysis.resolve import part_pointer
from schemas.finding import Change, Quantity
from schemas.quantities import document_text, format_quantity

if TYPE_CHECKING:
    from rules.analysis.elements import Configuration
    from rules.analysis.states import State
    from rules.analysis.study import Situation, Study

ZERO_CELSIUS = 273.15


def say(value: float, unit: str, digits: int = 3) -> str:
    """A number with its unit for a sentence; an infinite one reads ``without end``."""
    if unit == "s" and math.isinf(value):
        return "without end"
    return format_quantity(value, unit, digits)


def celsius(kelvin: float) -> str:
    return f"{kelvin - ZERO_CELSIUS:.4g} degC"


def listed(names: Iterable[str], word: str = "and") -> str:
    """``a``, ``a and b``, ``a, b and c``."""
    items = list(names)
    return items[0] if len(items) == 1 else f"{', '.join(items[:-1])} {word} {items[-1]}" if items else ""


def times(factor: float) -> str:
    """A factor to read: three figures."""
    return f"{factor:.3g}"


def part_quantity(
    study: Study, part: str, member: str, symbol: str, meaning: str, unit: str | None = None
) -> Quantity | None:
    """A value of a part as evidence, with its origin, source and pointer; ``None`` when nobody knows it."""
    known = study.known(part, member)
    if known is None:
        return None
    return Quantity(
        symbol,
        meaning,
        known.value,
        known.unit if unit is None else unit,
        known.origin,
        known.pointer,
        known.source if known.origin == "assumed" else None,
    )


def member_pointer(part: str, member: str) -> str:
    return part_pointer(part, member)


def with_position(state: str, configuration: Configuration) -> str:
    """A state's name with the contact positions and driver levels it needs, when there are any."""
    return f"{state} ({configuration.key})" if configuration.key else state


def new_resistance(study: Study, part: str, ohms: float) -> Change:
    """A resistor of another value; the old value is quoted by the engine as it stands in the document."""
    pointer = member_pointer(part, "resistance")
    return Change(pointer, study.value(part, "resistance"), document_text(ohms, "resistance"))


def from_to(study: Study, part: str, ohms: float) -> str:
    """``R1 820 kohm to 62 kohm``."""
    return f"{part} {say(study.value(part, 'resistance'), 'ohm')} to {say(ohms, 'ohm')}"


def gain_words(corner: str, beta: float) -> str:
    """``least gain, beta 53``; at a corner of everything, its name and the gain there."""
    return f"{_GAINS[corner]} gain, beta {beta:.3g}" if corner in _GAINS else f"{corner}: beta {beta:.3g}"


_GAINS = {"min": "least", "typical": "typical", "max": "greatest"}


def where(situation: Situation) -> str:
    """The state of a situation by name, with what positions it needs; and its corner, if not one of gain."""
    place = with_position(situation.label, situation.state.mode.network.configuration)
    return place if situation.corner in _GAINS else f"{place}, {situation.corner}"


def where_at(situation: Situation, beta: float) -> str:
    """``listening, least gain, beta 53``."""
    place = with_position(situation.label, situation.state.mode.network.configuration)
    return f"{place}, {gain_words(situation.corner, beta)}"


def gain(study: Study, transistor: str, corner: str, value: float) -> Quantity:
    """The gain of a transistor in a state as evidence, with what it was read from."""
    known = study.resolved.beta(transistor, corner if corner in _GAINS else "min")
    if corner not in _GAINS:
        meaning = f"gain of {transistor} at this corner"
        return Quantity(f"beta_{transistor}", meaning, value, "", "derived", known.pointer, known.source)
    source = None if known.origin == "declared" else known.source
    symbol, meaning = f"beta_{transistor}", f"gain of {transistor} in this state"
    return Quantity(symbol, meaning, value, "", known.origin, known.pointer, source)


def assumption(study: Study, name: str, symbol: str, meaning: str, state: State | None = None) -> Quantity:
    """A value of ``assumptions:`` as evidence, declared or by default; as it is in ``state`` at a corner."""
    pointer = f"/assumptions/{name}"
    source = next((item.source for item in study.assumed if item.pointer == pointer), None)
    return Quantity(
        symbol,
        meaning,
        (study if state is None else state.mode.network).resolved.assumptions[name],
        "V",
        "declared" if source is None else "assumed",
        pointer,
        source,
    )
