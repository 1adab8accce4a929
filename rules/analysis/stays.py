"""How long a circuit stays in a named state after a stimulus, on the event-exact timeline.

The stay runs from the first action of the stimulus, or from when the state is first entered after it, until
none of the regions fit any more.  Over the tolerances the worst corners come from the closed courses of the
delay behind it (:mod:`rules.analysis.delay_corners`); what is judged is then measured at those corners,
with leakage at its limit where that makes it worse.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from rules.analysis.corners.labels import NOMINAL
from rules.analysis.corners.parameters import HANDBOOK_TEMPERATURE, TEMPERATURE, Point, at, parameters
from rules.analysis.corners.worst import Worst, bounds_scalar
from rules.analysis.course import seconds
from rules.analysis.delay_corners import Corner, DelayCorners, Share, delay_corners, every_delay
from rules.analysis.delays import Delay
from rules.analysis.formulas.drift import capacitance_drift
from rules.analysis.leakage import highest_voltage, promise_of
from rules.analysis.named import Others, Pinned
from rules.analysis.requirements import Asked, means
from rules.analysis.resolve import Resolved, dielectric_of
from rules.analysis.states import matches
from rules.analysis.study import Situation, Study

if TYPE_CHECKING:
    from rules.analysis.timeline.model import Timeline

Leaking = Literal["none", "limit"]
_NEXT_TO_NOTHING = 0.01  # of a stay, that belongs to no capacitor
_PART = 0.2  # of a stay; what its delay leaves unexplained: the press of a button, the settling of a filter


@dataclass(frozen=True, slots=True)
class Stay:
    """From ``start`` to ``end`` s; ``end`` is infinite where the state never ends, with the reason."""

    start: float
    end: float
    reason: str = ""

    @property
    def seconds(self) -> float:
        return self.end - self.start


def stay_in(timeline: Timeline, regions: Mapping[str, str], since: float) -> Stay | str | None:
    """The first stay in a state after ``since`` s.

    ``None`` where it is never entered; a reason where the run stops before that is known.
    """
    start: float | None = None
    for interval in timeline.intervals:
        if interval.end <= since:
            continue
        if matches(interval.devices, regions):
            start = max(interval.start, since) if start is None else start
        elif start is not None:
            return Stay(start, interval.start)
    if timeline.verdict == "undecided":
        return timeline.reason or "the course could not be followed to its end"
    if start is None:
        return None
    return Stay(start, math.inf, timeline.reason)


@dataclass(frozen=True, slots=True)
class Measured:
    """One end of a delay: ``dry`` s without leakage and ``seconds`` with it, at a corner.

    ``reason`` says why it never ends, where it does not.
    """

    seconds: float
    dry: float
    corner: str
    reason: str = ""


@dataclass(frozen=True, eq=False)
class Stays:
    """A required delay over all tolerances.

    ``delay`` is the timed state behind it, ``None`` where there is no single one; ``shares`` are what each
    tolerance does alone.  ``missing``: corners at which the state is not entered.
    """

    nominal: Stay
    low: Measured
    high: Measured
    delay: Delay | None
    corners: DelayCorners | None
    shares: tuple[Share, ...]
    missing: tuple[str, ...]
    proven: bool


class Ruler:
    """Measures one requirement at any point of the tolerances."""

    def __init__(self, study: Study, item: Asked) -> None:
        self.study, self.item = study, item
        self.stimulus = item.text("stimulus")
        self.regions = study.circuit.states[item.state]
        actions = study.circuit.stimuli[self.stimulus]
        self.since = actions[0].at if actions else 0.0

    def nominal(self, leakage: Leaking = "none") -> Stay | str | None:
        timeline = self.study.timeline(self.stimulus, leakage=leakage)
        return stay_in(timeline, self.regions, self.since)

    def at_point(self, point: Point, leakage: Leaking) -> Stay | str | None:
        """The stay at a point; the temperature moves the capacitors too."""
        resolved = at(self.study.resolved, point)[0]
        kelvin = point.get(TEMPERATURE, HANDBOOK_TEMPERATURE)
        warmed = {
            (part.name, "capacitance"): resolved.value(part.name, "capacitance")
            * (1.0 + float(capacitance_drift(dielectric_of(part), kelvin)))
            for part in self.study.circuit.parts.values()
            if part.kind == "capacitor"
        }
        return stay_in(self._run(resolved.with_values(warmed), leakage), self.regions, self.since)

    def _run(self, resolved: Resolved, leakage: Leaking) -> Timeline:
        """The stimulus from rest; what a capacitor may leak goes by its nominal value everywhere."""
        from rules.analysis.timeline.engine import EVENT_BUDGET, World
        from rules.analysis.timeline.timelines import REST, course, gains, leaks, point_of

        pinned = Pinned(self.study.circuit, resolved)
        world = World(resolved, gains(pinned, "typical"), leaks(self.study) if leakage == "limit" else {})
        rest = pinned.state_sets("typical")[0]
        begin = point_of(resolved, rest.stable[0]) if rest.stable else None
        actions = self.study.circuit.stimuli[self.stimulus]
        header = (self.stimulus, REST, "typical", leakage)
        return course(world, begin, actions, rest.configuration, None, EVENT_BUDGET, header)

    def stays(self) -> Stays | str | None:
        """The range; a reason where it is not known, ``None`` where the state is never entered."""
        nominal = self.nominal()
        if nominal is None or isinstance(nominal, str):
            return nominal
        behind = self._delay(nominal)
        if behind is None:
            return self._by_runs(nominal)
        corners = delay_corners(self.study, behind)
        ends = corners.worst(corners.total, -1.0), corners.worst(corners.total, 1.0)
        if ends[0] is None or ends[1] is None:
            return self._by_runs(nominal)
        missing: list[str] = []
        made: list[Measured] = []
        extra = nominal.seconds - ends[0].nominal
        for corner, sign in ((ends[0], -1.0), (ends[1], 1.0)):
            found = self._measured(corners, corner, extra, behind.opposed == (sign > 0.0))
            if isinstance(found, str):
                return found
            if found is None:
                missing.append(corner.label)
                found = Measured(corner.value, corner.value, corner.label)
            made.append(found)
        timed = behind.timed
        situation = Situation(timed.name, timed.corner, timed.state, timed)
        missing.extend(Others(self.study, self.item.state, situation).missing)
        lost = [*missing, *ends[0].lost, *ends[1].lost]
        return Stays(
            nominal, made[0], made[1], behind, corners, ends[1].shares, tuple(dict.fromkeys(lost)), True
        )

    def _delay(self, nominal: Stay) -> Delay | None:
        """The delay that the requirement means: of several the one that ends last within the stay."""
        found = [d for d in every_delay(self.study) if means(self.study.circuit, self.item, d)]
        fitting = [d for d in found if d.duration <= nominal.seconds * (1.0 + _PART)]
        best = max(fitting, key=lambda d: (d.duration, d.timed.capacitor), default=None)
        # what the delay does not explain is no part of it: then every point is run
        if best is None or best.duration < (1.0 - _PART) * nominal.seconds:
            return None
        return best

    def _measured(
        self, corners: DelayCorners, corner: Corner, extra: float, leaks: bool
    ) -> Measured | str | None:
        """The stay at a corner of the delay; ``extra`` s of it belong to no capacitor.

        Where that is next to nothing the closed course is the stay; else the corner is run.
        """
        dry = corner.value + extra
        if abs(extra) <= _NEXT_TO_NOTHING * dry:
            wet = self._leaking(corners, corner) + extra if leaks else dry
            if math.isfinite(wet):
                return Measured(wet, dry, corner.label)
        stay = self.at_point(corner.point, "limit" if leaks else "none")
        if stay is None or isinstance(stay, str):
            return stay
        return Measured(stay.seconds, dry if leaks else stay.seconds, corner.label, stay.reason)

    def _leaking(self, corners: DelayCorners, corner: Corner) -> float:
        """The delay at a corner with its capacitor leaking its limit, s."""
        capacitor = corners.capacitor
        promise = promise_of(self.study, capacitor, highest_voltage(self.study, capacitor))
        row = corner.row[None]
        courses = corners.courses(row)
        if isinstance(promise, str) or not courses.here[0] or math.isinf(corner.value):
            return corner.value
        farads = float(corners.farads(row)[0])
        return seconds(courses.segments(0, farads), farads, promise.limit)

    def _by_runs(self, nominal: Stay) -> Stays | str:
        """Every corner by a run of its own, where no single capacitor explains the delay."""
        open_: list[str] = []
        missing: list[str] = []

        def lasting(point: Point, leakage: Leaking = "none") -> float | None:
            stay = self.at_point(point, leakage)
            if isinstance(stay, str):
                open_.append(stay)
                return None
            if stay is None:
                missing.append("")
                return None
            return stay.seconds

        every = parameters(self.study.resolved)
        found = bounds_scalar(lasting, every, thrifty=True) if every else None
        if open_:
            return open_[0]
        if found is None:
            dry = nominal.seconds
            leaky = self.nominal("limit")
            wet = leaky.seconds if isinstance(leaky, Stay) else dry
            low = Measured(min(dry, wet), dry, NOMINAL)
            high = Measured(max(dry, wet), dry, NOMINAL, leaky.reason if isinstance(leaky, Stay) else "")
            return Stays(nominal, low, high, None, None, (), (), True)
        shares = tuple(Share(s.parameter, s.low, s.high) for s in found[1].sensitivities if s.low != s.high)
        low, high = (self._with_leakage(end) for end in found)
        lost = ("some corner of the tolerances",) if missing else ()
        return Stays(nominal, low, high, None, None, shares, lost, False)

    def _with_leakage(self, end: Worst) -> Measured:
        """The same corner with leakage, where that makes it worse."""
        wet = self.at_point(end.point, "limit")
        if not isinstance(wet, Stay):
            return Measured(end.value, end.value, end.label)
        worse = (min if end.sense == "min" else max)(end.value, wet.seconds)
        return Measured(worse, end.value, end.label, wet.reason)
