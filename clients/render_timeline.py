"""A course in time as aligned tables of at most 80 columns."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from clients.layout import Align, columns, table, wrap
from clients.render import join, plural
from clients.render_values import quantity

ROOM = 66  # columns for the stored values of one table
NOISE_V = 1e-9  # below these a number is what rounding leaves of zero
NOISE_A = 1e-15
_LEAKAGE = {"none": "capacitors that do not leak", "limit": "capacitors that leak as much as they may"}
_MODEL = {"hand": "ideal junctions", "junction": "exponential junctions"}
_STARTS = {"rest": "from rest", "power-up": "from power-up with nothing stored"}


def timeline_text(answer: Mapping[str, Any], *, title: str | None = None) -> str:
    """Conditions, verdict, events, what is stored at each of them, intervals and thresholds."""
    lines = wrap(f"{answer.get('circuit', '')}" + (f": {title}" if title else ""), rest="  ")
    lines += wrap(conditions(answer), first="  ", rest="  ")
    lines += ["", *wrap("verdict: " + verdict(answer), rest="  ")]
    lines += [line for reason in answer.get("problems") or ()
              for line in wrap(str(reason), first="  - ", rest="    ")]
    lines += _events(answer.get("events") or ())
    lines += _stored(answer)
    lines += _intervals(answer.get("intervals") or ())
    lines += _thresholds(answer.get("thresholds") or ())
    assumed = answer.get("assumed") or ()
    if assumed:
        lines += ["", *wrap(f"{plural(len(assumed), 'value')} assumed; `thumbrule review` lists them")]
    return join(lines)


def conditions(answer: Mapping[str, Any]) -> str:
    """What was run, in one line."""
    start = str(answer.get("start", "rest"))
    stimulus = answer.get("stimulus")
    said = [f"stimulus {stimulus}" if stimulus else "nothing is moved",
            _STARTS.get(start, f"from the state {start}"),
            f"beta {answer.get('beta', 'typical')}",
            _LEAKAGE.get(str(answer.get("leakage", "none")), ""),
            _MODEL.get(str(answer.get("model", "hand")), "")]
    return "; ".join(part for part in said if part)


def verdict(answer: Mapping[str, Any]) -> str:
    """How it ends, in a sentence without a full stop."""
    kind, reason = answer.get("verdict"), str(answer.get("reason") or "")
    intervals = list(answer.get("intervals") or ())
    last = intervals[-1] if intervals else {}
    if kind == "settles":
        events = list(answer.get("events") or ())
        times = [event["at"] for event in events
                 if event.get("at") is not None and event.get("kind") not in ("rest", "stop")]
        still = f"nothing happens after {time(max(times, default=0.0))}"
        return f"settles in the state {last.get('state', '')}; {still}"
    if kind == "oscillates":
        period = answer.get("period")
        rate = f", {quantity(1.0 / period, 'Hz')}" if period else ""
        return f"oscillates with a period of {quantity(period, 's')}{rate}"
    if kind == "never-ends":
        return f"never ends: {reason}" if reason else f"never leaves the state {last.get('state', '')}"
    return "not decided"


def time(value: Any) -> str:
    return "never" if value is None else quantity(value, "s")


def value_text(value: Any, unit: str) -> str:
    """A stored value; what rounding leaves of zero is zero, and volts have the same decimals."""
    if not isinstance(value, (int, float)):
        return quantity(value, unit)
    if abs(value) < (NOISE_V if unit == "V" else NOISE_A):
        return f"0 {unit}"
    if unit == "V" and 5e-4 <= abs(value) < 1e4:
        return f"{value:.3f} V"
    return quantity(value, unit)


def _events(events: Sequence[Mapping[str, Any]]) -> list[str]:
    if not events:
        return []
    rows = [[time(event.get("at")), _said(event, following), str(event.get("state") or "")]
            for event, following in zip(events, [*events[1:], {}], strict=True)]
    aligns: tuple[Align, ...] = (">", "<", "<")
    head = ["time", "what", "state from then on"]
    return ["", "events", *table(rows, head=head, align=aligns, indent="  ")]


def _said(event: Mapping[str, Any], following: Mapping[str, Any]) -> str:
    """What happens, and why; a reason that the next event gives as well is left to that."""
    what, reason = str(event.get("what") or ""), str(event.get("reason") or "")
    again = (reason, event.get("at")) == (following.get("reason"), following.get("at"))
    return f"{what}; {reason}" if reason and not again else what


def _stored(answer: Mapping[str, Any]) -> list[str]:
    """Capacitor voltages and coil currents at every event, in as many tables as they need."""
    units = {name: str(curve.get("unit", "V")) for name, curve in (answer.get("stored") or {}).items()}
    events = [event for event in answer.get("events") or () if event.get("stored")]
    if not units or not events:
        return []
    columns_of = [(name, [value_text(event["stored"].get(name), unit) for event in events])
                  for name, unit in units.items()]
    lines = ["", "stored at each event"]
    for at, group in enumerate(_groups(columns_of)):
        head = ["time", *(name for name, _ in group)]
        rows = [[time(event.get("at")), *(cells[k] for _, cells in group)] for k, event in enumerate(events)]
        aligns: list[Align] = [">"] * len(head)
        lines += ([""] if at else []) + table(rows, head=head, align=aligns, indent="  ")
    return lines


def _groups(items: Iterable[tuple[str, list[str]]]) -> list[list[tuple[str, list[str]]]]:
    """Columns shared out over tables that are narrow enough."""
    groups: list[list[tuple[str, list[str]]]] = []
    used = ROOM + 1
    for name, cells in items:
        width = max(columns(text) for text in (name, *cells)) + 2
        if used + width > ROOM:
            groups.append([])
            used = 0
        groups[-1].append((name, cells))
        used += width
    return groups


def _intervals(intervals: Sequence[Mapping[str, Any]]) -> list[str]:
    if not intervals:
        return []
    rows = []
    for item in intervals:
        start, end = item.get("from"), item.get("to")
        lasts = "for good" if end is None or start is None else quantity(end - start, "s")
        rows.append([time(start), lasts, str(item.get("state") or ""), _regions(item)])
    aligns: tuple[Align, ...] = (">", ">", "<", "<")
    head = ["from", "lasts", "state", "devices"]
    return ["", "intervals", *table(rows, head=head, align=aligns, indent="  ")]


def _regions(item: Mapping[str, Any]) -> str:
    """The devices that are not off; nothing where a state without a name is called after them."""
    devices = (item.get("devices") or {}).items()
    told = ", ".join(f"{part} {region}" for part, region in devices if region != "off") or "all off"
    return "" if told == item.get("state") else told


def decisive(thresholds: Sequence[Mapping[str, Any]]) -> list[Mapping[str, Any]]:
    """Those at which a state ceased to exist; where none did, those at which a device changed region."""
    jumps = [item for item in thresholds if item.get("kind") == "jump"]
    return jumps or list(thresholds)


def _thresholds(thresholds: Sequence[Mapping[str, Any]]) -> list[str]:
    if not thresholds:
        return []
    lines = ["", "thresholds"]
    for item in decisive(thresholds):
        lines += wrap(threshold_text(item), first="  ", rest="    ")
    return lines


def threshold_text(item: Mapping[str, Any]) -> str:
    """``C1 ends ringing at 3.88 V, 60.3 s after it began; it was bound for 8.77 V``."""
    text = (f"{item.get('part')} ends {item.get('state')} at {value_text(item.get('voltage'), 'V')},"
            f" {quantity(item.get('after'), 's')} after that began")
    aim = item.get("aim")
    return text if aim is None else f"{text}; it was bound for {value_text(aim, 'V')}"
