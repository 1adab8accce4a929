"""All solutions of the mixed linear complementarity problem of a circuit.

    s = q + M i + W y,   0 = c + S i,   0 <= i  perpendicular to  s >= 0

Every set of conducting junctions is tried (batched principal sub-matrices of
one reduced matrix), so the list of solutions is complete by construction; past
``BRUTE_LIMIT`` junctions in one block :mod:`rules.analysis.search` takes over.
A sub-matrix without a unique solution is not an error: the solutions then form
a continuum, whose null directions are kept so that a voltage or current which
is not determined is reported as undefined and never as a number.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from rules.analysis.network import Array, Network

VOLT_TOLERANCE = 1e-9  # V, also for junction currents scaled by their own resistance
LOG_DOUBTFUL = np.log(
    1e-12
)  # ratio of |det| to the product of row norms below which a matrix is looked at closely
ROUNDING = 1e-4  # V; what rounding may hide before a solution is refined
SINGULAR = 1e-11  # ratio of the smallest to the largest singular value of a matrix without a unique solution
BRUTE_LIMIT = 12  # junctions in one block; 2**12 modes take about 20 ms
WHOLE_LIMIT = 8  # junctions up to which looking for blocks costs more than it saves
COUPLING = 1e-13  # relative size below which two junctions do not influence each other
STATE_LIMIT = 2000
SHARING = (1e-2, 1e-3, 1e-4)  # ohm; tried in turn where parallel ideal junctions leave their currents open
SHARED = 1e-6  # ratio below which a direction does not change how junctions share
RUNAWAY = 10.0  # A; below this a current that grows as the resistance shrinks is still limited by something


@dataclass(frozen=True, eq=False)
class Problem:
    """The reduced problem; ``scale`` (A per V) makes the diagonal of M about one."""

    q: Array
    m: Array
    w: Array
    s: Array
    c: Array
    scale: Array
    reach: Array  # V, no slack of a determined solution is larger

    @property
    def size(self) -> int:
        return int(self.q.size)

    @property
    def free(self) -> int:
        return int(self.c.size)


@dataclass(frozen=True, eq=False)
class Solution:
    """One solution: which junctions conduct, i (A), y (V); ``null`` spans what is not determined."""

    support: tuple[int, ...]
    current: Array
    potential: Array
    null: Array  # (junctions + islands, p), p = 0 when everything is determined
    index: int | None

    @property
    def determined(self) -> bool:
        return self.null.size == 0


@dataclass(frozen=True)
class Enumeration:
    """All solutions, and whether the list is surely complete (``reason`` says why not)."""

    solutions: tuple[Solution, ...]
    complete: bool
    reason: str = ""
    shared: bool = False
    unlimited: tuple[tuple[int, ...], ...] = ()


def problem_of(network: Network, betas: Mapping[str, float]) -> Problem:
    """Reduce a network at given current gains to its complementarity problem."""
    g, h = network.equations(betas)
    size = len(network.junctions)
    return make_problem(h[:size], g[:size, :size], g[:size, size:], g[size:, :size], h[size:], network.reach)


def make_problem(q: Array, m: Array, w: Array, s: Array, c: Array, reach: Array | None = None) -> Problem:
    diagonal = np.abs(np.diag(m))
    ordered = np.sort(diagonal[diagonal > 1e-6])
    typical = float(ordered[len(ordered) // 2]) if len(ordered) else 1e3
    scale = 1.0 / np.where(diagonal > 1e-6 * typical, diagonal, typical)
    return Problem(q, m, w, s, c, scale, np.full(q.size, np.inf) if reach is None else reach)


@lru_cache(maxsize=32)
def _masks(size: int) -> NDArray[np.bool_]:
    """All subsets of ``size`` junctions, fewest conducting first."""
    codes = np.arange(2**size)
    bits = ((codes[:, None] >> np.arange(size)) & 1).astype(bool)
    order = np.lexsort((codes, bits.sum(axis=1)))
    return np.ascontiguousarray(bits[order])


def scaled(problem: Problem) -> tuple[Array, Array]:
    """The mixed matrix in scaled unknowns and its right side: G z = -h."""
    m = problem.m * problem.scale
    s = problem.s * problem.scale
    # island balances are currents; bring them to the size of the other rows
    rows = np.abs(s).max(axis=1, initial=0.0)
    weight = 1.0 / np.where(rows > 0.0, rows, 1.0)
    top = np.hstack([m, problem.w])
    bottom = np.hstack([s * weight[:, None], np.zeros((problem.free, problem.free))])
    return np.vstack([top, bottom]), np.concatenate([problem.q, problem.c * weight])


def brute(problem: Problem) -> list[Solution]:
    """Every solution of a block, by solving all 2**size modes in one batch."""
    g, h = scaled(problem)
    size, free = problem.size, problem.free
    masks = _masks(size)
    full = np.hstack([masks, np.ones((len(masks), free), dtype=bool)]) if free else masks
    matrices = np.where(full[:, :, None] & full[:, None, :], g, np.eye(size + free))
    right = np.where(full, -h, 0.0)
    regular, sign = regular_rows(matrices)
    found = _regular_solutions(problem, g, masks[regular], matrices[regular], right[regular], sign[regular])
    odd = np.flatnonzero(~regular)
    for row in odd[_could_hold(problem, g, masks[odd], matrices[odd], right[odd])]:
        found.extend(examine(problem, g, h, masks[row]))
    return found


def regular_rows(matrices: Array) -> tuple[NDArray[np.bool_], Array]:
    """Which matrices of the batch have a unique solution, and the signs of their determinants."""
    if matrices.shape[1] == 0:
        return np.ones(len(matrices), dtype=bool), np.ones(len(matrices))
    sign, logdet = np.linalg.slogdet(matrices)
    # a row of rounding must not be measured by its own size: scaled rows are about one
    sizes = np.maximum(np.einsum("bij,bij->bi", matrices, matrices), 1.0)
    doubtful = np.flatnonzero((sign == 0) | (logdet - 0.5 * np.log(sizes).sum(axis=1) < LOG_DOUBTFUL))
    regular = np.ones(len(matrices), dtype=bool)
    if doubtful.size:
        values = np.linalg.svd(matrices[doubtful], compute_uv=False)
        regular[doubtful] = values[:, -1] > SINGULAR * values[:, 0]
    return regular, sign


def _regular_solutions(
    problem: Problem, g: Array, masks: NDArray[np.bool_], matrices: Array, right: Array, sign: Array
) -> list[Solution]:
    """Solve the modes with a unique solution in one batch and keep the consistent ones."""
    size, free = problem.size, problem.free
    z = np.linalg.solve(matrices, right[..., None])[..., 0]
    near = np.all(np.where(masks, z[:, :size], z @ g[:size].T + problem.q) >= -ROUNDING, axis=1)
    masks, matrices, right, sign, z = masks[near], matrices[near], right[near], sign[near], z[near]
    # one step of refinement: large and tiny resistances side by side cost many digits
    z += np.linalg.solve(matrices, (right - np.einsum("bij,bj->bi", matrices, z))[..., None])[..., 0]
    slack = z @ g[:size].T + problem.q
    fits = np.all(np.where(masks, z[:, :size] > VOLT_TOLERANCE, slack >= -VOLT_TOLERANCE), axis=1)
    nothing = np.zeros((size + free, 0))
    flip = -1.0 if free % 2 else 1.0
    return [
        solution_of(problem, masks[row], z[row], nothing, int(sign[row] * flip))
        for row in np.flatnonzero(fits)
    ]


def _could_hold(
    problem: Problem, g: Array, masks: NDArray[np.bool_], matrices: Array, right: Array
) -> NDArray[np.intp]:
    """Rows of singular modes that survive the conditions no null direction can move."""
    if len(masks) == 0:
        return np.zeros(0, dtype=np.intp)
    size = problem.size
    u, values, vt = np.linalg.svd(matrices)
    small = values <= SINGULAR * values[:, :1]
    projected = np.einsum("bji,bj->bi", u, right)
    strain = np.abs(np.where(small, projected, 0.0)).max(axis=1)
    rows = np.flatnonzero(strain <= VOLT_TOLERANCE * np.maximum(1.0, np.abs(right).max(axis=1)))
    if rows.size == 0:
        return rows
    masks, vt, small, projected, values = masks[rows], vt[rows], small[rows], projected[rows], values[rows]
    z = np.einsum("bji,bj->bi", vt, np.where(small, 0.0, projected / np.where(small, 1.0, values)))
    directions = vt * small[:, :, None]  # rows are null directions, others zero
    currents, slack = z[:, :size], z @ g[:size].T + problem.q
    moves_i = np.linalg.norm(directions[:, :, :size], axis=1)
    moves_s = np.linalg.norm(directions @ g[:size].T, axis=1)
    loose = np.where(masks, moves_i, moves_s) > 1e-9
    room = np.where(masks, currents - VOLT_TOLERANCE, slack + VOLT_TOLERANCE)
    could = np.all((room >= 0.0) | loose, axis=1)
    # along a single null direction the conditions leave an interval, which must not be empty
    along = np.where(masks, vt[:, -1, :size], vt[:, -1] @ g[:size].T)
    edge = -room / np.where(along == 0.0, 1.0, along)
    low = np.where(loose & (along > 0.0), edge, -np.inf).max(axis=1, initial=-np.inf)
    high = np.where(loose & (along < 0.0), edge, np.inf).min(axis=1, initial=np.inf)
    left: NDArray[np.intp] = rows[could & ((small.sum(axis=1) > 1) | (low <= high))]
    return left


def solution_of(
    problem: Problem, mask: NDArray[np.bool_], z: Array, null: Array, index: int | None
) -> Solution:
    size = problem.size
    unscale = np.concatenate([problem.scale, np.ones(problem.free)])
    current = np.where(mask, z[:size], 0.0) * problem.scale
    return Solution(
        tuple(int(k) for k in np.flatnonzero(mask)), current, z[size:].copy(), null * unscale[:, None], index
    )


def examine(problem: Problem, g: Array, h: Array, mask: NDArray[np.bool_]) -> list[Solution]:
    """A mode whose matrix is singular: no solution, one, or a continuum."""
    size, free = problem.size, problem.free
    keep = np.flatnonzero(np.concatenate([mask, np.ones(free, dtype=bool)]))
    matrix, right = g[np.ix_(keep, keep)], -h[keep]
    if keep.size == 0:
        point, null = np.zeros(0), np.zeros((0, 0))
    else:
        u, values, vt = np.linalg.svd(matrix)
        small = values <= SINGULAR * max(values[0], 1e-300)
        projected = u.T @ right
        if np.any(np.abs(projected[small]) > VOLT_TOLERANCE * max(1.0, float(np.abs(right).max()))):
            return []
        safe = np.where(small, np.inf, values)
        point = vt.T @ (projected / safe)
        point += vt.T @ (u.T @ (right - matrix @ point) / safe)
        null = vt[small].T
    z, directions = np.zeros(size + free), np.zeros((size + free, null.shape[1]))
    z[keep], directions[keep] = point, null
    values0 = np.where(mask, z[:size], g[:size] @ z + problem.q)
    slopes = np.where(mask[:, None], directions[:size], g[:size] @ directions)
    least = np.where(mask, VOLT_TOLERANCE, -VOLT_TOLERANCE)
    shift = _interior(values0 - least, slopes)
    if shift is None:
        return []
    return [solution_of(problem, mask, z + directions @ shift, directions, _leaky_index(problem, g, mask))]


def _interior(slack: Array, slopes: Array) -> Array | None:
    """A t with slack + slopes t >= 0, well inside when there is room; ``None`` when there is none."""
    p = slopes.shape[1]
    steep = np.linalg.norm(slopes, axis=1) if p else np.zeros(slack.size)
    flat = steep <= 1e-9
    if np.any(slack[flat] < 0.0):
        return None
    if p == 0 or np.all(flat):
        return np.zeros(p)
    rows, base = slopes[~flat], slack[~flat]
    if p == 1:
        edges = -base / rows[:, 0]
        low = float(edges[rows[:, 0] > 0].max(initial=-np.inf))
        high = float(edges[rows[:, 0] < 0].min(initial=np.inf))
        if low > high:
            return None
        if np.isfinite(low) and np.isfinite(high):
            return np.array([(low + high) / 2])
        return np.array([low + 1.0 if np.isfinite(low) else high - 1.0])
    from rules.analysis.search import widest_point

    return widest_point(base, rows)


def _leaky_index(problem: Problem, g: Array, mask: NDArray[np.bool_]) -> int | None:
    """Sign of the determinant in the limit of vanishing leaks: the sign only, never a number to print."""
    size, free = problem.size, problem.free
    keep = np.flatnonzero(np.concatenate([mask, np.ones(free, dtype=bool)]))
    if keep.size == 0:
        return 1
    for leak in (1e-7, 1e-9):
        leaky = g + np.diag(np.concatenate([np.full(size, leak), np.full(free, -leak)]))
        sign, logdet = np.linalg.slogdet(leaky[np.ix_(keep, keep)])
        if sign != 0 and np.isfinite(logdet):
            return int(sign * (-1.0 if free % 2 else 1.0))
    return None


def blocks_of(problem: Problem) -> list[NDArray[np.intp]]:
    """Strongly coupled blocks of unknowns (junctions, then islands), each after those it depends on."""
    g, _ = scaled(problem)
    total = g.shape[0]
    linked = np.abs(g) > COUPLING * max(1.0, float(np.abs(g).max(initial=0.0)))
    reach = linked | np.eye(total, dtype=bool)
    for _ in range(max(1, int(np.ceil(np.log2(max(total, 2)))))):
        reach = (reach.astype(np.float32) @ reach.astype(np.float32)) > 0
    both = reach & reach.T
    leaders = both.argmax(axis=1)
    blocks = [np.flatnonzero(leaders == leader) for leader in np.unique(leaders)]
    # an unknown that reaches fewer others depends on fewer: solve it first
    return sorted(blocks, key=lambda block: (int(reach[block[0]].sum()), int(block[0])))


def enumerate_all(problem: Problem, step_budget: int) -> Enumeration:
    """Every solution, block by block; ``complete`` is false past the step budget.

    Where ideal junctions stand in parallel their currents are not determined;
    they are then taken to share as equal junctions do (``shared`` is true).
    When the signs of all solutions do not add up to one, a further state has no
    finite current; the junctions that carry it are in ``unlimited``.
    """
    plain = _enumerate(problem, step_budget)
    signs = [solution.index for solution in plain.solutions]
    split = any(_splits(problem, solution) for solution in plain.solutions)
    balanced = not signs or None in signs or sum(sign or 0 for sign in signs) == 1
    if not split and (balanced or not plain.complete):
        return plain
    for resistance in SHARING:
        eased = _eased(problem, plain, resistance, step_budget)
        if eased is not None:
            return eased if split else replace(plain, unlimited=eased.unlimited)
    return plain


def _splits(problem: Problem, solution: Solution) -> bool:
    """True when a junction current is left open."""
    return bool(np.abs(solution.null[: problem.size]).max(initial=0.0) > 1e-13)


def _eased(problem: Problem, plain: Enumeration, resistance: float, step_budget: int) -> Enumeration | None:
    """The limit of vanishing equal junction resistances: the states of matched junctions.

    A small resistance gives the modes; the limit itself is then solved exactly.
    ``None`` when a mode does not carry over to zero resistance.
    """
    passes = [
        _enumerate(replace(problem, m=problem.m + np.diag(np.full(problem.size, ohms))), step_budget)
        for ohms in (4.0 * resistance, resistance)
    ]
    coarse = {solution.support: solution for solution in passes[0].solutions}
    g, h = scaled(problem)
    found: list[Solution] = []
    unlimited: list[tuple[int, ...]] = []
    for fine in passes[1].solutions:
        limit = _limit(problem, g, h, fine)
        if limit is not None:
            found.append(limit)
            continue
        rough = coarse.get(fine.support)
        # a current that grows as one over the resistance has no limit
        growing = (
            ()
            if rough is None
            else tuple(
                k
                for k in fine.support
                if 3.0 * rough.current[k] < fine.current[k] and fine.current[k] > RUNAWAY
            )
        )
        if not growing:
            return None
        unlimited.append(growing)
    return Enumeration(
        tuple(merge(found)), passes[1].complete, passes[1].reason, True, tuple(sorted(unlimited))
    )


def _limit(problem: Problem, g: Array, h: Array, fine: Solution) -> Solution | None:
    """An eased mode at zero resistance: G z = -h, sharing equally along what that leaves open.

    With r the resistance, L'(G + r) z = -L'h for a left null vector L of G; as r vanishes, L'z = 0
    over the currents.
    """
    size = problem.size
    keep = np.concatenate([np.array(fine.support, dtype=np.intp), np.arange(size, size + problem.free)])
    count = len(fine.support)
    u, values, vt = np.linalg.svd(g[np.ix_(keep, keep)])
    small = values <= SINGULAR * max(float(values.max(initial=0.0)), 1e-300)
    projected = u.T @ -h[keep]
    matrix, safe = g[np.ix_(keep, keep)], np.where(small, np.inf, values)
    point = vt.T @ (projected / safe)
    point += vt.T @ (u.T @ (-h[keep] - matrix @ point) / safe)
    null, left = vt[small].T, u[:, small]
    weights = left[:count].T * problem.scale[keep[:count]]  # acts on scaled currents
    weights /= np.maximum(np.abs(weights).max(axis=1, initial=0.0, keepdims=True), 1e-300)
    share = weights @ null[:count]
    point = point - null @ np.linalg.lstsq(share, weights @ point[:count], rcond=SHARED)[0]
    _, values, vt = np.linalg.svd(share)
    free = null @ vt[int(np.sum(values > SHARED * values.max(initial=0.0))) :].T
    z, directions = np.zeros(size + problem.free), np.zeros((size + problem.free, free.shape[1]))
    z[keep], directions[keep] = point, free
    mask = np.isin(np.arange(size), fine.support)
    slack = g[:size] @ z + problem.q
    if np.any(np.where(mask, np.abs(slack), 0.0) > 100 * VOLT_TOLERANCE):
        return None
    slopes = np.where(mask[:, None], directions[:size], g[:size] @ directions)
    shift = _interior(np.where(mask, z[:size], slack) + 100 * VOLT_TOLERANCE, slopes)
    if shift is None:
        return None
    z = z + directions @ shift
    mask &= z[:size] > 10 * VOLT_TOLERANCE  # a current that vanishes in the limit
    return solution_of(problem, mask, z, directions, fine.index)


def _enumerate(problem: Problem, step_budget: int) -> Enumeration:
    if problem.size <= WHOLE_LIMIT:
        return Enumeration(tuple(merge(brute(problem))), True)
    blocks = blocks_of(problem)
    if len(blocks) == 1:
        solutions, complete, reason = _solve_block(problem, step_budget)
        return Enumeration(tuple(merge(solutions)), complete, reason)
    return _compose(problem, blocks, step_budget)


def _solve_block(problem: Problem, step_budget: int) -> tuple[list[Solution], bool, str]:
    if problem.size <= BRUTE_LIMIT:
        return brute(problem), True, ""
    from rules.analysis.search import depth_first

    return depth_first(problem, step_budget)


def _compose(problem: Problem, blocks: list[NDArray[np.intp]], step_budget: int) -> Enumeration:
    """Solve each block for every solution of the blocks before it."""
    size, free = problem.size, problem.free
    partial: list[tuple[Array, Array, tuple[int, ...], int | None, list[Array]]]
    partial = [(np.zeros(size), np.zeros(free), (), 1, [])]
    complete, reason = True, ""
    for block in blocks:
        junctions, islands = block[block < size], block[block >= size] - size
        following = []
        for current, potential, support, index, nulls in partial:
            part = Problem(
                (problem.q + problem.m @ current + problem.w @ potential)[junctions],
                problem.m[np.ix_(junctions, junctions)],
                problem.w[np.ix_(junctions, islands)],
                problem.s[np.ix_(islands, junctions)],
                (problem.c + problem.s @ current)[islands],
                problem.scale[junctions],
                problem.reach[junctions],
            )
            solutions, done, why = _solve_block(part, step_budget)
            complete, reason = complete and done, reason or why
            for solution in merge(solutions):
                new_current, new_potential = current.copy(), potential.copy()
                new_current[junctions], new_potential[islands] = solution.current, solution.potential
                spread = np.zeros((size + free, solution.null.shape[1]))
                spread[block] = solution.null
                if not solution.determined and _reaches_others(problem, block, spread):
                    # what is left open here decides something later: no order of blocks is right
                    whole, done, why = _solve_block(problem, step_budget)
                    return Enumeration(tuple(merge(whole)), done, why)
                sign = None if index is None or solution.index is None else index * solution.index
                following.append(
                    (
                        new_current,
                        new_potential,
                        support + tuple(int(junctions[k]) for k in solution.support),
                        sign,
                        [*nulls, spread],
                    )
                )
        if len(following) > STATE_LIMIT:
            following = following[:STATE_LIMIT]
            complete, reason = False, f"more than {STATE_LIMIT} states"
        partial = following
    found = [
        Solution(
            tuple(sorted(support)),
            current,
            potential,
            np.hstack(nulls) if nulls else np.zeros((size + free, 0)),
            index,
        )
        for current, potential, support, index, nulls in partial
    ]
    return Enumeration(tuple(merge(found)), complete, reason)


def _reaches_others(problem: Problem, block: NDArray[np.intp], spread: Array) -> bool:
    """True when an undetermined direction of one block moves a row outside it."""
    size = problem.size
    moved = np.concatenate([problem.m @ spread[:size] + problem.w @ spread[size:], problem.s @ spread[:size]])
    outside = np.ones(moved.shape[0], dtype=bool)
    outside[block] = False
    return bool(
        np.abs(moved[outside]).max(initial=0.0) > 1e-12 * max(1.0, float(np.abs(spread).max(initial=0.0)))
    )


def merge(solutions: list[Solution]) -> Iterator[Solution]:
    """Drop solutions that describe the same point reached from two sides of a region boundary."""
    kept: list[Solution] = []
    for solution in solutions:
        twin = next((k for k in kept if k.determined == solution.determined and _same(k, solution)), None)
        if twin is None:
            kept.append(solution)
            yield solution


def _same(a: Solution, b: Solution) -> bool:
    size = max(float(np.abs(a.current).max(initial=0.0)), 1e-6)
    return bool(
        np.allclose(a.current, b.current, rtol=0.0, atol=1e-7 * size)
        and np.allclose(a.potential, b.potential, rtol=0.0, atol=1e-6)
    )
