"""Stimuli that switch something over, for good or for a while."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from itertools import groupby
from typing import TYPE_CHECKING

from rules.analysis.frozen import capacitor_voltage
from rules.analysis.requirements import asked
from rules.analysis.runs import Corner, left_at, positions, world_at
from rules.analysis.startup import conducting
from rules.analysis.states import State, find_states, matches
from rules.analysis.timeline.engine import EVENT_BUDGET
from rules.analysis.timeline.stores import store_names
from rules.analysis.timeline.timelines import course, point_of
from schemas.circuit import Action, Circuit

if TYPE_CHECKING:
    from rules.analysis.study import Study
    from rules.analysis.timeline.model import Timeline

FURTHEST = 100.0  # times the width of a stimulus, up to which a longer one is looked at
FEW_EVENTS = 24  # of a run that is to tell what a stimulus that stays leads to
LASTING = 0.5  # of the whole time that the state lasts; what lasts so long has been set off


@dataclass(frozen=True, eq=False)
class Trigger:
    """A stimulus that moves one contact or driver and back again, and switches the circuit over.

    ``there`` and ``back`` are the two moves, ``hold`` the time (s) between them, infinite where the document
    names no stimulus.  ``before`` is the state of rest, ``after`` the state it sets off, ``switched`` the
    transistors that conduct in only one of the two, with the capacitors
    in ``held`` (V) at their voltages of rest; ``lasts`` (s): how long that state goes on (a latch: for ever).
    """

    stimulus: str | None
    part: str
    there: Action
    back: Action
    hold: float
    before: State
    after: State
    switched: frozenset[str]
    held: Mapping[str, float]
    corner: str
    lasts: float
    reach: float = 4.0
    """Times its drive, up to which it is looked for where the state of rest ceases to exist."""


@dataclass(frozen=True, slots=True)
class NoTrigger:
    """Why a stimulus is none; ``idle`` has the moves of one that switches nothing over, once it has gone."""

    stimulus: str | None
    part: str
    reason: str
    idle: tuple[Action, Action] | None = None


def moves(study: Study) -> Iterator[tuple[str | None, tuple[Action, ...]]]:
    """Every stimulus; without any, each contact and driver moved alone and back, held for ever."""
    circuit = study.circuit
    if circuit.stimuli:
        yield from sorted(circuit.stimuli.items())
        return
    rest = study.state_sets()[0].configuration
    other = {"open": "closed", "closed": "open", "low": "high", "high": "low"}
    for name, position in sorted(positions(rest).items()):
        yield None, (Action(0.0, name, other[position]), Action(math.inf, name, position))


def triggers(study: Study, corner: str = "typical") -> tuple[Trigger | NoTrigger, ...]:
    """Every stimulus as a trigger, from every state of rest, or why it is none."""
    found: list[Trigger | NoTrigger] = []
    for stimulus, actions in moves(study):
        groups = [list(group) for _, group in groupby(actions, key=lambda action: action.at)]
        parts = sorted({action.part for action in actions})
        told = NoTrigger(stimulus, parts[0] if parts else "", "")
        if len(groups) != 2 or any(len(group) != 1 for group in groups) or len(parts) != 1:
            found.append(replace(told, reason="it is not one contact or output that moves and goes back"))
            continue
        origins = study.state_sets(corner)[0].stable
        made = [_trigger(study, corner, stimulus, groups[0][0], groups[1][0], state) for state in origins]
        real = [each for each in made if isinstance(each, Trigger)]
        found.extend(real or made[:1] or [replace(told, reason="the circuit never rests")])
    return tuple(found)


def slow_capacitors(study: Study, corner: str) -> frozenset[str]:
    """The capacitors that time something, and every slower one: they stay while a trigger acts."""
    found: set[str] = set()
    for delay in study.delays(corner)[0]:
        found |= set(delay.timed.state.mode.network.held)
    return frozenset(found)


def _trigger(
    study: Study, corner: str, stimulus: str | None, there: Action, back: Action, before: State
) -> Trigger | NoTrigger:
    rest = before.mode.network.configuration
    no = NoTrigger(stimulus, there.part, "")
    if positions(rest)[there.part] == there.to or positions(rest)[back.part] != back.to:
        return replace(no, reason="it does not leave its position of rest and come back to it")
    timeline = _run(study, corner, stimulus, before, there, back)
    released = back.at if math.isfinite(back.at) else 0.0
    if timeline is None or timeline.verdict == "undecided" or not timeline.intervals:
        return replace(no, reason="the run after it could not be followed to its end")
    origin = conducting(study, before.devices)
    pattern = conducting(study, timeline.at(released).devices)
    if pattern == origin:
        longer = _longer(study, corner, before, there, back)
        if longer is None:
            missed = _missed(study, corner, stimulus, there, back, before)
            return missed or replace(
                no, reason="nothing is switched over once it has gone", idle=(there, back)
            )
        timeline, released = longer, 0.0
        pattern = conducting(study, timeline.at(released).devices)
    held = _held_at_rest(study, corner, before)
    states = find_states(study.resolved, rest, corner, held, study.step_budget).stable
    here = [state for state in states if conducting(study, state.devices) == origin]
    after = [state for state in states if conducting(study, state.devices) == pattern]
    if not here or not after:
        return replace(no, reason="what it leaves behind goes on by its charge, not by itself")
    switched = pattern ^ origin
    lasts = sum(
        i.duration
        for i in timeline.intervals
        if conducting(study, i.devices) & switched == pattern & switched
    )
    hold = back.at - there.at
    return Trigger(stimulus, there.part, there, back, hold, here[0], after[0], switched, held, corner, lasts)


def _missed(
    study: Study, corner: str, stimulus: str | None, there: Action, back: Action, before: State
) -> Trigger | None:
    """A stimulus that sets nothing off, although a requirement says which state it is to lead to."""
    rest, origin = before.mode.network.configuration, conducting(study, before.devices)
    held = _held_at_rest(study, corner, before)
    states = find_states(study.resolved, rest, corner, held, study.step_budget).stable
    for item in asked(study.circuit, "delay"):
        regions = study.circuit.states.get(item.state)
        if item.text("stimulus") != stimulus or regions is None:
            continue
        for state in states:
            pattern = conducting(study, state.devices)
            if matches(state.devices, regions) and pattern != origin:
                switched, hold = pattern ^ origin, back.at - there.at
                return Trigger(
                    stimulus, there.part, there, back, hold, before, state, switched, held, corner, math.inf
                )
    return None


def _held_at_rest(study: Study, corner: str, before: State) -> dict[str, float]:
    """Voltages of the capacitors that time something, as they are at rest."""
    return {
        name: capacitor_voltage(study.resolved, before, name) or 0.0
        for name in sorted(slow_capacitors(study, corner))
    }


def _longer(study: Study, corner: str, before: State, there: Action, back: Action) -> Timeline | None:
    """What a stimulus leads to that stays longer: let go in the middle of the longest other state."""
    if math.isinf(back.at) or not any(store_names(study.resolved)):
        return None  # without anything stored no time is needed
    world = world_at(study, Corner(corner))
    begin = point_of(world.resolved, before)
    held = course(world, begin, (replace(there, at=0.0),), begin.configuration, None, FEW_EVENTS)
    origin = conducting(study, before.devices)
    others = [i for i in held.intervals if conducting(study, i.devices) != origin]
    if not others:
        return None
    longest = max(others, key=lambda interval: (interval.duration, -interval.start))
    end = longest.end if math.isfinite(longest.end) else longest.start + FURTHEST * (back.at - there.at)
    left = left_at(held, 0.5 * (longest.start + end))
    assert left is not None
    after = course(world, left, (replace(back, at=0.0),), left.configuration)
    changed = bool(after.intervals) and conducting(study, after.at(0.0).devices) != origin
    return after if changed and after.verdict != "undecided" else None


def named_stimuli(circuit: Circuit) -> frozenset[str]:
    """The stimuli that some requirement speaks of."""
    found = {wanted.values.get("stimulus") for wanted in circuit.requirements}
    return frozenset(name for name in found if isinstance(name, str))


def _run(
    study: Study, corner: str, stimulus: str | None, before: State, there: Action, back: Action
) -> Timeline | None:
    """The whole run; one that is held for ever is released once everything has settled."""
    if stimulus is not None and before is study.state_sets(corner)[0].stable[0]:
        return study.timeline(stimulus, corner)
    world = world_at(study, Corner(corner))
    begin = point_of(world.resolved, before)
    header = (None, before.name, corner, "none")
    if math.isfinite(back.at):
        return course(world, begin, (there, back), begin.configuration, None, EVENT_BUDGET, header)
    first = course(world, begin, (replace(there, at=0.0),), begin.configuration, None, EVENT_BUDGET, header)
    left = left_at(first, math.inf) if first.verdict == "settles" else None
    if left is None:
        return None
    return course(world, left, (replace(back, at=0.0),), left.configuration, None, EVENT_BUDGET, header)
