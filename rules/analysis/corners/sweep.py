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


@dataclass(eq=False)
class Sweep:
    """What passed: for each mode the samples, ascending.

    ``sharing`` are samples of modes that leave a junction current open, ``odd`` need a closer look.
    """

    found: dict[tuple[int, ...], list[NDArray[np.intp]]] = field(default_factory=dict)
    sharing: list[NDArray[np.intp]] = field(default_factory=list)
    odd: list[NDArray[np.intp]] = field(default_factory=list)

    def modes(self) -> list[tuple[tuple[int, ...], NDArray[np.intp]]]:
        """(support, samples), the smallest supports first."""
        order = sorted(self.found, key=lambda support: (len(support), support))
        return [(support, np.concatenate(self.found[support])) for support in order]


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
        _Descent(result, junctions, order.tolist()).run(table, start)
    return result


class _Descent:
    """One chunk of samples.

    A table has the columns of the junctions not decided yet, of the open islands, and the right side;
    ``rows[j]`` is the row that holds the current or slack of junction j; ``index`` numbers the samples.
    """

    def __init__(self, result: Sweep, junctions: int, order: list[int]) -> None:
        """``order[k]`` is the junction that is decided in place k."""
        self.result, self.junctions, self.order = result, junctions, order
        self.buffers: dict[tuple[int, int, int], Array] = {}
        self.plain = list(range(junctions))
        self.support: list[int] = []
        self.open: list[int] = []  # rows of junctions whose current is left open

    def run(self, table: Array, start: int) -> None:
        size = len(table)
        index = np.arange(start, start + table.shape[2])
        self._decide(0, table, list(range(self.junctions, size)), list(range(self.junctions)), index)

    def _decide(
        self, k: int, table: Array, islands: list[int], rows: list[int], index: NDArray[np.intp]
    ) -> None:
        if k == self.junctions:
            self._judge(table, islands, rows, index)
            return
        if self.junctions - k >= PRUNED:
            table, index = self._pruned(k, table, rows, index)
            if index.size == 0:
                return
        self._decide(k + 1, table[:, 1:], islands, rows, index)
        self.support.append(k)
        self._conduct(k, table, islands, rows, index)
        self.support.pop()

    def _pruned(
        self, k: int, table: Array, rows: list[int], index: NDArray[np.intp]
    ) -> tuple[Array, NDArray[np.intp]]:
        """Without the samples that have no solution whatever the other junctions do.

        A current or slack is a constant plus multiples of the currents still open, which are not negative:
        with a negative constant and no positive multiple it never holds.
        """
        left = self.junctions - k
        negative = (
            table[: self.junctions, -1] < -ROUNDING if rows == self.plain else table[rows, -1] < -ROUNDING
        )
        dead: NDArray[np.bool_] | None = None
        for place in np.flatnonzero(negative.any(axis=1)).tolist():
            row = rows[place]
            hopeless = negative[place] & (table[row, :left].max(axis=0) <= ZERO)
            if table.shape[1] > left + 1:
                hopeless &= np.abs(table[row, left:-1]).max(axis=0) <= ZERO
            dead = hopeless if dead is None else dead | hopeless
        if dead is None:
            return table, index
        alive = index.size - int(np.count_nonzero(dead))
        if alive > COMPRESS * index.size:
            return table, index
        return (table[:, :, ~dead], index[~dead]) if alive else (table, index[:0])

    def _may_conduct(self, k: int, table: Array, index: NDArray[np.intp]) -> tuple[Array, NDArray[np.intp]]:
        """Without the samples whose junction k could only carry a negative current."""
        pivot, others = table[k, 0], table[k, 1:]
        if others.shape[0] > self.junctions - k and np.abs(others[self.junctions - k - 1 : -1]).max() > ZERO:
            return table, index  # an open potential of either sign has a say
        plain = others[: self.junctions - k - 1]
        up = (others[-1] > ROUNDING) & (pivot > ZERO) & (plain.min(axis=0, initial=np.inf) >= -ZERO)
        down = (others[-1] < -ROUNDING) & (pivot < -ZERO) & (plain.max(axis=0, initial=-np.inf) <= ZERO)
        dead = up | down
        alive = index.size - int(np.count_nonzero(dead))
        if alive > COMPRESS * index.size:
            return table, index
        return (table[:, :, ~dead], index[~dead]) if alive else (table, index[:0])

    def _conduct(
        self, k: int, table: Array, islands: list[int], rows: list[int], index: NDArray[np.intp]
    ) -> None:
        table, index = self._may_conduct(k, table, index)
        if index.size == 0:
            return
        pivot = np.abs(table[k, 0])
        first = self.junctions - k  # column of the first open island
        if pivot.max() > ZERO:
            made = self._pivoted(k, table, k, 0, index)
        else:
            across = next((n for n in range(len(islands)) if np.abs(table[k, first + n]).max() > ZERO), None)
            if across is None:
                self._undetermined(k, table, k, islands, rows, index)
                return
            # the junction fixes the potential of an island, and the balance of the island its current
            made = self._pivoted(-1 - k, table, k, first + across, index)
            if made is None:
                return
            table, index = made
            island = islands[across]
            islands = [f for f in islands if f != island]
            if np.abs(table[island, 0]).max() <= ZERO:
                self._undetermined(k, table, island, islands, rows, index)
                return
            made = self._pivoted(k, table, island, 0, index)
            rows = [*rows[:k], island, *rows[k + 1 :]]
        first -= 1
        n = 0
        while made is not None and n < len(islands):
            table, index = made
            if np.abs(table[islands[n], first + n]).max() > ZERO:
                made = self._pivoted(self.junctions + islands[n], table, islands[n], first + n, index)
                islands = [*islands[:n], *islands[n + 1 :]]
                n = 0
            else:
                n += 1
        if made is not None:
            self._decide(k + 1, made[0], islands, rows, made[1])

    def _pivoted(
        self, place: int, table: Array, row: int, column: int, index: NDArray[np.intp]
    ) -> tuple[Array, NDArray[np.intp]] | None:
        """Solve one row for one column and put that into all the others; the column is gone then.

        Samples whose pivot is too small to be trusted are left to the ordinary enumeration.
        """
        small = np.abs(table[row, column]) < DOUBTFUL
        if small.any():
            self.result.odd.append(index[small])
            if small.all():
                return None
            table, index = table[:, :, ~small], index[~small]
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
        return made, index

    def _undetermined(
        self, k: int, table: Array, row: int, islands: list[int], rows: list[int], index: NDArray[np.intp]
    ) -> None:
        """No pivot for junction k: no solution where the right side is not zero, else its current is open."""
        rest = np.abs(table[row, :-1]).max(axis=0, initial=0.0) > ZERO
        if rest.any():
            # a pivot may still turn up elsewhere; too rare for more than the ordinary enumeration
            self.result.odd.append(index[rest])
        possible = ~rest & (np.abs(table[row, -1]) <= ROUNDING)
        if not possible.any():
            return
        moved = np.concatenate([table[:, 1:-1], table[:, :1], table[:, -1:]], axis=1)[:, :, possible]
        rows = [*rows[:k], row, *rows[k + 1 :]]
        self.open.append(row)
        self._decide(k + 1, moved, [*islands, row], rows, index[possible])
        self.open.pop()

    def _judge(self, table: Array, islands: list[int], rows: list[int], index: NDArray[np.intp]) -> None:
        right = table[:, -1]
        passed: Any = True
        if islands:
            # potentials that stay open: what they move is judged when the mode is solved
            loose = np.abs(table[:, :-1]).max(axis=(1, 2)) > ZERO
            passed = (np.abs(right[islands]) <= ROUNDING).all(axis=0)
            rows = [row for row in rows if not loose[row] and row not in islands]
        checked = right[: self.junctions] if rows == self.plain else right[rows]
        passed = passed & (checked.min(axis=0, initial=np.inf) >= -ROUNDING)
        if passed.any():
            samples = index[passed]
            mark = tuple(sorted(self.order[k] for k in self.support))
            self.result.found.setdefault(mark, []).append(samples)
            if self.open:
                self.result.sharing.append(samples)
