"""The course of one held capacitor as a chain of straight current-voltage pieces.

Within a piece the current is a straight line over the capacitor voltage, so
every time is a logarithm.  A leakage lowers the line, a leakage resistance
tilts it: both are exact piece by piece.

Source of the times: C du/dt = i(u) integrated; for one piece it is the usual
t = R*C*ln((V_inf - V_0)/(V_inf - V_th)) (OpenStax, *University Physics* 2, sec. 10.5).
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace

from rules.analysis.frozen import Segment

_FLAT = 1e-9  # relative change of current below which a piece counts as straight
_NOTHING = 1e-8  # V; a piece this short is rounding at an edge


def current_at(segment: Segment, voltage: float) -> float:
    """The capacitor's current in A at a voltage (V) on the segment's line."""
    if segment.end == segment.start:
        return segment.current_start
    share = (voltage - segment.start) / (segment.end - segment.start)
    return segment.current_start + share * (segment.current_end - segment.current_start)


def resistance_of(segment: Segment) -> float | None:
    """What the capacitor sees, ohm: -1/slope of its current; ``None`` for a constant current."""
    rise = segment.current_end - segment.current_start
    return None if rise == 0.0 else -(segment.end - segment.start) / rise


def _pieces(segments: Iterable[Segment]) -> Iterator[tuple[float, float, float, float]]:
    """(start V, end V, start A, end A), split where the voltage passes zero."""
    for segment in segments:
        a, b = segment.start, segment.end
        if a * b < 0.0:
            middle = current_at(segment, 0.0)
            yield a, 0.0, segment.current_start, middle
            yield 0.0, b, middle, segment.current_end
        else:
            yield a, b, segment.current_start, segment.current_end


def _drained(
    segments: Iterable[Segment], leakage: float
) -> Iterator[tuple[float, float, float, float, float]]:
    """The pieces with what a leakage takes from each, A; nothing once the voltage has changed its sign."""
    home = 0.0
    for a, b, first, last in _pieces(segments):
        if abs(b - a) < _NOTHING:
            continue
        side = math.copysign(1.0, a + b)
        home = home or side
        yield a, b, first, last, side * leakage if side == home else 0.0


def seconds(
    segments: Iterable[Segment], farads: float, leakage: float = 0.0, conductance: float = 0.0
) -> float:
    """Time in s through all segments; infinite when the capacitor never gets through.

    ``leakage`` (A, >= 0) draws the capacitor towards 0 V, ``conductance`` (1/ohm,
    >= 0) does so in proportion to its voltage.  A course that passes through
    zero is leaked on up to there only: no sheet speaks of reversed voltage.
    Domain: farads > 0.
    """
    total = 0.0
    for a, b, first, last, drain in _drained(segments, leakage):
        first, last = first - drain - conductance * a, last - drain - conductance * b
        if first * (b - a) <= 0.0 or last * (b - a) <= 0.0:
            return math.inf
        ratio = first / last
        mean = 1.0 / first if abs(ratio - 1.0) < _FLAT else math.log(ratio) / (first - last)
        total += farads * (b - a) * mean
    return total


def stall(segments: Iterable[Segment], leakage: float) -> float | None:
    """The voltage at which a constant leakage (A) takes all of the current; ``None`` when it gets through."""
    for a, b, first, last, drain in _drained(segments, leakage):
        first, last = first - drain, last - drain
        if first * (b - a) <= 0.0:
            return a
        if last * (b - a) <= 0.0:
            return a + (b - a) * first / (first - last)
    return None


def voltage_after(segments: Sequence[Segment], farads: float, elapsed: float) -> float:
    """The capacitor voltage ``elapsed`` seconds into the course; the last end when it is over by then."""
    left = elapsed
    for segment in segments:
        if left >= segment.duration:
            left -= segment.duration
            continue
        if segment.tau is None or segment.aim is None:
            return segment.start + segment.current_start * left / farads
        return segment.aim + (segment.start - segment.aim) * math.exp(-left / segment.tau)
    return segments[-1].end if segments else math.nan


def until(segments: Sequence[Segment], farads: float, target: float) -> tuple[Segment, ...]:
    """The segments up to the first passage through ``target`` V; all of them when it is never passed."""
    taken: list[Segment] = []
    for segment in segments:
        if (target - segment.start) * (target - segment.end) <= 0.0 and segment.end != segment.start:
            if target != segment.start or not taken:
                taken.append(_cut(segment, segment.start, target, farads))
            return tuple(taken)
        taken.append(segment)
    return tuple(taken)


def beyond(segments: Sequence[Segment], farads: float, start: float) -> tuple[Segment, ...]:
    """What is left of a course that begins at ``start`` V, a point on its way; all of it when it is not."""
    for k, segment in enumerate(segments):
        if (start - segment.start) * (start - segment.end) <= 0.0 and segment.end != segment.start:
            return (_cut(segment, start, segment.end, farads), *segments[k + 1 :])
    return tuple(segments)


def passes(segments: Sequence[Segment], target: float) -> bool:
    """True when the course gets to ``target`` V in finite time."""
    for segment in segments:
        inside = (target - segment.start) * (target - segment.end) <= 0.0
        if inside and segment.end != segment.start and (segment.complete or target != segment.end):
            return True
        if not segment.complete:
            return False
    return False


def _cut(segment: Segment, start: float, end: float, farads: float) -> Segment:
    """A segment between two voltages on it."""
    complete = segment.complete or end != segment.end
    made = replace(
        segment,
        start=start,
        end=end,
        current_start=current_at(segment, start),
        current_end=current_at(segment, end),
        complete=complete,
    )
    return replace(made, duration=seconds([made], farads) if complete else math.inf)
