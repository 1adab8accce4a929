"""The period after the period: the same stimulus again, while the capacitor is still on its way back."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from rules.analysis.corners.parameters import at, frozen_point, parameters
from rules.analysis.delays import Delay
from rules.analysis.requirements import Window, re_arm
from rules.analysis.resolve import TRANSISTORS
from rules.analysis.runs import left_at, positions
from rules.analysis.states import find_states, matches
from rules.analysis.stays import Stay, stay_in
from rules.analysis.timeline.engine import EVENT_BUDGET, World
from rules.analysis.timeline.timelines import course, point_of, world_of

if TYPE_CHECKING:
    from rules.analysis.study import Study
    from rules.analysis.timeline.model import Timeline

SLOWEST = "C and R at their greatest"  # the corner at which least of the charge has gone
AT_ONCE = 1e-6  # of the period; a stimulus this soon after its end comes at once


@dataclass(frozen=True, eq=False)
class Retimed:
    """Two periods of one delay: ``first`` s from rest, ``second`` s ``pause`` s after the end of the first.

    ``second`` is 0 where the stimulus sets nothing off any more.  ``left`` is the capacitor voltage (V) that
    the second one starts from, ``start`` that of the first.  ``window`` is the requirement that states the
    pause, ``None`` where it is one period by default.
    """

    delay: Delay
    stimulus: str
    first: float
    second: float
    pause: float
    start: float
    left: float
    window: Window | None
    corner: str

    @property
    def ratio(self) -> float:
        return self.second / self.first


def stimulated(study: Study) -> Iterator[tuple[Delay, str]]:
    """Every delay at typical gains with each stimulus that leads to it."""
    for delay in study.delays()[0]:
        if delay.origin is not None:
            for stimulus in delay.timed.configuration.reached_by:
                if stimulus in study.circuit.stimuli:
                    yield delay, stimulus


def stays_moved(study: Study, stimulus: str) -> str | None:
    """The first contact or driver that a stimulus leaves away from its position of rest."""
    last = {action.part: action.to for action in study.circuit.stimuli[stimulus]}
    rest = positions(study.state_sets()[0].configuration)
    return next((name for name in sorted(last) if last[name] != rest[name]), None)


def watched(study: Study, delay: Delay) -> Mapping[str, str]:
    """Regions that hold as long as the delay runs: of what it switches, in the timed state.

    A delay that ends in a fold switches what conducts otherwise than at rest before it; one that ends in a
    change of region, what changes.
    """
    timed = delay.timed.state.devices
    names = delay.timed.changed
    if delay.timed.kind == "fold":
        assert delay.origin is not None
        before = delay.origin.devices
        names = tuple(
            part.name
            for part in study.circuit.parts.values()
            if part.kind in TRANSISTORS and (timed[part.name] == "off") != (before[part.name] == "off")
        )
    return {name: "off" if timed[name] == "off" else "on" for name in names}


def retimed(study: Study, delay: Delay, stimulus: str, pause: float | None = None) -> Retimed | str | None:
    """The second period at nominal values, ``pause`` s after the first (else as stated, else one period).

    A reason where a run could not be followed; ``None`` where the first stimulus does not set the delay off.
    """
    first = study.timeline(stimulus)
    return _retimed(study, delay, stimulus, world_of(study), first, pause, "typical")


def at_slowest(study: Study, delay: Delay, stimulus: str) -> Retimed | str | None:
    """The same with every capacitor and resistor at its greatest value: the pause is too short most there."""
    greatest = {
        p.key: p.high
        for p in parameters(study.resolved)
        if p.kind in ("capacitance", "resistance")
        and study.circuit.parts[p.key[0]].kind in ("capacitor", "resistor")
    }
    resolved, betas = at(study.resolved, frozen_point(greatest))
    rest = study.state_sets()[0].configuration
    origin = delay.origin
    assert origin is not None
    stable = find_states(resolved, rest, "typical", None, study.step_budget).stable
    same = [state for state in stable if dict(state.devices) == dict(origin.devices)] or list(stable)
    if not same:
        return None
    world = World(resolved, betas)
    begin = point_of(resolved, same[0])
    first = course(world, begin, study.circuit.stimuli[stimulus], rest, None, EVENT_BUDGET)
    return _retimed(study, delay, stimulus, world, first, None, SLOWEST)


def _retimed(
    study: Study,
    delay: Delay,
    stimulus: str,
    world: World,
    first: Timeline,
    pause: float | None,
    corner: str,
) -> Retimed | str | None:
    actions = study.circuit.stimuli[stimulus]
    begins, ends = actions[0].at, actions[-1].at
    regions, name = watched(study, delay), delay.timed.capacitor
    stay = stay_in(first, regions, begins) if regions else None
    if not isinstance(stay, Stay) or math.isinf(stay.end):
        return stay if isinstance(stay, str) else None
    period = stay.end - begins
    window = re_arm(study, delay)
    if pause is None:
        pause = period if window is None else window.high
    moment = max(stay.end, ends) + max(pause, AT_ONCE * period)
    left = left_at(first, moment)
    if left is None:
        return None
    second = course(world, left, actions, left.configuration, None, EVENT_BUDGET)
    again = stay_in(second, regions, begins)
    waits = matches(first.at(begins).devices, regions)
    if waits and second.intervals and not matches(second.at(begins).devices, regions):
        again = None  # what it is to switch has not even gone back
    if isinstance(again, str):
        return again
    if again is not None and math.isinf(again.end):
        return "the second period does not end" + (f": {again.reason}" if again.reason else "")
    begun = float(first.intervals[0].stored([first.intervals[0].start])[name][0])
    lasts = 0.0 if again is None else again.end - begins
    return Retimed(delay, stimulus, period, lasts, pause, begun, left.values[name], window, corner)
