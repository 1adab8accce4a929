"""What a DC state must satisfy, written from the definitions and from nothing inside the solver.

Input is the circuit as described and the state as reported (net voltages, pin currents, regions,
powers).  Each function yields sentences about what does not hold; an empty list means sound.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np

from rules.analysis.elements import Configuration
from rules.analysis.resolve import Resolved
from rules.analysis.states import State
from schemas.circuit import Part

TRANSISTORS = ("npn", "pnp")
RESISTIVE = ("resistor", "coil", "load")


def close(a: float, b: float, scale: float, relative: float = 1e-8) -> bool:
    return abs(a - b) <= relative * max(abs(scale), abs(a), abs(b))


def complaints(resolved: Resolved, configuration: Configuration, state: State) -> list[str]:
    """Everything that is wrong with a state; capacitors are open."""
    return [
        *numbers(state),
        *kirchhoff(resolved, state),
        *power_balance(resolved, state),
        *laws(resolved, configuration, state),
        *regions(resolved, state),
    ]


def numbers(state: State) -> Iterator[str]:
    """Every reported number is finite; the others are ``None``."""
    shown = [(net, value) for net, value in state.nets.items()]
    shown += [
        (f"{part}.{pin}", value) for part, pins in state.currents.items() for pin, value in pins.items()
    ]
    shown += [(part, value) for part, value in state.power.items()]
    for name, value in shown:
        if value is not None and not np.isfinite(value):
            yield f"{name} is {value}"


def kirchhoff(resolved: Resolved, state: State) -> Iterator[str]:
    """The currents into the pins at each net, the reference included, add up to zero."""
    at: dict[str, list[float | None]] = {}
    for part in resolved.circuit.parts.values():
        for pin, net in part.pins.items():
            at.setdefault(net, []).append(state.currents[part.name][pin])
    for net, currents in at.items():
        known = [current for current in currents if current is not None]
        if len(known) == len(currents) and abs(sum(known)) > 1e-12 + 1e-9 * max(abs(x) for x in known):
            yield f"KCL at {net}: {sum(known):.3g} A is left over of {known}"


def power_balance(resolved: Resolved, state: State) -> Iterator[str]:
    """Each power is the sum of voltage times current over the pins; all of them add up to zero."""
    for part in resolved.circuit.parts.values():
        power = state.power[part.name]
        terms = [(state.nets[net], state.currents[part.name][pin]) for pin, net in part.pins.items()]
        if power is None or any(v is None or i is None for v, i in terms):
            continue
        expected = sum(v * i for v, i in terms if v is not None and i is not None)
        if abs(expected - power) > 1e-12 + 1e-9 * max(abs((v or 0.0) * (i or 0.0)) for v, i in terms):
            yield f"power of {part.name}: {power:.6g} W, but voltage times current is {expected:.6g} W"
    powers = [power for power in state.power.values() if power is not None]
    if len(powers) == len(state.power) and abs(sum(powers)) > 1e-11 + 1e-8 * max(
        (abs(p) for p in powers), default=0.0
    ):
        yield f"power balance: {sum(powers):.3g} W is left over"


def laws(resolved: Resolved, configuration: Configuration, state: State) -> Iterator[str]:
    """Ohm's law, source voltages, contacts, open capacitors, fixed currents."""
    circuit = resolved.circuit
    peak = max((abs(v) for v in state.nets.values() if v is not None), default=0.0)
    for part in circuit.parts.values():
        first, second = _ends(part)
        if first is None or second is None:
            continue
        one, two = state.currents[part.name][first], state.currents[part.name][second]
        high, low = state.nets[part.pins[first]], state.nets[part.pins[second]]
        if one is not None and two is not None and not close(one, -two, 1e-9):
            yield f"{part.name}: {one} A in, {two} A out"
        across = None if high is None or low is None else high - low
        yield from _law(resolved, configuration, part, across, one, peak)
    if state.nets[circuit.ground] != 0.0:
        yield f"the reference net {circuit.ground} is at {state.nets[circuit.ground]} V"


def _ends(part: Part) -> tuple[str | None, str | None]:
    for pair in (("a", "b"), ("plus", "minus"), ("out", "reference"), ("from", "to")):
        if pair[0] in part.pins:
            return pair
    return None, None


def _law(
    resolved: Resolved,
    configuration: Configuration,
    part: Part,
    across: float | None,
    current: float | None,
    peak: float,
) -> Iterator[str]:
    """``across`` is v(first) - v(second), ``current`` what flows into the first pin."""
    name, rounding = part.name, 1e-9 * max(1.0, peak)

    def differs(volts: float) -> bool:
        return across is not None and abs(across - volts) > rounding

    if part.kind == "capacitor" and current != 0.0:
        yield f"{name}: {current} A through a capacitor at rest"
    elif part.kind == "current-source" and current != resolved.value(name, "current"):
        yield f"{name}: {current} A instead of its own current"
    elif part.kind == "contact" and configuration.contacts[name] == "open" and current != 0.0:
        yield f"{name}: {current} A through an open contact"
    elif part.kind == "contact" and configuration.contacts[name] == "closed" and differs(0.0):
        yield f"{name}: {across} V across a closed contact"
    elif part.kind in RESISTIVE and current is not None:
        if differs(current * resolved.value(name, "resistance")):
            yield f"{name}: {across} V but {current} A"
    elif part.kind in ("battery", "supply", "driver", "inductor"):
        level = configuration.drivers[name] if part.kind == "driver" else "voltage"
        electromotive = 0.0 if part.kind == "inductor" else resolved.value(name, level)
        inner = resolved.value(name, "resistance")
        if inner == 0.0 and differs(electromotive):
            yield f"{name}: {across} V across an ideal source of {electromotive} V"
        elif current is not None and differs(electromotive + current * inner):
            yield f"{name}: {across} V at {current} A"


def regions(resolved: Resolved, state: State) -> Iterator[str]:
    """The region named for each device is the one its voltages and currents are in."""
    for part in resolved.circuit.parts.values():
        if part.kind in TRANSISTORS:
            yield from _transistor(resolved, state, part)
        elif part.kind in ("diode", "led", "zener"):
            yield from _diode(resolved, state, part)


def _between(state: State, part: Part, high: str, low: str) -> float | None:
    a, c = state.nets[part.pins[high]], state.nets[part.pins[low]]
    return None if a is None or c is None else a - c


def _transistor(resolved: Resolved, state: State, part: Part) -> Iterator[str]:
    """Regions of the piecewise-linear Ebers-Moll transistor.

    off: v_BE, v_BC below their drops, no current; active: v_BE at its drop, I_C = beta I_B;
    saturated: both at their drops, I_B >= 0, I_C <= beta I_B; reverse: v_BC at its drop,
    I_E (out) = -reverse beta I_B.  PNP: all signs reversed.
    """
    sign = 1.0 if part.kind == "npn" else -1.0
    region, name = state.devices[part.name], part.name
    pins = state.currents[name]
    vbe, vbc = _between(state, part, "base", "emitter"), _between(state, part, "base", "collector")
    vbe, vbc = (None if v is None else sign * v for v in (vbe, vbc))
    on = resolved.assumptions["vbe_on"]
    back = on - resolved.assumptions["vce_sat"]
    beta, reverse = resolved.beta(name, "typical").value, resolved.assumptions["reverse_beta"]
    rounding = 1e-8 * max(1.0, max((abs(v) for v in state.nets.values() if v is not None), default=0.0))
    forward_on, reverse_on = region in ("active", "saturated"), region in ("saturated", "reverse")
    for label, volts, drop, conducts in (("v_BE", vbe, on, forward_on), ("v_BC", vbc, back, reverse_on)):
        if volts is None:
            continue
        if conducts and abs(volts - drop) > rounding:
            yield f"{name} {region}: {label} is {volts}, not {drop}"
        if not conducts and volts > drop + rounding:
            yield f"{name} {region}: {label} is {volts}, above {drop}"
    if any(current is None for current in pins.values()):
        return
    into = {pin: sign * current for pin, current in pins.items() if current is not None}
    ic, ib, ie = into["collector"], into["base"], into["emitter"]
    size = max(abs(ic), abs(ib), abs(ie))
    fuzz = 1e-9 * size + 1e-14
    if abs(ic + ib + ie) > fuzz:
        yield f"{name}: pin currents do not add up: {into}"
    if region == "off" and size > 0.0:
        yield f"{name} off, but carries {into}"
    elif region == "active" and (ib < -fuzz or not close(ic, beta * ib, size)):
        yield f"{name} active: I_C {ic}, beta I_B {beta * ib}"
    elif region == "saturated" and (ib < -fuzz or ic > beta * ib + fuzz or -ie < -reverse * ib - fuzz):
        yield f"{name} saturated: I_C {ic}, I_B {ib}, beta {beta}"
    elif region == "reverse" and (ib < -fuzz or not close(ie, reverse * ib, size)):
        yield f"{name} reverse: I_E {ie}, reverse beta I_B {reverse * ib}"


def _diode(resolved: Resolved, state: State, part: Part) -> Iterator[str]:
    name, region = part.name, state.devices[part.name]
    volts, current = _between(state, part, "anode", "cathode"), state.currents[part.name]["anode"]
    forward = resolved.value(name, "forward")
    rounding = 1e-8 * max(1.0, max((abs(v) for v in state.nets.values() if v is not None), default=0.0))
    breakdown = resolved.value(name, "zener") if part.kind == "zener" else np.inf
    slope = resolved.value(name, "resistance") if part.kind == "zener" else 0.0
    if region == "off" and current != 0.0:
        yield f"{name} off, but carries {current} A"
    if region == "off" and volts is not None and not -breakdown - rounding <= volts <= forward + rounding:
        yield f"{name} off at {volts} V"
    if region == "on" and ((volts is not None and abs(volts - forward) > rounding) or (current or 0.0) < 0.0):
        yield f"{name} on: {volts} V, {current} A"
    if region == "breakdown":
        if current is not None and current > 0.0:
            yield f"{name} in breakdown, but carries {current} A forward"
        if volts is not None and current is not None and abs(volts + breakdown - slope * current) > rounding:
            yield f"{name} in breakdown at {volts} V, {current} A"


def undetermined(
    resolved: Resolved, configuration: Configuration, devices: Mapping[str, str]
) -> tuple[set[str], set[str]]:
    """Nets, and parts' currents, that KCL and the part laws leave open when every region is as given.

    Each conducting junction has an ohm, which settles how equal junctions in parallel share.
    """
    circuit = resolved.circuit
    nets = [net for net in circuit.net_names if net != circuit.ground]
    column = {net: k for k, net in enumerate(nets)}
    rows: list[tuple[Part, dict[str, float], tuple[str, str], float]] = []
    for part in circuit.parts.values():
        rows.extend((part, *row) for row in _conducting(resolved, configuration, part, devices))
    matrix = np.zeros((len(nets) + len(rows),) * 2)
    for k, (part, shares, (plus, minus), ohms) in enumerate(rows, start=len(nets)):
        for pin, share in shares.items():  # KCL, with currents in mA
            if part.pins[pin] in column:
                matrix[column[part.pins[pin]], k] += share
        for pin, sign in ((plus, 1.0), (minus, -1.0)):  # v(plus) - v(minus) - R i = constant
            if part.pins[pin] in column:
                matrix[k, column[part.pins[pin]]] += sign
        matrix[k, k] -= ohms / 1e3
    if not rows:
        return set(nets), set()
    _, values, vt = np.linalg.svd(matrix)
    null = vt[values <= 1e-11 * values[0]]
    moves = np.abs(null).max(axis=0, initial=0.0)
    return (
        {net for net, k in column.items() if moves[k] > 1e-6},
        {part.name for k, (part, *_) in enumerate(rows, start=len(nets)) if moves[k] > 1e-6},
    )


def _conducting(
    resolved: Resolved, configuration: Configuration, part: Part, devices: Mapping[str, str]
) -> Iterator[tuple[dict[str, float], tuple[str, str], float]]:
    """Each conducting branch: share of its current into each pin, the pins of its voltage, its resistance."""
    first, second = _ends(part)
    region = devices.get(part.name)
    if part.kind in TRANSISTORS:
        beta, back = resolved.beta(part.name, "typical").value, resolved.assumptions["reverse_beta"]
        if region in ("active", "saturated"):
            yield (
                {"base": 1 / (1 + beta), "collector": beta / (1 + beta), "emitter": -1.0},
                ("base", "emitter"),
                1.0,
            )
        if region in ("reverse", "saturated"):
            yield (
                {"base": 1 / (1 + back), "emitter": back / (1 + back), "collector": -1.0},
                ("base", "collector"),
                1.0,
            )
    elif region is not None and region != "off":
        slope = resolved.value(part.name, "resistance") if region == "breakdown" else 0.0
        yield ({"anode": 1.0, "cathode": -1.0}, ("anode", "cathode"), slope + 1.0)
    elif part.kind == "contact" and configuration.contacts[part.name] == "closed":
        yield ({"a": 1.0, "b": -1.0}, ("a", "b"), 0.0)
    elif part.kind in (*RESISTIVE, "battery", "supply", "driver", "inductor") and first and second:
        yield ({first: 1.0, second: -1.0}, (first, second), resolved.value(part.name, "resistance"))
