"""The inside of intervals, where a quantity is not monotone; and a climb where there is no proof at all."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, TypeAlias

import numpy as np
from numpy.typing import NDArray

from rules.analysis.elements import Array

if TYPE_CHECKING:
    from rules.analysis.corners.vertices import Lines, Search

Evaluate: TypeAlias = Callable[[Array], Array]  # (N, parameters) -> (N,), NaN where undefined

STEPS, ZOOMS = 9, 7  # places along an interval; each zoom keeps two steps of the one before
CORNERS, STARTS = 128, 2  # random corners looked at where there is no proof, and climbed from the worst


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
class Place:
    """A point, the quantity there, and the parameters that are strictly inside their interval."""

    vertex: Array
    value: float
    inside: frozenset[int]


def finite(values: Array) -> Array:
    """Undefined values as the very best ones, so that they are never the worst."""
    return np.where(np.isnan(values), -np.inf, values)


class Inside:
    """Looks for a worse value than a vertex gives, from one search and in one sense."""

    def __init__(self, search: Search, sign: float) -> None:
        self.search, self.sign, self.box = search, sign, search.box

    def _place(self, vertex: Array, value: float, moved: set[int]) -> Place:
        inside = {k for k in moved if self.box.low[k] < vertex[k] < self.box.high[k]}
        return Place(vertex, value, frozenset(inside))

    def look(self, lines: Lines) -> Place:
        """The worst place along single suspect parameters, one after the other, zoomed in on."""
        vertex, value, moved = lines.centre, lines.here, set[int]()
        for _ in range(2):
            if not np.isfinite(value) or lines.inner.size == 0:
                break
            worse = finite(self.sign * lines.inner).max(axis=1) > self.sign * value + self.search.noise
            suspects = [k for k, is_worse in zip(self.search.suspects, worse, strict=True) if is_worse]
            found = self._zoomed(vertex, value, suspects)
            if not found:
                break
            for k, place, there in found:
                point = vertex.copy()
                point[k] = place
                again = there if len(found) == 1 else float(self.search.evaluate(point[None])[0])
                if self.sign * (again - value) > self.search.noise:
                    vertex, value = point, again
                    moved.add(k)
            lines = self.search.at(vertex)[0]
        return self._place(vertex, value, moved)

    def _zoomed(self, vertex: Array, value: float, suspects: list[int]) -> list[tuple[int, float, float]]:
        """(parameter, place, value) of the worst place along each suspect alone, where it is worse."""
        if not suspects:
            return []
        low, high = self.box.low[suspects], self.box.high[suspects]
        left, right = low.copy(), high.copy()
        places, best = vertex[suspects].copy(), np.full(len(suspects), self.sign * value)
        every = np.arange(len(suspects))
        for _ in range(ZOOMS):
            grid = left[:, None] + (right - left)[:, None] * np.linspace(0.0, 1.0, STEPS)
            points = np.repeat(vertex[None], grid.size, axis=0)
            points[np.arange(grid.size), np.repeat(suspects, STEPS)] = grid.ravel()
            values = finite(self.sign * self.search.evaluate(points).reshape(grid.shape))
            rows = values.argmax(axis=1)
            found, where = values[every, rows], grid[every, rows]
            places, best = np.where(found > best, where, places), np.maximum(best, found)
            step = (right - left) / (STEPS - 1)
            left, right = np.maximum(low, where - step), np.minimum(high, where + step)
        return [
            (k, float(place), float(self.sign * top))
            for k, place, top in zip(suspects, places, best, strict=True)
            if top > self.sign * value + self.search.noise
        ]

    def climb(self, place: Place) -> Place:
        """Something worse where there is no proof: up from the worst of some random corners."""
        if not np.isfinite(place.value):
            return place
        dice, box = np.random.default_rng(0), self.box
        corners = np.where(dice.random((CORNERS, box.size)) < 0.5, box.low, box.high)
        still = self.search.better(self.search.lines) == 0.0
        still[list(self.search.suspects)] = False
        corners = np.where(still, place.vertex, corners)
        values = finite(self.sign * self.search.evaluate(corners))
        best = self._ascend(place)
        for row in np.argsort(-values, kind="stable")[:STARTS].tolist():
            there = self._ascend(Place(corners[row], float(self.sign * values[row]), frozenset()))
            if self.sign * (there.value - best.value) > self.search.noise:
                best = there
        return best

    def _ascend(self, place: Place) -> Place:
        """Change one parameter after the other to its worse end or place, until none is worse."""
        for _ in range(2 * self.box.size):
            lines = self.search.at(place.vertex)[0]
            ends = finite(self.sign * np.column_stack([lines.low, lines.high]))
            k, end = np.unravel_index(int(ends.argmax()), ends.shape)
            if ends[k, end] > self.sign * lines.here + self.search.noise:
                vertex = place.vertex.copy()
                vertex[k] = (self.box.low, self.box.high)[int(end)][k]
                place = self._place(vertex, float(self.sign * ends[k, end]), set(place.inside))
                continue
            following = self.look(lines)
            there_already = np.array_equal(following.vertex, place.vertex)
            place = self._place(following.vertex, following.value, set(place.inside | following.inside))
            if there_already:
                break
        return place
