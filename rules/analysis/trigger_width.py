"""How long a trigger has to stay until the circuit carries on by itself, and what if it stays for ever."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from rules.analysis.runs import Corner, left_at, positions, world_at
from rules.analysis.startup import conducting
from rules.analysis.states import State
from rules.analysis.timeline.timelines import course, point_of
from rules.analysis.triggers import FEW_EVENTS, LASTING, Trigger

if TYPE_CHECKING:
    from rules.analysis.study import Study
    from rules.analysis.timeline.model import Timeline

DOUBLINGS = (1.0, 2.0, 4.0, 8.0, 16.0)  # times the moments at which one looks for a width that is enough
CLOSE = 1e-3  # of a width


def least_width(study: Study, trigger: Trigger, wanted: float) -> float:
    """A width (s) from which on the trigger switches over; infinite where none within reach does.

    No closer than it takes to know that ``wanted`` s are enough; the least where they are not.
    """
    held = held_run(study, trigger)
    there = next((i.start for i in held.intervals if _is_after(trigger, i.devices)), math.inf)
    for moment in (there, wanted):
        if moment <= wanted and sets_off(study, trigger, held, moment):
            return moment
    further = (moment * factor for factor in DOUBLINGS for moment in (trigger.hold, there))
    enough = (moment for moment in sorted(further) if wanted < moment < math.inf)
    high = next((moment for moment in enough if sets_off(study, trigger, held, moment)), math.inf)
    if math.isinf(high):
        return high
    low = wanted
    while high - low > CLOSE * high:
        middle = 0.5 * (low + high)
        low, high = (low, middle) if sets_off(study, trigger, held, middle) else (middle, high)
    return high


def _is_after(trigger: Trigger, devices: Mapping[str, str]) -> bool:
    """True where every transistor is in the region it has in the state that is set off."""
    regions = trigger.after.mode.betas
    return all(devices[name] == trigger.after.devices[name] for name in regions)


def held_run(study: Study, trigger: Trigger) -> Timeline:
    """The run with the stimulus held for ever; time counts from its beginning."""
    made: dict[tuple[str | None, str, str, str], Timeline] = study.shared("held triggers", dict)
    key = trigger.stimulus, trigger.part, trigger.corner, trigger.before.name
    if key not in made:
        world = world_at(study, Corner(trigger.corner))
        begin = point_of(world.resolved, _resting(study, trigger))
        header = (trigger.stimulus, trigger.before.name, trigger.corner, "none")
        action = replace(trigger.there, at=0.0)
        made[key] = course(world, begin, (action,), begin.configuration, None, FEW_EVENTS, header)
    return made[key]


def _resting(study: Study, trigger: Trigger) -> State:
    """The state of rest with nothing held."""
    origin = conducting(study, trigger.before.devices)
    stable = study.state_sets(trigger.corner)[0].stable
    return next(state for state in stable if conducting(study, state.devices) == origin)


def _rests_while_held(study: Study, trigger: Trigger) -> bool:
    """Whether any state is stable with the stimulus where it stays."""
    here = {**positions(trigger.before.mode.network.configuration), trigger.there.part: trigger.there.to}
    sets = [s for s in study.state_sets(trigger.corner) if positions(s.configuration) == here]
    return not sets or any(s.stable for s in sets)


def sets_off(study: Study, trigger: Trigger, held: Timeline, width: float) -> bool:
    """True when letting go after ``width`` s still leads to the new state."""
    left = left_at(held, width)
    if left is None:
        return False
    world = world_at(study, Corner(trigger.corner))
    until = None if math.isinf(trigger.lasts) else LASTING * trigger.lasts
    timeline = course(world, left, (replace(trigger.back, at=0.0),), left.configuration, until)
    if not timeline.intervals:
        return False
    return _pattern(study, trigger, timeline.last.devices) == _pattern(study, trigger, trigger.after.devices)


def _pattern(study: Study, trigger: Trigger, devices: Mapping[str, str]) -> frozenset[str]:
    """Which of the transistors conduct that the trigger switches over."""
    return conducting(study, devices) & trigger.switched


# what if it stays -----------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class Held:
    """What becomes of a timed state whose stimulus stays.

    ``end``: ``over`` (it ended and the circuit rests as before), ``goes on``, ``repeats``, ``elsewhere``
    (another state, from which letting go is harmless), ``turned round`` (letting go sets it off, or ends
    elsewhere), ``unknown`` with ``reason``.  ``state`` is where it rests, ``None`` where it does not.
    """

    end: str
    state: State | None
    reason: str = ""


def held_for_ever(study: Study, trigger: Trigger) -> Held:
    """Follow a stimulus that is never withdrawn, and then is after all."""
    timeline = held_run(study, trigger)
    wanted = _pattern(study, trigger, trigger.after.devices)
    origin = conducting(study, trigger.before.devices)
    stays = [_pattern(study, trigger, i.devices) == wanted for i in timeline.intervals]
    times = sum(now and not before for before, now in zip([False, *stays], stays, strict=False))
    if times > 1 or timeline.verdict == "oscillates":
        return Held("repeats", None)
    if timeline.verdict != "settles":
        ended = times == 1 and not stays[-1]
        if ended and not _rests_while_held(study, trigger):
            return Held("repeats", None)  # it goes on moving: what ended once is set off anew
        return Held("over" if ended else "unknown", None, timeline.reason)
    state = timeline.last.state
    if stays[-1]:
        return Held("goes on", state)
    if conducting(study, timeline.last.devices) == origin:
        return Held("over", state)
    left = left_at(timeline, math.inf)
    assert left is not None
    world = world_at(study, Corner(trigger.corner))
    after = course(world, left, (replace(trigger.back, at=0.0),), left.configuration, None, FEW_EVENTS)
    lasts = sum(i.duration for i in after.intervals if _pattern(study, trigger, i.devices) == wanted)
    home = bool(after.intervals) and conducting(study, after.last.devices) == origin
    harmless = home and lasts < LASTING * trigger.lasts
    return Held("elsewhere" if harmless else "turned round", state)
