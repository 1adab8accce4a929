"""Depth-first search for all solutions of a large block, pruned by linear programming.

Each junction is decided (conducting or not) in turn.  A partial decision is
dropped only when a linear program proves that no completion exists, so the
list is complete unless the step budget runs out.  The programs are relaxed by
``SLACK`` so that a solution on a region boundary is never pruned by rounding.
"""

from __future__ import annotations

import itertools
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from rules.analysis.complementarity import Problem, Solution

from rules.analysis.elements import Array

SLACK = 1e-7  # V (currents are scaled to volts)
BOUND_ROUNDS = 6
_WIDE = 1e6  # V; no junction of an extra-low-voltage circuit sees more


class _Program:
    """One warm-started linear program over [scaled currents, slacks, island potentials]."""

    def __init__(self, equalities: Array, right: Array, lower: Array, upper: Array) -> None:
        import highspy

        class Quiet(highspy.Highs):
            """Callbacks are not needed, and enabling them prints a banner."""

            def enableCallbacks(self) -> None:
                return

        self.status = highspy.HighsModelStatus
        self.solver: Any = Quiet()  # type: ignore[no-untyped-call]
        self.solver.setOptionValue("output_flag", False)
        self.solver.setOptionValue("threads", 1)
        self.solver.setOptionValue("primal_feasibility_tolerance", 1e-9)
        self.solver.setOptionValue("presolve", "off")
        rows, columns = equalities.shape
        program: Any = highspy.HighsLp()
        program.num_col_, program.num_row_ = columns, rows
        program.col_cost_ = np.zeros(columns)
        program.col_lower_, program.col_upper_ = lower, upper
        program.row_lower_, program.row_upper_ = right, right
        program.a_matrix_.format_ = highspy.MatrixFormat.kRowwise
        starts, index, value = [0], [], []
        for row in equalities:
            nonzero = np.flatnonzero(row)
            index.extend(nonzero.tolist())
            value.extend(row[nonzero].tolist())
            starts.append(len(index))
        program.a_matrix_.start_ = np.array(starts)
        program.a_matrix_.index_ = np.array(index)
        program.a_matrix_.value_ = np.array(value)
        self.solver.passModel(program)
        self.columns = columns
        self.steps = 0

    def bound(self, column: int, low: float, high: float) -> None:
        self.solver.changeColBounds(column, low, high)

    def cost(self, costs: Array) -> None:
        self.solver.changeColsCost(self.columns, np.arange(self.columns, dtype=np.int32), costs)

    def limit(self, columns: list[int], weights: list[float], high: float) -> None:
        self.solver.addRow(-1e30, high, len(columns), np.array(columns, dtype=np.int32), np.array(weights))

    def run(self) -> Array | None:
        """The optimal point, or ``None`` when proven infeasible.  Doubt counts as feasible."""
        self.steps += 1
        self.solver.run()
        status = self.solver.getModelStatus()
        if status == self.status.kInfeasible:
            return None
        return np.array(self.solver.getSolution().col_value)

    def greatest(self, column: int) -> float:
        """Upper bound of one column: 0 when infeasible, infinite when it has none or in doubt."""
        costs = np.zeros(self.columns)
        costs[column] = -1.0
        self.cost(costs)
        point = self.run()
        if point is None:
            return 0.0
        if self.solver.getModelStatus() != self.status.kOptimal:
            return np.inf
        return float(point[column])


def widest_point(slack: Array, slopes: Array) -> Array | None:
    """A t with slack + slopes t >= 0 that keeps the largest distance (at most 1 V), or ``None``."""
    p = slopes.shape[1]
    steep = np.linalg.norm(slopes, axis=1)
    if p == 2 and slack.size <= 24:
        return _widest_vertex(slack, slopes, steep)
    # slopes t - steep d - e = -slack with e >= 0: d is the distance kept
    rows = slack.size
    equalities = np.hstack([slopes, -steep[:, None], -np.eye(rows)])
    lower = np.concatenate([np.full(p, -_WIDE), [0.0], np.zeros(rows)])
    upper = np.concatenate([np.full(p, _WIDE), [1.0], np.full(rows, np.inf)])
    program = _Program(equalities, -slack, lower, upper)
    costs = np.zeros(p + 1 + rows)
    costs[p] = -1.0
    program.cost(costs)
    point = program.run()
    return None if point is None else point[:p]


def _widest_vertex(slack: Array, slopes: Array, steep: Array) -> Array | None:
    """The same in two directions by trying all vertices, which saves loading a solver."""
    limits = np.array([[1.0, 0, 0], [-1.0, 0, 0], [0, 1.0, 0], [0, -1.0, 0], [0, 0, -1.0], [0, 0, 1.0]])
    rows = np.vstack([np.column_stack([slopes, -steep]), limits])
    base = np.concatenate([slack, np.full(4, _WIDE), [1.0, 0.0]])
    triples = np.array(list(itertools.combinations(range(len(base)), 3)))
    matrices = rows[triples]
    regular = np.abs(np.linalg.det(matrices)) > 1e-9
    points = np.linalg.solve(matrices[regular], -base[triples[regular]][..., None])[..., 0]
    inside = points[np.all(points @ rows.T + base >= -1e-9 * np.maximum(1.0, np.abs(base)), axis=1)]
    if len(inside) == 0:
        return None
    return np.asarray(inside[np.argmax(inside[:, 2])][:2])


def depth_first(problem: Problem, step_budget: int) -> tuple[list[Solution], bool, str]:
    """All solutions of one block; (solutions, complete, reason)."""
    search = _Search(problem, step_budget)
    search.run()
    if search.exhausted:
        reason = (
            f"stopped after {search.program.steps} of {step_budget} steps in a block of "
            f"{problem.size} junctions; further states may exist"
        )
        return search.found, False, reason
    return search.found, True, ""


class _Search:
    def __init__(self, problem: Problem, step_budget: int) -> None:
        from rules.analysis.complementarity import scaled

        self.problem, self.step_budget = problem, step_budget
        self.g, self.h = scaled(problem)
        size, free = problem.size, problem.free
        equalities = np.zeros((size + free, 2 * size + free))
        equalities[:size, :size] = -self.g[:size, :size]
        equalities[:size, size : 2 * size] = np.eye(size)
        equalities[:size, 2 * size :] = -self.g[:size, size:]
        equalities[size:, :size] = self.g[size:, :size]
        right = np.concatenate([problem.q, -self.h[size:]])
        self.high = np.concatenate([np.full(size, np.inf), problem.reach])
        lower = np.concatenate([np.full(2 * size, -SLACK), np.full(free, -_WIDE)])
        upper = np.concatenate([self.high, np.full(free, _WIDE)])
        self.program = _Program(equalities, right, lower, upper)
        self.found: list[Solution] = []
        self.exhausted = False

    def run(self) -> None:
        size = self.problem.size
        self._bound_all()
        for k in range(size):
            high_i, high_s = self.high[k], self.high[size + k]
            if np.isfinite(high_i) and np.isfinite(high_s):
                # i s = 0 with 0 <= i <= I, 0 <= s <= U implies i/I + s/U <= 1
                self.program.limit(
                    [k, size + k], [1.0 / max(high_i, SLACK), 1.0 / max(high_s, SLACK)], 1.0 + 1e-6
                )
        weights = np.where(np.isfinite(self.high), 1.0 / np.maximum(self.high, 1e-3), 1e-3)
        self.program.cost(np.concatenate([weights, np.zeros(self.problem.free)]))
        self._descend({})

    def _bound_all(self) -> None:
        """Largest current of each junction while it conducts, largest slack while it does not.

        Bounds found for one junction make others finite, hence the rounds.
        """
        size = self.problem.size
        for _ in range(BOUND_ROUNDS):
            news = False
            for column in range(2 * size):
                twin = (column + size) % (2 * size)
                self.program.bound(twin, -SLACK, SLACK)
                bound = self.program.greatest(column)
                self.program.bound(twin, -SLACK, float(self.high[twin]))
                if bound + 10 * SLACK < 0.9 * self.high[column]:
                    news = True
                    self.high[column] = bound + 10 * SLACK
                    self.program.bound(column, -SLACK, float(self.high[column]))
            if not news:
                return

    def _descend(self, decided: dict[int, bool]) -> None:
        size = self.problem.size
        fixed: list[int] = []
        point = self._probe(decided, fixed)
        if point is not None:
            open_ones = [k for k in range(size) if k not in decided]
            if self.program.steps >= self.step_budget:
                self.exhausted = True
            elif not open_ones:
                self._leaf(decided)
            else:
                self._branch(decided, self._choose(point, open_ones), point)
        for k in fixed:
            self._release(k)
            del decided[k]

    def _branch(self, decided: dict[int, bool], k: int, point: Array) -> None:
        first = bool(point[k] > point[self.problem.size + k])
        for conducting in (first, not first):
            self._fix(k, conducting)
            decided[k] = conducting
            self._descend(decided)
            del decided[k]
            self._release(k)
            if self.exhausted:
                return

    def _probe(self, decided: dict[int, bool], fixed: list[int]) -> Array | None:
        """Decide every junction of which one side is proven impossible; ``None`` when nothing is left."""
        size = self.problem.size
        point = self.program.run()
        waiting = 0
        while point is not None and waiting < size:
            # round and round until a whole round decides nothing more
            for k in range(size):
                waiting += 1
                if k in decided or self.program.steps >= self.step_budget:
                    continue
                for side in (True, False):
                    if point[size + k if side else k] <= 2 * SLACK:
                        continue  # the last point itself shows that this side is possible
                    self._fix(k, side)
                    trial = self.program.run()
                    self._release(k)
                    if trial is not None:
                        continue
                    self._fix(k, not side)
                    decided[k] = not side
                    fixed.append(k)
                    waiting = 0
                    point = self.program.run()
                    break
                if point is None:
                    return None
                if waiting >= size:
                    break
        return point

    def _choose(self, point: Array, open_ones: list[int]) -> int:
        """The junction that the relaxation leaves most undecided."""
        size = self.problem.size
        share_i = point[:size] / np.clip(self.high[:size], 1e-3, 1e3)
        share_s = point[size : 2 * size] / np.clip(self.high[size:], 1e-3, 1e3)
        clash = np.minimum(share_i, share_s)
        return max(open_ones, key=lambda k: (round(float(clash[k]), 9), -k))

    def _fix(self, k: int, conducting: bool) -> None:
        column = self.problem.size + k if conducting else k
        self.program.bound(column, -SLACK, SLACK)

    def _release(self, k: int) -> None:
        size = self.problem.size
        self.program.bound(k, -SLACK, float(self.high[k]))
        self.program.bound(size + k, -SLACK, float(self.high[size + k]))

    def _leaf(self, decided: dict[int, bool]) -> None:
        mask: NDArray[np.bool_] = np.array([decided[k] for k in range(self.problem.size)])
        self.found.extend(exact_mode(self.problem, self.g, self.h, mask))


def exact_mode(problem: Problem, g: Array, h: Array, mask: NDArray[np.bool_]) -> list[Solution]:
    """The solutions of one mode, regular or singular."""
    from rules.analysis.complementarity import VOLT_TOLERANCE, examine, regular_rows, solution_of

    size, free = problem.size, problem.free
    keep = np.flatnonzero(np.concatenate([mask, np.ones(free, dtype=bool)]))
    matrix = g[np.ix_(keep, keep)]
    regular, sign = regular_rows(matrix[None])
    if not regular[0]:
        return examine(problem, g, h, mask)
    z = np.zeros(size + free)
    if keep.size:
        z[keep] = np.linalg.solve(matrix, -h[keep])
        z[keep] += np.linalg.solve(matrix, -h[keep] - matrix @ z[keep])
    slack = g[:size] @ z + problem.q
    if not np.all(np.where(mask, z[:size] > VOLT_TOLERANCE, slack >= -VOLT_TOLERANCE)):
        return []
    return [
        solution_of(problem, mask, z, np.zeros((size + free, 0)), int(sign[0] * (-1.0 if free % 2 else 1.0)))
    ]


def exact_mode_of(problem: Problem, support: tuple[int, ...]) -> Solution | None:
    """The (first) consistent solution in which exactly ``support`` conducts."""
    from rules.analysis.complementarity import scaled

    mask = np.zeros(problem.size, dtype=bool)
    mask[list(support)] = True
    g, h = scaled(problem)
    found = exact_mode(problem, g, h, mask)
    return found[0] if found else None
