"""Latches in scenarios of our own, and the sums of paper for them."""

from __future__ import annotations

from typing import Any

from schemas.circuit import Ambient, Beta, Circuit, Part, frozen_map
from tests.builders import (
    battery,
    capacitor,
    contact,
    diode,
    film,
    led,
    load,
    npn,
    pnp,
    press,
    resistor,
    supply,
)

EXACT = {
    "resistor_tolerance": 0.0,
    "film_tolerance": 0.0,
    "electrolytic_tolerance": 0.0,
    "junction_spread": 0.0,
    "led_spread": 0.0,
}
ROOM = Ambient(298.15, 298.15, 298.15)


def bench(*parts: Part, toleranced: bool = False, **members: Any) -> Circuit:
    """A circuit of exact parts at 25 degC; with ``toleranced`` of the usual ones at 0 to 40 degC."""
    if not toleranced:
        members["assumptions"] = {**EXACT, **members.get("assumptions", {})}
        members.setdefault("ambient", ROOM)
    named = {item.name: item for item in parts}
    assert len(named) == len(parts)
    return Circuit(name="bench", ground="gnd", parts=frozen_map(named), **members)


def tank(
    beta_1: float | Beta = 200.0,
    beta_2: float | Beta = 150.0,
    r3: float = 47e3,
    rb1: float | None = 10e3,
    rb2: float | None = 4.7e3,
    rl: float = 1e3,
    volts: float = 12.0,
    *extra: Part,
    low: float | None = None,
    high: float | None = None,
    tolerance: Any = None,
    icbo: float = 50e-9,
    **members: Any,
) -> Circuit:
    """The tank level latch: PNP Q2 on the rail drives the load, NPN Q1 holds it on through R3."""
    parts = [
        supply("V1", "vp", "gnd", volts, low=low, high=high),
        pnp("Q2", "out", "b2", "vp", beta_2, icbo=icbo),
        resistor("R2", "b2", "c1", 4.7e3, tolerance=tolerance),
        npn("Q1", "c1", "b1", "gnd", beta_1, icbo=icbo),
        resistor("R3", "out", "b1", r3, tolerance=tolerance),
        load("RL", "out", "gnd", rl, tolerance=tolerance),
        *extra,
    ]
    if rb1 is not None:
        parts.append(resistor("RB1", "b1", "gnd", rb1, tolerance=tolerance))
    if rb2 is not None:
        parts.append(resistor("RB2", "vp", "b2", rb2, tolerance=tolerance))
    return bench(*parts, **members)


def garden_light(beta: float | Beta = 100.0, *extra: Part, **members: Any) -> Circuit:
    """A light beside a garden path that goes out by itself after a minute."""
    return bench(
        battery("B1", "vb", "gnd", 9.0, 2.0),
        pnp("Q2", "out", "b2", "vb", beta),
        resistor("RB2", "vb", "b2", 10e3),
        resistor("R2", "b2", "c1", 470.0),
        npn("Q1", "c1", "b1", "e", beta),
        npn("Q3", "vb", "tm", "e", beta),
        resistor("RE", "e", "gnd", 3.3e3),
        resistor("R3", "out", "b1", 47e3),
        resistor("R4", "b1", "gnd", 39e3),
        resistor("R6", "out", "tm", 220e3),
        capacitor("C1", "tm", "gnd", 470e-6, voltage=16.0),
        film("C2", "b1", "gnd", 100e-9),
        diode("D1", "tm", "out"),
        resistor("R9", "out", "gnd", 4.7e3),
        resistor("R7", "out", "la", 560.0),
        led("L1", "la", "gnd", 3.0),
        contact("S1", "vb", "sw"),
        resistor("R8", "sw", "b1", 22e3),
        *extra,
        stimuli={"press": press("S1", 0.1)},
        **members,
    )


def bistable(
    volts: float = 10.0,
    rc: float = 1e3,
    r1: float = 10e3,
    r2: float = 20e3,
    beta: float | Beta = 40.0,
    **members: Any,
) -> Circuit:
    """Two NPN transistors, each held off by the other; the bleeds go to a negative supply."""
    sides: list[Part] = []
    for me, other in ((1, 2), (2, 1)):
        sides += [
            npn(f"Q{me}", f"c{me}", f"b{me}", "gnd", beta),
            resistor(f"RC{me}", "rail", f"c{me}", rc),
            resistor(f"R1{me}", f"c{other}", f"b{me}", r1),
            resistor(f"R2{me}", f"b{me}", "minus", r2),
        ]
    return bench(supply("V1", "rail", "gnd", volts), supply("V2", "gnd", "minus", volts), *sides, **members)


def least_feedback(
    beta_1: float, beta_2: float, rb1: float = 10e3, rb2: float = 4.7e3, rl: float = 1e3, volts: float = 12.0
) -> float:
    """The largest R3 (ohm) of the tank latch: there Q1 is active and Q2 only just saturates (own sums).

    beta_2*(beta_1*I_B1 - V_BE/RB2) = I_C2, with I_B1 = (V - 0.9)/R3 - V_BE/RB1 and
    I_C2 = (V - 0.2)/RL + (V - 0.9)/R3.
    """
    bleed_1, bleed_2, out = 0.7 / rb1, 0.7 / rb2, volts - 0.2
    wanted = out / rl + beta_2 * (beta_1 * bleed_1 + bleed_2)
    return (out - 0.7) * (beta_1 * beta_2 - 1.0) / wanted
