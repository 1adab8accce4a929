"""Modes in which ideal junctions stand in parallel, at many points at once.

Their currents are left open and taken to share as equal junctions do, as in
:func:`rules.analysis.enumeration.shared_point`, which this repeats for a batch.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from rules.analysis.complementarity import VOLT_TOLERANCE, decomposed
from rules.analysis.elements import Array
from rules.analysis.enumeration import SHARED

CONTRADICTION = 1e-6  # V; equations that miss each other by more have no solution


def shared_points(
    matrices: Array, right: Array, scale: Array, count: int
) -> tuple[Array, NDArray[np.bool_], NDArray[np.bool_]]:
    """Solutions z of G z = b (N, u), which of them are to be trusted, and where there surely is none.

    ``matrices`` (N, u, u) are in scaled unknowns, the first ``count`` currents with ``scale`` A per V.
    Not trusted: equations that contradict each other, and what sharing does not determine either.
    """
    total, size = right.shape
    good, none = np.zeros(total, dtype=bool), np.zeros(total, dtype=bool)
    z = np.zeros((total, size))
    if total == 0 or size == 0:
        return z, good, none
    u, values, vt, small = decomposed(matrices)
    projected = np.einsum("nji,nj->ni", u, right)
    limit = VOLT_TOLERANCE * np.maximum(1.0, np.abs(right).max(axis=1))
    open_ = small.sum(axis=1)
    strain = np.where(small, np.abs(projected), 0.0).max(axis=1)
    none = strain > CONTRADICTION * np.maximum(1.0, np.abs(right).max(axis=1))
    sound = (strain <= limit) & (open_ > 0)
    for directions in np.unique(open_[sound]).tolist():
        rows = np.flatnonzero(sound & (open_ == directions))
        safe = np.where(small[rows], np.inf, values[rows])
        along = np.swapaxes(vt[rows], 1, 2)
        across = np.swapaxes(u[rows], 1, 2)
        point = np.matmul(along, (projected[rows] / safe)[..., None])[..., 0]
        rest = right[rows] - np.matmul(matrices[rows], point[..., None])[..., 0]
        point += np.matmul(along, (np.matmul(across, rest[..., None])[..., 0] / safe)[..., None])[..., 0]
        # singular values come in falling order: the open directions are the last ones
        null, left = along[:, :, size - directions :], u[rows][:, :, size - directions :]
        weights = np.swapaxes(left[:, :count], 1, 2) * scale[:count]
        largest = np.abs(weights).max(axis=2, keepdims=True, initial=0.0)
        weights = weights / np.maximum(largest, 1e-300)
        share = np.matmul(weights, null[:, :count])
        singular = np.linalg.svd(share, compute_uv=False)
        decided = singular[:, -1] > SHARED * singular[:, 0]
        some = np.flatnonzero(decided)
        shift = np.linalg.solve(share[some], np.matmul(weights[some], point[some, :count, None]))
        point[some] -= np.matmul(null[some], shift)[..., 0]
        z[rows] = point
        good[rows] = decided
    return z, good, none
