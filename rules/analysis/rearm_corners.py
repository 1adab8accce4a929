"""The way back of a timing capacitor at the corner of all tolerances at which it takes longest.

The corner follows from the signs of single changes in the modes of the way back at nominal values; there the
circuit is then worked out anew, states and all.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from rules.analysis.configurations import configurations
from rules.analysis.corners.parameters import HANDBOOK_TEMPERATURE, TEMPERATURE, Key, Point, at
from rules.analysis.corners.worst import Sensitivity, worst_scalar
from rules.analysis.courses import Courses, Flags, Frame, frame_at, passed
from rules.analysis.delay_corners import DelayCorners, delay_corners
from rules.analysis.delay_design import corners_with
from rules.analysis.delays import Delay, dwell
from rules.analysis.elements import Array
from rules.analysis.formulas.drift import capacitance_drift
from rules.analysis.frozen import Phase, follow
from rules.analysis.named import Following
from rules.analysis.recovery import HAIR, NoRecovery, Recovery, recovery_of
from rules.analysis.resolve import TRANSISTORS, dielectric_of
from rules.analysis.states import State, find_states

if TYPE_CHECKING:
    from rules.analysis.study import Study

_FLAT = 1e-9  # relative change of current below which a piece counts as straight


@dataclass(frozen=True, eq=False)
class WorstWay:
    """The slowest way back: ``seconds`` at ``corner``, which is the point ``point``."""

    seconds: float
    delay: Delay
    corner: str
    sensitivities: tuple[Sensitivity, ...]
    point: Point
    study: Study
    shortening: float

    def worked_out(self) -> tuple[Recovery | NoRecovery, Delay]:
        """The way back and the delay there, states and all; the reason where there is none.

        Without one, the delay is not there at this corner, or it ends in another way.
        """
        pinned, _ = pinned_at(self.study, self.delay, self.point)
        there = _same(pinned, self.delay)
        if there is None:
            reason = f'"{self.delay.timed.name}" is no delay at this corner, or it ends in another way'
            return NoRecovery(reason, False), self.delay
        return recovery_of(pinned, "typical", there, self.shortening), there


def worst_way(
    study: Study,
    delay: Delay,
    way: Recovery,
    shortening: float,
    values: Mapping[Key, float] | None = None,
) -> WorstWay | None:
    """The way back at its worst corner, with other part values if given; ``None`` where nothing moves it."""
    corners = delay_corners(study, delay)
    if values:
        corners = corners_with(corners, values)
    if not corners.parameters:
        return None
    if delay.timed.kind == "fold" and way.configuration.key != delay.timed.configuration.key:
        return _by_trials(study, corners, shortening)  # where it begins follows from what comes between
    back = WayBack(study, corners, way, shortening)
    found = corners.worst(back.seconds, 1.0)
    if found is not None and math.isfinite(found.value) and not found.lost:
        moved = [Sensitivity(s.parameter, s.low, s.high, 0.0) for s in found.shares]
        moved.sort(key=lambda s: (-abs(s.change), s.parameter.key))
        return WorstWay(found.value, delay, found.label, tuple(moved), found.point, study, shortening)
    return _by_trials(study, corners, shortening)


class WayBack:
    """The time back at many points of the tolerances, in the modes of the way at nominal values."""

    def __init__(self, study: Study, corners: DelayCorners, way: Recovery, shortening: float) -> None:
        self.study, self.corners, self.way, self.shortening = study, corners, way, shortening
        timed = corners.delay.timed
        self._own = self._frame(timed.phase)
        self._frames = [self._frame(phase) for phase in way.phases]
        rest = configurations(study.circuit)[0][0]
        fold = timed.kind == "fold"
        self.stay = math.inf if fold else dwell(study.circuit, timed.configuration, rest)

    def _frame(self, phase: Phase) -> Frame:
        return frame_at(phase.start_state, self.way.capacitor)

    def seconds(self, courses: Courses, points: Array) -> Array:
        """s at every point; a point that goes another way than all others is worked out by itself."""
        farads = self.corners.farads(points)
        total = courses.times(farads).sum(axis=1)
        enough = passed(courses, farads, self.shortening * total)
        volts = self._left(courses, points, farads)
        time, known = np.zeros(len(points)), np.isfinite(volts)
        open_ = (volts - enough) * (courses.start[:, 0] - enough) < 0.0
        for phase, frame in zip(self.way.phases, self._frames, strict=True):
            made = self._followed(phase, frame, points, volts)
            spent, there = until_voltage(made, farads, enough)
            known &= made.here | ~open_
            time = np.where(open_, time + spent, time)
            open_ = open_ & ~there
            volts = made.end[:, -1]
        time = np.where(known, np.where(open_, np.inf, time), np.nan)
        for k in np.flatnonzero(~known & np.isfinite(total)).tolist():
            alone = seconds_at(self.study, self.corners.delay, self.shortening, self.corners.point(points[k]))
            time[k] = math.nan if alone is None else alone
        return time

    def _left(self, courses: Courses, points: Array, farads: Array) -> Array:
        """Where the capacitor stands as the way back begins, V."""
        timed = self.corners.delay.timed
        if timed.kind == "fold":
            result: Array = courses.end[:, -1]
            return result
        made = self._followed(timed.phase, self._own, points, courses.start[:, 0])
        volts = made.end[:, -1] if math.isinf(self.stay) else passed(made, farads, self.stay)
        # a hair on the way back, so that no junction across the capacitor stands at its very limit
        volts = volts - np.copysign(HAIR, volts - courses.start[:, 0])
        return np.where(made.here, volts, np.nan)

    def _followed(self, phase: Phase, frame: Frame, points: Array, start: Array) -> Courses:
        """The course of a phase at every point; where it begins in another mode, by that of the point."""
        held = {name: np.full(len(points), volts) for name, volts in frame.network.held.items()}
        held[self.way.capacitor] = start
        found = self._in_modes(phase, frame, points, held)
        open_ = np.flatnonzero(~found.here & np.isfinite(start))
        while open_.size:
            first = open_[0]
            alone = self._alone(phase, points[first], {n: float(volts[first]) for n, volts in held.items()})
            if alone is not None:
                rows = {name: volts[open_] for name, volts in held.items()}
                others = self._in_modes(alone, frame, points[open_], rows)
                found = found.widened(others.start.shape[1])
                found.put(open_, others, others.here)
            open_ = open_[~found.here[open_] & (open_ != first)]
        return found

    def _in_modes(self, phase: Phase, frame: Frame, points: Array, held: Mapping[str, Array]) -> Courses:
        way = tuple(segment.support for segment in phase.segments)
        if not way:
            return Courses.empty(len(points), 1, len(frame.network.junctions))
        batch = frame.batch(self.corners.parameters, points, held)
        start = held[self.way.capacitor]
        return batch.follow(way, start, phase.end == "fold", settles=phase.end == "settles")

    def _alone(self, phase: Phase, row: Array, held: Mapping[str, float]) -> Phase | None:
        """The phase at one point: from the state there in which the same transistors conduct."""
        resolved, _ = at(self.corners.resolved, self.corners.point(row))
        network = phase.start_state.mode.network
        parts = resolved.circuit.parts

        def conducting(state: State) -> set[str]:
            busy = (name for name, region in state.devices.items() if region != "off")
            return {name for name in busy if parts[name].kind in TRANSISTORS}

        wanted = conducting(phase.start_state)
        stable = find_states(resolved, network.configuration, "typical", held).stable
        same = [state for state in stable if conducting(state) == wanted]
        if len(same) != 1:
            return None
        made = follow(same[0], self.way.capacitor)
        return made if made.end == phase.end and made.segments else None


def until_voltage(courses: Courses, farads: Array, target: Array) -> tuple[Array, Flags]:
    """Seconds from the start of each course to ``target`` V on its way, and whether it gets there."""
    slope, times = courses.slope, courses.times(farads)
    time, done = np.zeros(len(farads)), np.zeros(len(farads), dtype=bool)
    for k in range(times.shape[1]):
        start, end, first = courses.start[:, k], courses.end[:, k], courses.first[:, k]
        inside = ~done & (start != end) & ((target - start) * (target - end) <= 0.0)
        last = first + slope[:, k] * (target - start)
        with np.errstate(all="ignore"):
            ratio = first / last
            mean = np.where(np.abs(ratio - 1.0) < _FLAT, 1.0 / first, np.log(ratio) / (first - last))
            part = np.where(target == start, 0.0, farads * (target - start) * mean)
        inside &= np.isfinite(part)
        time = np.where(inside, time + part, np.where(done, time, time + times[:, k]))
        done = done | inside
    return time, done


def _by_trials(study: Study, corners: DelayCorners, shortening: float) -> WorstWay | None:
    """The same with every point worked out by itself."""
    every, delay = corners.parameters, corners.delay
    found = worst_scalar(lambda point: seconds_at(study, delay, shortening, point), every, "max", True)
    if found is None:
        return None
    return WorstWay(found.value, delay, found.label, found.sensitivities, found.point, study, shortening)


def pinned_at(study: Study, delay: Delay, point: Point) -> tuple[Following, dict[str, float]]:
    """The circuit at a point with its gains; the temperature moves the capacitance too."""
    resolved, betas = at(study.resolved, point)
    capacitor = delay.timed.capacitor
    kelvin = point.get(TEMPERATURE, HANDBOOK_TEMPERATURE)
    drift = float(capacitance_drift(dielectric_of(study.circuit.parts[capacitor]), kelvin))
    farads = resolved.value(capacitor, "capacitance") * (1.0 + drift)
    changed = resolved.with_values({(capacitor, "capacitance"): farads})
    return Following(study, changed, capacitor, delay.timed.configuration.key), betas


def seconds_at(study: Study, delay: Delay, shortening: float, point: Point) -> float | None:
    """The time back at a point, states and all; ``None`` where the delay or the way is not there."""
    pinned, _ = pinned_at(study, delay, point)
    there = _same(pinned, delay)
    way = None if there is None else recovery_of(pinned, "typical", there, shortening)
    return way.seconds if isinstance(way, Recovery) else None


def _same(study: Study, delay: Delay) -> Delay | None:
    """The same delay in another study of the circuit."""
    wanted = delay.timed
    for other in study.delays("typical")[0]:
        timed = other.timed
        here = (timed.capacitor, timed.kind, timed.configuration.key, other.opposed)
        if here == (wanted.capacitor, wanted.kind, wanted.configuration.key, delay.opposed):
            return other
    return None
