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
from rules.analysis.corners.parameters import Parameter, Point, at
from rules.analysis.corners.sharing import shared_points
from rules.analysis.corners.single import solved_singly
from rules.analysis.corners.stack import Stack, stack_of
from rules.analysis.corners.view import View
from rules.analysis.elements import Array
from rules.analysis.network import build_network
from rules.analysis.states import SOUND, State
from rules.analysis.tabulation import Mode

__all__ = ["ModeFrame", "Quantity", "Variants", "agree", "concerning", "frame_in", "frame_of", "variants"]

Quantity: TypeAlias = Callable[[State], float | None]

FITTING = 1e-8  # V, or of the largest voltage; a conducting junction further from its drop lost its digits
REACH = 1e3  # V; no net of these circuits lies further from the reference
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
    def of(cls, frame: ModeFrame, stack: Stack) -> Variants:
        """The mode at the points of a stack."""
        made = cls.__new__(cls)
        made._start(frame, stack)
        made._solve()
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

    def _solve(self) -> None:
        stack, network = self.stack, self.frame.network
        j, free, count = len(network.junctions), len(network.islands), len(stack)
        support = list(self.frame.support)
        loose = self.frame.loose
        keep = [*support, *(j + f for f in range(free) if f not in loose)]
        g, h = stack.equations
        z = np.zeros((count, j + free))
        self.signs: NDArray[np.int_] = np.ones(count, dtype=int)
        sound = np.ones(count, dtype=bool)
        impossible = np.zeros(count, dtype=bool)
        if keep:
            matrices = g[:, np.array(keep)[:, None], keep] * self.frame.scale[keep]
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
            z[good[:, None], keep] = solved * self.frame.scale[keep]
            flip = -1.0 if (free - len(loose)) % 2 else 1.0
            self.signs = np.where(sound, np.sign(sign) * flip, 0).astype(int)
            ill = np.flatnonzero(~sound & np.isfinite(matrices).all(axis=(1, 2)))
            if ill.size:
                shared, fits, none = shared_points(
                    matrices[ill], -h[ill][:, keep], self.frame.scale[keep], len(support)
                )
                z[ill[:, None], keep] = shared * self.frame.scale[keep]
                # a mode that shares has no sign of its own
                self.signs[ill[fits]] = 1
                sound[ill[fits]] = True
                impossible[ill[none]] = True
        if loose:
            slack = np.matmul(g[:, :j], z[..., None])[..., 0] + h[:, :j]
            z[:, [j + f for f in loose]] = _between(slack, g[0, :j][:, [j + f for f in loose]])
        self.z = z
        slack = np.matmul(g[:, :j], z[..., None])[..., 0] + h[:, :j]
        conducting = np.zeros(j, dtype=bool)
        conducting[support] = True
        self.conditions = np.where(conducting, z[:, :j] / self.frame.scale[:j], slack)
        size = len(network.nets)
        carried = stack.carried(z[:, :j])
        point = stack.rest + np.matmul(stack.inverse[:, :, :size], carried[..., None])[..., 0]
        point[:, :size] += z[:, j:] @ network.island_map.T
        self.answers = point
        self.sound = sound & self._fits(support)
        for k in np.flatnonzero(~self.sound).tolist():
            if impossible[k]:
                self._keep(k, None)
            else:
                self._solve_singly(k)

    def _fits(self, support: list[int]) -> NDArray[np.bool_]:
        """At which points every conducting junction stands at its drop, so that no digits are lost."""
        stack, network = self.stack, self.frame.network
        nodes = self.answers[:, : len(network.nets)]
        misfit = (
            nodes @ network.sense[support].T
            - stack.drops[:, support]
            - stack.slopes[:, support] * self.z[:, support]
        )
        largest = np.maximum(1.0, np.abs(nodes).max(axis=1, initial=0.0))
        fits: NDArray[np.bool_] = np.abs(misfit).max(axis=1, initial=0.0) <= FITTING * largest
        return fits

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


def _between(slack: Array, slopes: Array) -> Array:
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
