"""A state that the document names, everywhere it exists, and what a quantity comes to in it at worst.

A quantity takes a :class:`~rules.analysis.states.State` and gives a number, or ``None`` where nothing
determines it; it should be plain arithmetic (see :mod:`rules.analysis.corners.worst`).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from rules.analysis.corners.existence import existence, stands_for
from rules.analysis.corners.labels import NOMINAL
from rules.analysis.corners.parameters import Point, at, parameters
from rules.analysis.corners.variants import Quantity
from rules.analysis.corners.worst import Sense, Sensitivity, Worst, worst, worst_scalar
from rules.analysis.delays import LEAST_DELAY, course_of
from rules.analysis.frozen import (
    Segment,
    TimedState,
    ending,
    follow,
    held_with,
    timed_states,
    transitions,
)
from rules.analysis.network import build_network
from rules.analysis.resolve import Resolved
from rules.analysis.roles import Roles
from rules.analysis.states import State, linear_state, matches, states_of
from rules.analysis.study import FILTER_SHARE, Situation, Study
from schemas.circuit import Circuit

GAINS = {"min": "least gain", "typical": NOMINAL, "max": "greatest gain"}
_INSIDE = 1e-7  # of the voltage of a capacitor: where the last moment of a segment is looked at
_MOVES = 0.1  # of the range at the start; less movement along the course does not move its corner
_HELD = 1e-6  # V; a capacitor held at less holds nothing


class Pinned(Study):
    """The study of a circuit at one point of its tolerances: one gain per transistor, no corners."""

    corners = ("typical",)

    def __init__(self, circuit: Circuit, resolved: Resolved) -> None:
        super().__init__(circuit, proposing=False)
        self._resolved = resolved

    @cached_property
    def resolved(self) -> Resolved:
        return self._resolved


class Following(Pinned):
    """The same of a circuit in which one capacitor alone is followed, in one configuration.

    What its parts are there for is what they are there for at nominal values.
    """

    def __init__(self, study: Study, resolved: Resolved, capacitor: str, configuration: str) -> None:
        super().__init__(study.circuit, resolved)
        self._nominal, self._followed = study, (capacitor, configuration)

    @cached_property
    def roles(self) -> Roles:
        return self._nominal.roles

    def timing(self, corner: str = "typical") -> tuple[TimedState, ...]:
        if corner not in self._timed:
            sets, share = self.state_sets(corner), FILTER_SHARE
            self._timed[corner] = timed_states(sets, self.resolved, corner, share, self._followed)
        return self._timed[corner]


def at_point(study: Study, point: Point) -> Pinned:
    """The circuit of ``study`` at a point of its tolerances; raises ``KeyError`` for an unknown key."""
    return Pinned(study.circuit, at(study.resolved, point)[0])


def fitting(study: Study, corner: str, name: str) -> tuple[Situation, ...]:
    """Stable and timed states in which the devices are as the document says of the state ``name``.

    Those with every contact and driver at rest, else those of all positions; DC states first.
    """
    regions = study.circuit.states[name]
    found = [s for s in study.situations(corner) if matches(s.state.devices, regions)]
    rest = study.state_sets(corner)[0].configuration.key
    return tuple([s for s in found if s.position == rest] or found)


@dataclass(frozen=True, eq=False)
class End:
    """One end of a quantity in a named state: its value at the corner ``corner`` of one situation."""

    value: float
    corner: str
    situation: Situation
    how: str  # what speaks against it being exact; empty where nothing does
    sensitivities: tuple[Sensitivity, ...]


@dataclass(frozen=True, eq=False)
class Range:
    """What a quantity comes to in a named state over all tolerances.

    ``missing``: corners at which the state does not exist.  ``undetermined``: situations in which the
    circuit does not determine the quantity.  ``low`` and ``high`` are ``None`` where nothing is left to
    judge; ``nominal`` is the value of the first situation.
    """

    nominal: float
    low: End | None
    high: End | None
    missing: tuple[str, ...]
    undetermined: tuple[str, ...]


def range_of(study: Study, name: str, quantity: Quantity) -> Range:
    """The range of a quantity in the state that the document calls ``name``."""
    found = fitting(study, "typical", name)
    missing = _at_gains(study, name)
    undetermined: list[str] = []
    ends: dict[Sense, list[End]] = {"min": [], "max": []}
    nominal = math.nan
    for situation in found:
        here = quantity(situation.state)
        if here is None:
            undetermined.append(situation.label)
            continue
        nominal = float(here) if math.isnan(nominal) else nominal
        others = Others(study, name, situation)
        missing.extend(others.missing)
        for sense, kept in ends.items():
            end = _end(study, name, situation, quantity, sense)
            if isinstance(end, str):
                missing.append(end)
            elif end is not None:
                kept.append(end)
            kept.extend(others.ends(quantity, sense))
    low = min(ends["min"], key=lambda end: end.value, default=None)
    high = max(ends["max"], key=lambda end: end.value, default=None)
    return Range(nominal, low, high, tuple(dict.fromkeys(missing)), tuple(undetermined))


def _at_gains(study: Study, name: str) -> list[str]:
    """The gains at which nothing fits a name, all else nominal; the nominal ones first."""
    corners = sorted(study.corners, key=lambda corner: corner != "typical")
    return [GAINS[corner] for corner in corners if not fitting(study, corner, name)]


def missing_corners(study: Study, name: str) -> tuple[str, ...]:
    """Corners at which a named state does not exist, as far as it is one of rest or begins empty."""
    found = _at_gains(study, name)
    for situation in fitting(study, "typical", name):
        found.extend(Others(study, name, situation).missing)
    return tuple(dict.fromkeys(found))


class Others:
    """What takes the place of a state at the corners at which its own mode is none.

    ``missing``: corners at which nothing that fits the name is there; ``found``: what is, with its corner.
    """

    def __init__(self, study: Study, name: str, situation: Situation) -> None:
        self.situation = situation
        self.missing: list[str] = []
        self.found: list[tuple[str, State]] = []
        held = situation.state.mode.network.held
        if any(abs(volts) >= _HELD for volts in held.values()):
            return  # what is held follows the corner; see _on_the_way
        regions = study.circuit.states[name]
        state = situation.state
        exists = study.shared(("existence", state), lambda: existence(state))
        for failure in (*exists.failures, *exists.missing):
            there = [s for s in failure.there.states if s.stable and matches(s.devices, regions)]
            if not there:
                self.missing.append(failure.label)
            self.found.extend((failure.label, state) for state in there)

    def ends(self, quantity: Quantity, sense: Sense) -> Iterator[End]:
        """The quantity where they were found, and at the worst corner of their own modes where they hold."""
        modes: set[tuple[int, ...]] = {self.situation.state.mode.solution.support}
        for corner, state in self.found:
            value = quantity(state)
            if value is None:
                continue
            yield self._end(float(value), corner, state, ())
            support = state.mode.solution.support
            if support in modes:
                continue
            modes.add(support)
            here = self.situation.state.mode
            try:
                mate = linear_state(here.network, here.betas, support)
            except np.linalg.LinAlgError:
                continue
            found = worst(mate, quantity, sense)
            if found is not None and found.holds:
                yield self._end(found.value, found.label, state, found.sensitivities)

    def _end(self, value: float, corner: str, state: State, moved: tuple[Sensitivity, ...]) -> End:
        how = "the transistors are in other regions there than at nominal values: the corner is no proof"
        return End(value, corner, Situation(self.situation.label, corner, state), how, moved)


def _end(study: Study, name: str, situation: Situation, quantity: Quantity, sense: Sense) -> End | str | None:
    """One end in one situation; the corner as text where the state does not exist there."""
    timed = situation.timed
    if timed is None:
        found = worst(situation.state, quantity, sense)
        return None if found is None else _at_rest(situation, found)
    found = _beginning(study, timed, quantity, sense)
    if found is None:
        return None
    end = _on_the_way(study, name, situation, quantity, found)
    values = list(_values(quantity, along(study, timed)))
    if isinstance(end, str) or max(values) - min(values) <= _MOVES * abs(end.value - found.nominal):
        return end
    # the course itself moves it: the corner of the last moment may be another one
    start = _start(study, timed)
    every = [
        p for p in parameters(study.resolved, timed.state) if p.kind not in ("capacitance", "inductance")
    ]
    last = worst_scalar(lambda point: _at_last(timed, start(point), quantity), every, sense, thrifty=True)
    other = None if last is None else _on_the_way(study, name, situation, quantity, last)
    if other is None or isinstance(other, str):
        return other or end
    return (min if sense == "min" else max)(end, other, key=lambda each: each.value)


def _at_rest(situation: Situation, found: Worst) -> End | None:
    """The end of a DC state in its own mode; ``None`` where that is none at the corner."""
    if not found.holds:
        return None
    return End(found.value, found.label, situation, "" if found.exact else found.how, found.sensitivities)


def _beginning(study: Study, timed: TimedState, quantity: Quantity, sense: Sense) -> Worst | None:
    """The corner of a timed state at its start; what its capacitors hold then follows the corner too."""
    state, held = timed.state, timed.state.mode.network.held
    if _origin(study, timed) is None or all(abs(volts) < _HELD for volts in held.values()):
        return worst(state, quantity, sense)
    start = _start(study, timed)

    def carried(point: Point) -> float | None:
        there = start(point)
        return None if there is None else quantity(there)

    every = [p for p in parameters(study.resolved, state) if p.kind not in ("capacitance", "inductance")]
    return worst_scalar(carried, every, sense, thrifty=True)


def _start(study: Study, timed: TimedState) -> Callable[[Point], State | None]:
    """The first moment of a timed state at any point, in the modes of the nominal one."""
    origin, support = _origin(study, timed), timed.state.mode.solution.support

    def at_start(point: Point) -> State | None:
        resolved, betas = at(study.resolved, point)
        held: Mapping[str, float] = timed.state.mode.network.held
        try:
            if origin is not None:
                before = build_network(resolved, origin.mode.network.configuration)
                rested = linear_state(before, betas, origin.mode.solution.support)
                held = held_with(resolved, timed.capacitor, rested)
            return linear_state(build_network(resolved, timed.configuration, held), betas, support)
        except np.linalg.LinAlgError:
            return None

    return at_start


def begins_at(study: Study, timed: TimedState, point: Point) -> bool:
    """Whether a timed state is there at a point, its capacitors holding what the state before it leaves."""
    origin = _origin(study, timed)
    if origin is None:
        return False
    resolved, _ = at(study.resolved, point)
    before = states_of(build_network(resolved, origin.mode.network.configuration), "typical")
    found = [state for state in before.stable if stands_for(state, origin)]
    starts = [held_with(resolved, timed.capacitor, state) for state in found]
    return any(
        stands_for(state, timed.state)
        for held in starts
        for state in states_of(build_network(resolved, timed.configuration, held), "typical").stable
    )


def passes_at_power_up(study: Study, timed: TimedState) -> bool:
    """Whether the supply only passes a timed state as it comes on, in less time than a delay takes."""
    return timed.duration < LEAST_DELAY.get(timed.kind, 0.0) and _origin(study, timed) is None


def _at_last(timed: TimedState, start: State | None, quantity: Quantity) -> float | None:
    """The quantity at the last moment of a timed state that begins with ``start``."""
    if start is None:
        return None
    network = start.mode.network
    phase = follow(start, timed.capacitor)
    cut = ending(network.resolved, phase)
    if cut is None or cut[1] != timed.kind:
        return None
    segment = phase.segments[cut[0] - 1]
    try:
        return quantity(_within(start, timed.capacitor, segment))
    except np.linalg.LinAlgError:
        return None


def _within(start: State, capacitor: str, segment: Segment) -> State:
    """The last moment of a segment of the course from ``start``; may raise ``LinAlgError``."""
    mode = start.mode
    volts = segment.end - _INSIDE * (segment.end - segment.start)
    network = build_network(
        mode.network.resolved, mode.network.configuration, {**mode.network.held, capacitor: volts}
    )
    return linear_state(network, mode.betas, tuple(sorted(segment.support)))


def _origin(study: Study, timed: TimedState) -> State | None:
    """The resting state that leaves on the capacitors what they hold at the start of a timed state."""
    held = timed.state.mode.network.held
    for state, configuration in transitions(study.state_sets(timed.corner), study.resolved):
        if state is None or configuration.key != timed.configuration.key:
            continue
        left = held_with(study.resolved, timed.capacitor, state)
        if all(abs(left[name] - volts) < _HELD for name, volts in held.items()):
            return state
    return None


def _on_the_way(study: Study, name: str, situation: Situation, quantity: Quantity, found: Worst) -> End | str:
    """The end of a timed state from start to threshold at a corner; the corner where it is missing there."""
    assert situation.timed is not None
    pinned = at_point(study, found.point)
    same = (situation.timed.capacitor, situation.position)
    values = [
        value
        for other in fitting(pinned, "typical", name)
        if other.timed is not None and (other.timed.capacitor, other.position) == same
        for value in _values(quantity, along(pinned, other.timed))
    ]
    if not values:
        return found.label
    extreme = (min if found.sense == "min" else max)(values)
    how = "the corner is that of the beginning of the state; its course was looked at there"
    return End(extreme, found.label, situation, how, found.sensitivities)


def _values(quantity: Quantity, states: Sequence[State] | Iterator[State]) -> Iterator[float]:
    for state in states:
        value = quantity(state)
        if value is not None:
            yield float(value)


def along(study: Study, timed: TimedState) -> Iterator[State]:
    """A timed state at its start and at the last moment of each region it passes, to its threshold."""
    yield timed.state
    for segment in course_of(study, timed):
        if segment.end == segment.start:
            continue
        try:
            yield _within(timed.state, timed.capacitor, segment)
        except np.linalg.LinAlgError:
            continue
