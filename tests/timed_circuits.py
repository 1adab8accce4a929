"""Five named circuits on which the two models of a course in time are compared; own scenarios, own values."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from schemas.circuit import Action, Circuit, frozen_map
from tests.builders import (
    capacitor,
    circuit,
    coil,
    contact,
    diode,
    driver,
    film,
    led,
    load,
    npn,
    press,
    resistor,
    supply,
)
from tests.timers import garden_light


@dataclass(frozen=True)
class Named:
    """A circuit, what is done to it, how long it is watched (s), and the net whose swing counts."""

    build: Callable[[], Circuit]
    stimulus: str | None
    until: float
    output: str


def path_light() -> Circuit:
    """A garden path light: a PNP/NPN latch that a steered current releases after a minute."""
    return garden_light()


def flasher() -> Circuit:
    """A 12 V pond lantern: two stages with LEDs in their collectors flash in turn."""
    parts = [supply("V1", "vp", "gnd", 12.0)]
    for own, other in (("1", "2"), ("2", "1")):
        parts += [
            resistor(f"RC{own}", "vp", f"a{own}", 820.0),
            led(f"L{own}", f"a{own}", f"c{own}", 1.9),
            resistor(f"RB{own}", "vp", f"b{own}", 56e3),
            capacitor(f"C{own}", f"c{own}", f"b{other}", 4.7e-6, voltage=16.0),
            npn(f"Q{own}", f"c{own}", f"b{own}", "gnd", 200.0),
        ]
    return circuit(*parts, name="flasher")


def feeder() -> Circuit:
    """An aquarium feeder: a tap runs the motor's pilot lamp for about two seconds (a monostable)."""
    return circuit(
        supply("V1", "vp", "gnd", 6.0),
        resistor("R1", "vp", "c1", 2.2e3),
        load("LP1", "vp", "c2", 390.0),
        resistor("RT", "vp", "b2", 22e3),
        resistor("RX", "c2", "b1", 18e3),
        resistor("RY", "b1", "gnd", 27e3),
        capacitor("CT", "c1", "b2", 100e-6, voltage=16.0),
        npn("Q1", "c1", "b1", "gnd", 180.0),
        npn("Q2", "c2", "b2", "gnd", 180.0),
        contact("S1", "vp", "tap"),
        resistor("RS", "tap", "b1", 12e3),
        name="feeder",
        stimuli=frozen_map({"tap": press("S1", 0.02)}),
    )


def valve() -> Circuit:
    """A greenhouse valve: a logic output drives a relay coil with a flyback diode across it."""
    return circuit(
        supply("V1", "vp", "gnd", 12.0),
        driver("U1", "u", "gnd", 0.0, 5.0),
        resistor("RB", "u", "b", 2.2e3),
        resistor("RBE", "b", "gnd", 22e3),
        npn("Q1", "c", "b", "gnd", 150.0),
        coil("K1", "vp", "c", 400.0, inductance=0.6),
        diode("D1", "c", "vp"),
        name="valve",
        stimuli=frozen_map({"water": (Action(0.0, "U1", "high"), Action(0.02, "U1", "low"))}),
    )


def classroom_delay() -> Circuit:
    """A classroom demonstration: close the contact, and a lamp lights when the capacitor has charged."""
    return circuit(
        supply("V1", "vp", "gnd", 9.0),
        contact("S1", "vp", "feed"),
        resistor("R1", "feed", "t", 33e3),
        capacitor("C1", "t", "gnd", 220e-6, voltage=16.0),
        film("C2", "b", "gnd", 10e-9),
        resistor("R2", "t", "b", 47e3),
        resistor("R3", "b", "gnd", 15e3),
        load("LP1", "vp", "out", 1.5e3),
        npn("Q1", "out", "b", "gnd", 220.0),
        name="classroom-delay",
        stimuli=frozen_map({"close": (Action(0.0, "S1", "closed"),)}),
    )


NAMED = {
    "path light": Named(path_light, "press", 80.0, "out"),
    "flasher": Named(flasher, None, 1.5, "c1"),
    "feeder": Named(feeder, "tap", 6.0, "c2"),
    "valve": Named(valve, "water", 0.05, "c"),
    "classroom delay": Named(classroom_delay, "close", 40.0, "out"),
}
