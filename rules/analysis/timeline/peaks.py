"""The greatest values that voltages reach within one interval: exact, many at once.

A grid of times gives values that are really reached; a cell between two times is
kept and halved only while its bound lies above the best of them, so that no
peak between two times is missed.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, TypeAlias

import numpy as np

from rules.analysis.elements import Array
from rules.analysis.timeline.exponentials import LONGEST, Sums, floor_of, grid, horizon_of

if TYPE_CHECKING:
    from rules.analysis.timeline.flow import Course

CLOSE = 1e-6  # V and of the value; nothing in the interval lies further than this above what is told
_ROUNDS = 80
_CELLS = 100_000
Line: TypeAlias = tuple[float, Array]
"""A quantity of a course: constant, and per input."""


def highest(
    course: Course, pairs: Sequence[tuple[str, str]], duration: float, known: Array
) -> tuple[Array, Array]:
    """Greatest voltage (V) of each pair of nets (first against second) within ``duration`` s, and when (s).

    ``known`` (V, one per pair) are values already reached elsewhere: where the
    interval has nothing above them, -inf is told.  NaN-free: a voltage that is
    undefined in this mode counts as -inf.
    """
    lines = [_difference(course.net(a), course.net(b)) for a, b in pairs]
    return greatest_of(course, lines, duration, known)


def _difference(one: Line | None, two: Line | None) -> Line | None:
    return None if one is None or two is None else (one[0] - two[0], one[1] - two[1])


def greatest_of(
    course: Course, lines: Sequence[Line | None], duration: float, known: Array
) -> tuple[Array, Array]:
    """Like :func:`highest`, of anything affine in what is stored; ``None`` stands for undefined."""
    values, times = np.full(len(lines), -np.inf), np.zeros(len(lines))
    rows: list[int] = []
    zeroth: list[float] = []
    first: list[Array] = []
    for k, line in enumerate(lines):
        if line is not None:
            rows.append(k)
            zeroth.append(line[0])
            first.append(line[1])
    if not rows:
        return values, times
    sums = course.sums(np.array(zeroth), np.array(first))
    found, when = greatest(sums, duration, known[rows])
    values[rows], times[rows] = found, when
    return values, times


def greatest(sums: Sums, duration: float, known: Array) -> tuple[Array, Array]:
    """Greatest value of each sum on [0, ``duration`` s], and when; -inf where it stays below ``known``."""
    upside_down = Sums(-sums.start, -sums.rates, sums.exponents)
    horizon = horizon_of(sums, min(duration, LONGEST)) if math.isinf(duration) else duration
    edges = grid(sums, horizon) if horizon > 0.0 else np.zeros(1)
    primitive = sums.primitive(edges)
    values = sums.start[:, None] + (sums.rates @ primitive).real
    at = values.argmax(axis=1)
    best, when = values.max(axis=1), edges[at]
    count, cells = values.shape[0], len(edges) - 1
    who = np.repeat(np.arange(count), cells)
    cell = np.tile(np.arange(cells), count)
    a, b, pa, pb = edges[cell], edges[cell + 1], primitive.T[cell], primitive.T[cell + 1]
    fa, fb = values[:, :-1].ravel(), values[:, 1:].ravel()
    for _ in range(_ROUNDS):
        floor, _ = floor_of(upside_down, who, a, b, (-fa, -fb), (pa, pb))
        least = np.maximum(best, known)[who]
        again = (-floor > least + CLOSE * np.maximum(1.0, np.abs(least))) & (b - a > 1e-13 * b)
        if not again.any() or int(again.sum()) > _CELLS:
            break
        who, a, b, fa, fb = who[again], a[again], b[again], fa[again], fb[again]
        pa, pb = pa[again], pb[again]
        middle = 0.5 * (a + b)
        pm = sums.primitive(middle).T
        fm = sums.start[who] + (sums.rates[who] * pm).sum(axis=1).real
        better = np.flatnonzero(fm > best[who])
        for k in better[np.argsort(fm[better], kind="stable")].tolist():
            best[who[k]], when[who[k]] = fm[k], middle[k]
        who, a, b = np.tile(who, 2), np.concatenate([a, middle]), np.concatenate([middle, b])
        fa, fb = np.concatenate([fa, fm]), np.concatenate([fm, fb])
        pa, pb = np.concatenate([pa, pm]), np.concatenate([pm, pb])
    told = best > known
    return np.where(told, best, -np.inf), np.where(told, when, 0.0)
