"""Which junctions conduct when, from two sources, and for how long the two disagree."""

from __future__ import annotations

import bisect
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from rules.analysis.timeline.model import Interval, Timeline
from schemas.circuit import Part
from tests.stiff_equations import BETWEEN, OFF, ON, Codes, Junction

Course = Sequence[tuple[float, Codes]]  # what holds from each time on
CONDUCTING: Mapping[str, tuple[str, ...]] = {
    "forward": ("active", "saturated"),
    "reverse": ("saturated", "reverse"),
    "on": ("on",),
    "breakdown": ("breakdown",),
}


@dataclass(frozen=True)
class Disagreement:
    """One junction conducts in one course and blocks in the other from ``start`` to ``end`` s."""

    junction: int
    start: float
    end: float
    share: float  # of the time that had passed since the last action


def course_of_timeline(found: Timeline, junctions: Sequence[Junction]) -> Course:
    """What a timeline says of every junction; a diode without current and open voltages agree with both."""
    return [
        (interval.start, tuple(_code(interval, found.span, junction) for junction in junctions))
        for interval in found.intervals
    ]


def _code(interval: Interval, span: float, junction: Junction) -> int:
    part = interval.state.mode.network.resolved.circuit.parts[junction.part]
    if any(interval.state.nets[net] is None for net in _ends(part, junction.name)):
        return BETWEEN
    if interval.devices[part.name] not in CONDUCTING[junction.name]:
        return OFF
    if "anode" in part.pins:
        end = min(interval.end, max(2.0 * span, 2.0 * interval.start))
        amperes = interval.current(part.name, "anode", np.linspace(interval.start, end, 5))
        if np.abs(amperes).max() < 1e-12:
            return BETWEEN  # at its drop by chance: nothing flows
    return ON


def _ends(part: Part, junction: str) -> tuple[str, str]:
    if junction in ("forward", "reverse"):
        return part.pins["base"], part.pins["emitter" if junction == "forward" else "collector"]
    return part.pins["anode"], part.pins["cathode"]


def disagreements(
    one: Course, other: Course, end: float, actions: Sequence[float] = (), floor: float = 0.0
) -> list[Disagreement]:
    """All disagreements up to ``end`` s, the longest (by its share) first; shorter than ``floor`` s left out.

    A junction that is at its drop without current (``BETWEEN``) agrees with both.
    """
    times = sorted({time for time, _ in (*one, *other) if time < end} | {end})
    starts_one, starts_other = [time for time, _ in one], [time for time, _ in other]
    running: dict[int, float] = {}
    found: list[Disagreement] = []
    for time in times:
        a = one[max(bisect.bisect_right(starts_one, time) - 1, 0)][1]
        b = other[max(bisect.bisect_right(starts_other, time) - 1, 0)][1]
        for k, (x, y) in enumerate(zip(a, b, strict=True)):
            differ = x != y and BETWEEN not in (x, y) and time < end
            if differ:
                running.setdefault(k, time)
            elif k in running:
                start = running.pop(k)
                if time - start > floor:
                    since = max((at for at in (0.0, *actions) if at <= start), default=0.0)
                    found.append(Disagreement(k, start, time, (time - start) / (time - since)))
    return sorted(found, key=lambda item: -item.share)
