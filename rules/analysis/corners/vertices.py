"""Extremes of a quantity over a box of parameters, by the signs of its sensitivities.

A quantity that is homographic in each single parameter, (a + b p)/(c + d p),
is monotone in it while the others stay, so its extremes lie at vertices of the
box.  The vertex follows from which end of each interval is the worse one.  The
ends are compared at the nominal point, and again at both vertices found; a
parameter whose better end is not the same everywhere is tried both ways, with
every other one of that kind (2**k vertices).  Where a quantity is not
homographic (a power, a ratio, a time) the inside of each interval is looked at
too, and the answer says that it is no proof.

Worst-case analysis of this kind is common practice ("extreme value analysis");
that one homographic parameter needs only its ends follows from its derivative,
(b c - a d)/(c + d p)**2, which keeps its sign.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from rules.analysis.corners.inside import STEPS, Box, Evaluate, Inside, finite
from rules.analysis.elements import Array

__all__ = ["Box", "Evaluate", "Extreme", "Lines", "Search"]

BRANCH_LIMIT = 10  # parameters tried both ways together: 1024 vertices
ROUNDS = 6
FLAT, ROUNDING = 1e-8, 1e-9  # of all spans together, of the nominal value; less is rounding
BENT = 1e-7  # of the square of a span: more is no homographic function
ENDS, PLACES = (0.0, 1.0), (0.0, 0.3, 0.7, 1.0)  # shares of an interval
_GRID = tuple(np.linspace(0.0, 1.0, STEPS)[1:-1].tolist())


@dataclass(frozen=True, eq=False)
class Lines:
    """A quantity along each parameter alone, all others at ``centre``: (parameters, places), low first.

    ``inner`` (suspects, places) is the inside of the intervals that may hold an extreme.
    """

    centre: Array
    here: float
    values: Array
    inner: Array

    @property
    def low(self) -> Array:
        result: Array = self.values[:, 0]
        return result

    @property
    def high(self) -> Array:
        result: Array = self.values[:, -1]
        return result

    @cached_property
    def span(self) -> Array:
        """Largest finite change along each parameter."""
        values = np.column_stack([self.values, np.full(len(self.values), self.here)])
        good = np.isfinite(values)
        top = np.where(good, values, -np.inf).max(axis=1, initial=-np.inf)
        bottom = np.where(good, values, np.inf).min(axis=1, initial=np.inf)
        return np.where(good.any(axis=1), top - bottom, 0.0)


@dataclass(frozen=True, eq=False)
class Extreme:
    """One end: ``value`` at ``vertex``, and which parameters were not as simple as they might be."""

    value: float
    vertex: Array
    bent: tuple[int, ...]  # not homographic
    inside: tuple[int, ...]  # best strictly inside their interval
    both: tuple[int, ...]  # better end not the same everywhere: tried both ways
    settled: bool
    proven: bool


class Search:
    """Both ends of one quantity over one box; what was asked for one end serves the other."""

    def __init__(self, evaluate: Evaluate, box: Box, thrifty: bool = False, costly: bool = False) -> None:
        """``thrifty`` follows the signs at nominal values only.

        ``costly`` compares ends at the vertices too, but looks inside an interval only where the nominal
        value is not between the ends.  Both prove nothing.
        """
        self.evaluate, self.box = evaluate, box
        self.thrifty, self.costly = thrifty, costly
        self.suspects: tuple[int, ...] = ()
        self.lines = self._lines([box.nominal], ENDS if thrifty or costly else PLACES)[0]
        self.total = float(self.lines.span.sum())
        self.bent = self._bent()
        self.suspects = self._suspects()
        self._known: dict[bytes, Lines] = {}

    @property
    def nominal(self) -> float:
        return self.lines.here

    @property
    def noise(self) -> float:
        """A change below this is rounding."""
        return max(FLAT * self.total, ROUNDING * abs(self.nominal) if math.isfinite(self.nominal) else 0.0)

    def _lines(self, centres: Sequence[Array], shares: tuple[float, ...]) -> list[Lines]:
        """Along each parameter through each centre, all in one batch; the centre comes first."""
        n, k = self.box.size, len(shares)
        suspects = np.array(self.suspects, dtype=np.intp)
        outer, inner = n * k, len(suspects) * len(_GRID)
        points = np.repeat(np.array(centres, dtype=float), 1 + outer + inner, axis=0)
        points = points.reshape(len(centres), 1 + outer + inner, n)
        for row, share in enumerate(shares):
            points[:, range(1 + row * n, 1 + (row + 1) * n), range(n)] = self.box.place(share)
        for row, share in enumerate(_GRID if inner else ()):
            first = 1 + outer + row * len(suspects)
            points[:, range(first, first + len(suspects)), suspects] = self.box.place(share)[suspects]
        fresh = np.any(points != points[:, :1], axis=2)
        fresh[:, 0] = True
        values = np.empty(fresh.shape)
        values[fresh] = self.evaluate(points[fresh])
        values = np.where(fresh, values, values[:, :1])
        return [
            Lines(
                centre,
                float(row[0]),
                row[1 : 1 + outer].reshape(k, n).T,
                row[1 + outer :].reshape(len(_GRID), -1).T,
            )
            for centre, row in zip(centres, values, strict=True)
        ]

    def at(self, *centres: Array) -> list[Lines]:
        """The ends of every interval seen from these points."""
        new = {c.tobytes(): c for c in centres if c.tobytes() not in self._known}
        if new:
            for lines in self._lines(list(new.values()), ENDS):
                self._known[lines.centre.tobytes()] = lines
        return [self._known[c.tobytes()] for c in centres]

    def _bent(self) -> set[int]:
        """Parameters along which the quantity is not homographic, seen at four places through the nominal."""
        if self.thrifty or self.costly:
            return set(range(self.box.size))
        noise, values = self.noise, self.lines.values.tolist()
        moving = np.flatnonzero(~(self.lines.span <= noise)).tolist()
        return {k for k in moving if not _homographic(PLACES, values[k], noise)}

    def _suspects(self) -> tuple[int, ...]:
        """Parameters whose inside is looked at."""
        if self.thrifty:
            return ()
        if not self.costly:
            return tuple(sorted(self.bent | set(np.flatnonzero(self.box.curved).tolist())))
        here, low, high = self.nominal, self.lines.low, self.lines.high
        outside = (here > np.maximum(low, high) + self.noise) | (here < np.minimum(low, high) - self.noise)
        return tuple(np.flatnonzero(outside).tolist())

    def extreme(self, sign: float) -> Extreme:
        """The largest (``sign`` 1) or smallest (-1) value."""
        start = self.vertex(self.lines, sign, self.box.nominal)
        if self.thrifty:
            value = float(self.evaluate(start[None])[0])
            return Extreme(value, start, tuple(range(self.box.size)), (), (), True, False)
        lines, both, settled = self._settle(start, sign)
        inside = Inside(self, sign)
        place = inside.look(lines)
        if not self.costly and (both or place.inside or not settled) and self._unproven(settled):
            place = inside.climb(place)
        return self._extreme(place.vertex, place.value, place.inside, both, settled)

    def _unproven(self, settled: bool) -> bool:
        return not settled or any(not self.box.curved[k] for k in self.bent)

    def _extreme(
        self, vertex: Array, value: float, inside: frozenset[int], both: set[int], settled: bool
    ) -> Extreme:
        bent = tuple(sorted(k for k in self.bent if not self.box.curved[k]))
        proven = settled and not bent and not inside
        return Extreme(value, vertex, bent, tuple(sorted(inside)), tuple(sorted(both)), settled, proven)

    def moved(self, found: Extreme, box: Box, sign: float, evaluate: Evaluate) -> Extreme | None:
        """The same end in a box of other low ends; ``None`` where that changes which vertex it is."""
        vertex = np.where(found.vertex == self.box.low, box.low, found.vertex)
        there = Search.__new__(Search)
        there.__dict__.update(self.__dict__, box=box, evaluate=evaluate, _known={})
        lines = there.at(vertex)[0]
        changed = _changed(self.better(self.lines), self.better(lines)) - set(found.both)
        if changed or not np.array_equal(there.vertex(lines, sign, vertex), vertex):
            return None
        place = Inside(there, sign).look(lines)
        return there._extreme(place.vertex, place.value, place.inside, set(found.both), found.settled)

    def vertex(self, lines: Lines, sign: float, keep: Array) -> Array:
        """The better end of every parameter; where neither is better, as in ``keep``."""
        low, high = finite(sign * lines.low), finite(sign * lines.high)
        with np.errstate(all="ignore"):
            equal = (np.abs(low - high) <= self.noise) | (low == high)
        return np.where(equal, keep, np.where(low > high, self.box.low, self.box.high))

    def better(self, lines: Lines) -> Array:
        """+1 where the quantity rises from low to high, -1 where it falls, 0 where it does neither."""
        with np.errstate(all="ignore"):
            rise = lines.high - lines.low
        rise = np.where(np.isnan(rise), 0.0, rise)
        return np.where(np.abs(rise) <= self.noise, 0.0, np.sign(rise))

    def _settle(self, start: Array, sign: float) -> tuple[Lines, set[int], bool]:
        """Compare the ends again at the vertices, and try both ways what has changed its better end."""
        other = self.vertex(self.lines, -sign, self.box.nominal)
        first = self.better(self.lines)
        flat = first == 0.0
        # what changes nothing at nominal values may do so where others have moved
        aside = [np.where(flat, end, start) for end in (self.box.low, self.box.high)] if flat.any() else []
        lines, *others = self.at(start, other, *aside)
        both = set[int]().union(*(_changed(first, self.better(seen)) for seen in others))
        tried: set[int] = set()
        for _ in range(ROUNDS):
            both |= _changed(first, self.better(lines))
            best = self.vertex(lines, sign, lines.centre)
            if both <= tried and np.array_equal(best, lines.centre):
                break
            tried = set(both)
            candidates = np.vstack([best[None], self._branches(best, sorted(both))])
            values = finite(sign * self.evaluate(candidates))
            row = int(values.argmax())
            if values[row] > sign * lines.here + self.noise:
                lines = self.at(candidates[row])[0]
            elif both <= tried:
                break
        else:
            return lines, both, False
        return lines, both, len(both) <= BRANCH_LIMIT

    def _branches(self, vertex: Array, both: list[int]) -> Array:
        """Every combination of ends of up to ``BRANCH_LIMIT`` parameters."""
        chosen = both[:BRANCH_LIMIT]
        codes = np.arange(2 ** len(chosen))
        points = np.repeat(vertex[None], len(codes), axis=0)
        for bit, k in enumerate(chosen):
            points[:, k] = np.where((codes >> bit) & 1, self.box.high[k], self.box.low[k])
        return points


def _changed(one: Array, other: Array) -> set[int]:
    """Parameters whose better end is not the same; one that changes nothing at one place counts too."""
    return set(np.flatnonzero(one != other).tolist())


def _homographic(x: Sequence[float], f: Sequence[float], noise: float) -> bool:
    """True when four values lie on one (a + b x)/(c + d x): their cross-ratio is that of the places."""
    if not all(map(math.isfinite, f)):
        return False
    least = min(f)
    span = max(f) - least
    if span <= noise:
        return True
    f = [(value - least) / span for value in f]
    of_f = (f[0] - f[2]) * (f[1] - f[3]), (f[1] - f[2]) * (f[0] - f[3])
    of_x = (x[0] - x[2]) * (x[1] - x[3]), (x[1] - x[2]) * (x[0] - x[3])
    residue = of_f[0] * of_x[1] - of_f[1] * of_x[0]
    return abs(residue) <= BENT + 10.0 * noise / span
