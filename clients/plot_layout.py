"""What a figure of a course shows and where: time windows, panels, marks.  Plain data, no drawing."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from clients.render_timeline import decisive

DENSE = 0.02  # of a window; events nearer to each other than this cannot be told apart in it
CROWD = 3  # moments that are worth a closer view
LEAD_IN = 0.03  # of a window, drawn before time zero: where it comes from
MOST_CURVES = 4  # in one panel
MOST_PERIODS = 100  # whose states are told apart
FAR = 0.9  # of the range of the curves; what a capacitor is bound for is drawn when it is nearer
MOVES = 0.01  # of the largest range; a net that moves less is not worth a curve
_UNITS = ((1.0, "s"), (1e-3, "ms"), (1e-6, "µs"), (1e-9, "ns"))


@dataclass(frozen=True, slots=True)
class Window:
    """A stretch of time from ``start`` to ``end`` s, written from ``origin`` in ``unit``s of ``scale`` s."""

    start: float
    end: float
    origin: float
    scale: float
    unit: str

    def shown(self, time: float) -> float:
        return (time - self.origin) / self.scale

    def holds(self, time: float) -> bool:
        return self.start <= time <= self.end


@dataclass(frozen=True, slots=True)
class Curve:
    """A named polyline; ``None`` is a gap."""

    name: str
    at: tuple[float, ...]
    value: tuple[float | None, ...]


@dataclass(frozen=True, slots=True)
class Level:
    """A horizontal line: a threshold that ended a state, or the value a capacitor was bound for."""

    value: float
    label: str
    aim: bool


@dataclass(frozen=True, slots=True)
class Panel:
    """Curves that share one vertical axis."""

    kind: str  # "positions", "nets", "capacitors", "currents"
    label: str
    curves: tuple[Curve, ...]
    levels: tuple[Level, ...] = ()
    ends: tuple[tuple[str, str], ...] = ()  # of positions: what the two lines of each curve mean


@dataclass(frozen=True, slots=True)
class Stay:
    """A stretch of time in one state."""

    name: str
    start: float
    end: float


@dataclass(frozen=True, slots=True)
class Mark:
    """One or several events at (nearly) one place of a window, with their numbers from 1."""

    at: float
    label: str


def windows(answer: Mapping[str, Any]) -> tuple[Window, ...]:
    """The whole course, after a close view where several events fall together in it."""
    end = _length(answer)
    lead = LEAD_IN if answer.get("before") else 0.0
    close = _cluster(event_times(answer), end)
    whole = _window(-lead * end, end, 0.0)
    if close is None:
        return (whole,)
    first, last = close
    length = last - first
    stop = min(end, last + 0.35 * length)
    start = -lead * stop if first == 0.0 else max(0.0, first - 0.25 * length)
    return (_window(start, stop, first), whole)


def event_times(answer: Mapping[str, Any]) -> list[float]:
    """Times of the events that are drawn, ascending."""
    end = _length(answer)
    return sorted(t for t in (event.get("at") for event in told_events(answer)) if t is not None and t <= end)


def told_events(answer: Mapping[str, Any]) -> list[Mapping[str, Any]]:
    """The events worth a mark: no start where something happens at once, no rest beside another event."""
    events = list(answer.get("events") or ())
    told = []
    for k, event in enumerate(events):
        others = events[k + 1 :] if event.get("kind") == "start" else events[:k]
        beside = any(other.get("at") == event.get("at") for other in others)
        over = event.get("kind") == "stop" and answer.get("verdict") != "undecided"
        if over or (event.get("kind") in ("start", "rest") and beside):
            continue
        told.append(event)
    return told


def _window(start: float, end: float, origin: float) -> Window:
    size = max(abs(end - origin), abs(start - origin))
    scale, unit = next(((s, u) for s, u in _UNITS if size >= 1.5 * s), _UNITS[-1])
    return Window(start, end, origin, scale, unit)


def _cluster(times: Sequence[float], length: float) -> tuple[float, float] | None:
    """The closest group of events that the window cannot tell apart, looked for again within itself."""
    best: tuple[int, float, float] | None = None
    group: list[float] = []
    for time in [*times, math.inf]:
        if group and time - group[-1] > DENSE * length:
            distinct = len(set(group))
            if distinct >= CROWD and (best is None or distinct > best[0]):
                best = (distinct, group[0], group[-1])
            group = []
        group.append(time)
    if best is None or not best[2] > best[1]:
        return None
    _, first, last = best
    return _cluster([time for time in times if first <= time <= last], last - first) or (first, last)


def stays(answer: Mapping[str, Any]) -> list[Stay]:
    """The states one after the other, with what held before time zero; neighbours of one name joined."""
    found: list[Stay] = []
    for item in [*_with_before(answer), *_further_periods(answer)]:
        name, start = str(item.get("state") or ""), float(item["from"])
        stop = item.get("to") if start >= 0 else 0.0
        end = _length(answer) if stop is None else min(float(stop), _length(answer))
        if found and found[-1].name == name:
            found[-1] = Stay(name, found[-1].start, end)
        elif end > start:
            found.append(Stay(name, start, end))
    return found


def panels(answer: Mapping[str, Any], nets: Sequence[str] = ()) -> tuple[Panel, ...]:
    """Contacts and drivers that move, the nets asked for (else the outputs), capacitors, coil currents."""
    found = [_positions(answer), _nets(answer, nets), _capacitors(answer), _currents(answer)]
    return tuple(panel for panel in found if panel.curves)


def _positions(answer: Mapping[str, Any]) -> Panel:
    end = _length(answer)
    steps: dict[str, list[tuple[float, float]]] = {}
    words: dict[str, tuple[str, str]] = {}
    for item in _with_before(answer):
        for key, ends in (("contacts", ("open", "closed")), ("drivers", ("low", "high"))):
            for part, position in (item.get(key) or {}).items():
                words[part] = ends
                if float(item["from"]) <= end:
                    steps.setdefault(part, []).append((float(item["from"]), float(position == ends[1])))
    curves = []
    for part, moves in sorted(steps.items()):
        if len({level for _, level in moves}) < 2:
            continue
        at, value = [], []
        for (start, level), (stop, _) in itertools.pairwise([*moves, (end, 0.0)]):
            at += [start, stop]
            value += [level, level]
        curves.append(Curve(part, tuple(at), tuple(value)))
    return Panel("positions", "", tuple(curves), ends=tuple(words[curve.name] for curve in curves))


def _with_before(answer: Mapping[str, Any]) -> list[Mapping[str, Any]]:
    """The intervals, and what held before time zero as one from minus a whole course on."""
    before, intervals = answer.get("before"), list(answer.get("intervals") or ())
    return [{**before, "from": -_length(answer)}, *intervals] if before else intervals


def _further_periods(answer: Mapping[str, Any]) -> list[Mapping[str, Any]]:
    """The intervals of the last period again, as often as the drawing has room for them."""
    period, intervals = answer.get("period"), list(answer.get("intervals") or ())
    if answer.get("verdict") != "oscillates" or not period or not intervals:
        return []
    last = float(intervals[-1]["to"])
    turn = [item for item in intervals if item["from"] > last - period * (1 + 1e-9)]
    more = max(0, min(MOST_PERIODS, math.ceil((_length(answer) - last) / period)))
    return [{**item, "from": item["from"] + k * period, "to": item["to"] + k * period}
            for k in range(1, more + 1) for item in turn]


def _length(answer: Mapping[str, Any]) -> float:
    return float(answer.get("drawn_to") or 1.0)


def _curve(answer: Mapping[str, Any], kind: str, name: str, scale: float = 1.0) -> Curve:
    """A curve of the answer, with a level stretch before time zero where it is known."""
    line = answer[kind][name]
    values = [None if value is None else scale * value
              for value in line["voltage" if kind == "nets" else "value"]]
    known = ((answer.get("before") or {}).get(kind) or {}).get(name)
    if known is None:
        return Curve(name, tuple(line["at"]), tuple(values))
    lead = (-_length(answer), 0.0)
    return Curve(name, (*lead, *line["at"]), (scale * known, scale * known, *values))


def _range(values: Iterable[float | None]) -> float:
    known = [value for value in values if value is not None]
    return max(known) - min(known) if known else 0.0


def _nets(answer: Mapping[str, Any], wanted: Sequence[str]) -> Panel:
    every = {name: _curve(answer, "nets", name) for name in answer.get("nets") or {}}
    if wanted:
        chosen = [every[name] for name in wanted if name in every]
    else:
        ranges = {name: _range(curve.value) for name, curve in every.items()}
        moving = [name for name in every if ranges[name] > MOVES * max(ranges.values(), default=0.0)]
        outputs = [name for name in answer.get("outputs") or () if name in moving]
        stored = (answer.get("stored") or {}).values()
        capacitors = {net for curve in stored for net in curve.get("nets") or ()}
        others = [name for name in moving if name not in capacitors] or moving
        names = outputs or sorted(others, key=lambda name: (-ranges[name], name))
        chosen = [every[name] for name in sorted(names[:MOST_CURVES])]
    return Panel("nets", "voltage (V)", tuple(chosen))


def _capacitors(answer: Mapping[str, Any]) -> Panel:
    """The capacitors that ended a state with their thresholds; where none did, those that move most."""
    stored = {name: _curve(answer, "stored", name)
              for name, line in (answer.get("stored") or {}).items() if line.get("unit") == "V"}
    told = [item for item in decisive(answer.get("thresholds") or ()) if item["part"] in stored]
    ranges = {name: _range(curve.value) for name, curve in stored.items()}
    most = max(ranges.values(), default=0.0)
    names = sorted({item["part"] for item in told}) or sorted(
        (name for name in stored if ranges[name] > MOVES * most), key=lambda name: (-ranges[name], name))
    names = sorted(names[:MOST_CURVES])
    curves = tuple(stored[name] for name in names)
    return Panel("capacitors", "capacitor (V)", curves,
                 _levels([item for item in told if item["part"] in names], curves))


def _levels(thresholds: Sequence[Mapping[str, Any]], curves: Sequence[Curve]) -> tuple[Level, ...]:
    """One line for each threshold and aim; what comes again (the next period, the twin) is told once.

    An aim far away would leave the curves a narrow band: it is told beside the threshold instead.
    """
    known = [value for curve in curves for value in curve.value if value is not None]
    room = FAR * (max(known) - min(known)) if known else 0.0
    found: list[tuple[float, float | None, set[str]]] = []  # threshold, aim, capacitors
    for item in thresholds:
        value, part = float(item["voltage"]), str(item["part"])
        aim = item.get("aim") if item.get("kind") == "jump" else None  # else the state goes on beyond it
        for seen, _, parts in found:
            if _alike(seen, value):
                parts.add(part)
                break
        else:
            found.append((value, aim, {part}))
    levels, aims = [], set[tuple[str, str]]()
    for value, aim, parts in found:
        names = ", ".join(sorted(parts))
        near = aim is not None and bool(known) and min(known) - room <= aim <= max(known) + room
        text = f"{names} threshold {volts(value)}"
        levels.append(Level(value, text if near or aim is None else f"{text}, bound for {volts(aim)}", False))
        if near and aim is not None and (names, volts(aim)) not in aims:
            aims.add((names, volts(aim)))
            levels.append(Level(aim, f"{names} bound for {volts(aim)}", True))
    return tuple(levels)


def _alike(a: float, b: float) -> bool:
    return abs(a - b) <= 2e-3 * max(abs(a), abs(b), 0.1)


def volts(value: float) -> str:
    """A voltage in three figures, with the sign of print."""
    return f"{value:.3g} V".replace("-", "\N{MINUS SIGN}")


def _currents(answer: Mapping[str, Any]) -> Panel:
    curves = [_curve(answer, "stored", name, 1e3)
              for name, line in sorted((answer.get("stored") or {}).items()) if line.get("unit") == "A"]
    moving = [curve for curve in curves if _range(curve.value) > 0]
    return Panel("currents", "coil (mA)", tuple(moving[:MOST_CURVES]))


def marks(times: Sequence[float | None], window: Window, width: float, letter: float) -> list[Mark]:
    """Numbered marks of the events in a window ``width`` wide; those whose labels would touch are one.

    ``letter`` is the width of one letter.
    """
    groups = [(time, [number]) for number, time in enumerate(times, start=1)
              if time is not None and window.holds(time)]
    scale = width / (window.end - window.start)
    k = 1
    while k < len(groups):
        (left, before), (right, after) = groups[k - 1], groups[k]
        room = letter * ((len(_numbers(before)) + len(_numbers(after))) / 2 + 1)
        if (right - left) * scale < room:
            groups[k - 1 : k + 1] = [(left, before + after)]
            k = max(1, k - 1)  # a longer label may touch the one before it
        else:
            k += 1
    return [Mark(at, _numbers(numbers)) for at, numbers in groups]


def _numbers(numbers: Sequence[int]) -> str:
    """``1``, ``1, 2``, ``1-4``: neighbours are joined."""
    runs: list[list[int]] = []
    for number in numbers:
        if runs and number == runs[-1][-1] + 1:
            runs[-1].append(number)
        else:
            runs.append([number])
    return ", ".join(str(run[0]) if len(run) == 1 else f"{run[0]}\N{EN DASH}{run[-1]}" for run in runs)


def spread(places: Sequence[float], apart: float, low: float, high: float) -> list[float]:
    """Places moved as little as needed to lie ``apart``, between ``low`` and ``high`` if there is room."""
    order = sorted(range(len(places)), key=lambda k: (places[k], k))
    groups: list[list[int]] = []
    centres: list[float] = []
    for k in order:
        groups.append([k])
        centres.append(places[k])
        while len(groups) > 1:
            reach = apart * (len(groups[-2]) + len(groups[-1])) / 2
            if centres[-1] - centres[-2] >= reach * (1 - 1e-12):
                break
            upper = groups.pop()
            centres.pop()
            groups[-1] += upper
            half = apart * (len(groups[-1]) - 1) / 2
            middle = sum(places[i] for i in groups[-1]) / len(groups[-1])
            centres[-1] = max(low + half, min(high - half, middle))
        else:
            half = apart * (len(groups[-1]) - 1) / 2
            centres[-1] = max(low + half, min(high - half, centres[-1]))
    found = [0.0] * len(places)
    for group, centre in zip(groups, centres, strict=True):
        for at, k in enumerate(group):
            found[k] = centre + apart * (at - (len(group) - 1) / 2)
    return found
