"""Every DC state of a circuit as aligned tables of at most 80 columns."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from clients.layout import Align, grid, table, wrap
from clients.render import join, plural
from clients.render_values import duration, quantity

# Below these a number is what rounding leaves of zero.
NOISE_V = 1e-9
NOISE_A = 1e-15
NOISE_W = 1e-18
_OUTCOMES = {"settles": "comes to rest", "oscillates": "starts anew: it oscillates",
             "undecided": "goes on in a way that was not followed"}
_TRANSISTOR = ("collector", "base", "emitter")
_FIRST = ("plus", "anode", "a", "out", "from")


def states_text(answer: Mapping[str, Any], *, title: str | None = None) -> str:
    """All configurations and states, the unstable ones included."""
    lines = wrap(f"{answer.get('circuit', '')}" + (f": {title}" if title else ""), rest="  ")
    conditions = [f"beta {answer.get('beta', 'typical')}"]
    conditions += [f"{part} held at {quantity(volts, 'V')}"
                   for part, volts in sorted((answer.get("held") or {}).items())]
    lines += wrap("; ".join(conditions), first="  ", rest="  ")
    reasons = [item.get("detail", "") if isinstance(item, Mapping) else str(item)
               for item in answer.get("problems") or ()]
    if answer.get("complete") is False:
        lines += wrap("NOT COMPLETE: there may be more states than these", first="  ", rest="    ")
    for reason in reasons:
        lines += wrap(str(reason), first="  - ", rest="    ")
    for configuration in answer.get("configurations") or ():
        lines += ["", *_configuration(configuration)]
    assumed = answer.get("assumed") or ()
    if assumed:
        lines += ["", *wrap(f"{plural(len(assumed), 'value')} assumed; `thumbrule review` lists them")]
    return join(lines)


def _configuration(configuration: Mapping[str, Any]) -> list[str]:
    positions = [f"{part} {position}" for part, position in (configuration.get("contacts") or {}).items()]
    positions += [f"{part} {level}" for part, level in (configuration.get("drivers") or {}).items()]
    states = list(configuration.get("states") or ())
    timed = list(configuration.get("timed") or ())
    found = plural(len(states), "state") if states else "no state"
    if timed:
        found += f" and {plural(len(timed), 'timed state')}"
    lines = wrap(f"{', '.join(positions) or 'as drawn'}: {found}", rest="  ")
    if configuration.get("complete") is False:
        lines += wrap("there may be more states than these", first="  ")
    for state in [*states, *timed]:
        lines += ["", *_state(state)]
    return lines


def _stability(state: Mapping[str, Any]) -> str:
    stable = state.get("stable")
    return "stability not decided" if stable is None else "stable" if stable else "unstable"


def _state(state: Mapping[str, Any]) -> list[str]:
    name = str(state.get("name") or "unnamed")
    index = state.get("index")
    stability = _stability(state)
    notes = [] if name.endswith(f"({stability})") else [stability]
    if isinstance(index, int):
        notes.append(f"index {index:+d}")
    lines = wrap(f"{name}: {', '.join(notes)}", first="  ", rest="    ")
    lines += _course(state)
    nets: Mapping[str, Any] = state.get("nets") or {}
    pairs = [(net, _volts(value)) for net, value in nets.items()]
    lines += ["    node voltages", *grid(pairs, indent="      ")] if pairs else []
    return lines + _transistors(state) + _others(state)


def _course(state: Mapping[str, Any]) -> list[str]:
    """How long a state with held capacitors lasts, and what follows it."""
    held = state.get("held") or {}
    if not held:
        return []
    lines = wrap("only while " + ", ".join(f"{part} is at {quantity(volts, 'V')}"
                                           for part, volts in sorted(held.items())), first="    ")
    ends = state.get("ends")
    if isinstance(ends, Mapping):
        part = str(ends.get("capacitor", ""))
        changed = list(ends.get("changed") or ())
        verb = "changes" if len(changed) == 1 else "change"
        why = f"{', '.join(changed)} {verb} region" if changed else "the state ceases to exist"
        text = (f"ends after {duration(ends.get('after'))}, when {part} reaches"
                f" {quantity(ends.get('voltage'), 'V')} and still takes {quantity(ends.get('current'), 'A')}:"
                f" {why}")
        lines += wrap(text, first="    ", rest="      ")
    else:
        lines += wrap("nothing ends it", first="    ")
    rows = [_segment("", segment) for segment in state.get("course") or ()]
    for phase in state.get("then") or ():
        course = list(phase.get("course") or ())
        rows += [_segment(f"then {phase.get('from', '')}" if at == 0 else "", segment)
                 for at, segment in enumerate(course)]
    if rows:
        aligns: tuple[Align, ...] = ("<", ">", ">", ">", "<")
        lines += ["    course of the capacitor", *table(rows, indent="      ", align=aligns)]
    if state.get("outcome"):
        lines += wrap(f"in the end it {_OUTCOMES.get(str(state['outcome']), state['outcome'])}", first="    ")
    return lines


def _segment(lead: str, segment: Mapping[str, Any]) -> list[str]:
    regions = ", ".join(f"{part} {region}" for part, region in (segment.get("devices") or {}).items())
    return [lead, _volts(segment.get("from")), "to " + _volts(segment.get("to")),
            duration(segment.get("duration")), regions]


def _volts(value: Any) -> str:
    """Node voltages stand one below the other, so all have the same decimals."""
    if not isinstance(value, (int, float)) or abs(value) >= 1e4 or NOISE_V < abs(value) < 5e-4:
        return quantity(value, "V")
    return f"{value + 0.0:.3f} V".replace("-0.000", "0.000")


def _amperes(value: Any) -> str:
    return "0 A" if isinstance(value, (int, float)) and abs(value) < NOISE_A else quantity(value, "A")


def _watts(value: Any) -> str:
    return "0 W" if isinstance(value, (int, float)) and abs(value) < NOISE_W else quantity(value, "W")


def _transistors(state: Mapping[str, Any]) -> list[str]:
    """One row per transistor: region, the three currents, power."""
    rows = []
    for part, pins in (state.get("currents") or {}).items():
        if all(pin in pins for pin in _TRANSISTOR):
            region = str((state.get("devices") or {}).get(part, ""))
            rows.append([part, region, *(_amperes(pins[pin]) for pin in _TRANSISTOR),
                         _watts((state.get("power") or {}).get(part))])
    if not rows:
        return []
    head = ["", "", *_TRANSISTOR, "power"]
    return ["    transistors, current into each pin",
            *table(rows, head=head, align=("<", "<", ">", ">", ">", ">"), indent="      ")]


def _others(state: Mapping[str, Any]) -> list[str]:
    """One row per other part that carries current; the current into its first pin says it all."""
    devices, power = state.get("devices") or {}, state.get("power") or {}
    rows, idle = [], []
    for part, pins in (state.get("currents") or {}).items():
        if all(pin in pins for pin in _TRANSISTOR):
            continue
        pin = next((name for name in _FIRST if name in pins), next(iter(pins), ""))
        current = pins.get(pin)
        name = f"{part} ({devices[part]})" if part in devices else part
        if isinstance(current, (int, float)) and abs(current) < NOISE_A:
            idle.append(name)
        else:
            rows.append([name, pin, _amperes(current), _watts(power.get(part))])
    lines = []
    if rows:
        lines = ["    other parts, current into the pin named",
                 *table(rows, align=("<", "<", ">", ">"), indent="      ")]
    if idle:
        lines += wrap(", ".join(idle), first="    no current: ", rest="      ")
    return lines
