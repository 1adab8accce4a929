"""The timeline of a circuit document: which start, which gains, which leakages, and what the end means."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from rules.analysis.elements import SOURCES, Configuration
from rules.analysis.frozen import capacitor_voltage
from rules.analysis.resolve import TRANSISTORS, Resolved
from rules.analysis.states import State, start_betas
from rules.analysis.timeline.engine import EVENT_BUDGET, Point, World, run
from rules.analysis.timeline.model import Event, Interval, Timeline, Verdict
from rules.analysis.timeline.plant import Leak
from rules.analysis.timeline.stores import store_names
from schemas.circuit import Action

if TYPE_CHECKING:
    from rules.analysis.study import Study

SOFT = 1e-2  # ohm
GONE = 20.0  # time constants after which a current is gone
DISTURBANCES = (1.0, -1.0, 3.0, -3.0)  # V; what sets going a state that rests on paper only
REST, POWER_UP = "rest", "power-up"


class UnknownStart(LookupError):
    """No state of the rest position has this name; ``known`` lists those that have one."""

    def __init__(self, name: str, known: tuple[str, ...]) -> None:
        there = ", ".join(known) or "none"
        super().__init__(f"no stable state at rest is called {name!r}; there are {there}")
        self.name, self.known = name, known


def world_of(study: Study, corner: str = "typical", leakage: str = "none") -> World:
    """The circuit at the gains of a corner; asking twice gives the same object: runs share their modes."""
    made: dict[tuple[str, str], World] = study.shared("worlds", dict)
    if (corner, leakage) not in made:
        drawn = leaks(study) if leakage == "limit" else {}
        made[corner, leakage] = World(study.resolved, gains(study, corner), drawn)
    return made[corner, leakage]


def gains(study: Study, corner: str) -> dict[str, float]:
    """One gain per transistor for a whole run: the least of those in the states in which it conducts."""
    betas = start_betas(study.resolved, corner)
    for name in betas:
        if study.resolved.beta_varies(name, corner):
            found = [
                s.state.mode.betas[name] for s in study.situations(corner) if s.state.devices[name] != "off"
            ]
            betas[name] = min(found, default=betas[name])
    return betas


def leaks(study: Study) -> dict[str, Leak]:
    """What each capacitor may leak at the highest ambient temperature; one without a limit does not."""
    from rules.analysis.leakage import highest_voltage, promise_of

    found = {}
    for name in store_names(study.resolved)[0]:
        promise = promise_of(study, name, highest_voltage(study, name))
        if not isinstance(promise, str):
            found[name] = Leak(promise.limit)
    return found


def point_of(resolved: Resolved, state: State) -> Point:
    """A DC state as the start of a run; a capacitor whose voltage is open counts as empty."""
    capacitors, coils = store_names(resolved)
    parts = resolved.circuit.parts
    values = {name: capacitor_voltage(resolved, state, name) or 0.0 for name in capacitors}
    for name in coils:
        pin = "plus" if "plus" in parts[name].pins else "a"
        values[name] = state.currents[name][pin] or 0.0
    mode = state.mode
    values.update(mode.network.held)
    return Point(mode.network.configuration, mode.solution.support, values)


def timeline(
    study: Study,
    stimulus: str | None,
    corner: str = "typical",
    start: str = REST,
    leakage: str = "none",
    until: float | None = None,
    budget: int = EVENT_BUDGET,
) -> Timeline:
    """The course of a circuit through a stimulus; see :class:`rules.analysis.timeline.model.Timeline`.

    ``start`` is ``rest`` (the first stable state at rest, else power-up), ``power-up`` or the name of a
    stable state at rest.  Raises ``KeyError`` for an unknown stimulus and :class:`UnknownStart`.
    """
    world = world_of(study, corner, leakage)
    rest = study.state_sets(corner)[0]
    begin = _start(study, rest.stable, start)
    actions = () if stimulus is None else study.circuit.stimuli[stimulus]
    told = POWER_UP if begin is None else start
    return course(
        world, begin, actions, rest.configuration, until, budget, (stimulus, told, corner, leakage)
    )


def again(study: Study, before: Timeline, pause: float, leakage: str = "none") -> Timeline:
    """The same stimulus once more, ``pause`` s after the last event of an earlier run."""
    world = world_of(study, before.corner, leakage)
    last = before.last
    moment = min(before.span + pause, last.end)
    values = {name: float(found[0]) for name, found in last.stored([moment]).items()}
    begin = Point(last.configuration, last.state.mode.solution.support, values)
    actions = () if before.stimulus is None else study.circuit.stimuli[before.stimulus]
    header = (before.stimulus, "as it was left", before.corner, leakage)
    return course(world, begin, actions, last.configuration, None, EVENT_BUDGET, header)


def _start(study: Study, stable: Sequence[State], start: str) -> Point | None:
    if start == POWER_UP or (start == REST and not stable):
        return None
    if start == REST:
        return point_of(study.resolved, stable[0])
    for state in stable:
        if state.name == start:
            return point_of(study.resolved, state)
    raise UnknownStart(start, tuple(sorted(state.name for state in stable)))


def course(
    world: World,
    begin: Point | None,
    actions: Sequence[Action],
    configuration: Configuration,
    until: float | None = None,
    budget: int = EVENT_BUDGET,
    header: tuple[str | None, str, str, str] = (None, REST, "typical", "none"),
) -> Timeline:
    """One run with its verdict; ``header`` is (stimulus, start, corner, leakage) as they are to be told."""
    events, intervals, verdict, period, reason = run(world, begin, actions, until, budget, configuration)
    if verdict == "undecided" and until is None and (softer := _softened(world)) is not None:
        again = run(softer, begin, actions, until, budget, configuration)
        if again[2] != "undecided":
            world, (events, intervals, verdict, period, reason) = softer, again
    if verdict == "settles" and intervals:
        stalled = _stalled(world, intervals[-1])
        if stalled is not None:
            verdict, reason = "never-ends", stalled
        elif _rests_on_paper(world, intervals[-1]):
            events, intervals, verdict, period, reason = _disturbed(world, events, intervals, budget)
    stimulus, start, corner, leakage = header
    return Timeline(
        world.circuit.name, stimulus, start, corner, leakage, events, intervals, verdict, period, reason
    )


def _softened(world: World) -> World | None:
    """The same circuit with a hair of resistance in its ideal sources; ``None`` where there is nothing to do.

    An ideal source that fills a capacitor through a diode asks for a current without end; with some milliohms
    the capacitor follows within microseconds.
    """
    resolved = world.resolved
    parts = resolved.circuit.parts.values()
    if not any(part.kind == "capacitor" for part in parts):
        return None
    ideal = [
        part.name
        for part in parts
        if part.kind in SOURCES and resolved.value(part.name, "resistance") == 0.0
    ]
    if not ideal:
        return None
    return World(
        resolved.with_values({(name, "resistance"): SOFT for name in ideal}), world.betas, world.leaks
    )


def hasty(study: Study, made: Timeline) -> float:
    """How long (s) after an event currents of a run mean nothing: nobody said what limits them.

    0 but for a run that was followed with a hair of resistance in its ideal sources.
    """
    seen = made.last.course.plant.resolved
    if not any(
        seen.value(name, "resistance") == SOFT != study.resolved.value(name, "resistance")
        for name, part in study.circuit.parts.items()
        if part.kind in SOURCES
    ):
        return 0.0
    farads = math.fsum(study.value(name, "capacitance") for name in store_names(study.resolved)[0])
    return GONE * SOFT * farads


def _stalled(world: World, last: Interval) -> str | None:
    """Why a rest is no end: without the leakage the course would have gone on to another state."""
    if not world.leaks:
        return None
    stores = last.course.plant.stores
    x = last.course.at(np.array([math.inf]))[:, 0]
    dry = world.dry
    begin = Point(last.configuration, last.state.mode.solution.support, stores.values(x))
    events, intervals, *_ = run(dry, begin, (), None, 60)
    parts = world.circuit.parts
    for event in events:
        moved = [name for name in event.parts if name in parts and parts[name].kind in TRANSISTORS]
        if event.kind in ("jump", "region") and moved and event.at > 0.0:
            before = [interval for interval in intervals if interval.end <= event.at]
            there = before[-1].stored([event.at]) if before else {}
            return _stall_words(world, stores.values(x), {n: float(v[0]) for n, v in there.items()})
    return None


def _stall_words(world: World, at: Mapping[str, float], wanted: Mapping[str, float]) -> str:
    """Which capacitor stays behind where, of those that leak and would have gone on most."""
    going = {name: abs(wanted[name] - at[name]) for name in world.leaks if name in wanted and name in at}
    name = max(sorted(going), key=lambda key: going[key]) if going else ""
    if not name:
        return "leakage takes all of the charging current"
    return (
        f"{name} never reaches {wanted[name]:.4g} V: it ends at {at[name]:.4g} V, where its leakage of"
        f" {world.leaks[name].current * 1e6:.3g} uA takes all of the charging current"
    )


def _rests_on_paper(world: World, last: Interval) -> bool:
    """True for a rest that is no stable state once the capacitors are free to move."""
    mark = last.configuration.key, last.state.mode.solution.support
    if mark not in world.on_paper:
        world.on_paper[mark] = _unstable(world, last)
    return world.on_paper[mark]


def _unstable(world: World, last: Interval) -> bool:
    from rules.analysis.network import build_network
    from rules.analysis.states import linear_state

    if not any(part.kind in TRANSISTORS for part in world.circuit.parts.values()):
        return False
    network = build_network(world.resolved, last.configuration)
    if network.faults:
        return False
    try:
        state = linear_state(network, world.betas, last.state.mode.solution.support)
    except np.linalg.LinAlgError:
        return False
    return not state.stable


def _disturbed(
    world: World, events: tuple[Event, ...], intervals: tuple[Interval, ...], budget: int
) -> tuple[tuple[Event, ...], tuple[Interval, ...], Verdict, float | None, str]:
    """The run after a disturbance of a state that is none in practice: the first that does not come back."""
    last = intervals[-1]
    stores = last.course.plant.stores
    x = last.course.at(np.array([math.inf]))[:, 0]
    at = events[-1].at
    why = "this state rests on paper only: any disturbance grows (small-signal stability with its capacitors)"
    for volts in DISTURBANCES:
        for name in stores.free[: stores.capacitors]:
            values = {**stores.values(x)}
            values[name] += volts
            begin = Point(last.configuration, last.state.mode.solution.support, values)
            more, further, verdict, period, reason = run(world, begin, (), None, budget)
            if verdict != "oscillates":
                continue
            shifted = tuple(replace(event, at=event.at + at) for event in more)
            told = replace(shifted[0], what=f"a disturbance of {volts:g} V on {name}", reason=why)
            moved = tuple(replace(i, start=i.start + at, end=i.end + at) for i in further)
            kept = intervals[:-1]
            if at > last.start:
                kept = (*kept, replace(last, end=at))
            return (*events[:-1], told, *shifted[1:]), (*kept, *moved), verdict, period, reason
    return events, intervals, "undecided", None, f"{why}, but what it grows into was not found"

