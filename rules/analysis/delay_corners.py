"""A delay as a function of every toleranced quantity, and its worst corners.

    corners = delay_corners(study, delay)        asked twice, the same object
    corners.seconds(points)                      s, for points in rows
    corners.worst(corners.total, 1.0)            the worst of any quantity of the courses

Gains, supplies, values, drops and the temperature are one box: a delay at
least, typical and greatest gain is one delay.  The capacitance follows the
temperature as its dielectric does.  Leakage is left out (see timing-leakage).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING, TypeAlias

import numpy as np

from rules.analysis.corners.context import box_of
from rules.analysis.corners.labels import label
from rules.analysis.corners.parameters import (
    HANDBOOK_TEMPERATURE,
    TEMPERATURE,
    Key,
    Parameter,
    Point,
    at,
    frozen_point,
)
from rules.analysis.courses import Courses, Frame, Way, frame_at, single
from rules.analysis.delay_parameters import delay_parameters
from rules.analysis.delay_starts import held_at
from rules.analysis.delays import Delay
from rules.analysis.elements import Array
from rules.analysis.formulas.drift import capacitance_drift
from rules.analysis.frozen import Phase, Segment, ending, follow
from rules.analysis.mode_line import Tracer
from rules.analysis.network import build_network
from rules.analysis.resolve import TRANSISTORS, dielectric_of
from rules.analysis.states import State, find_states

if TYPE_CHECKING:
    from rules.analysis.study import Study

Quantity: TypeAlias = Callable[[Courses, Array], Array]  # (courses, points) -> (N,), NaN where undefined

MATTERS = 0.02  # of the sum of all single changes; a parameter below it is left out of the name of a corner
ROUNDS = 6
NOISE = 1e-9  # relative; a smaller change is none
STILL = 1e-4  # of the delay; a parameter that moves it by less does not move it


@dataclass(frozen=True, slots=True)
class Share:
    """One parameter alone at its ends, all others nominal: the quantity at low and at high."""

    parameter: Parameter
    low: float
    high: float


@dataclass(frozen=True, eq=False)
class Corner:
    """The worst value of a quantity: where (``point``, ``row``), its name, and every single change.

    ``lost`` names the corners that were looked at where the timed state does not exist or ends otherwise.
    """

    value: float
    nominal: float
    point: Point
    row: Array
    label: str
    shares: tuple[Share, ...]
    lost: tuple[str, ...]


class DelayCorners:
    """One delay over the box of its parameters; courses are kept by what was asked."""

    def __init__(
        self,
        study: Study,
        delay: Delay,
        chosen: Callable[[Parameter], bool] | None = None,
        more: Sequence[Parameter] = (),
    ) -> None:
        """``chosen`` leaves out parameters: they stay nominal; ``more`` are looked at besides."""
        self.study, self.delay = study, delay
        self.resolved = study.resolved
        self.capacitor = delay.timed.capacitor
        found = delay_parameters(study, delay)
        self.parameters = tuple(p for p in (*found, *more) if chosen is None or chosen(p))
        self.keys: tuple[Key, ...] = tuple(p.key for p in self.parameters)
        self.box = box_of(self.parameters)
        self._kept: dict[bytes, Courses] = {}

    def with_intervals(self, changed: Mapping[Key, Parameter]) -> DelayCorners:
        """The same delay with other intervals (closer parts, another nominal value)."""
        made = DelayCorners(self.study, self.delay)
        made.parameters = tuple(changed.get(p.key, p) for p in self.parameters)
        made.keys, made.box = self.keys, box_of(made.parameters)
        return made

    def column(self, points: Array, key: Key) -> Array:
        """A parameter at every point; its fixed value where it is none."""
        if key in self.keys:
            result: Array = points[:, self.keys.index(key)]
            return result
        fixed = HANDBOOK_TEMPERATURE if key == TEMPERATURE else self.resolved.value(*key)
        return np.full(len(points), fixed)

    def beta(self, points: Array, transistor: str) -> Array:
        """The gain of a transistor at every point, at 25 degC."""
        key = (transistor, "beta")
        if key in self.keys:
            return self.column(points, key)
        return np.full(len(points), self.resolved.beta(transistor, "typical").value)

    def farads(self, points: Array) -> Array:
        """The capacitance at every point, its drift with temperature included."""
        own = self.column(points, (self.capacitor, "capacitance"))
        return own * (1.0 + self.drift_at(self.column(points, TEMPERATURE)))

    def drift_at(self, kelvin: float | Array) -> Array:
        """Relative change of the capacitance at a temperature."""
        return capacitance_drift(dielectric_of(self.resolved.circuit.parts[self.capacitor]), kelvin)

    def seconds(self, points: Array) -> Array:
        """The delay at every point (s); infinite where it never ends, NaN where its state is not there."""
        return self.ask(self.total, points)

    def total(self, courses: Courses, points: Array) -> Array:
        """The delay as a quantity, s."""
        seconds: Array = courses.times(self.farads(points)).sum(axis=1)
        return seconds

    def courses(self, points: Array) -> Courses:
        """Every course at the points in the rows."""
        mark = points.tobytes()
        if mark not in self._kept:
            self._kept[mark] = self._courses(points)
        return self._kept[mark]

    # -- one course per point

    @cached_property
    def _frame(self) -> Frame:
        return frame_at(self.delay.timed.state, self.capacitor)

    @cached_property
    def way(self) -> Way:
        """The conducting junctions of each segment at nominal values."""
        return tuple(segment.support for segment in self.delay.segments)

    def _courses(self, points: Array) -> Courses:
        held = held_at(self, points)
        batch = self._frame.batch(self.parameters, points, held)
        fold = self.delay.timed.kind == "fold"
        start = held[self.capacitor]
        # the lead is the nominal point where it is asked, else the point that most resembles it
        lead = int(np.abs(self.shares(points)).sum(axis=1).argmin())
        found = batch.follow(self.way, start, fold, lead=lead)
        open_ = np.flatnonzero(~found.here & np.isfinite(start))
        while open_.size:
            first = open_[0]
            alone = self._alone(points[first], {name: float(volts[first]) for name, volts in held.items()})
            found = found if alone is None else found.widened(alone[0].start.shape[1])
            if alone is not None:
                made, way = alone
                found.put(open_[:1], made, np.ones(1, dtype=bool))
                if open_.size > 1:
                    settles = bool(np.isinf(made.times(np.ones(1))).any())
                    there = {n: v[open_] for n, v in held.items()}
                    rows = self._frame.batch(self.parameters, points[open_], there)
                    others = rows.follow(way, start[open_], fold, settles)
                    found.put(open_, others, others.here)
            open_ = open_[~found.here[open_] & (open_ != first)]
        return found

    def shares(self, points: Array) -> Array:
        """Each parameter from its nominal value, in widths of its interval."""
        span = np.where(self.box.high > self.box.low, self.box.high - self.box.low, 1.0)
        result: Array = (points - self.box.nominal) / span
        return result

    def _alone(self, row: Array, held: Mapping[str, float]) -> tuple[Courses, Way] | None:
        """The course at one point, worked out by itself; ``None`` where the timed state is another one."""
        resolved, _ = at(self.resolved, self.point(row))
        network = build_network(resolved, self.delay.timed.configuration, held)
        if network.faults:
            return None
        state = self._same_state(find_states(resolved, network.configuration, "typical", held).stable)
        if state is None:
            return None
        phase = follow(state, self.capacitor)
        segments = self._cut(phase)
        if segments is None:
            return None
        tracer = Tracer(network, dict(state.mode.betas), self.capacitor)
        return single(tracer, segments), tuple(segment.support for segment in segments)

    def _same_state(self, states: Sequence[State]) -> State | None:
        """The state with the same transistors conducting; of several the nearest, of one alone any."""
        parts = self.resolved.circuit.parts
        first = self.delay.segments[0]
        wanted = {
            n for n, region in first.devices.items() if region != "off" and parts[n].kind in TRANSISTORS
        }

        def differs(state: State) -> tuple[int, int, tuple[int, ...]]:
            on = {n for n, r in state.devices.items() if r != "off" and parts[n].kind in TRANSISTORS}
            support = state.mode.solution.support
            return len(on ^ wanted), len(first.support ^ set(support)), support

        best = min(states, key=differs, default=None)
        return best if best is not None and (len(states) == 1 or differs(best)[0] == 0) else None

    def _cut(self, phase: Phase) -> tuple[Segment, ...] | None:
        """The segments up to the end of the delay; up to rest where it never ends."""
        timed = self.delay.timed
        cut = ending(self.resolved, phase)
        if cut is not None:
            same = cut[1] == timed.kind and set(cut[2]) == set(timed.changed)
            return phase.segments[: cut[0]] if same else None
        return phase.segments if phase.end == "settles" and phase.segments else None

    # -- corners

    def delay_at(self, row: Array) -> Delay:
        """The delay as it is at one point where it ends; its segments name no regions."""
        points = row[None]
        courses = self.courses(points)
        farads = float(self.farads(points)[0])
        segments = courses.segments(0, farads)
        first, last = segments[0], segments[-1]
        timed = replace(
            self.delay.timed,
            threshold=last.end,
            current=last.current_end,
            aim=first.aim,
            tau=first.tau,
            duration=sum(segment.duration for segment in segments),
        )
        return replace(self.delay, timed=timed, segments=segments, farads=farads)

    def point(self, row: Array) -> Point:
        return frozen_point(dict(zip(self.keys, row.tolist(), strict=True)))

    @property
    def nominal(self) -> Array:
        """The nominal point as one row."""
        return self.box.nominal[None]

    def lines(self, centre: Array) -> Array:
        """The centre, then each parameter alone at its low and at its high end: (2n+1, n)."""
        n = self.box.size
        points = np.repeat(centre[None], 2 * n + 1, axis=0)
        points[range(1, n + 1), range(n)] = self.box.low
        points[range(n + 1, 2 * n + 1), range(n)] = self.box.high
        return points

    def ask(self, quantity: Quantity, points: Array) -> Array:
        courses = self.courses(points)
        with np.errstate(all="ignore"):
            return np.where(courses.here, quantity(courses, points), np.nan)

    def moving(self) -> tuple[Key, ...]:
        """The parameters that move the delay at all, seen from its nominal point."""
        n = self.box.size
        times = self.seconds(self.lines(self.box.nominal))
        spans = np.nan_to_num(np.abs(times[n + 1 :] - times[1 : n + 1]), nan=np.inf)
        return tuple(key for key, span in zip(self.keys, spans, strict=True) if span > STILL * times[0])

    def worst(self, quantity: Quantity, sign: float, thrifty: bool = False) -> Corner | None:
        """The largest (``sign`` 1) or least (-1) value of a quantity; ``None`` where it is undefined.

        The vertex follows from the sign of each sensitivity at nominal values; the signs are taken again
        at the vertex until none would do better, which is exact for whatever is monotone in each parameter.
        ``thrifty`` leaves the second look out.
        """
        return self.extreme(lambda points: self.ask(quantity, points), sign, thrifty)

    def extreme(self, ask: Callable[[Array], Array], sign: float, thrifty: bool = False) -> Corner | None:
        """:meth:`worst` of anything that gives a value per row of points, NaN where undefined."""
        n = self.box.size
        nominal_lines = self.lines(self.box.nominal)
        first = ask(nominal_lines)
        if np.isnan(first[0]):
            return None
        rows, values = nominal_lines, first
        vertex = self.box.nominal
        lost = {self.name(row, self.keys) for row in rows[np.isnan(values)]}
        for _ in range(ROUNDS):
            better, gain = self._better(vertex, values, sign)
            if not gain.any():
                break
            rows = better[None] if thrifty else self.lines(better)
            again = ask(rows)
            if thrifty:
                # where they do not go together, the worst of them alone
                alone = int(np.nanargmax(sign * values))
                pairs = [(again[0], better), (values[alone], nominal_lines[alone])]
                found, vertex = max(
                    (pair for pair in pairs if not np.isnan(pair[0])), key=lambda pair: sign * pair[0]
                )
                values = np.array([found])
                break
            if np.isnan(again[0]) or sign * again[0] < sign * values[0]:
                better = vertex.copy()  # they do not go together: the best of them alone
                best = int(gain.argmax())
                better[best] = self._better(vertex, values, sign)[0][best]
                rows = self.lines(better)
                again = ask(rows)
                if np.isnan(again[0]):
                    break
            vertex, values = better, again
            lost |= {self.name(row, self.keys) for row in rows[np.isnan(values)]}
        shares = tuple(
            Share(p, float(first[1 + k]), float(first[1 + n + k])) for k, p in enumerate(self.parameters)
        )
        return Corner(
            float(values[0]),
            float(first[0]),
            self.point(vertex),
            vertex,
            self.name(vertex, self._matter(first)),
            shares,
            tuple(sorted(lost)),
        )

    def _better(self, vertex: Array, values: Array, sign: float) -> tuple[Array, Array]:
        """The better end of each parameter alone, and what it gains; where it gains nothing, as it is."""
        n = self.box.size
        low, high = (
            sign * np.where(np.isnan(v), -sign * np.inf, v) for v in (values[1 : n + 1], values[n + 1 :])
        )
        here = sign * values[0]
        noise = NOISE * abs(here) if math.isfinite(here) else 0.0
        best = np.maximum(low, high)
        with np.errstate(all="ignore"):
            gain = np.where((best > here + noise), np.where(np.isinf(best), np.inf, best - here), 0.0)
        ends = np.where(low > high, self.box.low, self.box.high)
        moved = (gain > 0.0) & (ends != vertex)
        return np.where(moved, ends, vertex), np.where(moved, gain, 0.0)

    def _matter(self, values: Array) -> tuple[Key, ...]:
        n = self.box.size
        with np.errstate(invalid="ignore"):
            spans = np.abs(values[n + 1 :] - values[1 : n + 1])
        spans = np.where(np.isfinite(spans), spans, np.inf)
        finite = spans[np.isfinite(spans)].sum()
        return tuple(key for key, span in zip(self.keys, spans, strict=True) if span > MATTERS * finite)

    def name(self, row: Array, matter: Sequence[Key]) -> str:
        """A point in words."""
        return label(self.point(row), self.parameters, matter)


def delay_corners(study: Study, delay: Delay) -> DelayCorners:
    """The corners of a delay, kept with the values of the study."""
    kept = study.resolved.networks.get(("delay", delay))
    if not isinstance(kept, DelayCorners):
        kept = study.resolved.networks["delay", delay] = DelayCorners(study, delay)
    return kept


def every_delay(study: Study) -> tuple[Delay, ...]:
    """Each delay once: that at typical gain, else at the gain at which it is there."""
    found: dict[tuple[str, str, str, bool], list[Delay]] = {}
    for corner in ("typical", *study.corners):
        seen: dict[tuple[str, str, str, bool], list[Delay]] = {}
        for delay in study.delays(corner)[0]:
            timed = delay.timed
            key = timed.capacitor, timed.configuration.key, timed.kind, delay.opposed
            seen.setdefault(key, []).append(delay)
        for key, delays in seen.items():
            found.setdefault(key, delays)
    return tuple(delay for key in sorted(found) for delay in found[key])
