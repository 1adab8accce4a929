"""What a course in time is: intervals of one mode each, the events between them, and how it ends."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Literal

import numpy as np

from rules.analysis.elements import Array, Configuration
from rules.analysis.states import State

if TYPE_CHECKING:
    from rules.analysis.timeline.flow import Course

EventKind = Literal["start", "stimulus", "region", "jump", "forced", "rest", "repeats", "stop"]
Verdict = Literal["settles", "oscillates", "never-ends", "undecided"]


@dataclass(frozen=True, slots=True)
class Event:
    """Something that happens at ``at`` s.

    ``start``: the beginning; ``stimulus``: a contact or driver moves; ``region``:
    a device passes into another region and everything stays continuous;
    ``jump``: the state ceased to exist and the circuit went to another one with
    capacitor voltages and coil currents unchanged; ``forced``: a capacitor
    voltage or coil current had to change at once (a contact across a capacitor,
    a coil without a path); ``rest``: nothing moves any more; ``repeats``: the
    course has come back to where it was; ``stop``: the run was cut off.
    """

    at: float
    kind: EventKind
    what: str  # a sentence without a full stop
    parts: tuple[str, ...]  # devices, contacts or stores that it is about
    state: str  # name of the state after it
    reason: str = ""  # of a jump: which states were possible and why this one followed


@dataclass(frozen=True, eq=False)
class Interval:
    """One mode from ``start`` to ``end`` s (infinite for the last of a course that rests).

    ``state`` is the state at its beginning, with every voltage and current.
    """

    start: float
    end: float
    configuration: Configuration
    name: str
    state: State
    course: Course

    @property
    def devices(self) -> Mapping[str, str]:
        return self.state.devices

    @property
    def duration(self) -> float:
        return self.end - self.start

    def voltages(self, times: Sequence[float] | Array) -> dict[str, Array]:
        """Node voltages (V, NaN where undefined) at absolute ``times`` (s) within the interval."""
        return self.course.voltages(np.asarray(times, dtype=float) - self.start)

    def voltage(self, a: str, b: str, times: Sequence[float] | Array) -> Array:
        """V between two nets at absolute times (s); NaN where undefined."""
        return self.course.between(a, b, np.asarray(times, dtype=float) - self.start)

    def current(self, part: str, pin: str, times: Sequence[float] | Array) -> Array:
        """A into a pin at absolute times (s); NaN where undefined."""
        return self.course.current(part, pin, np.asarray(times, dtype=float) - self.start)

    def stored(self, times: Sequence[float] | Array) -> dict[str, Array]:
        """Capacitor voltages (V, first pin against second) and coil currents (A) at absolute times (s)."""
        return self.course.stored(np.asarray(times, dtype=float) - self.start)

    def extremes(self, a: str, b: str) -> tuple[Extreme, Extreme]:
        """Least and greatest voltage between two nets on the interval, exact; NaN where undefined."""
        low, high = self.course.extremes(a, b, self.duration)
        return (
            Extreme(low[0], self.start + low[1], self.name),
            Extreme(high[0], self.start + high[1], self.name),
        )


@dataclass(frozen=True, slots=True)
class Extreme:
    """The largest or smallest value (V or A) of a quantity: when (s) and in which state."""

    value: float
    at: float
    state: str


@dataclass(frozen=True, eq=False)
class Timeline:
    """A whole run.

    ``stimulus`` is ``None`` where nothing is moved.  ``corner`` names the gains,
    ``leakage`` is ``none`` or ``limit``.  ``verdict``: ``settles`` in a DC state,
    ``oscillates`` with ``period`` s, ``never-ends`` when it rests where no DC
    state is because leakage takes all the current, ``undecided`` with ``reason``.
    """

    circuit: str
    stimulus: str | None
    start: str
    corner: str
    leakage: str
    events: tuple[Event, ...]
    intervals: tuple[Interval, ...]
    verdict: Verdict
    period: float | None
    reason: str

    @property
    def last(self) -> Interval:
        return self.intervals[-1]

    @cached_property
    def final(self) -> Mapping[str, float]:
        """Capacitor voltages (V) and coil currents (A) at the end: of the rest, or of the last interval."""
        end = self.last.end
        at = end if np.isfinite(end) else np.inf
        return {name: float(values[0]) for name, values in self.last.stored([at]).items()}

    @property
    def span(self) -> float:
        """Time of the last event, s."""
        return self.events[-1].at

    def at(self, time: float) -> Interval:
        """The interval that holds at an absolute time (s); the later one at a boundary."""
        for interval in self.intervals:
            if time < interval.end:
                return interval
        return self.last

    def extremes(self, a: str, b: str) -> tuple[Extreme, Extreme]:
        """Least and greatest voltage between two nets in the whole run; exact; NaN if never defined."""
        pairs = [interval.extremes(a, b) for interval in self.intervals]
        lows = [low for low, _ in pairs if not np.isnan(low.value)]
        highs = [high for _, high in pairs if not np.isnan(high.value)]
        if not lows:
            nothing = Extreme(float("nan"), float("nan"), "")
            return nothing, nothing
        return min(lows, key=lambda e: (e.value, e.at)), max(highs, key=lambda e: (e.value, -e.at))

    def sample(self, times: Sequence[float] | Array) -> dict[str, Array]:
        """Node voltages (V) at absolute times (s, ascending); NaN where undefined."""
        wanted = np.asarray(times, dtype=float)
        starts = np.array([interval.start for interval in self.intervals])
        owner = np.clip(np.searchsorted(starts, wanted, side="right") - 1, 0, len(starts) - 1)
        result: dict[str, Array] = {}
        for k, interval in enumerate(self.intervals):
            chosen = owner == k
            if not chosen.any():
                continue
            for net, values in interval.voltages(wanted[chosen]).items():
                result.setdefault(net, np.full(wanted.shape, np.nan))[chosen] = values
        return dict(sorted(result.items()))

    def durations(self, state: str) -> tuple[float, ...]:
        """How long each stay in a named state lasts, s (intervals of one name in a row count as one)."""
        found: list[float] = []
        before = ""
        for interval in self.intervals:
            if interval.name == state:
                if before == state:
                    found[-1] += interval.duration
                else:
                    found.append(interval.duration)
            before = interval.name
        return tuple(found)
