"""The same circuit with exponential junctions, for a general root finder.

Written on its own (node equations of the Ebers-Moll model at 25 degC), so that
`scipy.optimize.root` can be given the very circuit that the enumeration gets.
Only resistors, supplies, NPN and PNP are known here.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from schemas.circuit import Beta, Circuit

Array = NDArray[np.float64]
SATURATION_CURRENT, THERMAL, REVERSE_BETA = 1e-14, 0.02569, 4.0


def equations(circuit: Circuit) -> tuple[tuple[str, ...], Callable[[Array], Array]]:
    """Net names and the residual currents (mA) at given node voltages (V)."""
    nets = tuple(net for net in circuit.net_names if net != circuit.ground)
    index = {net: k for k, net in enumerate(nets)}

    def residual(voltages: Array) -> Array:
        balance = np.zeros(len(nets))

        def at(net: str) -> float:
            return float(voltages[index[net]]) if net in index else 0.0

        def draw(net: str, current: float) -> None:
            if net in index:
                balance[index[net]] -= current * 1e3

        for part in circuit.parts.values():
            pins = part.pins
            if part.kind == "resistor":
                current = (at(pins["a"]) - at(pins["b"])) / (part.number("resistance") or 1.0)
                draw(pins["a"], current)
                draw(pins["b"], -current)
            elif part.kind == "supply":
                # an ideal supply is given a milliohm: the root finder wants node equations only
                resistance = max(part.number("resistance") or 0.0, 1e-3)
                current = (
                    at(pins["plus"]) - at(pins["minus"]) - (part.number("voltage") or 0.0)
                ) / resistance
                draw(pins["plus"], current)
                draw(pins["minus"], -current)
            else:
                _transistor(part.kind, pins, part.values["beta"], at, draw)
        return balance

    return nets, residual


def _transistor(
    kind: str, pins: object, beta: object, at: Callable[[str], float], draw: Callable[[str, float], None]
) -> None:
    assert isinstance(beta, Beta)
    assert beta.typical is not None
    sign = 1.0 if kind == "npn" else -1.0
    names = {name: pins[name] for name in ("collector", "base", "emitter")}  # type: ignore[index]
    forward = _diode(sign * (at(names["base"]) - at(names["emitter"])))
    reverse = _diode(sign * (at(names["base"]) - at(names["collector"])))
    base = forward / beta.typical + reverse / REVERSE_BETA
    collector = forward - reverse * (1.0 + 1.0 / REVERSE_BETA)
    draw(names["base"], sign * base)
    draw(names["collector"], sign * collector)
    draw(names["emitter"], -sign * (base + collector))


def _diode(voltage: float) -> float:
    """Junction current in A, carried on in a straight line above 40 thermal voltages."""
    x = voltage / THERMAL
    if x > 40.0:
        return SATURATION_CURRENT * (float(np.exp(40.0)) * (1.0 + x - 40.0) - 1.0)
    return SATURATION_CURRENT * float(np.expm1(x))
