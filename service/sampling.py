"""Curves as few points that draw them faithfully: close together where they bend, both sides of a jump.

A course is known exactly at every time.  What is told of it is a polyline
whose distance from the curve, at any time within the run, stays below
``TOLERANCE`` of the curve's own range, as long as ``POINTS`` points can do it.
"""

from __future__ import annotations

import heapq
import itertools
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

Array: TypeAlias = NDArray[np.float64]
Curves: TypeAlias = Mapping[str, Array]

POINTS = 400  # of one curve
TOLERANCE = 5e-4  # of the range of a curve; a line on paper is about as wide
NOISE = 1e-6  # of the largest range; what is flatter than this is a straight line
ROUNDING = 1e-9  # of the largest value; nothing smaller is a bend
SETTLED = 0.01  # of the range of a curve, off its final value: about 4.6 time constants
_PER_DECADE = 10
_DECADES = 9
_LINEAR = 48
_ROUNDS = 16  # halvings of a step of the first grid
_DENSE = 6000  # points of one piece before it is thinned
_LONGEST = 9  # decades of seconds in which a settling course is looked for


@dataclass(frozen=True, eq=False)
class Piece:
    """A stretch from ``start`` to ``end`` s on which ``curves`` is smooth.

    ``curves`` takes absolute times (s) and gives values by name, NaN where
    undefined.
    """

    start: float
    end: float
    curves: Callable[[Array], Curves]


@dataclass(frozen=True, slots=True)
class Polyline:
    """Times (s, ascending; twice the same at a jump) and values; ``None`` is a gap."""

    at: tuple[float, ...]
    value: tuple[float | None, ...]


def polylines(pieces: Sequence[Piece], points: int = POINTS) -> dict[str, Polyline]:
    """Every curve over all ``pieces`` (in order of time), by name, at most ``points`` points each."""
    coarse = [(times, piece.curves(times)) for piece, times in ((p, _grid(p.start, p.end)) for p in pieces)]
    names = sorted(set().union(*(values for _, values in coarse)))
    ranges = {name: _range([values[name] for _, values in coarse if name in values]) for name in names}
    largest = max((_largest(values.values()) for _, values in coarse), default=0.0)
    least = max(NOISE * max(ranges.values(), default=0.0), ROUNDING * largest)
    allowed = {name: max(TOLERANCE * ranges[name], least, np.finfo(float).tiny) for name in names}
    dense = [
        _refined(piece, times, values, allowed)
        for piece, (times, values) in zip(pieces, coarse, strict=True)
    ]
    every = np.concatenate([times for times, _ in dense]) if dense else np.empty(0)
    found = {}
    for name in names:
        values = np.concatenate(
            [values.get(name, np.full(times.shape, np.nan)) for times, values in dense]
        )
        found[name] = _polyline(every, values, allowed[name], points)
    return found


def polylines_of(times: Array, values: Curves, points: int = POINTS) -> dict[str, Polyline]:
    """Curves that are only known at ``times`` (s), by name, as few of their points as draw them."""
    ranges = {name: _range([found]) for name, found in values.items()}
    least = max(NOISE * max(ranges.values(), default=0.0), ROUNDING * _largest(values.values()))
    return {
        name: _polyline(times, found, max(TOLERANCE * ranges[name], least, np.finfo(float).tiny), points)
        for name, found in sorted(values.items())
    }


def settling(
    before: Sequence[Piece], curves: Callable[[Array], Curves], start: float, within: float = SETTLED
) -> float:
    """How long after ``start`` (s) it takes every curve to stay ``within`` a share of its range of its end.

    The range is that of the whole run, ``before`` included.  0 where nothing
    moves; curves without a finite final value are left out.
    """
    offsets = np.logspace(-_DECADES, _LONGEST, (_DECADES + _LONGEST) * _PER_DECADE + 1)
    last = curves(np.array([np.inf]))
    earlier = [piece.curves(_grid(piece.start, piece.end)) for piece in before]
    longest = 0.0
    for name, values in sorted(curves(np.concatenate([[start], start + offsets])).items()):
        final = last.get(name, np.array([np.nan]))
        if not np.isfinite(final).all() or not np.isfinite(values).all():
            continue
        whole = _range([values, final, *(found[name] for found in earlier if name in found)])
        far = np.flatnonzero(np.abs(values - final) > max(within * whole, NOISE))
        if far.size and far[-1] < len(offsets):
            longest = max(longest, float(offsets[far[-1]]))
    return longest


def _grid(start: float, end: float) -> Array:
    """A first grid: geometric after the start, where fast and slow exponentials begin, and linear."""
    if not end > start:
        return np.array([start])
    length = end - start
    after = length * np.logspace(-_DECADES, 0, _DECADES * _PER_DECADE + 1)
    inner = start + np.concatenate([after, length * np.arange(1, _LINEAR) / _LINEAR])
    return np.unique(np.concatenate([[start], inner[(inner > start) & (inner < end)], [end]]))


def _range(parts: Sequence[Array]) -> float:
    values = np.concatenate(parts)
    values = values[np.isfinite(values)]
    return float(values.max() - values.min()) if values.size else 0.0


def _largest(parts: Iterable[Array]) -> float:
    return max((float(np.abs(part[np.isfinite(part)]).max(initial=0.0)) for part in parts), default=0.0)


def _refined(
    piece: Piece, times: Array, values: Curves, allowed: Mapping[str, float]
) -> tuple[Array, Curves]:
    """The grid with its steps halved wherever a curve leaves the straight line between two points."""
    names = sorted(values)
    scale = np.array([[allowed[name]] for name in names])
    table = np.array([values[name] for name in names])
    if not names or len(times) < 2:
        return times, values
    found_times, found_values = [times], [table]
    left, right, low, high = times[:-1], times[1:], table[:, :-1], table[:, 1:]
    total = len(times)
    for _ in range(_ROUNDS):
        middle = (left + right) / 2
        inside = (middle > left) & (middle < right)
        if not inside.any() or total + int(inside.sum()) > _DENSE:
            break
        left, right, middle = left[inside], right[inside], middle[inside]
        low, high = low[:, inside], high[:, inside]
        found = piece.curves(middle)
        between = np.array([found[name] for name in names])
        off = np.abs(between - (low + high) / 2) / scale
        bent = np.nan_to_num(off, nan=0.0).max(axis=0) > 0.5
        found_times.append(middle[bent])
        found_values.append(between[:, bent])
        total += int(bent.sum())
        left, right, low, high = (
            np.concatenate([left[bent], middle[bent]]),
            np.concatenate([middle[bent], right[bent]]),
            np.concatenate([low[:, bent], between[:, bent]], axis=1),
            np.concatenate([between[:, bent], high[:, bent]], axis=1),
        )
    every = np.concatenate(found_times)
    order = np.argsort(every, kind="stable")
    merged = np.concatenate(found_values, axis=1)[:, order]
    return every[order], {name: merged[k] for k, name in enumerate(names)}


def _polyline(times: Array, values: Array, allowed: float, points: int) -> Polyline:
    """The fewest of the points given that stay within ``allowed``; a gap where values are undefined."""
    known = np.isfinite(values)
    edges = np.flatnonzero(np.diff(np.concatenate([[False], known, [False]]).astype(int)))
    runs = list(zip(edges[::2], edges[1::2], strict=True))
    kept = _thinned(times, values, runs, allowed, points)
    at: list[float] = []
    value: list[float | None] = []
    for k in range(len(runs)):
        if k:
            at.append(float(times[runs[k - 1][1]]))
            value.append(None)
        for index in kept[k]:
            at.append(float(times[index]))
            value.append(float(values[index]))
    return Polyline(tuple(at), tuple(value))


def _thinned(
    times: Array, values: Array, runs: Sequence[tuple[int, int]], allowed: float, points: int
) -> list[list[int]]:
    """Indices kept of each run: its ends, then always the point that is farthest off the line so far."""
    kept = [sorted({int(first), int(end) - 1}) for first, end in runs]
    queue: list[tuple[float, int, int, int, int]] = []

    def look(run: int, i: int, j: int) -> None:
        if j - i < 2:
            return
        t, v = times[i : j + 1], values[i : j + 1]
        length = t[-1] - t[0]
        share = (t - t[0]) / length if length > 0 else np.zeros(len(t))
        off = np.abs(v - (v[0] + (v[-1] - v[0]) * share))
        k = int(off.argmax())
        if off[k] > allowed:
            heapq.heappush(queue, (-float(off[k]), run, i, i + k, j))

    for run, ends in enumerate(kept):
        for i, j in itertools.pairwise(ends):
            look(run, i, j)
    count = sum(len(ends) for ends in kept) + max(0, len(runs) - 1)
    while queue and count < points:
        _, run, i, k, j = heapq.heappop(queue)
        kept[run].append(k)
        count += 1
        look(run, i, k)
        look(run, k, j)
    return [sorted(indices) for indices in kept]
