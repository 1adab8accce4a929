"""Published part types: what their makers promise, and the gain they promise at a given current."""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Mapping
from dataclasses import dataclass, fields, is_dataclass
from types import MappingProxyType
from typing import Any

from rules.analysis.part_types.diodes import diodes
from rules.analysis.part_types.model import PartType, Sourced
from rules.analysis.part_types.transistors import transistors

__all__ = ["PART_TYPES", "BetaPromise", "PartType", "Sourced", "catalogue", "minimum_beta", "minimum_gain"]

PART_TYPES: Mapping[str, PartType] = MappingProxyType(
    {part.name: part for part in sorted((*transistors(), *diodes()), key=lambda part: part.name)}
)
"""Every published part type by name, sorted."""

LOW_CURRENT = 10e-6  # A; at and below it a small-signal gain is taken as half
LOW_CURRENT_FACTOR = 0.5  # common practice for small-signal silicon, no source


@dataclass(frozen=True, slots=True)
class BetaPromise:
    """The least gain at a collector current; ``published`` is false where no maker promises it."""

    value: float
    published: bool
    source: str


def minimum_beta(part_type: PartType | str, collector_current: float) -> BetaPromise:
    """The lowest published gain at ``collector_current`` (A, magnitude).

    Between published points: straight in log gain over log current.  Below
    them: falling to half at 10 uA and half below that, an assumption (common
    practice).  Above them no maker promises anything: the last value is handed
    back with ``published`` false.

    Raises ValueError when the type has no published gain (a diode, an unknown
    name) or the current is negative or not finite.
    """
    value = minimum_gain(part_type, collector_current)
    part = _part(part_type)
    currents, gains, sources = _MINIMA[part.name]
    if collector_current < currents[0]:
        source = (
            f"assumed: nothing is published for {part.name} below {currents[0] * 1e3:g} mA ({gains[0]:g});"
            " the gain is taken to fall to half of that at 10 uA, common practice"
        )
        return BetaPromise(value, False, source)
    if collector_current > currents[-1]:
        above = f"nothing is promised for {part.name} above {currents[-1] * 1e3:g} mA"
        return BetaPromise(value, False, f"assumed: {above}; the last published value is taken")
    i = bisect_left(currents, collector_current)
    if collector_current == currents[i]:
        return BetaPromise(value, True, sources[i])
    ends = (f"{gains[j]:g} at {currents[j] * 1e3:g} mA" for j in (i - 1, i))
    return BetaPromise(value, True, f"between {' and '.join(ends)}; {sources[i]}")


def minimum_gain(part_type: PartType | str, collector_current: float) -> float:
    """The value of :func:`minimum_beta` without a word on where it comes from; raises as that does."""
    if not (math.isfinite(collector_current) and collector_current >= 0.0):
        raise ValueError(f"collector current must be finite and not negative, got {collector_current!r}")
    part = _part(part_type)
    table = _MINIMA.get(part.name)
    if table is None:
        raise ValueError(f"{part.name} has no published current gain")
    currents, gains, _ = table
    if collector_current < currents[0]:
        half = LOW_CURRENT_FACTOR * gains[0]
        low = collector_current <= LOW_CURRENT
        return half if low else _log_log(collector_current, LOW_CURRENT, currents[0], half, gains[0])
    if collector_current > currents[-1]:
        return gains[-1]
    i = bisect_left(currents, collector_current)
    if collector_current == currents[i]:
        return gains[i]
    return _log_log(collector_current, currents[i - 1], currents[i], gains[i - 1], gains[i])


def _part(part_type: PartType | str) -> PartType:
    if isinstance(part_type, PartType):
        return part_type
    try:
        return PART_TYPES[part_type]
    except KeyError:
        raise ValueError(f"unknown part type {part_type!r}; known: {', '.join(PART_TYPES)}") from None


def _log_log(x: float, x0: float, x1: float, y0: float, y1: float) -> float:
    share = math.log(x / x0) / math.log(x1 / x0)
    return y0 * math.pow(y1 / y0, share)


_Table = tuple[tuple[float, ...], tuple[float, ...], tuple[str, ...]]


def _minima(part: PartType) -> _Table | None:
    """Currents, least gains and sources, ascending; at one current the lowest promise counts."""
    lowest: dict[float, tuple[float, str]] = {}
    for point in part.beta:
        if point.minimum is not None:
            entry = (point.minimum, point.source)
            lowest[point.collector_current] = min(lowest.get(point.collector_current, entry), entry)
    if not lowest:
        return None
    currents = tuple(sorted(lowest))
    return currents, tuple(lowest[i][0] for i in currents), tuple(lowest[i][1] for i in currents)


_MINIMA = {part.name: table for part in PART_TYPES.values() if (table := _minima(part)) is not None}


def catalogue() -> list[dict[str, Any]]:
    """Every part type as plain JSON data, sorted by name; SI units, ``null`` where nothing is published."""
    return [_plain(part) for part in PART_TYPES.values()]


def _plain(value: Any) -> Any:
    if is_dataclass(value) and not isinstance(value, type):
        return {field.name: _plain(getattr(value, field.name)) for field in fields(value)}
    if isinstance(value, Mapping):
        return {key: _plain(value[key]) for key in value}
    if isinstance(value, tuple):
        return [_plain(item) for item in value]
    return value
