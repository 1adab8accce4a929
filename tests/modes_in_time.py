"""Which junctions conduct when, from two sources, and for how long the two disagree."""

from __future__ import annotations

import bisect
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from tests.stiff import BETWEEN, OFF, ON, Codes, Junction, Trace

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


def codes_of_devices(devices: Mapping[str, str], junctions: Sequence[Junction]) -> Codes:
    """ON or OFF for every junction, from the regions of the devices."""
    return tuple(ON if devices[j.part] in CONDUCTING[j.name] else OFF for j in junctions)


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


def course_of_trace(trace: Trace) -> Course:
    return trace.codes
