"""Whether a state exists at every corner of the tolerances.

The mode of a state (which junctions conduct) may end inside the box without the
state being lost: a switch that is saturated at one corner and active at another
is still on.  So where a condition of the mode fails at its worst corner, all states
there are looked for, and one that is the same to a reader is accepted in its
place; its own mode is then followed as well.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from rules.analysis.complementarity import VOLT_TOLERANCE
from rules.analysis.corners.context import Context, context_of
from rules.analysis.corners.labels import label
from rules.analysis.corners.parameters import Parameter, Point, at, frozen_point
from rules.analysis.corners.single import solved_singly
from rules.analysis.corners.vertices import Extreme, Search
from rules.analysis.elements import Array
from rules.analysis.network import Network, build_network
from rules.analysis.resolve import TRANSISTORS
from rules.analysis.states import STEP_BUDGET, State, StateSet, matches, states_of

MODES = 8  # modes followed from one state


@dataclass(frozen=True, eq=False)
class Failure:
    """One condition of a mode at the corner where it is missed by most.

    ``device`` would change its ``junction`` (``forward``, ``reverse``, ``on``, ``breakdown``); ``conducting``
    says which way: it should conduct and does not, or the reverse.  ``by`` is how much is missing, in V.
    ``instead`` is the stable state at the corner that stands for the one asked about, ``None`` where there
    is none: the state is then lost; ``there`` are all states at the corner.
    """

    device: str
    junction: str
    conducting: bool
    by: float
    point: Point
    label: str
    instead: State | None
    there: StateSet


@dataclass(frozen=True, eq=False)
class Existence:
    """Where a state exists.

    ``failures``: conditions of its own mode that are not met at every corner.  ``missing``: the corners at
    which no stable state stands for it, also of the modes that take over.  ``complete`` is false where a
    list of states was not complete, the signs did not settle, or more modes took over than were followed.
    """

    failures: tuple[Failure, ...]
    missing: tuple[Failure, ...]
    complete: bool

    @property
    def everywhere(self) -> bool:
        """True when a state that stands for it was found at every corner looked at."""
        return not self.missing


def states_at(network: Network, point: Point, step_budget: int = STEP_BUDGET) -> StateSet:
    """Every state at one point of the tolerances: same contact positions, same capacitors held."""
    resolved, _ = at(network.resolved, point)
    return states_of(build_network(resolved, network.configuration, network.held), "typical", step_budget)


def existence(
    state: State, parameters: Sequence[Parameter] | None = None, step_budget: int = STEP_BUDGET
) -> Existence:
    """Where within the tolerances a state exists, in its own mode or in one that reads the same.

    A state stands for another when it is as stable and the same transistors conduct (the same diodes in a
    circuit without transistors), or when it fits the same declared name.
    """
    return _Follower(state, parameters, step_budget).run()


def stands_for(other: State, state: State) -> bool:
    """True when ``other`` reads as the same state; see :func:`existence`."""
    if state.stable and not other.stable:
        return False
    circuit = state.mode.network.resolved.circuit
    if state.name in circuit.states and matches(other.devices, circuit.states[state.name]):
        return True
    transistors = {n for n in state.devices if circuit.parts[n].kind in TRANSISTORS} or set(state.devices)
    return all((state.devices[n] == "off") == (other.devices[n] == "off") for n in transistors)


class _Follower:
    def __init__(self, state: State, parameters: Sequence[Parameter] | None, step_budget: int) -> None:
        self.state, self.step_budget = state, step_budget
        self.network = state.mode.network
        self.context = context_of(state, parameters)
        self.complete = True
        self.there: dict[bytes, StateSet] = {}

    def run(self) -> Existence:
        own = self._failures(self.context)
        seen = {self.state.mode.solution.support}
        waiting, failures = self._new(own, seen), list(own)
        while waiting:
            if len(seen) > MODES:
                self.complete = False
                break
            context = self._follow(waiting.pop(0))
            if context is not None:
                more = self._failures(context)
                failures.extend(more)
                waiting.extend(self._new(more, seen))
        missing: dict[str, Failure] = {}
        for failure in failures:
            if failure.instead is None:
                missing.setdefault(failure.label, failure)
        return Existence(tuple(own), tuple(missing[name] for name in sorted(missing)), self.complete)

    @staticmethod
    def _new(failures: Sequence[Failure], seen: set[tuple[int, ...]]) -> list[State]:
        found = []
        for failure in failures:
            if failure.instead is not None and failure.instead.mode.solution.support not in seen:
                seen.add(failure.instead.mode.solution.support)
                found.append(failure.instead)
        return found

    def _follow(self, mate: State) -> Context | None:
        """The mode of a state at a corner, over the same box."""
        mode = self.state.mode
        made = solved_singly(self.network, mode.betas, mate.mode.solution.support)
        if made is None:
            self.complete = False
            return None
        return context_of(made[0], self.context.parameters)

    def _failures(self, context: Context) -> list[Failure]:
        found = []
        support = set(context.frame.support)
        for k, junction in enumerate(self.network.junctions):
            worst = self._least(context, k)
            if worst is None or worst.value >= -10.0 * VOLT_TOLERANCE:
                continue
            keys = [p.key for p in context.parameters]
            point = frozen_point(dict(zip(keys, worst.vertex.tolist(), strict=True)))
            there = self._states(worst.vertex, point)
            instead = next((s for s in there.states if stands_for(s, self.state)), None)
            found.append(
                Failure(
                    junction.device,
                    junction.name,
                    k in support,
                    -worst.value,
                    point,
                    label(point, context.parameters),
                    instead,
                    there,
                )
            )
        return found

    def _least(self, context: Context, k: int) -> Extreme | None:
        """The condition of one junction where it is least; ``None`` where the mode cannot be solved."""

        def evaluate(points: Array) -> Array:
            values: Array = context.variants(points).conditions[:, k]
            return values

        search = Search(evaluate, context.box)
        if np.isnan(search.nominal):
            self.complete = False
            return None
        found = search.extreme(-1.0)
        self.complete = self.complete and found.settled
        return found

    def _states(self, vertex: Array, point: Point) -> StateSet:
        mark = vertex.tobytes()
        if mark not in self.there:
            self.there[mark] = states_at(self.network, point, self.step_budget)
            self.complete = self.complete and self.there[mark].complete
        return self.there[mark]
