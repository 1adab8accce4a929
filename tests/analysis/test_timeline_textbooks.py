"""Timing examples of textbooks as whole timelines, to their printed digits."""

from __future__ import annotations

import math

import pytest

from rules.analysis.study import Study
from rules.analysis.timeline.model import Timeline
from schemas.circuit import Action, Part, frozen_map
from tests.builders import capacitor, circuit, contact, film, load, npn, resistor, supply, zener
from tests.textbook import agrees


def run(*parts: Part, actions: tuple[Action, ...]) -> Timeline:
    return Study(circuit(*parts, stimuli=frozen_map({"go": actions}))).timeline("go")


def reaching(volts: float, series: float, farads: float, until: float, inner: float | None = None) -> float:
    """Seconds until a capacitor that a contact connects has reached ``until`` V, where a zener marks it."""
    found = run(
        supply("V1", "rail", "gnd", volts, inner),
        contact("S1", "rail", "feed"),
        resistor("R1", "feed", "u", series),
        film("C1", "u", "gnd", farads),
        zener("Z1", "x", "u", until),
        resistor("R2", "x", "gnd", 1e6),
        actions=(Action(0.0, "S1", "closed"),),
    )
    return next(event.at for event in found.events if "Z1" in event.parts)


@pytest.mark.parametrize(
    ("source", "args", "printed"),
    [
        # T1: lamp of 100 ohm behind a source of 1 ohm, 50 mF, fires at 80 V
        ("OpenStax, University Physics 2, sec. 10.5", (100.0, 100.0, 50e-3, 80.0, 1.0), "8.13"),
        # T2: wiper delays of 2 s and 15 s; the resistors found give them back
        ("OpenStax, University Physics 2, ex. 10.9; from memory", (12.0, 111.6, 10e-3, 10.0), "2.00"),
        ("OpenStax, University Physics 2, ex. 10.9; from memory", (12.0, 837.2, 10e-3, 10.0), "15.0"),
        # T6: 40 V, 20 k, 100 uF, to 18 V
        ("class exercise, jiskha 1363958000", (40.0, 20e3, 100e-6, 18.0), "1.2"),
    ],
)
def test_time_to_threshold(source: str, args: tuple[float, ...], printed: str) -> None:
    found = reaching(*args)
    assert agrees(found, printed), f"{source}: {found}, printed {printed}"


def test_relaxation_lamp() -> None:
    # T1: OpenStax, University Physics 2, sec. 10.5: 0.123 Hz when each flash empties the capacitor
    assert agrees(1.0 / reaching(100.0, 100.0, 50e-3, 80.0, 1.0), "0.123")


def test_repeated_flashes() -> None:
    """The same lamp with a contact for the flash: each charging takes as long as the first."""
    flash = 8.2  # s; the contact closes when the lamp has fired
    actions = tuple(
        Action(at, "S2", to) for k in (1, 2) for at, to in ((k * flash, "closed"), (k * flash + 1e-9, "open"))
    )
    found = run(
        supply("V1", "rail", "gnd", 100.0, 1.0),
        contact("S1", "rail", "feed"),
        resistor("R1", "feed", "u", 100.0),
        film("C1", "u", "gnd", 50e-3),
        contact("S2", "u", "gnd"),
        zener("Z1", "x", "u", 80.0),
        load("LP1", "x", "gnd", 1e6),
        actions=(Action(0.0, "S1", "closed"), *actions),
    )
    fires = [i.start for i in found.intervals if i.devices["Z1"] == "breakdown"]
    assert len(fires) == 3
    for k, at in enumerate(fires):
        # OpenStax, University Physics 2, sec. 10.5: 8.13 s
        assert agrees(at - k * flash, "8.13")


def test_charge_after_a_given_time() -> None:
    # T5: Kuphaldt, Lessons in Electric Circuits vol. I, ch. 16; from memory: 14.989 V, 1.065 uA after 7.25 s
    found = run(
        supply("V1", "rail", "gnd", 15.0),
        contact("S1", "rail", "feed"),
        resistor("R1", "feed", "u", 10e3),
        film("C1", "u", "gnd", 100e-6),
        actions=(Action(0.0, "S1", "closed"),),
    )
    charging = found.at(7.25)
    assert agrees(float(charging.voltage("u", "gnd", [7.25])[0]), "14.989")
    assert agrees(float(charging.current("R1", "a", [7.25])[0]), "1.065 u")


def astable(bases: tuple[float, float], farads: float, volts: float) -> tuple[float, float, float]:
    """Off times of both transistors and the period of a cross-coupled pair, s."""
    parts: list[Part] = [supply("V1", "rail", "gnd", volts), contact("S1", "b1", "gnd", "closed")]
    for k, base in enumerate(bases):
        me, other = k + 1, 2 - k
        parts += [
            resistor(f"RC{me}", "rail", f"c{me}", base / 30.0),
            resistor(f"RB{me}", "rail", f"b{me}", base),
            capacitor(f"C{me}", f"c{other}", f"b{me}", farads),
            npn(f"Q{me}", f"c{me}", f"b{me}", "gnd", 200.0),
        ]
    found = run(*parts, actions=(Action(0.0, "S1", "open"),))
    assert found.verdict == "oscillates"
    assert found.period is not None
    off = [[i.duration for i in found.intervals if i.devices[q] == "off"][-1] for q in ("Q1", "Q2")]
    return off[0], off[1], found.period


def test_astables() -> None:
    """The books neglect all drops: with 30 V they are small enough for the printed digits."""
    # T3: V. K. and R. Mehta, Principles of Electronics, ex. 18.4, p. 480: 10 k, 10 nF: 0.14 ms, 7 kHz
    _, _, period = astable((10e3, 10e3), 10e-9, 30.0)
    assert agrees(period, "0.14 m")
    assert agrees(1.0 / period, "7 k")
    # T4: holooly.com, p=1144018: 60 k and 40 k, 2.9 nF: 0.12 ms and 0.08 ms, 5 kHz, duty 0.6
    first, second, period = astable((60e3, 40e3), 2.9e-9, 30.0)
    assert agrees(first, "0.12 m")
    assert agrees(second, "0.08 m")
    assert agrees(1.0 / period, "5 k")
    assert agrees(first / period, "0.6")


@pytest.mark.parametrize("volts", [10.0, 100.0, 1000.0])
def test_an_astable_nears_the_rule_of_0_69(volts: float) -> None:
    """ln 2 RC per half in the limit of no drops (common textbook rule); what is left falls as 1/V."""
    first, _, _ = astable((10e3, 10e3), 10e-9, volts)
    excess = first / (10e3 * 10e-9 * math.log(2.0)) - 1.0
    # d ln((2 V - 0.9)/(V - 0.7)) to first order: (0.7 - 0.45)/V, and recovery within a half is complete
    assert excess == pytest.approx(0.25 / volts / math.log(2.0), rel=0.1)
