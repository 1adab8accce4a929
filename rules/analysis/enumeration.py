"""The complete list of solutions of a large problem: block by block, and where junctions stand in parallel.

One block is solved by trying all its modes (:mod:`rules.analysis.complementarity`)
or, past ``BRUTE_LIMIT`` junctions, depth first (:mod:`rules.analysis.search`).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from rules.analysis.complementarity import (
    VOLT_TOLERANCE,
    WHOLE_LIMIT,
    Enumeration,
    Problem,
    Solution,
    brute,
    decomposed,
    interior,
    merge,
    scaled,
    solution_of,
)
from rules.analysis.elements import Array

BRUTE_LIMIT = 12  # junctions in one block; 2**12 modes take about 20 ms
COUPLING = 1e-13  # relative size below which two junctions do not influence each other
STATE_LIMIT = 2000
SHARING = (1e-2, 1.0, 1e-3, 1e-4, 1e-5, 1e-6)  # ohm; tried in turn where parallel junctions share a current
SHARED = 1e-6  # ratio below which a direction does not change how junctions share
RUNAWAY = 10.0  # A; below this a current that grows as the resistance shrinks is still limited by something


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
    split = any(_splits(problem, solution) for solution in plain.solutions)
    if not split and (_balanced(plain) or not plain.complete):
        return plain
    for resistance in SHARING:
        eased = _eased(problem, plain, resistance, step_budget)
        if eased is not None:
            return eased if split else replace(plain, unlimited=eased.unlimited)
    return plain


def _balanced(enumeration: Enumeration) -> bool:
    """False when the signs of all solutions are known and do not add up to one."""
    signs = [solution.index for solution in enumeration.solutions]
    return not signs or None in signs or sum(sign or 0 for sign in signs) == 1


def _splits(problem: Problem, solution: Solution) -> bool:
    """True when a junction current is left open."""
    return bool(np.abs(solution.null[: problem.size]).max(initial=0.0) > 1e-13)


def _eased(problem: Problem, plain: Enumeration, resistance: float, step_budget: int) -> Enumeration | None:
    """The limit of vanishing equal junction resistances: the states of matched junctions.

    A small resistance gives the modes; the limit itself is then solved exactly.
    ``None`` when a mode does not carry over to zero resistance.
    """
    passes = [
        _enumerate(
            replace(problem, m=problem.m + np.diag(np.full(problem.size, ohms)), solved=None), step_budget
        )
        for ohms in (4.0 * resistance, resistance)
    ]
    if passes[1].complete and not _balanced(passes[1]):
        return None  # this resistance drowns in rounding: a mode passes beside the one it belongs to
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


def shared_point(
    problem: Problem, g: Array, h: Array, support: tuple[int, ...]
) -> tuple[Array, Array] | None:
    """G z = -h of one mode, sharing equally along what that leaves open, and the directions still open then.

    With r the resistance of each junction, L'(G + r) z = -L'h for a left null vector L of G; as r vanishes,
    L'z = 0 over the currents.  ``None`` when the equations contradict each other.
    """
    size = problem.size
    keep = np.concatenate([np.array(support, dtype=np.intp), np.arange(size, size + problem.free)])
    count = len(support)
    matrix = g[np.ix_(keep, keep)]
    u, values, vt, small = decomposed(matrix)
    safe = np.where(small, np.inf, values)
    point = vt.T @ (u.T @ -h[keep] / safe)
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
    slack = (g[:size] @ z + problem.q)[list(support)]
    if np.any(np.abs(slack) > 100 * VOLT_TOLERANCE):
        return None
    return z, directions


def _limit(problem: Problem, g: Array, h: Array, fine: Solution) -> Solution | None:
    """An eased mode at zero resistance, where it still holds there."""
    size = problem.size
    solved = shared_point(problem, g, h, fine.support)
    if solved is None:
        return None
    z, directions = solved
    mask = np.isin(np.arange(size), fine.support)
    slack = g[:size] @ z + problem.q
    slopes = np.where(mask[:, None], directions[:size], g[:size] @ directions)
    shift = interior(np.where(mask, z[:size], slack) + 100 * VOLT_TOLERANCE, slopes)
    if shift is None:
        return None
    z = z + directions @ shift
    lasting = tuple(k for k in fine.support if z[k] > 10 * VOLT_TOLERANCE)
    if lasting != fine.support:
        # a current that vanishes in the limit pins nothing: its junction blocks
        return _limit(problem, g, h, replace(fine, support=lasting))
    return solution_of(problem, mask, z, directions, fine.index)


def solution_in(problem: Problem, support: tuple[int, ...]) -> Solution | None:
    """The solution in one given mode, parallel junctions sharing equally; ``None`` when it does not hold."""
    from rules.analysis.search import exact_mode_of

    found = exact_mode_of(problem, support)
    if found is None or not _splits(problem, found):
        return found
    return _limit(problem, *scaled(problem), found)


def _enumerate(problem: Problem, step_budget: int) -> Enumeration:
    if problem.solved is not None:
        return Enumeration(tuple(merge(list(problem.solved))), True)
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
