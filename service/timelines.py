"""A course in time as JSON-ready data: the shape of ``POST /v1/timelines``.

Times in s, voltages in V, currents in A.  What is undefined or without end is
``None``.  Curves are polylines (:mod:`service.sampling`); everything else is
exact.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable, Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from service.sampling import Array, Curves, Piece, Polyline, polylines, settling
from service.shapes import assumed_shape, finite

if TYPE_CHECKING:
    from rules.analysis.study import Study
    from rules.analysis.timeline.model import Event, Interval, Timeline
    from schemas.circuit import Circuit
    from schemas.finding import Assumed

Json = dict[str, Any]

LEAKAGES = ("none", "limit")
MODELS = ("hand", "junction")
MARGIN = 0.06  # of the run, drawn past the last event where nothing moves any more
EMPTY_RUN = 1.0  # s drawn where nothing ever happens
MOVED = 0.05  # of its range in the run; a capacitor that moved less before an event did not bring it about
MOST_PIECES = 400  # intervals of a course that are drawn
_NET, _STORE = "net ", "store "


def study_of(circuit: Circuit) -> Study:
    """A study that only looks, and proposes nothing."""
    from rules.analysis.study import Study

    return Study(circuit, proposing=False)


def starts(study: Study, beta: str) -> tuple[str, ...]:
    """What a course may start from: rest, power-up, or a state by its name."""
    rest = study.state_sets(beta)[0]
    names = {state.name for state in rest.stable} | set(study.circuit.states)
    return ("rest", "power-up", *sorted(names - {"rest", "power-up"}))


def run(
    study: Study,
    stimulus: str | None,
    beta: str,
    leakage: str,
    start: str,
    model: str,
    until: float | None,
) -> Json:
    """The shape of one course; the options are known to be good."""
    timeline = study.timeline(stimulus, beta, start, leakage)
    return timeline_shape(study.circuit, timeline, study.resolved.assumed, until=until)


def timeline_shape(
    circuit: Circuit, timeline: Timeline, assumed: Iterable[Assumed] = (), *, until: float | None = None
) -> Json:
    """The whole shape; ``until`` (s) is where the curves end, else a sensible end is chosen."""
    pieces, cut = _pieces(timeline, until)
    lines = polylines(pieces)
    reasons = [timeline.reason] if timeline.verdict == "undecided" and timeline.reason else []
    return {
        "circuit": timeline.circuit,
        "stimulus": timeline.stimulus,
        "events": [_event(timeline, event) for event in timeline.events],
        "intervals": [_interval(interval) for interval in timeline.intervals],
        "nets": {
            name.removeprefix(_NET): {"at": list(line.at), "voltage": list(line.value)}
            for name, line in lines.items()
            if name.startswith(_NET)
        },
        "verdict": timeline.verdict,
        "period": finite(timeline.period),
        "reason": timeline.reason,
        "start": timeline.start,
        "beta": timeline.corner,
        "leakage": timeline.leakage,
        "model": "hand",
        "complete": timeline.verdict != "undecided",
        "drawn_to": pieces[-1].end if pieces else 0.0,
        "stored": _stored_shape(circuit, lines),
        "thresholds": thresholds(circuit, timeline),
        "assumed": [assumed_shape(item) for item in assumed],
        "problems": [*reasons, *([cut] if cut else [])],
    }


def _event(timeline: Timeline, event: Event) -> Json:
    stored = timeline.at(event.at).stored([event.at]) if math.isfinite(event.at) else {}
    return {
        "at": finite(event.at),
        "what": event.what,
        "state": event.state,
        "kind": event.kind,
        "parts": list(event.parts),
        "reason": event.reason,
        "stored": finite({name: float(values[0]) for name, values in sorted(stored.items())}),
    }


def _interval(interval: Interval) -> Json:
    return {
        "state": interval.name,
        "from": interval.start,
        "to": finite(interval.end),
        "devices": dict(sorted(interval.devices.items())),
        "contacts": dict(sorted(interval.configuration.contacts.items())),
        "drivers": dict(sorted(interval.configuration.drivers.items())),
    }


def _stored_shape(circuit: Circuit, lines: Mapping[str, Polyline]) -> Json:
    """Voltage of every capacitor, first pin against second, and current of every coil."""
    found: Json = {}
    for name, line in lines.items():
        if not name.startswith(_STORE):
            continue
        part = circuit.parts[name.removeprefix(_STORE)]
        unit = "V" if part.kind == "capacitor" else "A"
        found[part.name] = {
            "unit": unit,
            "nets": [part.pins[pin] for pin in _ends(part.pins)],
            "at": list(line.at),
            "value": list(line.value),
        }
    return found


def _ends(pins: Mapping[str, str]) -> tuple[str, str]:
    return ("plus", "minus") if "plus" in pins else ("a", "b")


def _curves(interval: Interval, shift: float = 0.0) -> Any:
    """All that is drawn of an interval, by prefixed name, at absolute times moved by ``shift``."""

    def curves(times: Array) -> Curves:
        moved = times - shift
        nets = {f"{_NET}{net}": values for net, values in interval.voltages(moved).items()}
        return {**nets, **{f"{_STORE}{part}": values for part, values in interval.stored(moved).items()}}

    return curves


def _pieces(timeline: Timeline, until: float | None) -> tuple[list[Piece], str]:
    """What is drawn, in order of time, and a sentence where it had to be cut short."""
    pieces: list[Piece] = []
    end = math.inf if until is None else until
    for interval, shift in _unrolled(timeline, end):
        if len(pieces) == MOST_PIECES:
            return pieces, f"the curves end at {pieces[-1].end:.4g} s, after {MOST_PIECES} intervals"
        start, curves = interval.start + shift, _curves(interval, shift)
        stop = min(interval.end + shift, end)
        if math.isinf(stop):
            stop = _natural_end(timeline, pieces, curves, start)
        if start > end:
            break
        pieces.append(Piece(start, max(start, stop), curves))
    return pieces, ""


def _unrolled(timeline: Timeline, end: float) -> Iterable[tuple[Interval, float]]:
    """The intervals with the time by which each is moved: the last period of an oscillation goes on."""
    for interval in timeline.intervals:
        yield interval, 0.0
    period, last = timeline.period, timeline.last.end
    if timeline.verdict != "oscillates" or not period or not math.isfinite(end):
        return
    nearly = period * 1e-9
    turn = [interval for interval in timeline.intervals if interval.start > last - period - nearly]
    for k in itertools.count(1):
        if not turn or last + (k - 1) * period >= end:
            return
        yield from ((interval, k * period) for interval in turn)


def _natural_end(timeline: Timeline, before: Sequence[Piece], curves: Any, start: float) -> float:
    """Where the drawing of a course that rests ends: settled, and a little beyond its last event."""
    last = max((event.at for event in timeline.events if math.isfinite(event.at)), default=0.0)
    end = max(last * (1 + MARGIN), start + settling(before, curves, start) * (1 + MARGIN))
    return end if end > 0.0 else EMPTY_RUN


def thresholds(circuit: Circuit, timeline: Timeline) -> list[Json]:
    """The capacitor voltages at which the circuit went on: which one, where it was bound, what followed.

    A jump is charged to the capacitor that moved fastest just before it; a
    change of region without a jump too, where that capacitor had gone a fair
    part of its way since the event before.
    """
    ranges = _store_ranges(timeline)
    found: list[Json] = []
    for before, after in itertools.pairwise(timeline.intervals):
        events = [e for e in timeline.events if e.at == after.start and e.kind in ("jump", "region")]
        if not events or not before.duration > 0 or before.configuration.key != after.configuration.key:
            continue
        event = next((e for e in events if e.kind == "jump"), events[0])
        mover = _mover(circuit, before, ranges, least=0.0 if event.kind == "jump" else MOVED)
        if mover is None:
            continue
        part, voltage, aim = mover
        found.append(
            {
                "part": part,
                "voltage": voltage,
                "aim": finite(aim),
                "at": event.at,
                "kind": event.kind,
                "state": before.name,
                "after": before.duration,
            }
        )
    return found


def _store_ranges(timeline: Timeline) -> Mapping[str, float]:
    """How far each store moves in the run, from its values at the ends of all intervals."""
    seen: dict[str, list[float]] = {}
    for interval in timeline.intervals:
        for name, values in interval.stored([interval.start, interval.end]).items():
            seen.setdefault(name, []).extend(float(v) for v in values if np.isfinite(v))
    return {name: max(values) - min(values) for name, values in seen.items() if values}


def _mover(
    circuit: Circuit, interval: Interval, ranges: Mapping[str, float], least: float
) -> tuple[str, float, float] | None:
    """The capacitor that moves fastest at the end of an interval: name, voltage there, where it was bound."""
    step = 1e-6 * interval.duration
    times = [interval.start, interval.end - step, interval.end]
    best: tuple[float, str, float] | None = None
    for name, values in sorted(interval.stored(times).items()):
        if circuit.parts[name].kind != "capacitor" or not np.isfinite(values).all():
            continue
        pace = abs(values[2] - values[1])
        if pace > 0 and abs(values[2] - values[0]) >= least * ranges.get(name, 0.0):
            candidate = (float(pace), name, float(values[2]))
            best = candidate if best is None else max(best, candidate)
    if best is None:
        return None
    aims = interval.stored([math.inf])
    return best[1], best[2], float(aims[best[1]][0])
