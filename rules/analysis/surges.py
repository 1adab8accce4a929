"""The greatest currents into pins along every run, exact, all pins of an interval at once."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

import numpy as np

from rules.analysis.resolve import TRANSISTORS
from rules.analysis.runs import Corner, Episode, episodes
from rules.analysis.stress import Peak, clean, moves, peak_at
from rules.analysis.timeline.peaks import greatest_of
from rules.analysis.timeline.timelines import hasty

if TYPE_CHECKING:
    from rules.analysis.elements import Array
    from rules.analysis.study import Study

Entry = tuple[str, str, float]
"""Part, pin, and the sign that makes its normal current positive."""


def entries_of_interest(study: Study) -> tuple[Entry, ...]:
    """The collectors of all transistors and the anodes of all diodes."""
    found: list[Entry] = []
    for part in study.circuit.parts.values():
        if part.kind in TRANSISTORS:
            found.append((part.name, "collector", 1.0 if part.kind == "npn" else -1.0))
        elif part.kind == "diode":
            found.append((part.name, "anode", 1.0))
    return tuple(found)


def after(study: Study, peak: Peak, part: str, seconds: float) -> float:
    """What still flows (A) ``seconds`` after a peak of :func:`surges`: shorter pulses are gone by then."""
    (pin, sign) = next((pin, sign) for name, pin, sign in entries_of_interest(study) if name == part)
    if peak.episode is None or peak.at is None:
        return peak.value
    timeline = peak.episode.timeline
    moment = min(peak.at + max(seconds, hasty(study, timeline)), timeline.last.end)
    left = sign * float(timeline.at(moment).current(part, pin, [moment])[0])
    return peak.value if np.isnan(left) else clean(left)


def surges(study: Study, corner: Corner) -> Mapping[str, Peak]:
    """By part the greatest current (A, in ``value``) along every run at a corner."""
    found: Mapping[str, Peak] = study.shared(("surges", corner), lambda: _surges(study, corner))
    return found


def _surges(study: Study, corner: Corner) -> dict[str, Peak]:
    if not moves(study) and not corner.coils:
        return {}
    entries = entries_of_interest(study)
    best: Array = np.full(len(entries), -np.inf)
    places: list[tuple[Episode, int, float] | None] = [None] * len(entries)
    for episode in episodes(study, corner):
        for number, interval in enumerate(episode.timeline.intervals):
            lines = [
                None if line is None else (sign * line[0], sign * line[1])
                for name, pin, sign in entries
                for line in (interval.course.current_line(name, pin),)
            ]
            values, times = greatest_of(interval.course, lines, interval.duration, best)
            for k in np.flatnonzero(values > best).tolist():
                places[k] = (episode, number, interval.start + float(times[k]))
            best = np.maximum(best, values)
    return {
        entry[0]: peak_at(study, corner, clean(value), *place)
        for entry, value, place in zip(entries, best.tolist(), places, strict=True)
        if place is not None
    }
