"""Every DC state of a circuit as aligned tables of at most 80 columns."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from clients.layout import grid, table, wrap
from clients.render import join, plural
from clients.render_values import quantity

# Below these a number is what rounding leaves of zero.
NOISE_V = 1e-9
NOISE_A = 1e-15
NOISE_W = 1e-18
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
    lead = ", ".join(positions) or "as drawn"
    lines = wrap(f"{lead}: {plural(len(states), 'state') if states else 'no state'}", rest="  ")
    for reason in configuration.get("problems") or ():
        text = reason.get("detail", "") if isinstance(reason, Mapping) else str(reason)
        lines += wrap(str(text), first="  - ", rest="    ")
    for state in (*states, *(configuration.get("timed") or ())):
        lines += ["", *_state(state)]
    return lines


def _stability(state: Mapping[str, Any]) -> str:
    stable = state.get("stable")
    return "stability not decided" if stable is None else "stable" if stable else "unstable"


def _ending(state: Mapping[str, Any]) -> str:
    """Where a frozen state ceases to exist, and when."""
    held = ", ".join(f"{part} at {quantity(volts, 'V')}"
                     for part, volts in sorted((state.get("held") or {}).items()))
    ends = state.get("ends")
    text = f"while {held}" if held else ""
    if isinstance(ends, Mapping):
        after = ends.get("after")
        when = f" after {quantity(after, 's')}" if isinstance(after, (int, float)) else ""
        text += f"; ends{when}, when {ends.get('capacitor')} reaches {quantity(ends.get('voltage'), 'V')}"
    return text


def _state(state: Mapping[str, Any]) -> list[str]:
    name = str(state.get("name") or "unnamed")
    index = state.get("index")
    stability = _stability(state)
    notes = [] if name.endswith(f"({stability})") else [stability]
    if isinstance(index, int):
        notes.append(f"index {index:+d}")
    ending = _ending(state)
    if ending:
        notes.append(ending)
    lines = wrap(f"{name}: {', '.join(notes)}", first="  ", rest="    ")
    nets: Mapping[str, Any] = state.get("nets") or {}
    pairs = [(net, _volts(value)) for net, value in nets.items()]
    lines += ["    node voltages", *grid(pairs, indent="      ")]
    return lines + _transistors(state) + _others(state)


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
