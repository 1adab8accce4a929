"""Which junctions may conduct, for many samples at once: every mode of every sample, by pivoting.

The modes of a circuit share most of their elimination.  Junction by junction it is
decided whether it blocks (its column is dropped) or conducts (its column is
eliminated), for all samples at once; after the last junction the right side alone
holds every current and slack of the mode.  A mode of J junctions then costs about
J operations per sample instead of a solution of its own: 2**J modes of J = 8
junctions 4,000 operations.

This only screens.  What passes is solved again with pivoting by size, and pivots
too small to be trusted count as passed.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from rules.analysis.complementarity import ROUNDING
from rules.analysis.elements import Array

ZERO = 1e-11  # a pivot of scaled rows that is nothing but rounding
DOUBTFUL = 1e-7  # a pivot whose rounding may reach the conditions
CHUNK = 1024  # samples at a time, so that they stay in the cache


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
    for start in range(0, len(g), CHUNK):
        part = slice(start, min(start + CHUNK, len(g)))
        table = np.empty((size, size + 1, part.stop - start))
        table[:, :size] = (g[part] * scale).transpose(1, 2, 0)
        table[:, size] = h[part].T
        for row in range(junctions, size):
            # island balances are currents; bring them to the size of the other rows
            largest = np.abs(table[row, :size]).max()
            table[row] /= largest if largest > 0.0 else 1.0
        _Descent(result, junctions, start, table.shape[2]).run(table)
    return result


class _Descent:
    """One chunk of samples."""

    def __init__(self, result: Sweep, junctions: int, start: int, count: int) -> None:
        self.result, self.junctions, self.start, self.count = result, junctions, start, count
        self.buffers: dict[tuple[int, int, int], Array] = {}
        self.support: list[int] = []
        self.open: list[int] = []  # rows of junctions whose current is left open

    def run(self, table: Array) -> None:
        size = len(table)
        islands = list(range(self.junctions, size))
        self._decide(0, table, islands, list(range(self.junctions)), np.zeros(self.count, dtype=bool))

    def _decide(
        self, k: int, table: Array, islands: list[int], rows: list[int], doubt: NDArray[np.bool_]
    ) -> None:
        """``table`` has the columns of junctions k, k+1, ... , of the open islands, and the right side.

        ``rows[j]`` is the row that holds the current or slack of junction j.
        """
        if k == self.junctions:
            self._judge(table, islands, rows, doubt)
            return
        self._decide(k + 1, table[:, 1:], islands, rows, doubt)
        self.support.append(k)
        self._conduct(k, table, islands, rows, doubt)
        self.support.pop()

    def _conduct(
        self, k: int, table: Array, islands: list[int], rows: list[int], doubt: NDArray[np.bool_]
    ) -> None:
        pivot = np.abs(table[k, 0])
        first = self.junctions - k  # column of the first open island
        if pivot.max() > ZERO:
            small = pivot < DOUBTFUL
            doubt = doubt | small if small.any() else doubt
            table = self._pivoted(k, table, k, 0)
        else:
            across = next(
                (n for n, f in enumerate(islands) if np.abs(table[k, first + n]).min() > DOUBTFUL), None
            )
            if across is None:
                self._undetermined(k, table, k, islands, rows, doubt)
                return
            # the junction fixes the potential of an island, and the balance of the island its current
            island = islands[across]
            table = self._pivoted(-1 - k, table, k, first + across)
            pivot = np.abs(table[island, 0])
            islands = [f for f in islands if f != island]
            if pivot.min() <= DOUBTFUL:
                self._undetermined(k, table, island, islands, rows, doubt)
                return
            table = self._pivoted(k, table, island, 0)
            rows = [*rows[:k], island, *rows[k + 1 :]]
        first -= 1
        n = 0
        while n < len(islands):
            fed = np.abs(table[islands[n], first + n])
            if fed.max() > ZERO:
                small = fed < DOUBTFUL
                doubt = doubt | small if small.any() else doubt
                table = self._pivoted(self.junctions + islands[n], table, islands[n], first + n)
                islands = [*islands[:n], *islands[n + 1 :]]
                n = 0
            else:
                n += 1
        self._decide(k + 1, table, islands, rows, doubt)

    def _pivoted(self, place: int, table: Array, row: int, column: int) -> Array:
        """Solve one row for one column and put that into all the others; the column is gone then.

        A sample whose pivot is too small gets the numbers of another one: it has passed already, and must
        not look like a zero that all samples have.
        """
        height, width, count = table.shape
        mark = (place, height, width)
        made = self.buffers.get(mark)
        if made is None:
            made = self.buffers[mark] = np.empty((height, width - 1, count))
        pivot = table[row, column]
        small = np.abs(pivot) < DOUBTFUL
        some = bool(small.any()) and not bool(small.all())
        if some:
            pivot = np.where(small, 1.0, pivot)
        factor = table[:, column] / -pivot
        for source, target in (
            (slice(0, column), slice(0, column)),
            (slice(column + 1, width), slice(column, width - 1)),
        ):
            given, to = table[:, source], made[:, target]
            np.multiply(factor[:, None], given[row], out=to)
            to[:row] += given[:row]
            to[row] = given[row] / -pivot
            to[row + 1 :] += given[row + 1 :]
        if some:
            made[:, :, small] = made[:, :, [int(np.argmin(small))]]
        return made

    def _undetermined(
        self,
        k: int,
        table: Array,
        row: int,
        islands: list[int],
        rows: list[int],
        doubt: NDArray[np.bool_],
    ) -> None:
        """No pivot for junction k: no solution where the right side is not zero, else its current is open."""
        rest = np.abs(table[row, :-1]).max(axis=0, initial=0.0) > ZERO
        possible = rest | (np.abs(table[row, -1]) <= ROUNDING)
        if rest.any():
            # a pivot may still turn up elsewhere; too rare for more than the ordinary enumeration
            self.result.odd.append(self.start + np.flatnonzero(rest))
            possible &= ~rest
        if not possible.any():
            return
        moved = np.concatenate([table[:, 1:-1], table[:, :1], table[:, -1:]], axis=1)
        rows = [*rows[:k], row, *rows[k + 1 :]]
        self.open.append(row)
        self._decide(k + 1, moved, [*islands, row], rows, doubt)
        self.open.pop()

    def _judge(self, table: Array, islands: list[int], rows: list[int], doubt: NDArray[np.bool_]) -> None:
        right = table[:, -1]
        passed: Any = np.ones(self.count, dtype=bool)
        if islands:
            # potentials that stay open: what they move is judged when the mode is solved
            loose = np.abs(table[:, :-1]).max(axis=(1, 2)) > ZERO
            passed = (np.abs(right[islands]) <= ROUNDING).all(axis=0)
            rows = [row for row in rows if not loose[row] and row not in islands]
        plain = rows == list(range(self.junctions))
        checked = right[: self.junctions] if plain else right[rows]
        passed &= checked.min(axis=0, initial=np.inf) >= -ROUNDING
        passed |= doubt
        if passed.any():
            mark = tuple(self.support)
            samples = self.start + np.flatnonzero(passed)
            self.result.found.setdefault(mark, []).append(samples)
            if self.open:
                self.result.sharing.append(samples)
