"""Circuits that time something, for the tests of several rules; own scenarios, own values."""

from __future__ import annotations

from typing import Any

from schemas.circuit import Beta, Circuit, Leakage, Requirement, frozen_map
from tests.builders import (
    battery,
    capacitor,
    circuit,
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


def garden_light(
    r6: float = 220e3,
    c1: float = 470e-6,
    beta: float = 1.0,
    diode_fitted: bool = True,
    leakage: Leakage | None = None,
    rated: float | None = 16.0,
    requirements: tuple[Requirement, ...] = (),
    **more: float,
) -> Circuit:
    """A garden path light that goes out by itself: a PNP/NPN latch with an emitter-coupled timing transistor.

    ``beta`` is a factor on the gains 200 and 150.
    """
    parts = [
        battery("B1", "vb", "gnd", 9.0, 2.0),
        pnp("Q2", collector="out", base="b2", emitter="vb", beta=150.0 * beta),
        resistor("RB2", "vb", "b2", 10e3),
        resistor("R2", "b2", "c1", 470.0),
        npn("Q1", collector="c1", base="b1", emitter="e", beta=200.0 * beta),
        npn("Q3", collector="vb", base="tm", emitter="e", beta=200.0 * beta),
        resistor("RE", "e", "gnd", 3.3e3),
        resistor("R3", "out", "b1", more.get("r3", 47e3)),
        resistor("R4", "b1", "gnd", more.get("r4", 39e3)),
        resistor("R6", "out", "tm", r6),
        capacitor("C1", "tm", "gnd", c1, voltage=rated, dielectric="aluminium", leakage=leakage),
        film("C2", "b1", "gnd", 100e-9),
        resistor("R9", "out", "gnd", more.get("r9", 4.7e3)),
        resistor("R7", "out", "la", 560.0),
        led("LED", "la", "gnd", 3.0),
        contact("S1", "vb", "sw"),
        resistor("R8", "sw", "b1", 22e3),
    ]
    if diode_fitted:
        parts.append(diode("D1", "tm", "out"))
    return circuit(
        *parts,
        name="garden-light",
        stimuli=frozen_map({"press": press("S1", 0.1)}),
        requirements=requirements,
    )


def on_delay(
    charging: float = 47e3,
    farads: float = 470e-6,
    upper: float = 100e3,
    lower: float = 22e3,
    bleed: float | None = None,
    beta: float | Beta = 200.0,
    **values: Any,
) -> Circuit:
    """A contact charges C1; Q1 comes on when a divider from C1 puts 0.7 V on its base.

    ``bleed`` pulls the net behind the contact down and brings a diode with it.
    """
    values.setdefault("voltage", 16.0)
    values.setdefault("dielectric", "aluminium")
    requirements = values.pop("requirements", ())
    parts = [
        supply("V1", "rail", "gnd", 9.0),
        contact("S1", "rail", "feed"),
        resistor("R1", "feed", "slow", charging),
        capacitor("C1", "slow", "gnd", farads, **values),
        resistor("R2", "slow", "base", upper),
        resistor("R3", "base", "gnd", lower),
        load("LS1", "rail", "out", 2.2e3),
        npn("Q1", collector="out", base="base", emitter="gnd", beta=beta),
    ]
    if bleed is not None:
        parts += [resistor("R5", "feed", "gnd", bleed), diode("D1", "slow", "feed")]
    return circuit(*parts, name="on-delay", requirements=requirements)


def hold_on(farads: float = 220e-6, stay: float = 0.5, charging: float = 100.0, **values: Any) -> Circuit:
    """A tap on a button fills C1; Q1 stays on while C1 empties into its base."""
    values.setdefault("voltage", 25.0)
    values.setdefault("dielectric", "aluminium")
    return circuit(
        supply("V1", "rail", "gnd", 12.0),
        contact("S1", "rail", "feed"),
        resistor("R1", "feed", "slow", charging),
        capacitor("C1", "slow", "gnd", farads, **values),
        resistor("R2", "slow", "base", 100e3),
        resistor("R3", "base", "gnd", 100e3),
        load("LP1", "rail", "out", 1e3),
        npn("Q1", collector="out", base="base", emitter="gnd", beta=200.0),
        name="hold-on",
        stimuli=frozen_map({"tap": press("S1", stay)}),
    )


def one_shot(farads: float = 47e-6, timing: float = 47e3, **values: Any) -> Circuit:
    """A collector-coupled monostable: Q2 rests on, a poke on Q1 turns it off until C1 has turned round."""
    values.setdefault("voltage", 16.0)
    return circuit(
        supply("V1", "rail", "gnd", 5.0),
        resistor("RC1", "rail", "c1", 1e3),
        resistor("RC2", "rail", "c2", 1e3),
        resistor("R1", "rail", "b2", timing),
        resistor("R2", "c2", "b1", 22e3),
        resistor("R3", "b1", "gnd", 22e3),
        capacitor("C1", "c1", "b2", farads, **values),
        npn("Q1", collector="c1", base="b1", emitter="gnd", beta=150.0),
        npn("Q2", collector="c2", base="b2", emitter="gnd", beta=150.0),
        contact("S1", "rail", "trig"),
        resistor("R5", "trig", "b1", 10e3),
        name="one-shot",
        stimuli=frozen_map({"poke": press("S1", 0.05)}),
    )


def blinker(farads: float = 10e-6) -> Circuit:
    """A cross-coupled astable."""
    parts = [supply("V1", "rail", "gnd", 5.0)]
    for me, other in ((1, 2), (2, 1)):
        parts += [
            resistor(f"RC{me}", "rail", f"c{me}", 1e3),
            resistor(f"RB{me}", "rail", f"b{me}", 47e3),
            capacitor(f"C{me}", f"c{other}", f"b{me}", farads, voltage=16.0),
            npn(f"Q{me}", collector=f"c{me}", base=f"b{me}", emitter="gnd", beta=150.0),
        ]
    return circuit(*parts, name="blinker")


def requirement(kind: str, **values: Any) -> Requirement:
    return Requirement(kind, None, frozen_map(values))


def pair_delay(internal: float = 2.0, volts: float = 9.0, tap: float = 15e3, **more: Any) -> Circuit:
    """C1 turns an emitter-coupled pair over while S1 stays; Q3 loads the battery, and its sag lowers the tap.

    The way back begins with the release of S1: C1 empties through R1 and R7.
    """
    return circuit(
        battery("BT1", "rail", "gnd", volts, internal, **more),
        contact("S1", "rail", "feed"),
        resistor("R7", "feed", "gnd", 4.7e3),
        resistor("R1", "feed", "slow", 100e3),
        film("C1", "slow", "gnd", 10e-6),
        npn("Q1", collector="c1", base="slow", emitter="tail", beta=1000.0),
        npn("Q2", collector="rail", base="tap", emitter="tail", beta=1000.0),
        resistor("R2", "rail", "tap", 20e3),
        resistor("R3", "tap", "gnd", tap),
        resistor("RE", "tail", "gnd", 6.8e3),
        resistor("R4", "rail", "c1", 10e3),
        pnp("Q3", collector="out", base="c1", emitter="rail", beta=100.0),
        resistor("R5", "out", "gnd", 2.2e3),
        name="pair-delay",
        stimuli=frozen_map({"open": press("S1", 20.0)}),
    )
