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

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from rules.analysis.elements import Array
from rules.analysis.network import Network

VOLT_TOLERANCE = 1e-9  # V, also for junction currents scaled by their own resistance
LOG_DOUBTFUL = np.log(
    1e-12
)  # ratio of |det| to the product of row norms below which a matrix is looked at closely
ROUNDING = 1e-4  # V; what rounding may hide before a solution is refined
SINGULAR = 1e-13  # ratio of singular values, once balanced, of a matrix without a unique solution
PROBLEMS_KEPT = 6  # of one network, at so many sets of gains
WHOLE_LIMIT = 8  # junctions up to which looking for blocks costs more than it saves


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
    solved: tuple[Solution, ...] | None = None  # when a batch with others has found them already

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
    mark = tuple(sorted(betas.items()))
    problem = network.problems.get(mark)
    if not isinstance(problem, Problem):
        g, h = network.equations(betas)
        size = len(network.junctions)
        problem = make_problem(
            h[:size], g[:size, :size], g[:size, size:], g[size:, :size], h[size:], network.reach
        )
        if len(network.problems) >= PROBLEMS_KEPT:
            network.problems.clear()
        network.problems[mark] = problem
    solved = network.solved.get(mark)
    return problem if solved is None else replace(problem, solved=solved)


def solve_together(cases: Sequence[tuple[Network, Mapping[str, float]]]) -> None:
    """Find the solutions of several small networks in one batch and leave them with the networks."""
    groups: dict[tuple[int, int], list[tuple[Network, Mapping[str, float], Problem]]] = {}
    for network, betas in cases:
        problem = problem_of(network, betas)
        if problem.size <= WHOLE_LIMIT:
            groups.setdefault((problem.size, problem.free), []).append((network, betas, problem))
    for group in groups.values():
        for (network, betas, _), found in zip(group, brute_many([case[2] for case in group]), strict=True):
            network.solved[tuple(sorted(betas.items()))] = tuple(found)


def make_problem(q: Array, m: Array, w: Array, s: Array, c: Array, reach: Array | None = None) -> Problem:
    diagonal = np.abs(m.diagonal())
    ordered = sorted(value for value in diagonal.tolist() if value > 1e-6)
    typical = ordered[len(ordered) // 2] if ordered else 1e3
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
    if not problem.free:
        return m, problem.q
    top = np.hstack([m, problem.w])
    bottom = np.hstack([s * weight[:, None], np.zeros((problem.free, problem.free))])
    return np.vstack([top, bottom]), np.concatenate([problem.q, problem.c * weight])


def brute(problem: Problem) -> list[Solution]:
    """Every solution of a block, by solving all 2**size modes in one batch."""
    return brute_many([problem])[0]


def brute_many(problems: Sequence[Problem]) -> list[list[Solution]]:
    """Every solution of each of several problems of one size, all modes of all of them in one batch.

    Raises ``ValueError`` when the sizes differ.
    """
    size, free = problems[0].size, problems[0].free
    if any((problem.size, problem.free) != (size, free) for problem in problems):
        raise ValueError("problems of different sizes cannot share a batch")
    pairs = [scaled(problem) for problem in problems]
    g, h = np.array([pair[0] for pair in pairs]), np.array([pair[1] for pair in pairs])
    masks = _masks(size)
    full = np.hstack([masks, np.ones((len(masks), free), dtype=bool)]) if free else masks
    batch = np.where(full[:, :, None] & full[:, None, :], g[:, None], np.eye(size + free))
    count = len(problems) * len(masks)
    modes = _Modes(
        problems,
        np.repeat(np.arange(len(problems)), len(masks)),
        np.tile(masks, (len(problems), 1)),
        batch.reshape(count, size + free, size + free),
        np.where(full, -h[:, None], 0.0).reshape(count, size + free),
        g[:, :size],
        np.array([problem.q for problem in problems]),
    )
    regular, sign = regular_rows(modes.matrices)
    found: list[list[Solution]] = [[] for _ in problems]
    for owner, solution in _regular_solutions(modes.at(regular), sign[regular]):
        found[owner].append(solution)
    odd = np.flatnonzero(~regular)
    for row in odd[_could_hold(modes.at(odd))]:
        owner = int(modes.owner[row])
        found[owner].extend(examine(problems[owner], *pairs[owner], modes.masks[row]))
    return found


@dataclass(frozen=True, eq=False)
class _Modes:
    """A batch of modes: whose they are, who conducts, their matrices and right sides."""

    problems: Sequence[Problem]
    owner: NDArray[np.intp]
    masks: NDArray[np.bool_]
    matrices: Array
    right: Array
    rows: Array  # (problems, junctions, unknowns): the rows of the junctions in each G
    q: Array  # (problems, junctions)

    def at(self, chosen: NDArray[np.bool_] | NDArray[np.intp]) -> _Modes:
        """Some modes of the batch."""
        return replace(
            self,
            owner=self.owner[chosen],
            masks=self.masks[chosen],
            matrices=self.matrices[chosen],
            right=self.right[chosen],
        )

    def through(self, z: Array) -> Array:
        """G z over the junctions for one vector per mode."""
        product: Array = np.matmul(self.rows[self.owner], z[..., None])[..., 0]
        return product

    def slack(self, z: Any) -> Array:
        return self.through(z) + self.q[self.owner]


def regular_rows(matrices: Array) -> tuple[NDArray[np.bool_], Array]:
    """Which matrices of the batch have a unique solution, and the signs of their determinants."""
    if matrices.shape[1] == 0:
        return np.ones(len(matrices), dtype=bool), np.ones(len(matrices))
    if matrices.shape[1] == 1 and np.isfinite(matrices).all():
        only = matrices[:, 0, 0]
        return only != 0.0, np.sign(only)
    sign, logdet = np.linalg.slogdet(matrices)
    # a row of rounding must not be measured by its own size: scaled rows are about one
    sizes = np.maximum(np.einsum("bij,bij->bi", matrices, matrices), 1.0)
    doubtful = ((sign == 0) | (logdet - 0.5 * np.log(sizes).sum(axis=1) < LOG_DOUBTFUL)).nonzero()[0]
    regular = np.ones(len(matrices), dtype=bool)
    if doubtful.size:
        values = np.linalg.svd(balanced(matrices[doubtful])[0], compute_uv=False)
        regular[doubtful] = values[:, -1] > SINGULAR * values[:, 0]
    return regular, sign


def balanced(matrices: Array) -> tuple[Array, Array, Array]:
    """A batch with large rows and columns brought down to about one, and the factors by which.

    Milliohms beside megohms give a regular matrix singular values twelve decades apart, as rounding gives a
    singular one; balanced, only the singular one keeps them.  Powers of two leave no rounding, and small rows
    are not brought up, because they may be nothing but rounding.
    """
    scaled_ones = np.array(matrices)
    rows, columns = np.ones(matrices.shape[:-1]), np.ones(matrices.shape[:-1])
    for _ in range(3):
        largest = np.maximum(np.abs(scaled_ones).max(axis=-1, initial=0.0), 1.0)
        step = np.exp2(-np.ceil(0.5 * np.log2(largest)))
        scaled_ones *= step[..., :, None]
        rows *= step
        largest = np.maximum(np.abs(scaled_ones).max(axis=-2, initial=0.0), 1.0)
        step = np.exp2(-np.ceil(0.5 * np.log2(largest)))
        scaled_ones *= step[..., None, :]
        columns *= step
    return scaled_ones, rows, columns


def decomposed(matrices: Array) -> tuple[Array, Array, Array, NDArray[np.bool_]]:
    """(u, values, vt, small): singular values of the balanced matrices, ``small`` where they count as zero.

    The factors are for the matrices as given: z = vt' (u' b / values) solves them.  Null directions, columns
    of u and rows of vt, have length one.
    """
    level, rows, columns = balanced(matrices)
    u, values, vt = np.linalg.svd(level)
    small = values <= SINGULAR * np.maximum(values[..., :1], 1e-300)
    u, vt = u * rows[..., :, None], vt * columns[..., None, :]
    # null directions are stretched to large currents: one step of refinement against what unbalancing cost
    safe = np.where(small, np.inf, values)[..., :, None]
    across, along = np.swapaxes(u, -1, -2), np.swapaxes(vt, -1, -2)
    off_right = along @ (across @ (matrices @ along) / safe)
    off_left = u @ (vt @ (np.swapaxes(matrices, -1, -2) @ u) / safe)
    vt = vt - np.where(small[..., :, None], np.swapaxes(off_right, -1, -2), 0.0)
    u = u - np.where(small[..., None, :], off_left, 0.0)
    u = np.where(small[..., None, :], u / np.linalg.norm(u, axis=-2, keepdims=True), u)
    vt = np.where(small[..., :, None], vt / np.linalg.norm(vt, axis=-1, keepdims=True), vt)
    return u, values, vt, small


def _regular_solutions(modes: _Modes, sign: Array) -> Iterator[tuple[int, Solution]]:
    """Solve the modes with a unique solution in one batch; the consistent ones, each with its owner."""
    size, free = modes.problems[0].size, modes.problems[0].free
    z = np.linalg.solve(modes.matrices, modes.right[..., None])[..., 0]
    near = np.all(np.where(modes.masks, z[:, :size], modes.slack(z)) >= -ROUNDING, axis=1)
    modes, sign, z = modes.at(near), sign[near], z[near]
    # one step of refinement: large and tiny resistances side by side cost many digits
    rest = modes.right - np.einsum("bij,bj->bi", modes.matrices, z)
    z += np.linalg.solve(modes.matrices, rest[..., None])[..., 0]
    held = np.where(modes.masks, z[:, :size] > VOLT_TOLERANCE, modes.slack(z) >= -VOLT_TOLERANCE)
    nothing = np.zeros((size + free, 0))
    flip = -1.0 if free % 2 else 1.0
    for row in np.flatnonzero(np.all(held, axis=1)).tolist():
        owner = int(modes.owner[row])
        index = int(sign[row] * flip)
        yield owner, solution_of(modes.problems[owner], modes.masks[row], z[row], nothing, index)


def _could_hold(modes: _Modes) -> NDArray[np.intp]:
    """Rows of singular modes that survive the conditions no null direction can move."""
    if len(modes.masks) == 0:
        return np.zeros(0, dtype=np.intp)
    size = modes.problems[0].size
    u, values, vt, small = decomposed(modes.matrices)
    projected = np.einsum("bji,bj->bi", u, modes.right)
    strain = np.abs(np.where(small, projected, 0.0)).max(axis=1)
    rows = np.flatnonzero(strain <= VOLT_TOLERANCE * np.maximum(1.0, np.abs(modes.right).max(axis=1)))
    if rows.size == 0:
        return rows
    modes, vt, small, projected, values = modes.at(rows), vt[rows], small[rows], projected[rows], values[rows]
    masks = modes.masks
    z = np.einsum("bji,bj->bi", vt, np.where(small, 0.0, projected / np.where(small, 1.0, values)))
    directions = vt * small[:, :, None]  # rows are null directions, others zero
    currents, slack = z[:, :size], modes.slack(z)
    moves_i = np.linalg.norm(directions[:, :, :size], axis=1)
    moves_s = np.linalg.norm(directions @ modes.rows[modes.owner].transpose(0, 2, 1), axis=1)
    loose = np.where(masks, moves_i, moves_s) > 1e-9
    room = np.where(masks, currents - VOLT_TOLERANCE, slack + VOLT_TOLERANCE)
    could = np.all((room >= 0.0) | loose, axis=1)
    # along a single null direction the conditions leave an interval, which must not be empty
    along = np.where(masks, vt[:, -1, :size], modes.through(vt[:, -1]))
    edge = -room / np.where(along == 0.0, 1.0, along)
    low = np.where(loose & (along > 0.0), edge, -np.inf).max(axis=1, initial=-np.inf)
    high = np.where(loose & (along < 0.0), edge, np.inf).min(axis=1, initial=np.inf)
    left: NDArray[np.intp] = rows[could & ((small.sum(axis=1) > 1) | (low <= high))]
    return left


def solution_of(
    problem: Problem, mask: NDArray[np.bool_], z: Array, null: Array, index: int | None
) -> Solution:
    size = problem.size
    current = np.where(mask, z[:size], 0.0) * problem.scale
    if null.shape[1]:
        null = null * np.concatenate([problem.scale, np.ones(problem.free)])[:, None]
    return Solution(tuple(mask.nonzero()[0].tolist()), current, z[size:].copy(), null, index)


def examine(problem: Problem, g: Array, h: Array, mask: NDArray[np.bool_]) -> list[Solution]:
    """A mode whose matrix is singular: no solution, one, or a continuum."""
    size, free = problem.size, problem.free
    keep = np.flatnonzero(np.concatenate([mask, np.ones(free, dtype=bool)]))
    matrix, right = g[np.ix_(keep, keep)], -h[keep]
    if keep.size == 0:
        point, null = np.zeros(0), np.zeros((0, 0))
    else:
        u, values, vt, small = decomposed(matrix)
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
    shift = interior(values0 - least, slopes)
    if shift is None:
        return []
    return [solution_of(problem, mask, z + directions @ shift, directions, _leaky_index(problem, g, mask))]


def interior(slack: Array, slopes: Array) -> Array | None:
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
