"""Which junctions may conduct, for many samples at once: every mode of every sample, by pivoting.

The modes of a circuit share most of their elimination.  Junction by junction it is
decided whether it blocks (its column is dropped) or conducts (its column is
eliminated), for all samples at once; after the last junction the right side alone
holds every current and slack of the mode.  A mode of J junctions then costs about
J operations per sample instead of a solution of its own: 2**J modes of J = 8
junctions 4,000 operations.

A branch in which some current or slack can only be negative is left at once.

This only screens.  What passes is solved again with pivoting by size, and samples
whose pivots are too small to be trusted are left to the ordinary enumeration.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from rules.analysis.complementarity import ROUNDING
from rules.analysis.elements import Array

ZERO = 1e-12  # a number of scaled rows that is nothing but rounding
DOUBTFUL = 1e-9  # a pivot whose rounding may reach the conditions
PRUNED = 2  # junctions left from which looking for hopeless samples pays
COMPRESS = 0.75  # share of the samples still alive below which the others are taken out
CHUNK = 4096  # samples at a time, so that they stay in the cache


@dataclass(frozen=True, eq=False)
class Passed:
    """Samples of one mode: their numbers, solutions (N, u; A and V) and signs of the determinant."""

    samples: NDArray[np.intp]
    z: Array
    signs: Array

    @classmethod
    def joined(cls, parts: list[Passed]) -> Passed:
        """Several chunks as one."""
        if len(parts) == 1:
            return parts[0]
        return cls(
            np.concatenate([p.samples for p in parts]),
            np.concatenate([p.z for p in parts]),
            np.concatenate([p.signs for p in parts]),
        )


@dataclass(eq=False)
class Sweep:
    """What passed: for each mode the samples, ascending.

    ``sharing`` are samples of modes that leave a junction current open, ``odd`` need a closer look.
    """

    found: dict[tuple[int, ...], list[Passed]] = field(default_factory=dict)
    sharing: list[NDArray[np.intp]] = field(default_factory=list)
    odd: list[NDArray[np.intp]] = field(default_factory=list)

    def modes(self) -> list[tuple[tuple[int, ...], Passed]]:
        """What passed of each mode, the smallest supports first."""
        order = sorted(self.found, key=lambda support: (len(support), support))
        return [(support, Passed.joined(self.found[support])) for support in order]


def sweep(g: Array, h: Array, scale: Array, junctions: int) -> Sweep:
    """Screen all modes of the problems s = G z + h (N, u, u), (N, u): junctions first, then islands.

    ``scale`` (u,) are A per V of the junctions, 1 for the islands.
    """
    result = Sweep()
    size = g.shape[1]
    # junctions that would conduct at once come first: what they rule out is never looked at
    order = np.argsort(h[:, :junctions].mean(axis=0), kind="stable") if len(h) else np.arange(junctions)
    order = np.concatenate([order, np.arange(junctions, size)])
    for start in range(0, len(g), CHUNK):
        part = slice(start, min(start + CHUNK, len(g)))
        table = np.empty((size, size + 1, part.stop - start))
        table[:, :size] = (g[part] * scale).transpose(1, 2, 0)[order][:, order]
        table[:, size] = h[part].T[order]
        for row in range(junctions, size):
            # island balances are currents; bring them to the size of the other rows
            largest = np.abs(table[row, :size]).max()
            table[row] /= largest if largest > 0.0 else 1.0
        _Descent(result, junctions, order.tolist(), scale).run(table, start)
    return result


@dataclass(frozen=True, eq=False)
class _Alive:
    """Samples still in question: their numbers, and the signs of the determinant so far."""

    index: NDArray[np.intp]
    signs: Array

    @property
    def size(self) -> int:
        return self.index.size

    def at(self, chosen: NDArray[np.bool_]) -> _Alive:
        return _Alive(self.index[chosen], self.signs[chosen])


class _Descent:
    """One chunk of samples.

    A table has the columns of the junctions not decided yet, of the open islands, and the right side;
    ``rows[v]`` is the row that holds unknown v: the current or slack of a junction, the potential of an
    island.
    """

    def __init__(self, result: Sweep, junctions: int, order: list[int], scale: Array) -> None:
        """``order[k]`` is the unknown in place k."""
        self.result, self.junctions, self.order, self.scale = result, junctions, order, scale
        self.buffers: dict[tuple[int, int, int], Array] = {}
        self.plain = list(range(len(order)))
        self.support: list[int] = []
        self.open: list[int] = []  # rows of junctions whose current is left open

    def run(self, table: Array, start: int) -> None:
        count = table.shape[2]
        alive = _Alive(np.arange(start, start + count), np.ones(count))
        self._decide(0, table, self.plain[self.junctions :], self.plain, alive)

    def _decide(self, k: int, table: Array, islands: list[int], rows: list[int], alive: _Alive) -> None:
        if k == self.junctions:
            self._judge(table, islands, rows, alive)
            return
        if self.junctions - k >= PRUNED:
            table, alive = self._pruned(k, table, rows, alive)
            if alive.size == 0:
                return
        self._decide(k + 1, table[:, 1:], islands, rows, alive)
        self.support.append(k)
        self._conduct(k, table, islands, rows, alive)
        self.support.pop()

    def _pruned(self, k: int, table: Array, rows: list[int], alive: _Alive) -> tuple[Array, _Alive]:
        """Without the samples that have no solution whatever the other junctions do.

        A current or slack is a constant plus multiples of the currents still open, which are not negative:
        with a negative constant and no positive multiple it never holds.
        """
        left = self.junctions - k
        negative = self._conditions(table, rows) < -ROUNDING
        dead: NDArray[np.bool_] | None = None
        for junction in np.flatnonzero(negative.any(axis=1)).tolist():
            row = rows[junction]
            hopeless = negative[junction] & (table[row, :left].max(axis=0) <= ZERO)
            if table.shape[1] > left + 1:
                hopeless &= np.abs(table[row, left:-1]).max(axis=0) <= ZERO
            dead = hopeless if dead is None else dead | hopeless
        return (table, alive) if dead is None else self._without(dead, table, alive)

    def _conditions(self, table: Array, rows: list[int]) -> Array:
        """Right sides of the rows of all junctions (junctions, samples)."""
        right: Array = table[:, -1]
        return right[: self.junctions] if rows is self.plain else right[rows[: self.junctions]]

    def _without(self, dead: NDArray[np.bool_], table: Array, alive: _Alive) -> tuple[Array, _Alive]:
        """Take dead samples out where there are enough of them to pay."""
        left = alive.size - int(np.count_nonzero(dead))
        if left > COMPRESS * alive.size:
            return table, alive
        return (table[:, :, ~dead] if left else table), alive.at(~dead)

    def _may_conduct(self, k: int, table: Array, alive: _Alive) -> tuple[Array, _Alive]:
        """Without the samples whose junction k could only carry a negative current."""
        pivot, others, left = table[k, 0], table[k, 1:], self.junctions - k - 1
        if others.shape[0] > left + 1 and np.abs(others[left:-1]).max() > ZERO:
            return table, alive  # an open potential of either sign has a say
        plain = others[:left]
        up = (others[-1] > ROUNDING) & (pivot > ZERO) & (plain.min(axis=0, initial=np.inf) >= -ZERO)
        down = (others[-1] < -ROUNDING) & (pivot < -ZERO) & (plain.max(axis=0, initial=-np.inf) <= ZERO)
        return self._without(up | down, table, alive)

    def _conduct(self, k: int, table: Array, islands: list[int], rows: list[int], alive: _Alive) -> None:
        table, alive = self._may_conduct(k, table, alive)
        if alive.size == 0:
            return
        first = self.junctions - k  # column of the first open island
        if np.abs(table[k, 0]).max() > ZERO:
            made = self._pivoted(k, table, k, 0, alive)
        else:
            across = next((n for n in range(len(islands)) if np.abs(table[k, first + n]).max() > ZERO), None)
            if across is None:
                self._undetermined(k, table, k, islands, rows, alive)
                return
            # the junction fixes the potential of an island, and the balance of the island its current
            made = self._pivoted(-1 - k, table, k, first + across, alive)
            if made is None:
                return
            table, alive = made
            island = islands[across]
            islands = [f for f in islands if f != island]
            rows = [*rows[:k], island, *rows[k + 1 :]]
            rows[island] = k
            if np.abs(table[island, 0]).max() <= ZERO:
                self._undetermined(k, table, island, islands, rows, alive)
                return
            made = self._pivoted(k, table, island, 0, _Alive(alive.index, -alive.signs))
        first -= 1
        n = 0
        while made is not None and n < len(islands):
            table, alive = made
            if np.abs(table[islands[n], first + n]).max() > ZERO:
                made = self._pivoted(self.junctions + islands[n], table, islands[n], first + n, alive)
                islands = [*islands[:n], *islands[n + 1 :]]
                n = 0
            else:
                n += 1
        if made is not None:
            self._decide(k + 1, made[0], islands, rows, made[1])

    def _pivoted(
        self, place: int, table: Array, row: int, column: int, alive: _Alive
    ) -> tuple[Array, _Alive] | None:
        """Solve one row for one column and put that into all the others; the column is gone then.

        Samples whose pivot is too small to be trusted are left to the ordinary enumeration.
        """
        small = np.abs(table[row, column]) < DOUBTFUL
        if small.any():
            self.result.odd.append(alive.index[small])
            if small.all():
                return None
            table, alive = table[:, :, ~small], alive.at(~small)
        height, width, count = table.shape
        mark = (place, height, width)
        made = self.buffers.get(mark)
        if made is None or made.shape[2] < count:
            made = self.buffers[mark] = np.empty((height, width - 1, count))
        made = made[:, :, :count]
        pivot = -table[row, column]
        factor = table[:, column] / pivot
        for source, target in (
            (slice(0, column), slice(0, column)),
            (slice(column + 1, width), slice(column, width - 1)),
        ):
            given, to = table[:, source], made[:, target]
            np.multiply(factor[:, None], given[row], out=to)
            to[:row] += given[:row]
            to[row] = given[row] / pivot
            to[row + 1 :] += given[row + 1 :]
        return made, _Alive(alive.index, np.copysign(alive.signs, -alive.signs * pivot))

    def _undetermined(
        self, k: int, table: Array, row: int, islands: list[int], rows: list[int], alive: _Alive
    ) -> None:
        """No pivot for junction k: no solution where the right side is not zero, else its current is open."""
        rest = np.abs(table[row, :-1]).max(axis=0, initial=0.0) > ZERO
        if rest.any():
            # a pivot may still turn up elsewhere; too rare for more than the ordinary enumeration
            self.result.odd.append(alive.index[rest])
        possible = ~rest & (np.abs(table[row, -1]) <= ROUNDING)
        if not possible.any():
            return
        moved = np.concatenate([table[:, 1:-1], table[:, :1], table[:, -1:]], axis=1)[:, :, possible]
        rows = [*rows[:k], row, *rows[k + 1 :]]
        self.open.append(row)
        self._decide(k + 1, moved, [*islands, row], rows, alive.at(possible))
        self.open.pop()

    def _judge(self, table: Array, islands: list[int], rows: list[int], alive: _Alive) -> None:
        right = table[:, -1]
        passed: Any = True
        if islands:
            # potentials that stay open: what they move is judged when the mode is solved
            loose = np.abs(table[:, :-1]).max(axis=(1, 2)) > ZERO
            passed = (np.abs(right[islands]) <= ROUNDING).all(axis=0)
            checked = right[[row for row in rows[: self.junctions] if not loose[row] and row not in islands]]
        else:
            checked = self._conditions(table, rows)
        passed = passed & (checked.min(axis=0, initial=np.inf) >= -ROUNDING)
        if passed.any():
            found = alive.at(passed)
            self.result.found.setdefault(tuple(sorted(self.order[k] for k in self.support)), []).append(
                Passed(found.index, self._solution(right[:, passed], islands, rows), found.signs)
            )
            if self.open:
                self.result.sharing.append(found.index)

    def _solution(self, right: Array, islands: list[int], rows: list[int]) -> Array:
        """Currents of the conducting junctions (A) and potentials of the islands (V), (samples, unknowns)."""
        z = np.zeros((right.shape[1], len(self.order)))
        for v in (*self.support, *range(self.junctions, len(self.order))):
            if rows[v] not in islands:
                z[:, self.order[v]] = right[rows[v]] * self.scale[self.order[v]]
        return z
