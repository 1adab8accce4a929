"""Short names of corners for people: "beta min, BT1 6.5 V, R2 -5 %, -10 degC"."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from rules.analysis.corners.parameters import DIODE, TEMPERATURE, VBE, Key, Parameter, Point
from schemas.quantities import format_quantity

NOMINAL = "nominal"
_SAME = 1e-9  # of the width of an interval


def label(point: Point, parameters: Sequence[Parameter], matter: Iterable[Key] | None = None) -> str:
    """A point in words: what is away from nominal, gains first, then supplies, values, drops, temperature.

    ``matter`` leaves out every parameter that is not in it.  ``nominal`` where nothing is left.
    """
    chosen = None if matter is None else set(matter)
    away = [
        p
        for p in parameters
        if p.key in point
        and (chosen is None or p.key in chosen)
        and abs(point[p.key] - p.nominal) > _SAME * (p.high - p.low)
    ]
    gains = [p for p in away if p.kind == "gain"]
    words = _gains(gains, point, sum(p.kind == "gain" for p in parameters))
    words.extend(_word(p, point[p.key]) for p in away if p.kind != "gain")
    return ", ".join(words) if words else NOMINAL


def _gains(gains: Sequence[Parameter], point: Point, count: int) -> list[str]:
    """One word for all of them where all gains of the circuit go the same way."""
    ends = [_end(p, point[p.key]) for p in gains]
    if len(gains) == count and ends and ends[0] in ("min", "max") and set(ends) == {ends[0]}:
        return [f"beta {ends[0]}"]
    return [f"{p.part} beta {end}" for p, end in zip(gains, ends, strict=True)]


def _end(parameter: Parameter, value: float) -> str:
    room = _SAME * (parameter.high - parameter.low)
    if value <= parameter.low + room:
        return "min"
    return "max" if value >= parameter.high - room else format_quantity(value, "", 3)


def _word(parameter: Parameter, value: float) -> str:
    if parameter.key == TEMPERATURE:
        return format_quantity(value, "temperature", 3)
    if parameter.key == VBE:
        return f"V_BE {value:.3g} V"
    if parameter.key == DIODE:
        return f"diode drop {value:.3g} V"
    if parameter.kind in ("supply", "drop"):
        return f"{parameter.part} {value:.3g} V"
    share = value / parameter.nominal - 1.0
    sign = "+" if share > 0.0 else ""
    what = " inductance" if parameter.kind == "inductance" else ""
    return f"{parameter.part}{what} {sign}{format_quantity(share, 'ratio', 3)}"
