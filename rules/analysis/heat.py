"""Heat of resistors along runs: the worst second of a run, and the mean over a period."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING

import numpy as np

from rules.analysis.runs import Corner, Episode, episodes
from rules.analysis.timeline.exponentials import grid

if TYPE_CHECKING:
    from rules.analysis.elements import Array
    from rules.analysis.study import Study
    from rules.analysis.timeline.model import Interval, Timeline

NODES = 8


@dataclass(frozen=True, eq=False)
class Heat:
    """``power`` (W): the greatest mean over ``span`` s that begins at ``at`` s of a run.

    ``periodic``: the mean over a whole period, which goes on for ever.
    """

    power: float
    span: float
    at: float
    state: str
    episode: Episode
    periodic: bool


def heats(study: Study, corner: Corner, resistor: str, span: float) -> Iterator[Heat]:
    """Per run the worst ``span`` s, and where it repeats the mean over its period."""
    part = study.circuit.parts[resistor]
    a, b = part.pins.values()
    ohms = study.value(resistor, "resistance")
    for episode in episodes(study, corner):
        timeline = episode.timeline
        if not timeline.intervals:
            continue
        if timeline.period is not None and timeline.period > 0.0:
            end = timeline.span
            start = max(0.0, end - timeline.period)
            joules = energy(timeline, (a, b), ohms, start, end)
            if end > start:
                state = timeline.at(start).name
                yield Heat(joules / (end - start), end - start, start, state, episode, True)
        worst = max(
            ((energy(timeline, (a, b), ohms, at, at + span), -at) for at in _starts(timeline, span)),
            default=None,
        )
        if worst is not None:
            at = -worst[1]
            yield Heat(worst[0] / span, span, at, timeline.at(at).name, episode, False)


def _starts(timeline: Timeline, span: float) -> tuple[float, ...]:
    """Windows that begin with an interval, and windows that end with one."""
    edges: set[float] = set()
    for interval in timeline.intervals:
        edges.add(interval.start)
        if math.isfinite(interval.end):
            edges.add(max(0.0, interval.end - span))
    return tuple(sorted(edges))


def energy(timeline: Timeline, pair: tuple[str, str], ohms: float, start: float, stop: float) -> float:
    """Heat (J) in ``ohms`` between two nets from ``start`` to ``stop`` s; nothing where it is undefined."""
    return sum(
        _within(interval, pair, max(start, interval.start), min(stop, interval.end)) / ohms
        for interval in timeline.intervals
        if interval.start < stop and interval.end > start
    )


def _within(interval: Interval, pair: tuple[str, str], start: float, stop: float) -> float:
    """The integral of V^2 (V^2 s) over one interval, cell by cell between the times at which it may bend."""
    if stop <= start:
        return 0.0
    course = interval.course
    begin, end = start - interval.start, stop - interval.start
    line = np.zeros((1, course.x0.size))
    edges = grid(course.sums(np.zeros(1), line), end)
    edges = np.concatenate([[begin], edges[(edges > begin) & (edges < end)], [end]])
    places, weights = _gauss()
    half, middle = 0.5 * np.diff(edges), 0.5 * (edges[1:] + edges[:-1])
    times = (middle[:, None] + half[:, None] * places).ravel()
    volts = np.nan_to_num(course.between(*pair, times))
    return float(((half[:, None] * weights).ravel() * volts**2).sum())


@cache
def _gauss() -> tuple[Array, Array]:
    places, weights = np.polynomial.legendre.leggauss(NODES)
    return places, weights


def hottest(found: Iterable[Heat]) -> Heat | None:
    return max(found, key=lambda heat: (float(f"{heat.power:.9g}"), -heat.at), default=None)
