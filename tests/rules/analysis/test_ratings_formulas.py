"""The closed forms of ratings and of thermal runaway: derivations, worked numbers, and their domain."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable

import pytest
import sympy as sp
from scipy.optimize import brentq

from rules.analysis.formulas.cutoff import collector_base_leakage
from rules.analysis.formulas.ratings import (
    allowed,
    derated,
    greatest_heat,
    heat_behind,
    heat_of,
    heat_within,
    junction_temperature,
)
from rules.analysis.formulas.thermal import (
    drop_gain,
    emitter_resistor_at_least,
    leakage_gain,
    stability_factor,
)

V, R, S = sp.symbols("V R S", positive=True)


def test_the_power_in_a_resistor_has_its_greatest_value_in_between() -> None:
    """Maximum power transfer (any text on circuits), by SymPy: where the slope is zero, R = R_th."""
    heat = V**2 * R / (R + S) ** 2
    (best,) = sp.solve(sp.diff(heat, R), R)
    assert best == S
    numbers = {V: 12.0, S: 1e3}
    assert greatest_heat(12.0, 1e3) == pytest.approx(float(heat.subs(R, best).subs(numbers)))
    # worked by hand: 36 mW at 1 kohm, 32 mW at half and at twice of it
    assert heat_behind(12.0, 1e3, 1e3) == pytest.approx(36e-3)
    assert heat_behind(12.0, 1e3, 500.0) == pytest.approx(32e-3)
    assert heat_behind(12.0, 1e3, 2e3) == pytest.approx(32e-3)


def test_within_a_tolerance_the_most_is_at_the_match_or_at_the_nearer_end() -> None:
    assert heat_within(12.0, 1e3, 500.0, 2e3) == pytest.approx(36e-3)
    assert heat_within(12.0, 1e3, 1.5e3, 2e3) == pytest.approx(heat_behind(12.0, 1e3, 1.5e3))
    assert heat_within(12.0, 1e3, 100.0, 400.0) == pytest.approx(heat_behind(12.0, 1e3, 400.0))
    assert heat_within(12.0, 0.0, 100.0, 400.0) == pytest.approx(heat_of(12.0, 100.0))


def test_derating_and_junction() -> None:
    """2N3904: 625 mW at 25 degC, 5 mW/K above, 200 K/W (onsemi 2N3904/D): 550 mW at 40 degC."""
    assert derated(0.625, 313.15, 298.15, 423.15) == pytest.approx(0.625 - 15 * 5e-3)
    assert derated(0.25, 300.0, 343.15, 428.15) == 0.25
    assert derated(0.25, 430.0, 343.15, 428.15) == 0.0
    assert junction_temperature(298.15, 0.625, 200.0) == pytest.approx(273.15 + 150.0)
    assert allowed(40.0, 0.75) == 30.0


def test_the_derating_line_is_a_thermal_resistance() -> None:
    """A quarter watt from 70 to 155 degC is 340 K/W: 0.15 W make 51 K; own sum."""
    per_watt = (428.15 - 343.15) / 0.25
    assert per_watt == pytest.approx(340.0)
    assert 0.15 * per_watt == pytest.approx(51.0)


@pytest.mark.parametrize(("emitter", "gain"), [(1.0, 1.35), (5.0, 0.57), (20.0, 0.18)])
def test_loop_gain_of_the_worked_example(emitter: float, gain: float) -> None:
    """Beta 150, 20 mA, 10 V, 200 K/W, 100 ohm at the base; own sum, checked with exponentials below."""
    assert drop_gain(200.0, 10.0, 0.02, emitter, 100.0, 150.0) == pytest.approx(gain, abs=0.012)


def settled(emitter: float) -> float | None:
    """The current (A) at which the same stage comes to rest, its junction exponential; ``None``: never.

    20 mA with the junction at 25 degC; saturation current as T**3*exp(-1.12 V/(kT/q)), textbook physics
    of silicon, from memory.
    """
    boltzmann, room, gap = 8.617333e-5, 298.15, 1.12

    def vbe(current: float, kelvin: float) -> float:
        saturation = (kelvin / room) ** 3 * math.exp(-gap / boltzmann * (1 / kelvin - 1 / room)) * 1e-14
        return boltzmann * kelvin * math.log(current / saturation)

    inner = emitter + 100.0 / 150.0
    source = vbe(0.02, room) + inner * 0.02

    def spare(current: float) -> float:
        return vbe(current, room + 200.0 * 10.0 * current) + inner * current - source

    currents = [0.02 * 1.02**k for k in range(150)]  # up to 0.4 A
    for low, high in itertools.pairwise(currents):
        if spare(low) <= 0.0 < spare(high):
            return float(brentq(spare, low, high))
    return None


def test_exponential_junctions_agree_on_what_settles_and_what_runs_away() -> None:
    """Loop gain 1.35 never settles, 0.57 settles near 37.6 mA, 0.18 near 23.4 mA (from 20 mA)."""
    assert settled(1.0) is None
    assert settled(5.0) == pytest.approx(37.6e-3, rel=0.05)
    assert settled(20.0) == pytest.approx(23.4e-3, rel=0.02)


def test_the_emitter_resistor_brings_the_gain_to_what_is_wanted() -> None:
    ohms = emitter_resistor_at_least(200.0, 10.0, 0.02, 100.0, 150.0, 0.3)
    assert drop_gain(200.0, 10.0, 0.02, ohms, 100.0, 150.0) == pytest.approx(0.3)
    assert emitter_resistor_at_least(200.0, 1.0, 1e-3, 100.0, 150.0, 0.3) == 0.0


def test_stability_factor_is_the_slope_of_the_bias_equations() -> None:
    """I_C = beta*I_B + (beta + 1)*I_CBO and the base loop, solved by SymPy."""
    beta, re, rb, vbb, vbe, icbo, ic, ib = sp.symbols("beta re rb vbb vbe icbo ic ib", positive=True)
    solved = sp.solve(
        [sp.Eq(ic, beta * ib + (beta + 1) * icbo), sp.Eq(vbb, ib * rb + vbe + (ib + ic) * re)],
        [ic, ib],
        dict=True,
    )[0]
    slope = sp.lambdify((beta, re, rb), sp.simplify(sp.diff(solved[ic], icbo)))
    for numbers in ((100.0, 100.0, 5e3), (200.0, 0.0, 1e4), (50.0, 1e3, 10.0)):
        assert stability_factor(*numbers) == pytest.approx(slope(*numbers))
    assert stability_factor(100.0, 0.0, 0.0) == 1.0


def test_leakage_doubles_every_ten_kelvin() -> None:
    """Bell, Electronic Devices and Circuits, Ex. 5.18."""
    assert collector_base_leakage(1e-9, 298.15 + 40.0) == pytest.approx(16e-9)
    assert leakage_gain(200.0, 10.0, 50.0, 1e-6) == pytest.approx(200 * 10 * 50 * 0.07 * 1e-6)
    # ln(2)/10 is the 0.07 per kelvin
    assert math.log(2.0) / 10.0 == pytest.approx(0.07, rel=0.01)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: allowed(0.0, 0.5), "rating must be finite and above zero"),
        (lambda: heat_of(1.0, 0.0), "ohms must be finite and above zero"),
        (lambda: heat_behind(1.0, -1.0, 1.0), "inner must be finite and not negative"),
        (lambda: greatest_heat(1.0, 0.0), "inner must be finite and above zero"),
        (lambda: heat_within(1.0, 1.0, 2.0, 1.0), "low must not exceed high"),
        (lambda: derated(1.0, 300.0, 400.0, 400.0), "zero must be above full"),
        (lambda: junction_temperature(300.0, -1.0, 200.0), "power must be finite and not negative"),
        (lambda: stability_factor(0.0, 1.0, 1.0), "beta must be finite and above zero"),
        (lambda: collector_base_leakage(-1.0, 300.0), "at_room must be finite and not negative"),
        (lambda: drop_gain(200.0, 1.0, 0.0, 1.0, 1.0, 100.0), "collector must be finite and above zero"),
        (lambda: leakage_gain(200.0, 1.0, 1.0, -1.0), "leakage must be finite and not negative"),
        (lambda: emitter_resistor_at_least(1.0, 1.0, 1.0, 1.0, 1.0, 0.0), "wanted must be finite and above"),
    ],
)
def test_outside_the_domain_the_argument_is_named(call: Callable[[], float], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        call()
