"""The linear equations of one mode: see :class:`rules.analysis.timeline.plant.Linear`."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from rules.analysis.complementarity import decomposed, regular_rows
from rules.analysis.elements import Array
from rules.analysis.timeline.plant import _LOOSE, Linear, Plant, Support, leaking

if TYPE_CHECKING:
    Affine = tuple[Array, Array]

_ROUNDING = 1e-12  # of the terms of a sum; a rate below it is zero
_FAINT = 1e-12  # a tie whose rows are smaller than this ties nothing down


def linear_mode(plant: Plant, support: Support) -> Linear:
    """Solve the equations of one mode for any stored values."""
    g, h, slope = plant.equations
    size, free = plant.problem.size, plant.problem.free
    inputs, stored = slope.shape[1], len(plant.stores.free)
    keep = [*support.junctions, *range(size, size + free)]
    given = np.column_stack([h, slope])  # affine in x: column 0 constant
    base, through = _rates_before(plant, support)
    solution = np.zeros((size + free, 1 + inputs))
    null = np.zeros((size + free, 0))
    ties = np.zeros((0, 1 + inputs))
    sign: int | None = 1
    sound = True
    if keep:
        matrix, right = g[np.ix_(keep, keep)], -given[keep]
        regular, signs = regular_rows(matrix[None])
        if regular[0]:
            solution[keep] = np.linalg.solve(matrix, right)
            sign = int(signs[0] * (-1.0 if free % 2 else 1.0))
        else:
            sign = None
            u, _, _, small = decomposed(matrix)
            left = u[:, small].T @ right
            binding = np.abs(left[:, 1:]).max(axis=1, initial=0.0) > _FAINT
            ties = left[binding]
            if np.any(np.abs(left[~binding, 0]) > 1e-7):
                sound = False
            # what a tie says of the stored values also holds for their rates of change
            rows = ties[:, 1 : 1 + stored]
            tied = -rows @ base
            weights = rows @ through[:, keep]
            level = _inverse(np.abs(weights).max(axis=1, initial=0.0))[:, None]
            stacked = np.vstack([matrix, weights * level])
            both = np.vstack([right, tied * level])
            part, open_, fits = _least(stacked, both, ties)
            solution[keep] = part
            null = np.zeros((size + free, open_.shape[1]))
            null[keep] = open_
            sound = sound and fits
    rates = base + through @ solution
    terms = np.abs(base) + np.abs(through) @ np.abs(solution)
    if len(ties) and stored:
        # a tie holds for good: rounding must not let the stored values creep out of it
        rows = np.where(np.abs(rows) > _FAINT * np.abs(rows).max(axis=1, keepdims=True), rows, 0.0)
        rates = rates - np.linalg.pinv(rows, rcond=1e-9) @ (rows @ rates)
    # what is left of terms that cancel is rounding: a coil at rest must not seem to go on for ever
    rates[np.abs(rates) <= _ROUNDING * terms] = 0.0
    loose = float(np.abs(through @ null).max(initial=0.0))
    if loose > 1e-6 * max(1.0, float(np.abs(rates).max(initial=0.0))):
        sound = False
    keys, conditions = _conditions(plant, support, given, solution, null)
    leak_keys, leak_rows = _leak_conditions(plant, support, solution)
    every = np.vstack([conditions, leak_rows]) if leak_keys else conditions
    return Linear(
        support,
        (*keys, *leak_keys),
        (every[:, 0], every[:, 1:]),
        (rates[:, 0], rates[:, 1:]),
        (solution[:, 0], solution[:, 1:]),
        (ties[:, 0], ties[:, 1:]),
        null,
        sign,
        sound,
    )


def _least(matrix: Array, right: Array, ties: Array) -> tuple[Array, Array, bool]:
    """The solution of consistent equations, the directions they leave open, and whether they are consistent.

    Rows that say a tie again are met only where the tie is: they are left out of the check.
    """
    rows = _inverse(np.abs(matrix).max(axis=1, initial=0.0))
    level = matrix * rows[:, None]
    columns = _inverse(np.abs(level).max(axis=0, initial=0.0))
    level = level * columns
    u, values, vt = np.linalg.svd(level)
    rank = int(np.sum(values > 1e-11 * max(values.max(initial=0.0), 1e-300)))
    wanted = u.T @ (right * rows[:, None])
    part = columns[:, None] * (vt[:rank].T @ (wanted[:rank] / values[:rank, None]))
    rest = wanted[rank:]
    if len(ties) and len(rest):
        # what is left over has to be a combination of the ties, which are zero
        coefficients = np.linalg.lstsq(ties.T, rest.T, rcond=None)[0]
        rest = rest - (ties.T @ coefficients).T
    fits = bool(np.abs(rest).max(initial=0.0) <= 1e-7 * max(1.0, np.abs(wanted).max(initial=0.0)))
    open_ = columns[:, None] * vt[rank:].T
    norms = np.linalg.norm(open_, axis=0)
    return part, open_ / np.where(norms > 0.0, norms, 1.0), fits


def _inverse(sizes: Array) -> Array:
    """What levels rows or columns of these sizes; one of nothing but zeros (an open potential) stays."""
    return np.asarray(1.0 / np.where(sizes > 0.0, sizes, 1.0), dtype=np.float64)


def _rates_before(plant: Plant, support: Support) -> tuple[Array, Array]:
    """dw/dt as affine rows over x (column 0 constant) and per unknown."""
    stores = plant.stores
    constant, per_input, per_unknown = plant.linear
    stored, count = len(stores.free), stores.capacitors
    drive = np.zeros((stored, 1 + per_input.shape[1]))
    through = np.zeros((stored, per_unknown.shape[1]))
    row = {net: k for k, net in enumerate(plant.network.nets)}
    regimes = dict(zip(leaking(plant), support.leaks, strict=True))
    for k, name in enumerate(stores.free):
        if k < count:
            at = plant.branch_rows[name]
            drive[k, 0], drive[k, 1:], through[k] = constant[at], per_input[at], per_unknown[at]
            leak = plant.leaks.get(name)
            if leak is not None:
                drive[k, 0] -= regimes.get(k, 0) * leak.current
                drive[k, 1 + k] -= leak.conductance
        else:
            for net, sign in zip(plant.ends(name), (1.0, -1.0), strict=True):
                if net in row:
                    at = row[net]
                    drive[k, 0] += sign * constant[at]
                    drive[k, 1:] += sign * per_input[at]
                    through[k] += sign * per_unknown[at]
            known = plant.resolved.known(name, "resistance")
            drive[k, 1 + k] -= 0.0 if known is None else known.value
    if stored == 0:
        return drive, through
    inverse = np.linalg.inv(stores.mass)
    drive, through = inverse @ drive, inverse @ through
    for k, regime in regimes.items():
        if regime == 0:
            drive[k], through[k] = 0.0, 0.0
    return np.asarray(drive, dtype=np.float64), np.asarray(through, dtype=np.float64)


def _conditions(
    plant: Plant, support: Support, given: Array, solution: Array, null: Array
) -> tuple[list[object], Array]:
    """Junction currents and slacks, and limits on what is open, as affine rows."""
    g, size = plant.equations[0], plant.problem.size
    chosen = np.zeros(size, dtype=bool)
    chosen[list(support.junctions)] = True
    slack = g[:size] @ solution + given[:size]
    rows = np.where(chosen[:, None], solution[:size], slack)
    if null.shape[1] == 0:
        return list(range(size)), rows
    moves = np.where(chosen[:, None], null[:size], g[:size] @ null)
    keys: list[tuple[object, ...]] = [(k,) for k in range(size)]
    for direction in range(null.shape[1]):
        # eliminate one open direction: only pairs of opposite limits remain (Fourier, Motzkin)
        step = moves[:, direction]
        flat = np.flatnonzero(np.abs(step) <= _LOOSE)
        up, down = np.flatnonzero(step > _LOOSE), np.flatnonzero(step < -_LOOSE)
        kept_rows, kept_moves = [*rows[flat]], [*moves[flat]]
        kept_keys = [keys[k] for k in flat]
        for i in up:
            for j in down:
                kept_rows.append(rows[i] / step[i] - rows[j] / step[j])
                kept_moves.append(moves[i] / step[i] - moves[j] / step[j])
                kept_keys.append(tuple(sorted({*keys[i], *keys[j]}, key=str)))
        rows = np.array(kept_rows, dtype=np.float64).reshape(len(kept_keys), rows.shape[1])
        moves = np.array(kept_moves, dtype=np.float64).reshape(len(kept_keys), moves.shape[1])
        keys = kept_keys
    return [key[0] if len(key) == 1 else key for key in keys], np.asarray(rows, dtype=np.float64)


def _leak_conditions(plant: Plant, support: Support, solution: Array) -> tuple[list[object], Array]:
    """Where the leakage of a capacitor turns over: at 0 V, or where more flows into it than leaks."""
    constant, per_input, per_unknown = plant.linear
    keys: list[object] = []
    rows: list[Array] = []
    for k, regime in zip(leaking(plant), support.leaks, strict=True):
        name = plant.stores.free[k]
        if regime:
            row = np.zeros(solution.shape[1])
            row[1 + k] = float(regime)
            rows.append(row)
            keys.append(("leak", k))
            continue
        at = plant.branch_rows[name]
        into = np.concatenate([[constant[at]], per_input[at]]) + per_unknown[at] @ solution
        scale = plant.leaks[name].current
        for sign in (1.0, -1.0):
            row = -sign * into / scale
            row[0] += 1.0
            rows.append(row)
            keys.append(("stuck", k, sign))
    return keys, np.array(rows, dtype=np.float64).reshape(len(keys), solution.shape[1])
