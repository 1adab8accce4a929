"""Which timed states are delays that somebody meant, and which are filters, couplings or passing moments.

A timed state counts as a delay when the stimuli of the document (or, without
any, a single move from rest) really lead into it, stay long enough for it to
end, and when its end switches something.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from rules.analysis.course import beyond, passes, seconds, voltage_after
from rules.analysis.elements import Configuration
from rules.analysis.formulas.timing import STEERING
from rules.analysis.frozen import Phase, Segment, TimedState, ending, follow, held_with, transitions
from rules.analysis.states import State, find_states
from schemas.circuit import Circuit

if TYPE_CHECKING:
    from rules.analysis.study import Study

# s; contacts bounce for 1 to 10 ms and are filtered with 10 to 30 ms; common practice, no source
LEAST_DELAY = {"fold": 0.01, "region-change": 0.1}
SETTLING = ("linear", "follower")  # stages that follow a slow base instead of switching at a threshold


@dataclass(frozen=True, eq=False)
class Approach:
    """How the start of a delay is reached where the stimulus does not wait for rest.

    From ``before``, at rest, the capacitor follows ``phase`` for ``stay`` s.
    """

    before: State
    phase: Phase
    stay: float


@dataclass(frozen=True, eq=False)
class Delay:
    """A timed state that is a delay.

    ``segments`` is its course from the voltage where it really starts (V,
    ``start``) to the threshold; ``origin`` the resting state it is entered
    from, ``None`` at power-up; ``approach`` how it got to its start, where it
    was not at rest there.
    """

    timed: TimedState
    segments: tuple[Segment, ...]
    origin: State | None
    farads: float
    approach: Approach | None = None

    @property
    def start(self) -> float:
        return self.segments[0].start

    @property
    def duration(self) -> float:
        """Time to the threshold without leakage, s."""
        return seconds(self.segments, self.farads)

    @property
    def opposed(self) -> bool:
        """True when leakage works against the course up to the threshold, so that it may stop short of it."""
        threshold = self.timed.threshold
        return self.timed.current * threshold > 0.0 and self.start * threshold >= 0.0


@dataclass(frozen=True, slots=True)
class LeftOut:
    """A capacitor, or one of its timed states, that is no delay; ``reason`` says why."""

    capacitor: str
    reason: str


def course_of(study: Study, timed: TimedState) -> tuple[Segment, ...]:
    """The segments of a timed state from its start to its threshold."""
    cut = ending(study.resolved, timed.phase)
    return timed.phase.segments[: cut[0]] if cut else timed.phase.segments


def _courses(circuit: Circuit, rest: Configuration) -> Iterator[list[tuple[Mapping[str, str], float]]]:
    """Per stimulus, the positions it goes through from rest on, and how long it stays in each (s)."""
    for actions in circuit.stimuli.values():
        positions = {**rest.contacts, **rest.drivers}
        moments = [(at, list(group)) for at, group in itertools.groupby(actions, key=lambda step: step.at)]
        course: list[tuple[Mapping[str, str], float]] = [(dict(positions), math.inf)]
        for k, (at, group) in enumerate(moments):
            positions.update({action.part: action.to for action in group})
            stay = moments[k + 1][0] - at if k + 1 < len(moments) else math.inf
            course.append((dict(positions), stay))
        yield course


def _positions(configuration: Configuration) -> Mapping[str, str]:
    return {**configuration.contacts, **configuration.drivers}


def dwell(circuit: Circuit, configuration: Configuration, rest: Configuration) -> float:
    """The longest time (s) any stimulus stays in a configuration; infinite at rest and without stimuli."""
    if configuration.key == rest.key or not circuit.stimuli:
        return math.inf
    wanted = _positions(configuration)
    stays = [stay for course in _courses(circuit, rest) for positions, stay in course if positions == wanted]
    return max(stays, default=0.0)


def leads(circuit: Circuit, start: Configuration, to: Configuration, rest: Configuration) -> bool:
    """True when a stimulus goes straight from one configuration to the other, or there are no stimuli."""
    pair = (_positions(start), _positions(to))
    return not circuit.stimuli or any(
        (here, there) == pair
        for course in _courses(circuit, rest)
        for (here, _), (there, _) in itertools.pairwise(course)
    )


def delays(study: Study, corner: str) -> tuple[tuple[Delay, ...], tuple[LeftOut, ...]]:
    """The delays at a beta corner, and why the rest of the capacitors and timed states are none."""
    found: list[Delay] = []
    out: list[LeftOut] = []
    capacitors = {p.name for p in study.circuit.parts.values() if p.kind == "capacitor"}
    for timed in study.timing(corner):
        made = _judge(study, corner, timed)
        if isinstance(made, Delay):
            found.append(made)
        else:
            out.append(made)
    # what is entered from rest is judged from there, and not from empty capacitors as well
    rested = {_place(delay) for delay in found if delay.origin is not None}
    found = [delay for delay in found if delay.origin is not None or _place(delay) not in rested]
    seen = {delay.timed.capacitor for delay in found} | {left.capacitor for left in out}
    out.extend(LeftOut(name, _idle_reason(study, name)) for name in sorted(capacitors - seen))
    return tuple(found), tuple(out)


def _place(delay: Delay) -> tuple[str, str, str, str]:
    timed = delay.timed
    return timed.capacitor, timed.configuration.key, timed.kind, timed.name


def _idle_reason(study: Study, capacitor: str) -> str:
    if set(study.circuit.parts[capacitor].pins.values()) <= study.roles.rails:
        return "it stands across the supply"
    return "no state waits for it: it couples, bypasses or filters"


def _judge(study: Study, corner: str, timed: TimedState) -> Delay | LeftOut:
    name = timed.capacitor
    rest = study.state_sets(corner)[0].configuration
    if set(study.circuit.parts[name].pins.values()) <= study.roles.rails:
        return LeftOut(name, _idle_reason(study, name))
    switched = [
        device
        for device in timed.changed
        if not _settles(study, corner, device) or _takes_over(study, timed, device)
    ]
    if timed.kind == "region-change" and not switched:
        return LeftOut(name, f"{', '.join(timed.changed)} settles to its bias; nothing switches")
    segments = course_of(study, timed)
    farads = study.value(name, "capacitance")
    entered = None
    for origin, start, approach in _entries(study, corner, timed, rest):
        if start is not None:
            entered = Delay(timed, beyond(segments, farads, start), origin, farads, approach)
            break
    if entered is None:
        return LeftOut(name, f"no stimulus leads into {timed.name} with {name} at {timed.start:.3g} V")
    if entered.duration < LEAST_DELAY[timed.kind]:
        return LeftOut(name, f"it filters: {entered.duration:.2g} s is no more than debouncing takes")
    stay = dwell(study.circuit, timed.configuration, rest)
    if entered.duration > stay:
        return LeftOut(
            name,
            f"{timed.name} would take {entered.duration:.3g} s with "
            f"{timed.configuration.key}, which lasts {stay:.3g} s at most",
        )
    return entered


def _settles(study: Study, corner: str, transistor: str) -> bool:
    """True for a stage that follows its base, or rests active behind an emitter resistor everywhere."""
    stage = study.roles.stages[transistor]
    if stage.intent in SETTLING:
        return True
    rests = {state.devices[transistor] for sets in study.state_sets(corner) for state in sets.stable}
    return rests == {"active"} and not stage.emitter_on_rail


def _takes_over(study: Study, timed: TimedState, transistor: str) -> bool:
    """True for a follower that is to take the current of a partner at its emitter, which has a load.

    The capacitor aims well past the level at which the two share it: an amplifier would come to rest there.
    """
    stages = study.roles.stages
    return (
        stages[transistor].intent == "follower"
        and timed.aim is not None
        and abs(timed.aim - timed.threshold) > STEERING
        and any(
            timed.state.devices[name] != "off" and stages[name].intent != "follower"
            for name in study.roles.partners(transistor, "emitter-coupled")
        )
    )


def _entries(
    study: Study, corner: str, timed: TimedState, rest: Configuration
) -> Iterator[tuple[State | None, float | None, Approach | None]]:
    """(resting state before, start voltage or ``None`` when it is not reached, how), likeliest first."""
    later = []
    for origin, configuration in transitions(study.state_sets(corner), study.resolved):
        if configuration.key != timed.configuration.key:
            continue
        if abs(held_with(study.resolved, timed.capacitor, origin)[timed.capacitor] - timed.start) > 1e-6:
            continue
        stay = math.inf
        if origin is not None:
            before = origin.mode.network.configuration
            if before.key != rest.key and not leads(study.circuit, before, configuration, rest):
                continue
            stay = dwell(study.circuit, before, rest)
        if math.isinf(stay):
            yield origin, timed.start, None
        else:
            later.append((origin, stay))
    for origin, stay in later:
        assert origin is not None
        yield origin, *_start_after(study, corner, timed, origin, stay)


def _start_after(
    study: Study, corner: str, timed: TimedState, origin: State, stay: float
) -> tuple[float | None, Approach | None]:
    """Where the capacitor stands when the stimulus leaves the configuration of ``origin`` after ``stay`` s.

    Nothing when that is not yet beyond the threshold of the timed state.
    """
    course = timed.phase.segments
    threshold = timed.threshold
    farads = study.value(timed.capacitor, "capacitance")
    best: tuple[float, Approach] | None = None
    for before in study.state_sets(corner)[0].stable:
        held = held_with(study.resolved, timed.capacitor, before)
        there = find_states(study.resolved, origin.mode.network.configuration, corner, held)
        for state in there.stable:
            way = follow(state, timed.capacitor)
            if way.end != "settles" or not way.segments:
                continue
            reached = voltage_after(way.segments, farads, stay)
            on_way = (reached - threshold) * (timed.start - threshold) > 0.0
            if on_way and (best is None or abs(reached - timed.start) < abs(best[0] - timed.start)):
                best = reached, Approach(before, way, stay)
    return best if best is not None and passes(course, threshold) else (None, None)


def delay_with(
    study: Study,
    delay: Delay,
    values: Mapping[tuple[str, str], float],
    betas: Mapping[str, float] | None = None,
) -> Delay | None:
    """The same delay with other part values and gains; ``None`` when the state then ends in another way."""
    timed = delay.timed
    try:
        state = study.what_if(timed.state, values, betas)
    except np.linalg.LinAlgError:
        return None
    phase = follow(state, timed.capacitor)
    cut = ending(study.resolved, phase)
    if cut is None or cut[1] != timed.kind or cut[2] != timed.changed:
        return None
    farads = values.get((timed.capacitor, "capacitance"), delay.farads)
    segments = phase.segments[: cut[0]]
    if not all(math.isfinite(segment.duration) for segment in segments):
        return None
    last, first = segments[-1], segments[0]
    changed = replace(
        timed,
        phase=phase,
        threshold=last.end,
        current=last.current_end,
        aim=first.aim,
        tau=first.tau,
        duration=sum(segment.duration for segment in segments),
    )
    return Delay(changed, beyond(segments, farads, delay.start), delay.origin, farads, delay.approach)
