"""One mode as straight lines over the voltage of one held capacitor.

With the set of conducting junctions fixed the circuit is linear, so every
junction current, every slack and the capacitor's own current is a constant
plus a slope times the held voltage.  The mode ends where the first of its
conditions is violated.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rules.analysis.complementarity import Problem, decomposed, problem_of, regular_rows, scaled
from rules.analysis.elements import Array
from rules.analysis.network import Network, injections

_EDGE = 1e-9  # V; a condition this close to its limit is at its limit


@dataclass(frozen=True, eq=False)
class ModeLine:
    """Lines over u - u0 (V): scaled currents and slacks (V), capacitor current (A)."""

    support: frozenset[int]
    u0: float
    conditions: Array  # (junctions,) value at u0 of i (scaled) or s
    slopes: Array
    current: float  # A into the capacitor's first pin at u0
    current_slope: float
    sign: int
    determined: bool

    def current_at(self, u: float) -> float:
        return self.current + self.current_slope * (u - self.u0)

    @property
    def aim(self) -> float | None:
        """The voltage at which the capacitor current would be zero in this mode."""
        return None if self.current_slope == 0.0 else self.u0 - self.current / self.current_slope

    def edge(self, u: float, direction: float) -> tuple[float, int] | None:
        """The first voltage beyond ``u`` at which a condition fails, and which one."""
        best: tuple[float, int] | None = None
        for k, (value, slope) in enumerate(zip(self.conditions.tolist(), self.slopes.tolist(), strict=True)):
            if slope * direction >= -1e-12:
                continue
            at = self.u0 - value / slope
            if (at - u) * direction < -_EDGE:
                continue  # already past it: rounding at the edge just crossed
            if best is None or (at - best[0]) * direction < 0.0:
                best = (at, k)
        return best

    def holds(self, u: float) -> bool:
        return bool(np.all(self.conditions + self.slopes * (u - self.u0) >= -10 * _EDGE))


class Tracer:
    """Mode lines of one network over one held capacitor at fixed gains."""

    def __init__(self, network: Network, betas: dict[str, float], capacitor: str) -> None:
        self.network, self.betas, self.capacitor = network, betas, capacitor
        self.problem: Problem = problem_of(network, betas)
        self.g, self.h = scaled(self.problem)
        size = len(network.nets)
        self.row = size + next(k for k, b in enumerate(network.branches) if b.part == capacitor)
        rest_slope = network.inverse[:, self.row]  # answer to one more volt on the capacitor
        self.q_slope = np.concatenate([-network.sense @ rest_slope[:size], np.zeros(self.problem.free)])
        inject = injections(network, betas)
        self.current_rest = float(network.inverse[self.row] @ network.source_vector())
        self.current_rest_slope = float(rest_slope[self.row])
        self.current_response: Array = (network.inverse[self.row, :size] @ inject) * self.problem.scale
        self.cache: dict[frozenset[int], ModeLine | None] = {}

    @property
    def u0(self) -> float:
        return self.network.held[self.capacitor]

    def line(self, support: frozenset[int]) -> ModeLine | None:
        """The lines of one mode; ``None`` when its equations contradict each other."""
        if support not in self.cache:
            self.cache[support] = self._line(support)
        return self.cache[support]

    def _line(self, support: frozenset[int]) -> ModeLine | None:
        problem = self.problem
        size, free = problem.size, problem.free
        mask = np.zeros(size + free, dtype=bool)
        mask[list(support)] = True
        mask[size:] = True
        keep = np.flatnonzero(mask)
        z = np.zeros((size + free, 2))
        sign, determined = 1, True
        if keep.size:
            matrix = self.g[np.ix_(keep, keep)]
            right = -np.column_stack([self.h[keep], self.q_slope[keep]])
            regular, signs = regular_rows(matrix[None])
            determined = bool(regular[0])
            if determined:
                z[keep] = np.linalg.solve(matrix, right)
                sign = int(signs[0] * (-1.0 if free % 2 else 1.0))
            else:
                u, values, vt, small = decomposed(matrix)
                if np.any(np.abs((u.T @ right)[small]) > 1e-7):
                    return None
                z[keep] = vt.T @ ((u.T @ right) / np.where(small, np.inf, values)[:, None])
        slack = self.g[:size] @ z
        slack[:, 0] += problem.q
        slack[:, 1] += self.q_slope[:size]
        chosen = mask[:size]
        conditions = np.where(chosen, z[:size, 0], slack[:, 0])
        slopes = np.where(chosen, z[:size, 1], slack[:, 1])
        current = self.current_rest + float(self.current_response @ z[:size, 0])
        slope = self.current_rest_slope + float(self.current_response @ z[:size, 1])
        return ModeLine(support, self.u0, conditions, slopes, current, slope, sign, determined)
