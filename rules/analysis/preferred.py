"""Preferred values of IEC 60063 and rounding in the safe direction.

A member is an integer mantissa (two digits for E3..E24, three for E48..E192)
times a power of ten; the float handed out is the one nearest to that decimal,
so 4.7 kohm is exactly ``4700.0``.

Source: IEC 60063:2015, tables 1 and 2.  E3..E24 are a table: eight of their
members are not the rounded powers.  E48, E96 and E192 are ``100 * 10**(i/n)``
to three digits, with one exception: 920 for the computed 919.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from types import MappingProxyType

_E24 = (10, 11, 12, 13, 15, 16, 18, 20, 22, 24, 27, 30, 33, 36, 39, 43, 47, 51, 56, 62, 68, 75, 82, 91)
_E192 = tuple(920 if i == 185 else round(100 * 10 ** (i / 192)) for i in range(192))

SERIES: Mapping[str, tuple[int, ...]] = MappingProxyType(
    {
        "E3": _E24[::8],
        "E6": _E24[::4],
        "E12": _E24[::2],
        "E24": _E24,
        "E48": _E192[::4],
        "E96": _E192[::2],
        "E192": _E192,
    }
)
"""Mantissas of one decade by series name, ascending."""


RATED_VOLTAGES = (6.3, 10.0, 16.0, 25.0, 35.0, 50.0, 63.0, 100.0)
"""V; what capacitors are sold for.  Common practice, no source."""
RATED_WATTS = (0.25, 0.5, 1.0, 2.0)
"""W; usual bodies of leaded resistors.  Common practice, no source."""


@dataclass(frozen=True, slots=True)
class Preferences:
    """The series from which values are proposed, by kind of part; ``electrolytic`` is aluminium and tantalum.

    The defaults are what shops keep: common practice, no source.
    """

    resistor: str = "E24"
    electrolytic: str = "E6"
    film: str = "E12"
    ceramic: str = "E12"

    def capacitor(self, dielectric: str) -> str:
        """The series for a capacitor of this ``dielectric`` (a choice of the document)."""
        return {"film": self.film, "ceramic": self.ceramic}.get(dielectric, self.electrolytic)


USUAL = Preferences()


def steps_in(series: str, decades: float) -> int:
    """How many members of ``series`` lie in so many decades; at least one."""
    return max(1, round(decades * len(_mantissas(series))))


_SLACK = 1e-9  # relative; a bound computed in floats may miss the member it equals by a few ulp


def _mantissas(series: str) -> tuple[int, ...]:
    try:
        return SERIES[series]
    except KeyError:
        raise ValueError(f"unknown series {series!r}; known: {', '.join(SERIES)}") from None


def _positive(x: float, what: str) -> float:
    if not (math.isfinite(x) and x > 0.0):
        raise ValueError(f"{what} must be finite and above zero, got {x!r}")
    return x


def _fraction(tolerance: float) -> float:
    if not 0.0 <= tolerance < 1.0:
        raise ValueError(f"tolerance must be a fraction from 0 up to 1, got {tolerance!r}")
    return tolerance


def _index_at_or_below(x: float, mantissas: tuple[int, ...]) -> int:
    """Running index (decade * members + place) of the largest member <= x, a hair of slack allowed."""
    decade = math.floor(math.log10(x))
    scaled = x * (1.0 + _SLACK) / 10.0**decade * mantissas[0]
    # Slack or a rounded log10 can carry x over a power of ten: one up, or place -1, the last one below.
    if scaled >= 10 * mantissas[0]:
        return (decade + 1) * len(mantissas)
    return decade * len(mantissas) + bisect_right(mantissas, scaled) - 1


def _at(index: int, mantissas: tuple[int, ...]) -> float:
    """The member at a running index, as the float nearest to its exact decimal."""
    decade, place = divmod(index, len(mantissas))
    return float(f"{mantissas[place]}e{decade - (len(str(mantissas[0])) - 1)}")


def _same(a: float, b: float) -> bool:
    return abs(a - b) <= _SLACK * b


def is_preferred(x: float, series: str) -> bool:
    """True when ``x`` (> 0, any unit) is a member of ``series`` within float rounding.

    Raises ValueError on an unknown series or ``x`` not finite and positive.
    """
    mantissas = _mantissas(series)
    return _same(_positive(x, "value"), _at(_index_at_or_below(x, mantissas), mantissas))


def round_down(x: float, series: str, tolerance: float = 0.0) -> float:
    """The largest member ``P`` with ``P * (1 + tolerance) <= x``: for "at most x" with a real part.

    ``tolerance`` is a fraction (5 % is 0.05), of an asymmetric one the upper
    side.  A member that equals the bound within float rounding (1e-9) counts.
    Raises ValueError outside the domain ``x > 0``, ``0 <= tolerance < 1``.
    """
    mantissas = _mantissas(series)
    bound = _positive(x, "bound") / (1.0 + _fraction(tolerance))
    return _at(_index_at_or_below(bound, mantissas), mantissas)


def round_up(x: float, series: str, tolerance: float = 0.0) -> float:
    """The smallest member ``P`` with ``P * (1 - tolerance) >= x``: for "at least x" with a real part.

    ``tolerance`` is a fraction, of an asymmetric one the magnitude of the lower
    side.  Raises ValueError as :func:`round_down`.
    """
    mantissas = _mantissas(series)
    bound = _positive(x, "bound") / (1.0 - _fraction(tolerance))
    index = _index_at_or_below(bound, mantissas)
    return _at(index if _same(bound, _at(index, mantissas)) else index + 1, mantissas)


def nearest(x: float, series: str) -> float:
    """The member with the least ratio to ``x``; the lower one on a tie.

    Often the wrong choice for a bound: see :func:`round_down` and
    :func:`round_up`.  Raises ValueError as :func:`is_preferred`.
    """
    mantissas = _mantissas(series)
    index = _index_at_or_below(_positive(x, "value"), mantissas)
    below, above = _at(index, mantissas), _at(index + 1, mantissas)
    return below if x / below <= above / x else above


def neighbours(x: float, series: str) -> tuple[float, float]:
    """The nearest members strictly below and strictly above ``x``.

    Raises ValueError as :func:`is_preferred`.
    """
    mantissas = _mantissas(series)
    index = _index_at_or_below(_positive(x, "value"), mantissas)
    lower = index - 1 if _same(x, _at(index, mantissas)) else index
    return _at(lower, mantissas), _at(index + 1, mantissas)


def steps_down_from(x: float, series: str) -> Iterator[float]:
    """Members strictly below ``x``, descending without end.  Raises ValueError as :func:`is_preferred`."""
    return _steps(x, series, -1)


def steps_up_from(x: float, series: str) -> Iterator[float]:
    """Members strictly above ``x``, ascending without end.  Raises ValueError as :func:`is_preferred`."""
    return _steps(x, series, +1)


def _steps(x: float, series: str, direction: int) -> Iterator[float]:
    mantissas = _mantissas(series)
    index = _index_at_or_below(_positive(x, "value"), mantissas)
    if direction > 0 or _same(x, _at(index, mantissas)):
        index += direction

    def walk() -> Iterator[float]:
        place = index
        while True:
            yield _at(place, mantissas)
            place += direction

    return walk()


def members_between(low: float, high: float, series: str) -> tuple[float, ...]:
    """Every member ``P`` with ``low <= P <= high``, ascending; empty when there is none.

    Raises ValueError unless both bounds are finite and positive.
    """
    mantissas = _mantissas(series)
    first = _index_at_or_below(_positive(low, "lower bound"), mantissas)
    if not _same(low, _at(first, mantissas)):
        first += 1
    last = _index_at_or_below(_positive(high, "upper bound"), mantissas)
    return tuple(_at(index, mantissas) for index in range(first, last + 1))


def pair_for_ratio(
    ratio: float, first: tuple[float, float], second: tuple[float, float], series: str
) -> tuple[float, float] | None:
    """The members P1 within ``first`` and P2 within ``second`` with P1/P2 nearest to ``ratio``.

    Nearness is by factor; equal ones are settled for the larger P1, then
    the larger P2 (the pair that loads its source least).  ``None`` when a
    range holds no member.  Raises ValueError unless every number is finite and
    positive.
    """
    _positive(ratio, "ratio")
    uppers, lowers = members_between(*first, series), members_between(*second, series)
    pairs = ((p1, p2) for p1 in reversed(uppers) for p2 in reversed(lowers))
    # Rounded, so that 100/10 and 10/1 tie although their floats differ in the last place.
    return min(pairs, key=lambda pair: round(abs(math.log(pair[0] / pair[1] / ratio)), 12), default=None)
