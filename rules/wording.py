"""Words, numbers and references that several rules share."""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import TYPE_CHECKING

from rules.analysis.resolve import part_pointer
from schemas.finding import Quantity
from schemas.quantities import format_quantity

if TYPE_CHECKING:
    from rules.analysis.network import Configuration
    from rules.analysis.study import Study

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
