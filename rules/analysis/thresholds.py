"""The voltages at which capacitors end the states of a course: which capacitor, where, on its way to what.

A mode ends at the moment its first condition fails.  That condition is affine
in the stored values, so the capacitor that drives it to its end is the one
whose own rate takes most away from it.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from rules.analysis.timeline.model import Interval, Timeline

TIED = 1e-6  # of a rate; capacitors whose rates differ by less move as one


@dataclass(frozen=True, slots=True)
class Threshold:
    """The voltage (V) of ``capacitor`` at which ``state`` ended, ``after`` s from where it began.

    ``aim`` is where the capacitor was bound for in the mode that took most of
    the time since the last jump or move of a contact, ``None`` where that is
    not beyond the threshold.  ``kind`` is
    ``jump`` when the state ceased to exist, ``region`` when a device changed
    region and everything stayed continuous.  ``at`` is absolute (s).
    """

    capacitor: str
    voltage: float
    aim: float | None
    at: float
    kind: Literal["jump", "region"]
    state: str
    after: float


def thresholds(timeline: Timeline) -> tuple[Threshold, ...]:
    """One for each event that a capacitor brought about, in order of time.

    A state counts from where it began, also where devices changed region within it.
    """
    found: list[Threshold] = []
    begun = smooth = 0  # indices of the intervals in which the present state, and its smooth course, began
    for k, (before, after) in enumerate(itertools.pairwise(timeline.intervals)):
        if k and timeline.intervals[k - 1].name != before.name:
            begun = k
        kinds = {event.kind for event in timeline.events if event.at == after.start}
        moved = before.configuration.key != after.configuration.key
        name = None if moved or not kinds & {"jump", "region"} else deciding_capacitor(before)
        if name is not None:
            voltage = float(before.stored([before.end])[name][0])
            kind: Literal["jump", "region"] = "jump" if "jump" in kinds else "region"
            aim = _aim(name, voltage, timeline.intervals[smooth : k + 1])
            since = timeline.intervals[begun].start
            found.append(
                Threshold(name, voltage, aim, after.start, kind, before.name, after.start - since)
            )
        if moved or "jump" in kinds:
            smooth = k + 1
    return tuple(found)


def deciding_capacitor(interval: Interval) -> str | None:
    """The capacitor that drove the mode of an interval to its end; ``None`` where a coil or nothing did."""
    course = interval.course
    stores = course.plant.stores
    if not stores.free or not math.isfinite(interval.end):
        return None
    x = course.at(np.array([interval.duration]))[:, 0]
    constant, rows = course.mode.conditions
    rate = course.mode.rate(x)
    own = rows[:, : len(stores.free)] * rate
    falling = own.sum(axis=1)
    sinking = np.flatnonzero(falling < 0.0)
    if not sinking.size:
        return None
    left = np.abs(constant[sinking] + rows[sinking] @ x) / -falling[sinking]  # s until each fails
    shares = own[sinking[int(left.argmin())]]
    first = int(shares.argmin())
    if first >= stores.capacitors:
        return None
    # junctions may tie capacitors to each other; of those that move as one the largest sets the pace
    pace = np.abs(rate[: stores.capacitors])
    tied = np.flatnonzero(np.abs(pace - pace[first]) <= TIED * pace[first])
    weights = [(float(stores.weight[stores.names.index(stores.free[k])]), stores.free[k]) for k in tied]
    return max(weights)[1]


def _aim(name: str, voltage: float, stay: Sequence[Interval]) -> float | None:
    for interval in sorted(stay, key=lambda item: -item.duration):
        first, aim = (float(interval.stored([time])[name][0]) for time in (interval.start, math.inf))
        if math.isfinite(aim) and (aim - voltage) * (voltage - first) > 0:
            return aim
    return None
