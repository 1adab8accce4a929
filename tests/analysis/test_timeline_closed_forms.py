"""Timelines against closed forms, each written out here with its source, to 1e-9."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from rules.analysis.study import Study
from rules.analysis.timeline.model import Event, Interval, Timeline
from schemas.circuit import Action, Ambient, Circuit, Leakage, Part, frozen_map
from tests.builders import (
    capacitor,
    circuit,
    coil,
    contact,
    diode,
    film,
    inductor,
    npn,
    press,
    resistor,
    supply,
    zener,
)
from tests.timers import blinker, on_delay, one_shot

VBE, VCE, DIODE = 0.7, 0.2, 0.7  # V, the drops of the hand model
COOL = Ambient(273.15, 293.15, 293.15)  # leakage limits as stated, at 20 degC


def exactly(expected: float) -> Any:
    return pytest.approx(expected, rel=1e-9, abs=0.0)


def run(subject: Circuit, stimulus: str | None = "go", **options: Any) -> Timeline:
    return Study(subject).timeline(stimulus, **options)


def stimulated(*parts: Part, actions: tuple[Action, ...], **members: Any) -> Circuit:
    return circuit(*parts, stimuli=frozen_map({"go": actions}), **members)


def event(found: Timeline, part: str, number: int = 0) -> Event:
    """The n-th event at which a device changes its region."""
    return [e for e in found.events if part in e.parts and e.kind in ("region", "jump")][number]


def staying(found: Timeline, **regions: str) -> Interval:
    """The first interval in which devices are in these regions."""
    return next(i for i in found.intervals if all(i.devices[part] == r for part, r in regions.items()))


# OpenStax, University Physics 2, sec. 10.5: charging u = E (1 - exp(-t/RC)), discharging u = E exp(-t/RC)


def rc(volts: float, ohms: float, farads: float, watch: float) -> Circuit:
    """A contact charges C1 through R1; Z1 begins to conduct at ``watch`` V."""
    return stimulated(
        supply("V1", "rail", "gnd", volts),
        contact("S1", "rail", "feed"),
        resistor("R1", "feed", "u", ohms),
        film("C1", "u", "gnd", farads),
        zener("Z1", "x", "u", watch),
        resistor("R2", "x", "gnd", 1e3),
        actions=(Action(0.25, "S1", "closed"),),
    )


@pytest.mark.parametrize(("ohms", "farads"), [(47e3, 10e-6), (1e6, 22e-9), (33.0, 4.7e-3)])
def test_charging(ohms: float, farads: float) -> None:
    found = run(rc(12.0, ohms, farads, 8.2))
    rising = next(i for i in found.intervals if i.start >= 0.25)
    times = 0.25 + ohms * farads * np.array([1e-3, 0.1, 0.5, 1.0])
    expected = -12.0 * np.expm1(-(times - 0.25) / (ohms * farads))
    assert rising.voltage("u", "gnd", times) == pytest.approx(expected, rel=1e-9)
    assert rising.current("R1", "a", times) == pytest.approx((12.0 - expected) / ohms, rel=1e-9)
    delay = ohms * farads * math.log(12.0 / (12.0 - 8.2))
    assert event(found, "Z1").at - 0.25 == exactly(delay)


def test_discharging() -> None:
    found = run(
        stimulated(
            supply("V1", "rail", "gnd", 9.0),
            contact("S1", "rail", "u", "closed"),
            capacitor("C1", "u", "gnd", 100e-6),
            resistor("R1", "u", "gnd", 22e3),
            resistor("R2", "rail", "c", 1e3),
            diode("D1", "c", "u"),  # begins to conduct when u has come down to 9.0 - 0.7 V ...
            contact("S2", "c", "rail", "closed"),
            actions=(Action(0.0, "S1", "open"),),
        )
    )
    assert event(found, "D1").at == exactly(22e3 * 100e-6 * math.log(9.0 / 8.3))
    # ... and holds it there
    assert found.last.voltage("u", "gnd", [math.inf])[0] == pytest.approx(8.3, rel=1e-9)


def test_discharging_all_the_way() -> None:
    subject = stimulated(
        supply("V1", "rail", "gnd", 9.0),
        contact("S1", "rail", "u", "closed"),
        capacitor("C1", "u", "gnd", 100e-6),
        resistor("R1", "u", "gnd", 22e3),
        actions=(Action(0.5, "S1", "open"),),
    )
    found = run(subject)
    times = 0.5 + 2.2 * np.array([0.01, 0.3, 1.0, 5.0, 12.0])
    assert found.sample(times)["u"] == pytest.approx(9.0 * np.exp(-(times - 0.5) / 2.2), rel=1e-9)
    assert found.verdict == "settles"
    assert found.final["C1"] == pytest.approx(0.0, abs=1e-12)


def test_charging_a_loaded_divider() -> None:
    """Thevenin: the capacitor sees R1 parallel to R2 + R3 and aims at the divided voltage."""
    r1, r2, r3, farads = 47e3, 100e3, 22e3, 470e-6
    subject = on_delay(r1, farads, r2, r3)
    found = Study(
        circuit(*subject.parts.values(), stimuli=frozen_map({"go": (Action(0.0, "S1", "closed"),)}))
    ).timeline("go")
    aim, source = 9.0 * (r2 + r3) / (r1 + r2 + r3), r1 * (r2 + r3) / (r1 + r2 + r3)
    threshold = VBE * (r2 + r3) / r3
    expected = source * farads * math.log(aim / (aim - threshold))
    on = event(found, "Q1")
    assert on.at == exactly(expected)
    assert on.kind == "region"
    # from there the base takes current at 0.7 V: R1 against R2 alone, aiming between the supply and 0.7 V
    aim2, source2 = (9.0 * r2 + VBE * r1) / (r1 + r2), r1 * r2 / (r1 + r2)
    # saturated once R2 carries the base current of the load and what R3 takes
    full = VBE + r2 * ((9.0 - VCE) / 2.2e3 / 200.0 + VBE / r3)
    later = source2 * farads * math.log((aim2 - threshold) / (aim2 - full))
    assert event(found, "Q1", 1).at - on.at == exactly(later)


def leaky(amperes: float) -> Circuit:
    """10 V charge 100 uF through 47 k; Z1 conducts at 6 V."""
    return stimulated(
        supply("V1", "rail", "gnd", 10.0),
        contact("S1", "rail", "feed"),
        resistor("R1", "feed", "u", 47e3),
        capacitor("C1", "u", "gnd", 100e-6, voltage=16.0, leakage=Leakage(current=amperes)),
        zener("Z1", "x", "u", 6.0),
        npn("Q1", "rail", "x", "y", 100.0),
        resistor("R2", "x", "gnd", 100e3),
        resistor("R3", "y", "gnd", 10e3),
        actions=(Action(0.0, "S1", "closed"),),
        ambient=COOL,
    )


# C du/dt = (E - u)/R - I integrated: with a constant leakage the aim is E - I R


@pytest.mark.parametrize("amperes", [1e-6, 10e-6, 60e-6, 85e-6])
def test_constant_leakage(amperes: float) -> None:
    found = run(leaky(amperes), leakage="limit")
    aim = 10.0 - amperes * 47e3
    assert event(found, "Z1").at == exactly(47e3 * 100e-6 * math.log(aim / (aim - 6.0)))
    without = run(leaky(amperes))
    assert event(without, "Z1").at == exactly(4.7 * math.log(2.5))


def test_leakage_that_takes_the_whole_current() -> None:
    found = run(leaky(90e-6), leakage="limit")
    assert not [e for e in found.events if "Z1" in e.parts]
    assert found.verdict == "never-ends"
    assert found.final["C1"] == pytest.approx(10.0 - 90e-6 * 47e3, rel=1e-9)
    assert "C1" in found.reason


# Release of a coil with a diode across it: L di/dt = -R i - Vd integrated,
# t = (L/R) ln((I0 R + Vd)/(I R + Vd))


def relay(clamp: tuple[Part, ...]) -> Circuit:
    return stimulated(
        supply("V1", "rail", "gnd", 12.0),
        contact("S1", "rail", "feed"),
        resistor("R1", "feed", "b", 4.7e3),
        resistor("R2", "b", "gnd", 10e3),
        npn("Q1", "out", "b", "gnd", 200.0),
        coil("K1", "rail", "out", 400.0, inductance=0.6),
        *clamp,
        actions=press("S1", 0.05, 0.01),
    )


@pytest.mark.parametrize(
    ("clamp", "drop"),
    [
        ((diode("D1", "out", "rail"),), DIODE),
        ((diode("D1", "out", "k"), zener("Z1", "rail", "k", 12.0)), DIODE + 12.0),
    ],
)
def test_release_of_a_coil(clamp: tuple[Part, ...], drop: float) -> None:
    found = run(relay(clamp))
    ohms, henries = 400.0, 0.6
    # pull-in: i = (V - V_CE)/R (1 - exp(-R t/L)), as the capacitor charges
    times = 0.01 + np.array([1e-4, 1e-3, 5e-3])
    rising = -(12.0 - VCE) / ohms * np.expm1(-(times - 0.01) * ohms / henries)
    on = next(i for i in found.intervals if i.start >= 0.01)
    assert on.current("K1", "plus", times) == pytest.approx(rising, rel=1e-9)
    initial = -(12.0 - VCE) / ohms * np.expm1(-0.05 * ohms / henries)
    # release
    falling = staying(found, D1="on")
    assert falling.start == pytest.approx(0.06, rel=1e-12)
    for share in (0.8, 0.5, 0.2):
        after = henries / ohms * math.log((initial * ohms + drop) / (share * initial * ohms + drop))
        current = falling.current("K1", "plus", [0.06 + after])[0]
        assert current == pytest.approx(share * initial, rel=1e-9)
    over = henries / ohms * math.log((initial * ohms + drop) / drop)
    assert falling.duration == exactly(over)
    assert found.verdict == "settles"
    assert found.final["K1"] == pytest.approx(0.0, abs=1e-12)


# Cross-coupled astable, hand model.  While Q1 is off its base rises from V_BE - (X2 - V_CE) towards V:
#   T1 = RB1 C1 ln((V - V_BE + X2 - V_CE)/(V - V_BE)),
# where X2 is what C1 let the collector of Q2 rise to while Q2 was off, from V_CE towards V:
#   X2 = V - (V - V_CE) exp(-T2/(RC2 C1)).
# With the drops small beside V and full recovery this is the 0.69 RB C of the textbooks (Mehta, ex. 18.4).


def halves(
    volts: float, bases: tuple[float, float], loads: tuple[float, float], c: tuple[float, float]
) -> tuple[float, float]:
    """Off times of Q1 and Q2, s, by substitution until nothing moves."""
    off = [0.7 * bases[0] * c[0], 0.7 * bases[1] * c[1]]
    for _ in range(500):
        tops = [volts - (volts - VCE) * math.exp(-off[k] / (loads[k] * c[1 - k])) for k in (0, 1)]
        off = [bases[k] * c[k] * math.log((volts - VBE + tops[1 - k] - VCE) / (volts - VBE)) for k in (0, 1)]
    return off[0], off[1]


def astable(
    volts: float, bases: tuple[float, float], loads: tuple[float, float], c: tuple[float, float]
) -> Circuit:
    """``c[k]`` leads to the base of Q(k+1); a contact that holds one base down lets it start."""
    parts: list[Part] = [supply("V1", "rail", "gnd", volts), contact("S1", "b1", "gnd", "closed")]
    for k in (0, 1):
        me, other = k + 1, 2 - k
        parts += [
            resistor(f"RC{me}", "rail", f"c{me}", loads[k]),
            resistor(f"RB{me}", "rail", f"b{me}", bases[k]),
            capacitor(f"C{me}", f"c{other}", f"b{me}", c[k]),
            npn(f"Q{me}", f"c{me}", f"b{me}", "gnd", 150.0),
        ]
    return stimulated(*parts, actions=(Action(0.0, "S1", "open"),))


@pytest.mark.parametrize(
    ("volts", "bases", "loads", "c"),
    [
        (5.0, (47e3, 47e3), (1e3, 1e3), (10e-6, 10e-6)),
        (9.0, (33e3, 68e3), (1e3, 2.2e3), (4.7e-6, 1e-6)),
        (12.0, (10e3, 22e3), (680.0, 1.5e3), (1e-7, 2.2e-7)),  # recovery is not complete
        (12.0, (12e3, 15e3), (2.2e3, 3.3e3), (1e-6, 1e-5)),  # far from it
    ],
)
def test_astable_period(
    volts: float, bases: tuple[float, float], loads: tuple[float, float], c: tuple[float, float]
) -> None:
    found = run(astable(volts, bases, loads, c))
    first, second = halves(volts, bases, loads, c)
    assert found.verdict == "oscillates"
    assert found.period == exactly(first + second)
    off = [i for i in found.intervals if i.devices["Q1"] == "off"]
    assert off[-1].duration == exactly(first)
    off = [i for i in found.intervals if i.devices["Q2"] == "off"]
    assert off[-1].duration == exactly(second)


def test_period_of_a_blinker_as_started() -> None:
    """Two equal halves from power-up: which one begins is open, the period is not."""
    subject = blinker(10e-6)
    found = run(subject, None, start="power-up")
    half, _ = halves(5.0, (47e3, 47e3), (1e3, 1e3), (10e-6, 10e-6))
    assert found.verdict == "oscillates"
    assert found.period == exactly(2.0 * half)


def test_one_shot() -> None:
    """Off time of Q2 from rest: R C ln((2 V - V_BE - V_CE)/(V - V_BE)), as above with full recovery."""
    found = run(one_shot(47e-6, 47e3), "poke")
    off = staying(found, Q2="off")
    ends = [i for i in found.intervals if i.devices["Q2"] == "off"][-1].end
    expected = 47e3 * 47e-6 * math.log((2 * 5.0 - VBE - VCE) / (5.0 - VBE))
    assert ends - off.start == exactly(expected)
    assert found.verdict == "settles"


# Two sections: C1 u1' = (E - u1)/R1 - (u1 - u2)/R2, C2 u2' = (u1 - u2)/R2.  Eigenvalues s of the 2x2 matrix
# from its trace and determinant; from rest u2(0) = u2'(0) = 0, so
# u2 = E (1 + (s2 exp(s1 t) - s1 exp(s2 t))/(s1 - s2)).


@pytest.mark.parametrize(
    ("r1", "c1", "r2", "c2"), [(10e3, 1e-6, 47e3, 4.7e-6), (100e3, 10e-6, 1e3, 1e-6), (1e3, 1e-6, 1e3, 1e-6)]
)
def test_two_time_constants(r1: float, c1: float, r2: float, c2: float) -> None:
    watch = 6.0
    found = run(
        stimulated(
            supply("V1", "rail", "gnd", 10.0),
            contact("S1", "rail", "feed"),
            resistor("R1", "feed", "one", r1),
            film("C1", "one", "gnd", c1),
            resistor("R2", "one", "two", r2),
            film("C2", "two", "gnd", c2),
            zener("Z1", "x", "two", watch),
            resistor("R3", "x", "gnd", 1e3),
            actions=(Action(0.0, "S1", "closed"),),
        )
    )
    trace = -(1 / (r1 * c1) + 1 / (r2 * c1) + 1 / (r2 * c2))
    determinant = 1 / (r1 * c1 * r2 * c2)
    root = math.sqrt(trace * trace - 4 * determinant)
    s1, s2 = (trace + root) / 2, (trace - root) / 2

    def second(t: float) -> float:
        return 10.0 * (1 + (s2 * math.exp(s1 * t) - s1 * math.exp(s2 * t)) / (s1 - s2))

    def first(t: float) -> float:
        slope = 10.0 * s1 * s2 * (math.exp(s1 * t) - math.exp(s2 * t)) / (s1 - s2)
        return second(t) + r2 * c2 * slope

    crossing = event(found, "Z1").at
    assert second(crossing) == pytest.approx(watch, rel=1e-9)
    rising = next(i for i in found.intervals if i.end >= crossing)
    for share in (0.05, 0.3, 0.9):
        t = share * crossing
        assert rising.voltage("two", "gnd", [t])[0] == pytest.approx(second(t), rel=1e-9)
        assert rising.voltage("one", "gnd", [t])[0] == pytest.approx(first(t), rel=1e-9)


# L C u'' + R C u' + u = E: u = E (1 - exp(-a t)(cos w t + a/w sin w t)), a = R/2L, w^2 = 1/LC - a^2
# (OpenStax, University Physics 2, sec. 14.6, for the discharge; the step by superposition)


@pytest.mark.parametrize("ohms", [0.0, 12.0, 150.0])
def test_ringing(ohms: float) -> None:
    henries, farads = 0.05, 1e-6
    found = run(
        stimulated(
            supply("V1", "rail", "gnd", 5.0),
            contact("S1", "rail", "feed"),
            inductor("L1", "feed", "u", henries, resistance=ohms),
            film("C1", "u", "gnd", farads),
            zener("Z1", "x", "u", 4.5),
            resistor("R9", "x", "gnd", 1e9),
            diode("D1", "gnd", "feed"),
            actions=(Action(0.001, "S1", "closed"),),
        ),
        until=0.003,  # without a loss it never ends
    )
    a = ohms / (2 * henries)
    w = math.sqrt(1 / (henries * farads) - a * a)
    rising = next(i for i in found.intervals if i.start >= 0.001)
    crossing = event(found, "Z1").at - 0.001
    assert 5.0 * (
        1 - math.exp(-a * crossing) * (math.cos(w * crossing) + a / w * math.sin(w * crossing))
    ) == (pytest.approx(4.5, rel=1e-9))
    t = np.linspace(0.1, 0.95, 7) * crossing
    expected = 5.0 * (1 - np.exp(-a * t) * (np.cos(w * t) + a / w * np.sin(w * t)))
    assert rising.voltage("u", "gnd", 0.001 + t) == pytest.approx(expected, rel=1e-9)
    current = 5.0 / (w * henries) * np.exp(-a * t) * np.sin(w * t)
    assert rising.current("L1", "a", 0.001 + t) == pytest.approx(current, rel=1e-9)


@pytest.mark.parametrize("ohms", [0.0, 20.0, 180.0])
def test_half_a_swing_through_a_diode(ohms: float) -> None:
    """C1 swings over once through coil and diode, which stops it after pi/w: Vd - (V - Vd) exp(-a pi/w)."""
    henries, farads = 0.02, 2.2e-6
    found = run(
        stimulated(
            supply("V1", "rail", "gnd", 10.0),
            contact("S1", "rail", "u", "closed"),
            contact("S2", "u", "an"),
            film("C1", "u", "gnd", farads),
            diode("D1", "an", "l"),
            inductor("L1", "l", "gnd", henries, resistance=ohms),
            actions=(Action(0.001, "S1", "open"), Action(0.002, "S2", "closed")),
        )
    )
    a = ohms / (2 * henries)
    w = math.sqrt(1 / (henries * farads) - a * a)
    swing = staying(found, D1="on")
    assert swing.start == pytest.approx(0.002, rel=1e-12)
    assert swing.duration == exactly(math.pi / w)
    left = DIODE - (10.0 - DIODE) * math.exp(-a * math.pi / w)
    assert found.final["C1"] == pytest.approx(left, rel=1e-9)
    assert found.final["L1"] == pytest.approx(0.0, abs=1e-12)
    peak = (10.0 - DIODE) / (w * henries) * math.exp(-a * 0.5 * math.pi / w)
    assert swing.current("L1", "a", [0.002 + 0.5 * math.pi / w])[0] == pytest.approx(peak, rel=1e-9)


@pytest.mark.parametrize(("upper", "lower"), [(100e-6, 100e-6), (47e-6, 220e-6)])
def test_capacitors_in_series_across_a_supply_divide_it_as_it_comes_on(upper: float, lower: float) -> None:
    """The same charge in both: u2 = E*C1/(C1 + C2) (capacitors in series; from memory)."""
    subject = circuit(
        supply("V1", "rail", "gnd", 48.0),
        capacitor("C1", "rail", "half", upper),
        capacitor("C2", "half", "gnd", lower),
        resistor("R1", "half", "gnd", 47e3),
    )
    found = run(subject, None, start="power-up")
    assert found.intervals[0].voltage("half", "gnd", np.array([0.0]))[0] == exactly(
        48.0 * upper / (upper + lower)
    )
    # what R1 discharges it through is both of them, the supply being short to a change
    after = found.intervals[0].voltage("half", "gnd", np.array([47e3 * (upper + lower)]))[0]
    assert after == exactly(48.0 * upper / (upper + lower) * math.exp(-1.0))
