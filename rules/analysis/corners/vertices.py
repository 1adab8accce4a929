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

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from rules.analysis.elements import Array

Evaluate: TypeAlias = Callable[[Array], Array]  # (N, parameters) -> (N,), NaN where undefined

BRANCH_LIMIT = 10  # parameters tried both ways together: 1024 vertices
ROUNDS = 6
FLAT, ROUNDING = 1e-9, 1e-11  # of all spans together, of the nominal value; less is rounding
BENT = 1e-7  # of the square of a span: more is no homographic function
INNER_STEPS, ZOOMS = 9, 7
ENDS, PLACES = (0.0, 1.0), (0.0, 0.3, 0.7, 1.0)  # shares of an interval


@dataclass(frozen=True, eq=False)
class Box:
    """Intervals as arrays; ``curved`` marks parameters of which nothing is homographic (the temperature)."""

    low: Array
    nominal: Array
    high: Array
    curved: NDArray[np.bool_]

    @property
    def size(self) -> int:
        return int(self.low.size)

    def place(self, share: float) -> Array:
        """The same share of every interval."""
        result: Array = self.high if share == 1.0 else self.low + share * (self.high - self.low)
        return result


@dataclass(frozen=True, eq=False)
class Lines:
    """A quantity along each parameter alone, all others at ``centre``: (parameters, places), low first."""

    centre: Array
    here: float
    values: Array

    @property
    def low(self) -> Array:
        result: Array = self.values[:, 0]
        return result

    @property
    def high(self) -> Array:
        result: Array = self.values[:, -1]
        return result

    @property
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

    def __init__(self, evaluate: Evaluate, box: Box, thrifty: bool = False) -> None:
        """``thrifty`` leaves out the inside of intervals and the second look at the vertices."""
        self.evaluate, self.box, self.thrifty = evaluate, box, thrifty
        self.lines = self._lines([box.nominal], ENDS if thrifty else PLACES)[0]
        self.total = float(self.lines.span.sum())
        self.bent = self._bent()
        self.suspects = tuple(sorted(self.bent | set(np.flatnonzero(box.curved).tolist())))
        self._known: dict[bytes, Lines] = {}

    @property
    def nominal(self) -> float:
        return self.lines.here

    def _lines(self, centres: Sequence[Array], shares: tuple[float, ...]) -> list[Lines]:
        """Along each parameter through each centre, all in one batch; the centre comes first."""
        n, k = self.box.size, len(shares)
        points = np.repeat(np.array(centres, dtype=float), n * k + 1, axis=0).reshape(
            len(centres), n * k + 1, n
        )
        for row, share in enumerate(shares):
            points[:, range(1 + row * n, 1 + (row + 1) * n), range(n)] = self.box.place(share)
        fresh = np.any(points != points[:, :1], axis=2)
        fresh[:, 0] = True
        values = np.empty(fresh.shape)
        values[fresh] = self.evaluate(points[fresh])
        values = np.where(fresh, values, values[:, :1])
        return [
            Lines(centre, float(row[0]), row[1:].reshape(k, n).T)
            for centre, row in zip(centres, values, strict=True)
        ]

    def _at(self, *centres: Array) -> list[Lines]:
        """The ends of every interval seen from these vertices."""
        new = {c.tobytes(): c for c in centres if c.tobytes() not in self._known}
        if new:
            for lines in self._lines(list(new.values()), ENDS):
                self._known[lines.centre.tobytes()] = lines
        return [self._known[c.tobytes()] for c in centres]

    @property
    def _noise(self) -> float:
        return max(FLAT * self.total, ROUNDING * abs(self.nominal) if np.isfinite(self.nominal) else 0.0)

    def _bent(self) -> set[int]:
        """Parameters along which the quantity is not homographic, seen at four places through the nominal."""
        if self.thrifty:
            return set(range(self.box.size))
        places, noise = np.array(PLACES), self._noise
        moving = np.flatnonzero(~(self.lines.span <= noise)).tolist()
        return {k for k in moving if not _homographic(places, self.lines.values[k], noise)}

    def extreme(self, sign: float) -> Extreme:
        """The largest (``sign`` 1) or smallest (-1) value."""
        start = self._vertex(self.lines, sign, self.box.nominal)
        if self.thrifty:
            value = float(self.evaluate(start[None])[0])
            return Extreme(value, start, tuple(range(self.box.size)), (), (), True, False)
        best, value, both, settled = self._settle(start, sign)
        best, value, inside = self._look_inside(best, value, sign)
        return self._extreme(best, value, inside, both, settled)

    def _extreme(
        self, vertex: Array, value: float, inside: set[int], both: set[int], settled: bool
    ) -> Extreme:
        bent = tuple(sorted(k for k in self.bent if not self.box.curved[k]))
        proven = settled and not bent and not inside
        return Extreme(value, vertex, bent, tuple(sorted(inside)), tuple(sorted(both)), settled, proven)

    def moved(self, found: Extreme, box: Box, sign: float, evaluate: Evaluate) -> Extreme | None:
        """The same end in a box of other low ends; ``None`` where that changes which vertex it is."""
        vertex = np.where(found.vertex == self.box.low, box.low, found.vertex)
        there = Search.__new__(Search)
        there.__dict__.update(self.__dict__, box=box, evaluate=evaluate, _known={})
        lines = there._at(vertex)[0]
        changed = self._changed(self._better(self.lines), self._better(lines)) - set(found.both)
        if changed or not np.array_equal(self._vertex_in(box, lines, sign, vertex), vertex):
            return None
        best, value, inside = there._look_inside(vertex, lines.here, sign)
        return self._extreme(best, value, inside, set(found.both), found.settled)

    def _vertex(self, lines: Lines, sign: float, keep: Array) -> Array:
        return self._vertex_in(self.box, lines, sign, keep)

    def _vertex_in(self, box: Box, lines: Lines, sign: float, keep: Array) -> Array:
        """The better end of every parameter; where neither is better, as in ``keep``."""
        low, high = sign * lines.low, sign * lines.high
        low, high = np.where(np.isnan(low), -np.inf, low), np.where(np.isnan(high), -np.inf, high)
        with np.errstate(all="ignore"):
            equal = (np.abs(low - high) <= self._noise) | (low == high)
        return np.where(equal, keep, np.where(low > high, box.low, box.high))

    def _settle(self, start: Array, sign: float) -> tuple[Array, float, set[int], bool]:
        """Compare the ends again at the vertices, and try both ways what has changed its better end."""
        other = self._vertex(self.lines, -sign, self.box.nominal)
        first = self._better(self.lines)
        flat = first == 0.0
        # what changes nothing at nominal values may do so where others have moved
        aside = [np.where(flat, end, start) for end in (self.box.low, self.box.high)] if flat.any() else []
        lines, *others = self._at(start, other, *aside)
        both = set[int]().union(*(self._changed(first, self._better(seen)) for seen in others))
        tried: set[int] = set()
        for _ in range(ROUNDS):
            both |= self._changed(first, self._better(lines))
            better = self._vertex(lines, sign, lines.centre)
            if both <= tried and np.array_equal(better, lines.centre):
                break
            tried = set(both)
            candidates = np.vstack([better[None], self._branches(better, sorted(both))])
            values = sign * self.evaluate(candidates)
            values = np.where(np.isnan(values), -np.inf, values)
            row = int(values.argmax())
            if values[row] > sign * lines.here + self._noise:
                lines = self._at(candidates[row])[0]
            elif both <= tried:
                break
        else:
            return lines.centre, lines.here, both, False
        return lines.centre, lines.here, both, len(both) <= BRANCH_LIMIT

    def _better(self, lines: Lines) -> Array:
        """+1 where the quantity rises from low to high, -1 where it falls, 0 where it does neither."""
        with np.errstate(all="ignore"):
            rise = lines.high - lines.low
        rise = np.where(np.isnan(rise), 0.0, rise)
        return np.where(np.abs(rise) <= self._noise, 0.0, np.sign(rise))

    @staticmethod
    def _changed(one: Array, other: Array) -> set[int]:
        """Parameters whose better end is not the same; one that changes nothing at one place counts too."""
        return {int(k) for k in np.flatnonzero(one != other)}

    def _branches(self, vertex: Array, both: list[int]) -> Array:
        """Every combination of ends of up to ``BRANCH_LIMIT`` parameters."""
        chosen = both[:BRANCH_LIMIT]
        codes = np.arange(2 ** len(chosen))
        points = np.repeat(vertex[None], len(codes), axis=0)
        for bit, k in enumerate(chosen):
            points[:, k] = np.where((codes >> bit) & 1, self.box.high[k], self.box.low[k])
        return points

    def _look_inside(self, vertex: Array, value: float, sign: float) -> tuple[Array, float, set[int]]:
        """Search inside single intervals, where a quantity is not homographic; zooming on the best place."""
        inside: set[int] = set()
        if not np.isfinite(value):
            return vertex, value, inside
        suspects = list(self.suspects)
        for _ in range(2):
            moved = False
            for k, place, better in self._scan(vertex, value, suspects, sign):
                point = vertex.copy()
                point[k] = place
                again = float(self.evaluate(point[None])[0]) if moved else better
                if sign * (again - value) > self._noise:
                    vertex, value, moved = point, again, True
                    if self.box.low[k] < place < self.box.high[k]:
                        inside.add(k)
            if not moved:
                break
        return vertex, value, {k for k in inside if self.box.low[k] < vertex[k] < self.box.high[k]}

    def _scan(
        self, vertex: Array, value: float, suspects: list[int], sign: float
    ) -> list[tuple[int, float, float]]:
        """The best place along each suspect alone, where it is better than the vertex."""
        if not suspects:
            return []
        left, right = self.box.low[suspects].copy(), self.box.high[suspects].copy()
        places, best = vertex[suspects].copy(), np.full(len(suspects), sign * value)
        for zoom in range(ZOOMS):
            grid = left[:, None] + (right - left)[:, None] * np.linspace(0.0, 1.0, INNER_STEPS)
            points = np.repeat(vertex[None], grid.size, axis=0)
            points[np.arange(grid.size), np.repeat(suspects, INNER_STEPS)] = grid.ravel()
            values = sign * self.evaluate(points).reshape(grid.shape)
            values = np.where(np.isnan(values), -np.inf, values)
            rows = values.argmax(axis=1)
            found = values[np.arange(len(suspects)), rows]
            gained = found > best + self._noise
            if zoom == 0 and not gained.any():
                return []
            where = grid[np.arange(len(suspects)), rows]
            places, best = np.where(found > best, where, places), np.maximum(best, found)
            step = (right - left) / (INNER_STEPS - 1)
            left = np.maximum(self.box.low[suspects], where - step)
            right = np.minimum(self.box.high[suspects], where + step)
        return [
            (k, float(place), float(sign * top))
            for k, place, top in zip(suspects, places, best, strict=True)
            if top > sign * value + self._noise
        ]


def _homographic(x: Array, f: Array, noise: float) -> bool:
    """True when four values lie on one (a + b x)/(c + d x): their cross-ratio is that of the places."""
    if not np.all(np.isfinite(f)):
        return False
    span = float(f.max() - f.min())
    if span <= noise:
        return True
    f = (f - f.min()) / span
    of_f = (f[0] - f[2]) * (f[1] - f[3]), (f[1] - f[2]) * (f[0] - f[3])
    of_x = (x[0] - x[2]) * (x[1] - x[3]), (x[1] - x[2]) * (x[0] - x[3])
    residue = of_f[0] * of_x[1] - of_f[1] * of_x[0]
    return bool(abs(residue) <= BENT + 10.0 * noise / span)
