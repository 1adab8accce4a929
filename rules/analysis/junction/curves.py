"""Curves through uneven samples: monotone cubic pieces, which never swing beyond their samples.

Source: Fritsch and Butland, "A method for constructing local monotone piecewise
cubic interpolants", SIAM J. Sci. Stat. Comput. 5 (1984), from memory.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from rules.analysis.elements import Array

_HALVINGS = 60


def slopes(times: Array, values: Array) -> Array:
    """The derivative at each sample; 0 at turning points.  Domain: times strictly rising."""
    if len(times) < 2:
        return np.zeros(len(times))
    h = np.diff(times)
    secant = np.diff(values) / h
    found = np.zeros(len(times))
    found[0], found[-1] = secant[0], secant[-1]
    before, after = secant[:-1], secant[1:]
    same = before * after > 0.0
    early, late = 2.0 * h[1:] + h[:-1], h[1:] + 2.0 * h[:-1]
    inner = np.zeros(len(times) - 2)
    weight = early[same] / before[same] + late[same] / after[same]
    inner[same] = (early + late)[same] / weight
    found[1:-1] = inner
    return found


def at(times: Array, values: Array, wanted: Array) -> Array:
    """The curve at ``wanted`` times, the outermost samples beyond its ends."""
    if len(times) < 2:
        return np.full(len(wanted), values[0])
    rise = slopes(times, values)
    k = np.clip(np.searchsorted(times, wanted, side="right") - 1, 0, len(times) - 2)
    return _piece(times, values, rise, k, np.clip(wanted, times[0], times[-1]))


def _piece(times: Array, values: Array, rise: Array, k: NDArray[np.intp], wanted: Array) -> Array:
    h = times[k + 1] - times[k]
    s = (wanted - times[k]) / h
    back = 1.0 - s
    hermite: Array = (
        values[k] * back * back * (1.0 + 2.0 * s)
        + values[k + 1] * s * s * (3.0 - 2.0 * s)
        + h * s * back * (rise[k] * back - rise[k + 1] * s)
    )
    return hermite


def crossings(times: Array, values: Array, level: float) -> tuple[Array, NDArray[np.bool_]]:
    """When the curve passes ``level``, and which of these passages go upwards."""
    v = values - level
    k = np.flatnonzero((v[:-1] < 0.0) != (v[1:] < 0.0))
    if not len(k):
        return np.zeros(0), np.zeros(0, dtype=bool)
    rise = slopes(times, values)
    upwards = v[k] < 0.0
    low, high = times[k].copy(), times[k + 1].copy()
    for _ in range(_HALVINGS):  # the piece is monotone: halving finds its one passage
        middle = 0.5 * (low + high)
        before = (_piece(times, v, rise, k, middle) < 0.0) == upwards
        low, high = np.where(before, middle, low), np.where(before, high, middle)
    return 0.5 * (low + high), upwards
