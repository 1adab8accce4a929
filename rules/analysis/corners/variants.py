"""One mode of a circuit at many points of its tolerances, solved in one batch.

A mode is which junctions conduct, in which contact positions, with which
capacitors held.  Where rounding would take digits, or where something is not
determined, single points are solved the careful way, one by one.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import cached_property
from typing import TypeAlias, cast

import numpy as np
from numpy.typing import NDArray

from rules.analysis.complementarity import VOLT_TOLERANCE, Solution
from rules.analysis.corners.frames import ModeFrame, concerning, frame_in, frame_of
from rules.analysis.corners.linear import Linear, flip, open_potentials, solution
from rules.analysis.corners.parameters import Parameter, Point, at
from rules.analysis.corners.single import solved_singly
from rules.analysis.corners.stack import Stack, stack_of
from rules.analysis.corners.view import View
from rules.analysis.elements import Array
from rules.analysis.network import build_network
from rules.analysis.states import State
from rules.analysis.tabulation import Mode

__all__ = ["ModeFrame", "Quantity", "Variants", "agree", "concerning", "frame_in", "frame_of", "variants"]

Quantity: TypeAlias = Callable[[State], float | None]

FITTING = 1e-8  # V, or of the largest voltage; a conducting junction further from its drop lost its digits
CLOSE = 1e-11  # the same, for solutions that come from elsewhere
_AGREE = 1e-9  # relative; a quantity taken for all points at once must equal itself at one


class Variants:
    """One mode at N points.

    ``holds`` (N,): whether all conditions of the mode are met; ``conditions`` (N, junctions): in V, the
    scaled current of a conducting junction or the slack of a blocking one, at least 0 where it holds;
    ``signs`` (N,): sign of the determinant, 0 where there is no unique solution.
    """

    def __init__(self, frame: ModeFrame, parameters: Sequence[Parameter], values: Array) -> None:
        """``values`` is (N, parameters).  Parameters that do not concern DC states do no harm."""
        self._start(frame, stack_of(frame.layout, parameters, np.asarray(values, dtype=float)))
        self._solve()

    @classmethod
    def of(
        cls, frame: ModeFrame, stack: Stack, z: Array | None = None, signs: Array | None = None
    ) -> Variants:
        """The mode at the points of a stack.

        ``z`` (N, unknowns) and ``signs`` (N,) are taken as its solutions where they fit.
        """
        made = cls.__new__(cls)
        made._start(frame, stack)
        made._solve(z, signs)
        return made

    def _start(self, frame: ModeFrame, stack: Stack) -> None:
        self.frame, self.stack = frame, stack
        self._single: dict[int, tuple[State, Array, int] | None] = {}
        self._states: dict[int, State | None] = {}

    def rows(self, chosen: NDArray[np.bool_] | NDArray[np.intp]) -> Variants:
        """Some of the points, without solving again."""
        numbers = np.arange(len(self))[chosen]
        if np.array_equal(numbers, np.arange(len(self))):
            return self
        made = type(self).__new__(type(self))
        made._start(self.frame, self.stack.rows(numbers))
        made.signs, made.z, made.conditions = self.signs[numbers], self.z[numbers], self.conditions[numbers]
        made.answers, made.sound = self.answers[numbers], self.sound[numbers]
        for new, old in enumerate(numbers.tolist() if self._single else []):
            if old in self._single:
                made._keep(new, self._single[old])
        return made

    @classmethod
    def joined(cls, parts: Sequence[Variants]) -> Variants:
        """Several batches of one mode as one."""
        if len(parts) == 1:
            return parts[0]
        made = cls.__new__(cls)
        made._start(parts[0].frame, Stack.joined([part.stack for part in parts]))
        made.signs = np.concatenate([part.signs for part in parts])
        made.z, made.conditions, made.answers, made.sound = (
            np.concatenate([getattr(part, name) for part in parts])
            for name in ("z", "conditions", "answers", "sound")
        )
        start = 0
        for part in parts:
            for old, solved in part._single.items():
                made._keep(start + old, solved)
            start += len(part)
        return made

    def __len__(self) -> int:
        return len(self.stack)

    def point(self, k: int) -> Point:
        """The k-th point."""
        return self.stack.point(k)

    def _solve(self, z: Array | None = None, signs: Array | None = None) -> None:
        if z is None or signs is None:
            made = solution(self.frame, self.stack)
            misfit = self._answered(made.z)
        else:
            every = np.ones(len(self), dtype=bool)
            made = Linear(z, (signs * flip(self.frame)).astype(int), every, ~every)
            misfit = self._answered(made.z)
            if not (misfit <= CLOSE).all():
                made = self._solved_again(made, np.flatnonzero(~(misfit <= CLOSE)))
                misfit = self._answered(made.z)
        self.signs = made.signs
        self.sound = made.sound & (misfit <= FITTING)
        for k in np.flatnonzero(~self.sound).tolist():
            if made.impossible[k]:
                self._keep(k, None)
            else:
                self._solve_singly(k)

    def _solved_again(self, given: Linear, rows: NDArray[np.intp]) -> Linear:
        """With the rows solved here that did not fit as they were given."""
        made = solution(self.frame, self.stack.rows(rows))
        merged = Linear(given.z.copy(), given.signs.copy(), given.sound.copy(), given.impossible.copy())
        merged.z[rows], merged.signs[rows] = made.z, made.signs
        merged.sound[rows], merged.impossible[rows] = made.sound, made.impossible
        return merged

    def _answered(self, z: Array) -> Array:
        """Fill in the conditions and the answers of solutions z; how far they miss their equations.

        In V, or of the largest voltage: how far a conducting junction is from its drop.
        """
        stack, network, frame = self.stack, self.frame.network, self.frame
        j, size = len(network.junctions), len(network.nets)
        g, h = stack.equations
        support, loose = list(frame.support), [j + f for f in frame.loose]
        slack = np.matmul(g[:, :j], z[..., None])[..., 0] + h[:, :j]
        if loose:
            z[:, loose] = open_potentials(slack, g[0, :j][:, loose])
            slack += np.matmul(g[:, :j, loose], z[:, loose, None])[..., 0]
        conducting = np.zeros(j, dtype=bool)
        conducting[support] = True
        self.z, self.conditions = z, np.where(conducting, z[:, :j] / frame.scale[:j], slack)
        carried = stack.carried(z[:, :j])
        point = stack.rest + np.matmul(stack.inverse[:, :, :size], carried[..., None])[..., 0]
        point[:, :size] += z[:, j:] @ network.island_map.T
        self.answers = point
        nodes = point[:, :size]
        off = (
            nodes @ network.sense[support].T
            - stack.drops[:, support]
            - stack.slopes[:, support] * z[:, support]
        )
        largest = np.maximum(1.0, np.abs(nodes).max(axis=1, initial=0.0))
        misfit: Array = np.abs(off).max(axis=1, initial=0.0) / largest
        return misfit

    def _solve_singly(self, k: int) -> None:
        network = self.frame.network
        resolved, betas = at(network.resolved, self.point(k))
        made = build_network(resolved, network.configuration, network.held)
        self._keep(k, None if made.faults else solved_singly(made, betas, self.frame.support))

    def _keep(self, k: int, solved: tuple[State, Array, int] | None) -> None:
        self._single[k] = solved
        self._states[k] = None if solved is None else solved[0]
        self.conditions[k] = np.nan if solved is None else solved[1]
        self.signs[k] = 0 if solved is None else solved[2]

    @cached_property
    def holds(self) -> NDArray[np.bool_]:
        """At which points the mode is a state of the circuit."""
        met: NDArray[np.bool_] = np.all(self.conditions >= -VOLT_TOLERANCE, axis=1)
        return met

    def state(self, k: int) -> State | None:
        """The k-th variant, whether or not its conditions hold; ``None`` where the mode has no solution."""
        if k not in self._states:
            self._states[k] = self._state(k)
        return self._states[k]

    def _state(self, k: int) -> State:
        stack, network = self.stack, self.frame.network
        resolved, betas = at(network.resolved, self.point(k))
        branches = tuple(
            replace(branch, voltage=volts, resistance=ohms)
            for branch, volts, ohms in zip(
                network.branches, stack.voltages[k].tolist(), stack.tie_ohms[k].tolist(), strict=True
            )
        )
        junctions = tuple(
            replace(junction, drop=drop)
            for junction, drop in zip(network.junctions, stack.drops[k].tolist(), strict=True)
        )
        made = replace(
            network, resolved=resolved, branches=branches, junctions=junctions, inverse=stack.inverse[k]
        )
        count = len(junctions)
        z = self.z[k]
        null = np.eye(len(z))[:, [count + f for f in self.frame.loose]]
        index = None if self.frame.loose else int(self.signs[k])
        solution = Solution(self.frame.support, z[:count], z[count:], null, index)
        return State(Mode(made, betas, solution))

    def take(self, quantity: Quantity) -> Array:
        """A quantity at every point (N,); NaN where it is undefined.

        A quantity that is plain arithmetic is worked out for all points at once; one that decides
        anything by a value (``if``, ``max``, ``float``) is asked point by point.
        """
        many = self.take_together(quantity)
        if many is None or not agree(self.take_one(quantity, 0), float(many[0])):
            return self.take_singly(quantity)
        return many

    def take_singly(self, quantity: Quantity) -> Array:
        """Like :meth:`take`, point by point."""
        return np.array([self.take_one(quantity, k) for k in range(len(self))])

    def take_one(self, quantity: Quantity, k: int) -> float:
        state = self.state(k)
        value = None if state is None else quantity(state)
        return float("nan") if value is None else float(value)

    def take_together(self, quantity: Quantity) -> Array | None:
        """Like :meth:`take`, unchecked; ``None`` where the quantity has to be taken point by point."""
        if len(self) < 2:
            return None
        try:
            with np.errstate(all="ignore"):
                value = quantity(cast(State, self.view))
        except (ValueError, TypeError, AttributeError, KeyError, ArithmeticError):
            return None
        if value is None:
            return None
        array = np.asarray(value, dtype=float)
        if array.shape not in ((), (len(self),)):
            return None
        many = np.array(np.broadcast_to(array, (len(self),)))
        for k in np.flatnonzero(~(self.sound & np.isfinite(many))).tolist():
            many[k] = self.take_one(quantity, k)
        return many

    @cached_property
    def view(self) -> View:
        """All points as one state whose numbers are arrays."""
        open_nets = {net for f in self.frame.loose for net in self.frame.network.islands[f]}
        return View(self.stack, self.frame.support, self.z, self.answers, open_nets)


def agree(one: float, other: float) -> bool:
    """True when a quantity taken in two ways is the same number, or undefined both times."""
    if np.isnan(one) or np.isnan(other):
        return bool(np.isnan(one) and np.isnan(other))
    return one == other or abs(one - other) <= _AGREE * max(abs(one), abs(other)) + 1e-12 * min(
        1.0, abs(one) + abs(other)
    )


def variants(state: State, parameters: Sequence[Parameter], values: Array) -> Variants:
    """The mode of ``state`` at the points in the rows of ``values`` (N, parameters)."""
    return Variants(frame_of(state), parameters, values)
