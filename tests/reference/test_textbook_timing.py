"""RC timing of textbooks: closed forms, and capacitors followed through their states."""

from __future__ import annotations

import math

import pytest

from rules.analysis.formulas.timing import rc_time, time_constant
from rules.analysis.frozen import follow
from rules.analysis.resolve import resolve
from schemas.circuit import Part
from tests.builders import capacitor, circuit, diode, only_state, resistor, supply, zener
from tests.textbook import agrees

OPENSTAX = "OpenStax, University Physics 2, sec. 10.5"


def charge_until(volts: float, series: float, farads: float, until: float, start: float = 0.0) -> float:
    """Seconds until a follow-on part starts to conduct at ``until`` V: a zener, or a diode for 0 V."""
    watch = (
        zener("Z1", "x", "u", until)
        if until > 0.0
        else diode("Z1", "u", "x", 1e-9)  # a junction without drop marks the crossing of 0 V
    )
    parts: tuple[Part, ...] = (
        supply("V1", "vp", "gnd", volts),
        resistor("R1", "vp", "u", series),
        capacitor("C1", "u", "gnd", farads),
        watch,
        resistor("R2", "x", "gnd", 1e3),
    )
    phase = follow(only_state(resolve(circuit(*parts)), held={"C1": start}), "C1")
    first = phase.segments[0]
    assert first.devices["Z1"] == "off"
    assert phase.segments[1].devices["Z1"] in ("breakdown", "on")
    assert first.end == pytest.approx(until, abs=1e-6)
    return first.duration


@pytest.mark.parametrize(
    ("source", "args", "printed"),
    [
        # (V, ohm, F, V at the threshold[, V at the start])
        # T1: source resistance and lamp resistor in series, 50 mF, fires at 80 V
        (f"{OPENSTAX}, relaxation lamp", (100.0, 101.0, 50e-3, 80.0), "8.13"),
        # T2: wiper timer, 2 s and 15 s asked for: the resistors found give them back
        ("OpenStax, ex. 10.9, shortest; from memory", (12.0, 111.62, 10e-3, 10.0), "2.000"),
        ("OpenStax, ex. 10.9, longest; from memory", (12.0, 837.17, 10e-3, 10.0), "15.00"),
        # T4: astable, halves of 60 k and 40 k with 2.9 nF, 5 V: from -5 V through 0 V
        ("astable example, holooly.com, p=1144018, first half", (5.0, 60e3, 2.9e-9, 0.0, -5.0), "0.12 m"),
        ("astable example, holooly.com, p=1144018, second half", (5.0, 40e3, 2.9e-9, 0.0, -5.0), "0.08 m"),
        # T3: one half of 0.14 ms
        ("V. K. and R. Mehta, ex. 18.4, p. 480, one half", (5.0, 10e3, 10e-9, 0.0, -5.0), "0.07 m"),
        # T6: 40 V, 20 k, 100 uF, to 18 V; 1.1957 s recomputed
        ("class exercise, jiskha 1363958000", (40.0, 20e3, 100e-6, 18.0), "1.1957"),
    ],
)
def test_time_to_threshold(source: str, args: tuple[float, ...], printed: str) -> None:
    """The followed capacitor and the closed form both give the printed time."""
    followed = charge_until(*args)
    volts, ohms, farads, until = args[:4]
    closed = rc_time(ohms, farads, args[4] if len(args) > 4 else 0.0, volts, until)
    assert closed is not None
    assert agrees(followed, printed), f"{source}: {followed}, printed {printed}"
    assert followed == pytest.approx(closed, rel=1e-6)


def test_relaxation_lamp() -> None:
    # T1: OpenStax, University Physics 2, sec. 10.5: tau 5.05 s, 0.123 Hz
    assert agrees(time_constant(101.0, 50e-3), "5.05")
    assert agrees(1.0 / charge_until(100.0, 101.0, 50e-3, 80.0), "0.123")


def test_astable_periods() -> None:
    # T3: Mehta, Principles of Electronics, ex. 18.4, p. 480: 0.14 ms, 7 kHz
    period = 2.0 * charge_until(5.0, 10e3, 10e-9, 0.0, -5.0)
    assert agrees(period, "0.14 m")
    assert agrees(1.0 / period, "7 k")
    # T4: holooly.com, p=1144018: 5 kHz, duty 0.6 (with 0.69 for ln 2; exact 4.975 kHz)
    high, low = (charge_until(5.0, ohms, 2.9e-9, 0.0, -5.0) for ohms in (60e3, 40e3))
    assert agrees(1.0 / (high + low), "5 k")
    assert agrees(1.0 / (high + low), "4.975 k")
    assert agrees(high / (high + low), "0.600")


def test_charge_after_a_given_time() -> None:
    # T5: Kuphaldt, Lessons in Electric Circuits vol. I, ch. 16; from memory: 14.989 V, 1.065 uA after 7.25 s
    args = (15.0, 10e3, 100e-6)
    # the printed voltage and current lie within the digits around the followed course at 7.25 s
    assert charge_until(*args, 14.9885) < 7.25 < charge_until(*args, 14.9895)
    for microamperes, seconds_above in ((1.0655, False), (1.0645, True)):
        at = charge_until(*args, 15.0 - microamperes * 1e-6 * 10e3)
        assert (at > 7.25) is seconds_above


def test_range_of_time_constants() -> None:
    # T7: class exercise (numerade): 0.5 uF, 2 s to 15 s need 4 M to 30 M; ten time constants are a course
    for megohms, seconds in ((4.0, 2.0), (30.0, 15.0)):
        assert agrees(time_constant(megohms * 1e6, 0.5e-6), str(seconds))
        phase_time = charge_until(10.0, megohms * 1e6, 0.5e-6, 10.0 * (1.0 - math.exp(-1.0)))
        assert phase_time == pytest.approx(seconds, rel=1e-6)
