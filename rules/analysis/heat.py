"""Heat of resistors and transistors along runs: over the worst second, over a period, in passing."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING

import numpy as np

from rules.analysis.runs import Corner, Episode, episodes
from rules.analysis.timeline.exponentials import LONGEST, grid, horizon_of

if TYPE_CHECKING:
    from rules.analysis.elements import Array
    from rules.analysis.study import Study
    from rules.analysis.timeline.model import Interval, Timeline

NODES = 8
LEAST = 0.01  # of the span; a shorter passage brings nothing
FINE = 65  # times between two of the grid


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
    return sum(_within(interval, pair, *piece) / ohms for interval, piece in _pieces(timeline, start, stop))


def _pieces(timeline: Timeline, start: float, stop: float) -> Iterator[tuple[Interval, tuple[float, float]]]:
    """Every interval between two times of a run, and the piece of it that lies between them."""
    for interval in timeline.intervals:
        if interval.start < stop and interval.end > start:
            yield interval, (max(start, interval.start), min(stop, interval.end))


def _within(interval: Interval, pair: tuple[str, str], start: float, stop: float) -> float:
    """The integral of V^2 (V^2 s) over a piece of one interval."""
    times, weights = _nodes(interval, start, stop)
    volts = np.nan_to_num(interval.course.between(*pair, times))
    return float((weights * volts**2).sum())


def _nodes(interval: Interval, start: float, stop: float) -> tuple[Array, Array]:
    """Times (s from the start of the interval) and weights of a sum that is the integral from start to stop.

    Gauss-Legendre, cell by cell between the times at which something may bend.
    """
    if stop <= start:
        return np.zeros(0), np.zeros(0)
    course = interval.course
    begin, end = start - interval.start, stop - interval.start
    edges = grid(course.sums(np.zeros(1), np.zeros((1, course.x0.size))), end)
    edges = np.concatenate([[begin], edges[(edges > begin) & (edges < end)], [end]])
    places, weights = _gauss()
    half, middle = 0.5 * np.diff(edges), 0.5 * (edges[1:] + edges[:-1])
    times = (middle[:, None] + half[:, None] * places).ravel()
    return times, (half[:, None] * weights).ravel()


@cache
def _gauss() -> tuple[Array, Array]:
    places, weights = np.polynomial.legendre.leggauss(NODES)
    return places, weights


def hottest(found: Iterable[Heat]) -> Heat | None:
    return max(found, key=lambda heat: (float(f"{heat.power:.9g}"), -heat.at), default=None)


def passing_heat(study: Study, corner: Corner, transistor: str, span: float, least: float) -> Heat | None:
    """The most a transistor turns into heat over ``span`` s (W, V_CE*I_C) while it passes its active region.

    ``None`` where not even a moment of that has more than ``least`` W, or where it takes next to no time.
    States it rests in are no runs.
    """
    part = study.circuit.parts[transistor]
    pair = part.pins["collector"], part.pins["emitter"]
    found: list[Heat] = []
    for episode in episodes(study, corner):
        timeline = episode.timeline
        for interval in timeline.intervals:
            if interval.devices[transistor] != "active" or interval.duration < LEAST * span:
                continue
            hottest_at = _hottest(interval, transistor, pair, least)
            if hottest_at is None:
                continue
            at = max(0.0, interval.start + hottest_at - 0.5 * span)
            joules = sum(
                _product(there, transistor, pair, *piece)
                for there, piece in _pieces(timeline, at, at + span)
            )
            found.append(Heat(joules / span, span, at, interval.name, episode, False))
    return hottest(found)


def _hottest(interval: Interval, name: str, pair: tuple[str, str], least: float) -> float | None:
    """When (s from its start) V_CE*I_C is greatest; ``None`` where that is ``least`` W at most."""
    course = interval.course
    line = course.current_line(name, "collector")
    if line is None:
        return None
    current = course.sums(np.array([line[0]]), line[1][None])
    horizon = min(interval.duration, horizon_of(current, LONGEST))
    if horizon <= 0.0:
        return None
    times, top, watts = grid(current, horizon), 0, np.zeros(1)
    for _ in range(2):  # once more between the neighbours of the best time
        watts = np.abs(np.nan_to_num(course.between(*pair, times) * current.at(times)[0]))
        top = int(watts.argmax())
        low, high = times[max(0, top - 1)], times[min(len(times) - 1, top + 1)]
        best, times = float(times[top]), np.linspace(low, high, FINE)
    return best if float(watts.max()) > least else None


def _product(interval: Interval, name: str, pair: tuple[str, str], start: float, stop: float) -> float:
    """The integral of V_CE*I_C (J) over a piece of one interval."""
    times, weights = _nodes(interval, start, stop)
    volts, amperes = interval.course.between(*pair, times), interval.course.current(name, "collector", times)
    return abs(float((weights * np.nan_to_num(volts * amperes)).sum()))
