"""Stiff integration of d/dt q(x) + f(x, t) = 0, step by step.

TR-BDF2: one stage of the trapezoidal rule, one of the second backward
differentiation formula, both with the same matrix; L-stable, so that picosecond
strays do not bind the step of a timer of minutes.  Source: Bank et al., IEEE
Trans. CAD 4 (1985); error estimate of Hosea and Shampine, Appl. Numer. Math. 20
(1996); both from memory.  Rows that store nothing hold exactly at each stage.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rules.analysis.elements import Array
from rules.analysis.junction.assembly import Assembly

GAMMA = 2.0 - np.sqrt(2.0)  # where the first stage ends, as a share of the step
_D, _W = GAMMA / 2.0, np.sqrt(2.0) / 4.0
_ERROR = (_W - (1.0 - _W) / 3.0, -1.0 / 3.0, 2.0 * _D / 3.0)  # weights of f at the three points
NEWTON_ROUNDS = 9
NEWTON_SHARE = 0.02  # of the tolerance, to which a stage is solved


@dataclass(frozen=True, eq=False)
class Step:
    """A finished step: x at its first stage and its end, f at its end, the error relative to tolerance."""

    middle: Array
    end: Array
    flow: Array
    error: float
    rounds: int


class Stepper:
    """Steps of one circuit in one configuration; ``accuracy`` is V per step, and of the voltage."""

    def __init__(self, assembly: Assembly, accuracy: float, ramp: float = 0.0) -> None:
        self.assembly, self.accuracy, self.ramp = assembly, accuracy, ramp
        self.algebraic = ~np.any(assembly.capacitance != 0.0, axis=1)
        self.storing = assembly.sense.T * assembly.laws.transit
        self.voltages = np.arange(assembly.size) < assembly.nodes
        self.leaking = len(assembly.leak_current) > 0
        law = assembly.laws
        self.knee = law.v_ref - 4.0 * law.width
        # a coil counts by what it puts across its circuit; other branch currents only follow
        self.least = np.where(self.voltages, accuracy, np.where(self.algebraic, np.inf, 1e-3 * accuracy))

    def source(self, t: float) -> Array:
        """The sources at t: those of a power-up rise along a ramp."""
        given = self.assembly.source
        return given * min(1.0, t / self.ramp) if self.ramp > 0.0 else given

    def flow(self, x: Array, t: float) -> Array:
        """f(x, t), A per node and V per branch, nothing where nothing is stored."""
        f, _ = self.assembly.balance(x)
        f += self.assembly.source - self.source(t)
        f[self.algebraic] = 0.0
        return f

    def step(self, x: Array, flow: Array, t: float, h: float, guess: Array) -> Step | None:
        """One step of ``h`` s from x at t; ``None`` when a stage is not found.

        ``flow`` is f at x, ``guess`` (per s) the direction in which x is moving.
        """
        dh = _D * h
        base, weight = self._matrices(dh)
        stored = self._stored(x)
        first = stored - dh * flow
        found = self._stage(x + (GAMMA * h) * guess, first, t + GAMMA * h, dh, base, weight)
        if found is None:
            return None
        middle, _, one = found
        middle_flow = self.flow(middle, t + GAMMA * h)
        second = stored - (h * _W) * (flow + middle_flow)
        found = self._stage(x + (middle - x) / GAMMA, second, t + h, dh, base, weight)
        if found is None:
            return None
        end, matrix, two = found
        end_flow = self.flow(end, t + h)
        wrong = h * (_ERROR[0] * flow + _ERROR[1] * middle_flow + _ERROR[2] * end_flow)
        size = self.least + self.accuracy * np.maximum(np.abs(x), np.abs(end))
        error = float((np.abs(np.linalg.solve(matrix, wrong)) / size).max())
        return Step(middle, end, end_flow, error, one + two)

    def leap(self, x: Array, t: float, h: float) -> Array | None:
        """A step of backward Euler without error control: what is faster than ``h`` s is over after it."""
        found = self._stage(x, self._stored(x), t + h, h, *self._matrices(h))
        return None if found is None else found[0]

    def _matrices(self, dh: float) -> tuple[Array, Array]:
        """C + dh G, and what junction currents add to the rows, with the algebraic rows as they are."""
        assembly = self.assembly
        base = assembly.capacitance + dh * assembly.conductance
        base[self.algebraic] = assembly.conductance[self.algebraic]
        weight = self.storing + dh * assembly.carry
        weight[self.algebraic] = assembly.carry[self.algebraic]
        return base, weight

    def _stored(self, x: Array) -> Array:
        charge: Array = self.assembly.capacitance @ x
        return charge + self.storing @ self.assembly.laws.current(self.assembly.sense @ x)

    def _stage(
        self, x: Array, right: Array, t: float, dh: float, base: Array, weight: Array
    ) -> tuple[Array, Array, int] | None:
        """x with q(x) + dh f(x, t) = right, and the last matrix."""
        assembly = self.assembly
        sense, laws = assembly.sense, assembly.laws
        known = right + dh * self.source(t)
        known[self.algebraic] = self.source(t)[self.algebraic]
        x = x.copy()
        for rounds in range(1, NEWTON_ROUNDS + 1):
            v = sense @ x
            i, slope = laws.current_and_slope(v)
            left = base @ x + weight @ i - known
            matrix = base + (weight * slope) @ sense
            if self.leaking:
                bend = np.tanh((x @ assembly.leak_nets) / assembly.leak_knee)
                left += dh * (assembly.leak_nets @ (assembly.leak_current * bend))
                steep = dh * assembly.leak_current / assembly.leak_knee * (1.0 - bend * bend)
                matrix += (assembly.leak_nets * steep) @ assembly.leak_nets.T
            try:
                change = np.linalg.solve(matrix, left)
            except np.linalg.LinAlgError:
                return None
            rise = -(sense @ change)
            share = self._share(v, rise)
            x -= share * change
            moved = float((np.abs(change) / (self.least + self.accuracy * np.abs(x))).max())
            if moved <= NEWTON_SHARE and share == 1.0:
                return x, matrix, rounds
            if not np.isfinite(moved):
                return None
        return None

    def _share(self, v: Array, rise: Array) -> float:
        """How much of a Newton step to take, so that no junction current overshoots by its exponential."""
        width = self.assembly.laws.width
        start = np.maximum(v, np.minimum(self.knee, v + rise))
        beyond = v + rise - start
        past = beyond > width
        if not past.any():
            return 1.0
        bounded = width[past] * np.log1p(beyond[past] / width[past])
        return float((((start - v)[past] + bounded) / rise[past]).min())
