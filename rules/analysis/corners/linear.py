"""The linear solution of one mode at every point of a stack."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rules.analysis.corners.frames import ModeFrame
from rules.analysis.corners.sharing import shared_points
from rules.analysis.corners.stack import Stack
from rules.analysis.elements import Array
from rules.analysis.states import SOUND

REACH = 1e3  # V; no net of these circuits lies further from the reference


@dataclass(frozen=True, eq=False)
class Linear:
    """Solutions z (N, unknowns; A and V), signs of the determinant, which to trust, where there is none."""

    z: Array
    signs: NDArray[np.int_]
    sound: NDArray[np.bool_]
    impossible: NDArray[np.bool_]


def unknowns(frame: ModeFrame) -> list[int]:
    """The unknowns of a mode: conducting junctions, then the islands whose potential is determined."""
    junctions = len(frame.network.junctions)
    islands = range(len(frame.network.islands))
    return [*frame.support, *(junctions + f for f in islands if f not in frame.loose)]


def solution(frame: ModeFrame, stack: Stack) -> Linear:
    """Every point in one batch; open potentials are left at 0 V."""
    keep, count = unknowns(frame), len(stack)
    g, h = stack.equations
    z = np.zeros((count, g.shape[1]))
    signs = np.ones(count, dtype=int)
    sound, impossible = np.ones(count, dtype=bool), np.zeros(count, dtype=bool)
    if not keep:
        return Linear(z, signs, sound, impossible)
    matrices = g[:, np.array(keep)[:, None], keep] * frame.scale[keep]
    rows = np.abs(matrices).max(axis=2)
    with np.errstate(all="ignore"):
        level = matrices / rows[:, :, None]
        sound &= np.isfinite(level).all(axis=(1, 2))
        if not sound.all():
            level[~sound] = np.eye(len(keep))
        columns = np.abs(level).max(axis=1)
        sign, logarithm = np.linalg.slogdet(level)
        logarithm = logarithm - np.log(columns).sum(axis=1)
        sound &= np.isfinite(logarithm) & (logarithm > SOUND)
    good = np.arange(count) if sound.all() else np.flatnonzero(sound)
    right = -h[good[:, None], keep] / rows[good]
    solved = np.linalg.solve(level[good], right[..., None])[..., 0]
    z[good[:, None], keep] = solved * frame.scale[keep]
    signs = np.where(sound, np.sign(sign) * flip(frame), 0).astype(int)
    ill = np.flatnonzero(~sound & np.isfinite(matrices).all(axis=(1, 2)))
    if ill.size:
        shared, fits, none = shared_points(
            matrices[ill], -h[ill][:, keep], frame.scale[keep], len(frame.support)
        )
        z[ill[:, None], keep] = shared * frame.scale[keep]
        signs[ill[fits]] = 1  # a mode that shares has no sign of its own
        sound[ill[fits]] = True
        impossible[ill[none]] = True
    return Linear(z, signs, sound, impossible)


def flip(frame: ModeFrame) -> float:
    """The sign that the unknown potentials put before the determinant."""
    return -1.0 if (len(frame.network.islands) - len(frame.loose)) % 2 else 1.0


def open_potentials(slack: Array, slopes: Array) -> Array:
    """Potentials (N, islands) that keep every slack + slopes y >= 0, where there are any.

    A junction sees the difference of two potentials at most, so these are difference constraints: shortest
    paths from and to the reference give the highest and the lowest potentials, and the middle of two
    solutions is one (Bellman-Ford).
    """
    count, free = len(slack), slopes.shape[1]
    ends = []
    for turn in (1.0, -1.0):
        y = np.full((count, free + 1), REACH)
        y[:, free] = 0.0  # the reference
        for _ in range(free + 1):
            for k, row in enumerate(slopes * turn):
                falls, rises = np.flatnonzero(row < 0.0), np.flatnonzero(row > 0.0)
                if falls.size:
                    other = y[:, rises[0] if rises.size else free]
                    y[:, falls[0]] = np.minimum(y[:, falls[0]], other + slack[:, k])
        ends.append(turn * y[:, :free])
    middle: Array = 0.5 * (ends[0] + ends[1])
    return middle
