"""Steps of variable length through the pieces of a run between two moves of its contacts."""

from __future__ import annotations

import numpy as np

from rules.analysis.elements import Array
from rules.analysis.junction.assembly import Assembly
from rules.analysis.junction.rest import solve
from rules.analysis.junction.small_signal import modes_at
from rules.analysis.junction.stepping import GAMMA, Step, Stepper

ACCURACY = 1e-5  # V per step, and of each voltage; over a run some 1e-4 of times and voltages
STEP_BUDGET = 100_000
FIRST_STEP, SHORTEST = 1e-12, 1e-18  # s, after anything moved; where the integration gives up
AT_REST = 1e-5  # V from the point of rest
_SLOW = 1e-4  # V in one step; a circuit that moves more is not looked at for rest
_GROWTH, _CUT, _STUCK = 4.0, 0.1, 0.2  # of the step: at most longer, at most shorter, after no solution


class Run:
    """A run so far: ``times`` (s) and ``points`` of the unknowns; ``reason`` is set once it is over."""

    def __init__(self, x: Array, accuracy: float, budget: int, ramp: float) -> None:
        self.x, self.accuracy, self.budget, self.ramp = x, accuracy, budget, ramp
        self.times, self.points = [0.0], [x]
        self.steps, self.reason, self.rests = 0, "", False
        self._fence: Array | None = None  # a point of rest that does not hold

    def through(self, assembly: Assembly, end: float, last: bool) -> bool:
        """Go on to ``end`` s; false where the budget or the step gives out.

        With ``last`` the run may end earlier, at rest.
        """
        begin = self.times[-1]
        stops = [end]
        if begin < self.ramp < end:
            stops.insert(0, self.ramp)
        for stop in stops:
            if not self._piece(assembly, stop, last and stop == end):
                return False
            if self.rests:
                break
        return True

    def _piece(self, assembly: Assembly, stop: float, last: bool) -> bool:
        begin = self.times[-1]
        ramp = self.ramp if begin < self.ramp else 0.0
        stepper = Stepper(assembly, self.accuracy, ramp)
        # time counts from the last move: late in a run a picosecond is below the rounding of its time
        length, t, h = stop - begin, 0.0, min(FIRST_STEP, 1e-3 * (stop - begin))
        # a closing contact moves a node within femtoseconds: nobody asks how
        landed = stepper.leap(self.x, begin, h)
        if landed is not None:
            self.x, t = landed, h
            self._append(begin + t, landed)
        flow, guess = stepper.flow(self.x, begin + t), np.zeros(assembly.size)
        while t < length:
            if self.steps >= self.budget:
                self.reason = f"stopped at {begin + t:.6g} s: {self.budget} steps were taken"
                return False
            if t + 1.01 * h >= length:
                h = length - t
            self.steps += 1
            step = stepper.step(self.x, flow, begin + t, h, guess)
            if step is None or not step.error <= 1.0:
                shorter = _STUCK if step is None else max(_CUT, 0.8 * step.error ** (-1.0 / 3.0))
                h *= shorter if np.isfinite(shorter) else _CUT
                guess = np.zeros(assembly.size) if step is None else guess
                if h < SHORTEST:
                    self.reason = f"stopped at {begin + t:.6g} s: no step is short enough"
                    return False
                continue
            self._note(begin + t, h, step)
            moved = float(np.abs(step.end - self.x)[: assembly.nodes].max(initial=0.0))
            guess = (step.end - step.middle) / ((1.0 - GAMMA) * h)
            self.x, flow, t = step.end, step.flow, t + h
            if last and moved < _SLOW and self._at_rest(assembly):
                self.reason, self.rests = f"rests from {begin + t:.6g} s", True
                return True
            h *= min(_GROWTH, 0.9 * max(step.error, 1e-9) ** (-1.0 / 3.0))
        self.times[-1] = stop
        return True

    def _note(self, t: float, h: float, step: Step) -> None:
        self._append(t + GAMMA * h, step.middle)
        self._append(t + h, step.end)

    def _append(self, at: float, point: Array) -> None:
        if at > self.times[-1]:
            self.times.append(at)
            self.points.append(point)
        else:
            self.points[-1] = point

    def _at_rest(self, assembly: Assembly) -> bool:
        """True next to a point of rest that holds."""
        x = self.x
        if self._fence is not None and np.abs(x - self._fence)[: assembly.nodes].max(initial=0.0) < _SLOW:
            return False
        remainder, jacobian = assembly.balance(x)
        try:
            away = np.abs(solve(jacobian, remainder))[: assembly.nodes].max(initial=0.0)
            if away > AT_REST:
                return False
            holds = modes_at(assembly, x).stable
        except np.linalg.LinAlgError:
            return False
        self._fence = None if holds else x
        return holds
