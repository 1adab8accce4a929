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

from service.sampling import Array, Curves, Piece, Polyline, polylines, settling
from service.shapes import assumed_shape, finite, positions

if TYPE_CHECKING:
    from rules.analysis.study import Study
    from rules.analysis.timeline.model import Event, Interval, Timeline
    from schemas.circuit import Circuit
    from schemas.finding import Assumed

Json = dict[str, Any]

LOADS = ("coil", "led", "load")
LEAKAGES = ("none", "limit")
MODELS = ("hand", "junction")
MARGIN = 0.06  # of the run, drawn past the last event where nothing moves any more
TAIL = 0.25  # of its range in the run; what moves less than this after the last event is a tail
TAIL_LENGTH = 0.5  # of the time of the last event; the most that is drawn of a tail
EMPTY_RUN = 1.0  # s drawn where nothing ever happens
MORE_PERIODS = 1.25  # drawn after the one in which an oscillation was recognised
MOST_PIECES = 400  # intervals of a course that are drawn
_NET, _STORE = "net ", "store "


def study_of(circuit: Circuit) -> Study:
    """A study that only looks, and proposes nothing."""
    from rules.analysis.study import Study

    return Study(circuit, proposing=False)


def starts(study: Study, beta: str) -> tuple[str, ...]:
    """What a course may start from: rest, power-up, or a stable state at rest by its name."""
    names = {state.name for state in study.state_sets(beta)[0].stable}
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
    if model == "junction":
        from service.junction_timelines import junction_shape

        return junction_shape(study, stimulus, beta, leakage, start, until)
    timeline = study.timeline(stimulus, beta, start, leakage)
    return timeline_shape(
        study.circuit, timeline, study.resolved.assumed, until=until, before=before_shape(study, timeline)
    )


def before_shape(study: Study, timeline: Timeline) -> Json | None:
    """What held before time zero; ``None`` before the power came on."""
    from rules.analysis.timeline.timelines import point_of

    rest = study.state_sets(timeline.corner)[0]
    named = [state for state in rest.stable if timeline.start in ("rest", state.name)]
    if timeline.start == "power-up" or not named:
        return None
    return {
        "state": named[0].name,
        **positions(rest.configuration),
        "nets": finite(dict(sorted(named[0].nets.items()))),
        "stored": finite(dict(sorted(point_of(study.resolved, named[0]).values.items()))),
    }


def timeline_shape(
    circuit: Circuit,
    timeline: Timeline,
    assumed: Iterable[Assumed] = (),
    *,
    until: float | None = None,
    before: Json | None = None,
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
        "before": before,
        "drawn_to": pieces[-1].end if pieces else 0.0,
        "outputs": outputs_of(circuit, [interval.devices for interval in timeline.intervals]),
        "stored": _stored_shape(circuit, lines),
        "thresholds": _thresholds(timeline),
        "assumed": [assumed_shape(item) for item in assumed],
        "problems": [*reasons, *([cut] if cut else [])],
    }


def _event(timeline: Timeline, event: Event) -> Json:
    told = math.isfinite(event.at) and timeline.intervals
    stored = timeline.at(event.at).stored([event.at]) if told else {}
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
        **positions(interval.configuration),
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
            "nets": [part.pins[pin] for pin in ends_of(part.pins)],
            "at": list(line.at),
            "value": list(line.value),
        }
    return found


def outputs_of(circuit: Circuit, devices: Iterable[Mapping[str, str]]) -> list[str]:
    """Nets worth looking at: at the loads, where the circuit leaves the board, at collectors that switch.

    ``devices`` are the regions of the intervals of a course.
    """
    seen = {name for name, note in circuit.nets.items() if note.terminal}
    switching = {name for regions in devices for name, region in regions.items() if region == "saturated"}
    for part in circuit.parts.values():
        if part.kind in LOADS:
            seen.update(part.pins.values())
        elif part.name in switching:
            seen.add(part.pins["collector"])
    return sorted(seen - {circuit.ground})


def ends_of(pins: Mapping[str, str]) -> tuple[str, str]:
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
    if until is None and timeline.verdict == "oscillates" and timeline.period:
        end = timeline.last.end + MORE_PERIODS * timeline.period
    for interval, shift in _unrolled(timeline, end):
        if len(pieces) == MOST_PIECES:
            return pieces, f"the curves end at {pieces[-1].end:.4g} s, after {MOST_PIECES} intervals"
        # a moved start is known to within rounding only: it is where the one before ends
        start = pieces[-1].end if shift and pieces else interval.start + shift
        curves = _curves(interval, shift)
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
    """Where the drawing of a course that rests ends: settled, and a little beyond its last event.

    What still moves after the last event, but little, is not drawn to its end.
    """
    last = max((event.at for event in timeline.events if math.isfinite(event.at)), default=0.0)
    tail = settling(before, curves, start) * (1 + MARGIN)
    if last > 0.0 and settling(before, curves, start, TAIL) == 0.0:
        tail = min(tail, TAIL_LENGTH * last)
    end = max(last * (1 + MARGIN), start + tail)
    return end if end > 0.0 else EMPTY_RUN


def _thresholds(timeline: Timeline) -> list[Json]:
    from rules.analysis.thresholds import thresholds

    return [
        {
            "part": item.capacitor,
            "voltage": item.voltage,
            "aim": finite(item.aim),
            "at": item.at,
            "kind": item.kind,
            "state": item.state,
            "after": item.after,
        }
        for item in thresholds(timeline)
    ]
