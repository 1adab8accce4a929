"""The closed forms: equal to their derivation, right on published numbers, strict about their domain."""

from __future__ import annotations

import math
import random
from collections.abc import Callable
from typing import Any

import pytest
import sympy as sp

from rules.analysis.formulas import bias, drive, timing
from rules.analysis.formulas.bias import Thevenin
from rules.analysis.part_types import PART_TYPES

# Given quantities.  ``d`` is a positive difference, so that aim = Vth + d lies above the threshold.
V, R1, R2, RE, RL, RB, RBE, R, C = sp.symbols("V R1 R2 RE RL RB RBE R C", positive=True)
BETA, VBE, DROPS, ODF, K, S, T, TAU, X, EPS, D, IL, VR, VTH, V0 = sp.symbols(
    "beta VBE drops ODF k s t tau x eps d IL VR Vth V0", positive=True
)
# Unknowns of the equations.
TAP, I1, I2, IB, IC, IE, U = sp.symbols("tap I1 I2 IB IC IE u", positive=True)
BASE = sp.Symbol("base", positive=True)  # a given base current


def solve(unknown: sp.Symbol, *equations: sp.Eq) -> sp.Expr:
    """The one solution of ``equations`` for ``unknown``, the other unknowns eliminated."""
    unknowns = {unknown, TAP, I1, I2, IB, IC, IE} & set().union(*(e.free_symbols for e in equations))
    (solution,) = sp.solve(equations, sorted(unknowns, key=str), dict=True)
    return solution[unknown]


# Ohm and KCL at the tap of a divider that gives a base current away.
DIVIDER = (sp.Eq(I1, (V - TAP) / R1), sp.Eq(I2, TAP / R2), sp.Eq(I1, I2 + BASE))
LOADED_TAP = solve(TAP, *DIVIDER)
OPEN_TAP = LOADED_TAP.subs(BASE, 0)
SHIFT = OPEN_TAP - LOADED_TAP
SOURCE_R = sp.simplify(SHIFT / BASE)
SCALED_R = SOURCE_R.subs({R1: S * R1, R2: S * R2}, simultaneous=True)
# The whole stage: the divider, the base loop, the gain.
STAGE = (*(e.subs(BASE, IB) for e in DIVIDER), sp.Eq(IE, (BETA + 1) * IB), sp.Eq(TAP, VBE + IE * RE))
# A switch: KVL of the drive, KCL at the base with a bleed resistor.
DRIVE = (sp.Eq(I1, (V - VBE - DROPS) / RB), sp.Eq(I1, IB + VBE / RBE))
# A charging capacitor with a constant leakage: C dv/dt = (aim - v)/R - I_L, with aim = Vth + I_L*R + d.
AIM = VTH + IL * R + D
V_OF_T = sp.Function("v")
CHARGE = sp.dsolve(
    sp.Eq(C * sp.Derivative(V_OF_T(T), T), (AIM - V_OF_T(T)) / R - IL), V_OF_T(T), ics={V_OF_T(0): 0}
).rhs
DELAY = sp.expand_log(sp.solve(sp.Eq(CHARGE, VTH), T)[0], force=True)


def thevenin(v: float, r1: float, r2: float) -> Thevenin:
    return bias.thevenin_of_divider(v, r1, r2)


# name -> (plain form, derivation, the symbols in the order of the plain form's arguments)
DERIVED: dict[str, tuple[Callable[..., float | None], sp.Expr, tuple[sp.Symbol, ...]]] = {
    "Thevenin voltage": (lambda *a: thevenin(*a).voltage, OPEN_TAP, (V, R1, R2)),
    "Thevenin resistance": (lambda *a: thevenin(*a).resistance, SOURCE_R + 0 * V, (V, R1, R2)),
    "parallel": (bias.parallel, 1 / (1 / R1 + 1 / R2), (R1, R2)),
    "divider current": (bias.divider_current, solve(I1, *(e.subs(BASE, 0) for e in DIVIDER)), (V, R1, R2)),
    "tap shift": (lambda v, a, b, i: bias.tap_shift(i, bias.parallel(a, b)), SHIFT, (V, R1, R2, BASE)),
    "droop": (bias.droop, SHIFT / OPEN_TAP, (V, R1, R2, BASE)),
    "stiffness": (bias.stiffness, (V / (R1 + R2)) / BASE, (V, R1, R2, BASE)),
    "base current": (
        # the divider stands d above V_BE, so that the base conducts
        lambda d, r1, r2, b, re, vbe: bias.base_current(
            thevenin((d + vbe) * (r1 + r2) / r2, r1, r2), b, re, vbe
        ),
        solve(IB, *STAGE).subs(V, (D + VBE) * (R1 + R2) / R2),
        (D, R1, R2, BETA, RE, VBE),
    ),
    "bottom resistor": (
        # supply and top resistor such that d is what they bring beyond the base current
        lambda vb, r1, base, d: bias.bottom_resistor(vb + r1 * (base + d), vb, r1, base),
        sp.solve(sp.Eq(LOADED_TAP.subs(V, U + R1 * (BASE + D)), U), R2)[0],
        (U, R1, BASE, D),
    ),
    "stiffening factor": (
        # scaling both resistors by s scales R_th by s: (beta + 1)*R_E = k * s * R_th
        lambda b, re, r1, r2, k: bias.stiffening_factor(b, re, bias.parallel(r1, r2), k),
        sp.solve(sp.Eq((BETA + 1) * RE, K * SCALED_R), S)[0],
        (BETA, RE, R1, R2, K),
    ),
    "collector resistor": (
        lambda ve, h, sw, d, i: bias.collector_resistor_at_most(ve + h + sw + d, ve, i, h, sw),
        sp.solve(sp.Eq(VTH + S + DROPS + D - BASE * R, VTH + S + DROPS), R)[0],
        (VTH, S, DROPS, D, BASE),
    ),
    "overdrive": (drive.overdrive_factor, BETA / (RL / BASE), (BETA, BASE, RL)),
    "forced beta": (drive.forced_beta, RL / BASE, (RL, BASE)),
    "saturated collector current": (
        lambda d, vce, rl: drive.saturated_collector_current(vce + d, vce, rl),
        sp.solve(sp.Eq(VBE + D, VBE + U * RL), U)[0],
        (D, VBE, RL),
    ),
    "base current of a drive": (
        # drive such that d ohm-volts are left after the bleed
        lambda d, rb, vbe, drops, rbe: drive.base_current_of_drive(
            vbe + drops + rb * (vbe / rbe + d), rb, vbe, drops, rbe
        ),
        solve(IB, *DRIVE).subs(V, VBE + DROPS + RB * (VBE / RBE + D)),
        (D, RB, VBE, DROPS, RBE),
    ),
    "base resistor": (
        lambda d, vbe, ic, b, o, drops, rbe: drive.base_resistor_at_most(
            vbe + drops + d, vbe, ic, b, o, drops, rbe
        ),
        sp.solve(sp.Eq(BETA * solve(IB, *DRIVE), ODF * BASE), RB)[0].subs(V, VBE + DROPS + D),
        (D, VBE, BASE, BETA, ODF, DROPS, RBE),
    ),
    "charging current": (lambda r, vth, d: timing.charging_current(vth + d, vth, r), D / R, (R, VTH, D)),
    "leakage ratio of RC": (
        lambda k, r, c, vr, vth, d: timing.leakage_ratio_of_time_constant(k, r * c, vr, vth + d, vth),
        (K * C * VR) / (D / R),
        (K, R, C, VR, VTH, D),
    ),
    "charging resistor": (
        lambda vth, d, il, k: timing.charging_resistor_at_most(vth + d, vth, il, k),
        sp.solve(sp.Eq(IL / (D / R), K), R)[0],
        (VTH, D, IL, K),
    ),
    "delay with leakage": (
        lambda r, c, vth, d, il: timing.rc_time(r, c, 0.0, vth + il * r + d, vth, il),
        DELAY,
        (R, C, VTH, D, IL),
    ),
    "first-order delay error": (
        # d ln(t) / d(leakage ratio) at no leakage, with leakage = ratio * (1 - x)*aim/R
        lambda rho, x: timing.delay_error_of_leakage(rho, x / (1 + x)),
        K * sp.simplify(
            sp.diff(sp.log(sp.log((1 - U * (1 - X)) / (1 - X - U * (1 - X)))), U).subs(U, 0)
        ).subs(X, X / (1 + X)),
        (K, X),
    ),
    "decay": (
        lambda tau, vth, d: timing.decay_time(tau, vth + d, vth),
        sp.solve(sp.Eq((VTH + D) * sp.exp(-T / TAU), VTH), T)[0],
        (TAU, VTH, D),
    ),
    "re-armed voltage": (
        # the delay from V_0 is (1 - eps) times the delay from 0
        lambda aim, x, eps: timing.rearmed_voltage(aim, x / (1 + x), eps / (1 + eps)),
        sp.solve(sp.Eq(1 - V0 / V, (1 - X) ** EPS), V0)[0].subs({X: X / (1 + X), EPS: EPS / (1 + EPS)}),
        (V, X, EPS),
    ),
    "discharge resistance": (
        lambda t, c, n: timing.discharge_resistance_at_most(t, c, n),
        sp.solve(sp.Eq(T, K * R * C), R)[0],
        (T, C, K),
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", DERIVED)
def test_equals_its_derivation(name: str) -> None:
    plain, derivation, arguments = DERIVED[name]
    reference = sp.lambdify(arguments, derivation, "math")
    draw = random.Random(name)
    for _ in range(200):
        point = [math.exp(draw.uniform(-4.0, 4.0)) for _ in arguments]
        # a derivation with cancelling terms loses digits of its own, hence not 1e-15
        assert plain(*point) == pytest.approx(reference(*point), rel=1e-8)


def test_smallest_leakage_ratio_is_the_minimum_over_the_threshold() -> None:
    ratio = K * T * VR / (V * (1 - X) * sp.log(1 / (1 - X)))  # with tau = t / ln(1/(1-x))
    (best,) = sp.solve(sp.diff(1 / ratio, X), X)
    assert best == 1 - sp.exp(-1)
    assert sp.simplify(ratio.subs(X, best) - sp.E * K * T * VR / V) == 0
    # 60 s at V_R/V_inf = 16/9 (computed): general 2.9, low-leakage 0.58, film 0.029.
    found = [timing.smallest_leakage_ratio(k, 60.0, 16.0, 9.0) for k in (0.01, 0.002, 1e-4)]
    assert found == pytest.approx([2.9, 0.58, 0.029], rel=5e-3)


def test_no_split_of_the_time_constant_into_r_and_c_beats_the_smallest_ratio() -> None:
    draw = random.Random(1)
    for _ in range(500):
        x, c, aim, rated = draw.uniform(0.05, 0.95), 10 ** draw.uniform(-6, -3), draw.uniform(5, 12), 16.0
        delay = draw.uniform(1.0, 100.0)
        r = delay / (c * -math.log(1 - x))
        leak = 0.01 * c * rated
        ratio = timing.leakage_ratio(leak, timing.charging_current(aim, x * aim, r))
        assert ratio >= timing.smallest_leakage_ratio(0.01, delay, rated, aim) * (1 - 1e-12)


# (dielectric or grade, C, V_R, limit in A)
LEAKAGE = [
    ("aluminium", 100e-6, 16.0, 16e-6),  # 0.01CV or 3 uA: Panasonic, series SU type A sheet; value computed
    ("aluminium", 47e-6, 25.0, 11.75e-6),
    ("aluminium", 1e-6, 50.0, 3e-6),
    ("aluminium", 10e-6, 16.0, 3e-6),
    ("aluminium", 1000e-6, 16.0, 160e-6),
    (
        "aluminium",
        2200e-6,
        35.0,
        770e-6,
    ),  # Nippon Chemi-Con FAQ, leakage current against time: 770 uA printed
    ("aluminium", 10e-6, 250.0, 160e-6),  # 0.06CV + 10 uA above 100 V: Panasonic, series SU sheet
    (0.002, 470e-6, 16.0, 15.04e-6),  # 0.002CV or 0.2 uA: Nichicon, series KL sheet; value computed
    (0.002, 100e-6, 16.0, 3.2e-6),
    (0.002, 1e-6, 16.0, 0.2e-6),
    (0.01, 100e-6, 10.0, 10e-6),
    (0.01, 1e-6, 10.0, 3e-6),
    ("tantalum", 100e-6, 10.0, 10e-6),  # 0.01CV or 0.5 uA; from memory
    ("tantalum", 1e-6, 10.0, 0.5e-6),
    ("ceramic", 10e-9, 50.0, 5e-9),  # lesser of 500 s and 10 Gohm: Murata FAQ for the unit; 50 V / 10 Gohm
    ("ceramic", 1e-6, 50.0, 100e-9),
    ("film", 10e-6, 63.0, 63e-9),  # R_is*C 10 000 s; from memory
    ("film", 0.1e-6, 63.0, 4.2e-9),  # 15 Gohm; from memory
]


@pytest.mark.parametrize(("grade", "capacitance", "rated", "limit"), LEAKAGE)
def test_leakage_limits(grade: str | float, capacitance: float, rated: float, limit: float) -> None:
    find = timing.leakage_limit if isinstance(grade, str) else timing.leakage_limit_of_grade
    found = find(grade, capacitance, rated)  # type: ignore[operator]
    assert found.current == pytest.approx(limit, rel=1e-12)
    assert found.per_cv * capacitance * rated == pytest.approx(limit, rel=1e-12)
    assert found.source


def test_leakage_over_temperature() -> None:
    # Makers' tables: tantalum x10 at 85 degC; film 10 000 s falls to 1000 s (PET), from memory.
    assert timing.leakage_temperature_factor("tantalum", 358.15) == pytest.approx(10.0)
    assert timing.leakage_temperature_factor("film", 358.15) == pytest.approx(10.0)
    # Aluminium x2 to x3 at 60 degC, from memory.
    assert timing.leakage_temperature_factor("aluminium", 333.15) == pytest.approx(3.0)
    assert timing.leakage_temperature_factor("aluminium", 293.15) == 1.0
    assert timing.leakage_temperature_factor("ceramic", 358.15) == 1.0


@pytest.mark.parametrize(("leakage", "seconds"), [(0.0, 10.986), (3e-6, 11.701), (16e-6, 16.650)])
def test_leakage_stretches_a_delay(leakage: float, seconds: float) -> None:
    # 9 V, 100 kohm, 100 uF, 0 to 6 V (computed; self-consistency with the leakage limits above).
    assert timing.rc_time(100e3, 100e-6, 0.0, 9.0, 6.0, leakage) == pytest.approx(seconds, abs=5e-4)


def test_a_threshold_that_leakage_keeps_out_of_reach_is_never_reached() -> None:
    assert timing.rc_time(100e3, 100e-6, 0.0, 9.0, 6.0, 30e-6) is None
    assert timing.rc_time(100e3, 100e-6, 0.0, 9.0, 6.0, 29.9e-6) is not None
    assert timing.rc_time(100e3, 100e-6, 0.0, 5.0, 6.0) is None
    assert timing.rc_time(100e3, 100e-6, 6.0, 9.0, 6.0) == 0.0
    assert timing.decay_time(1.0, 5.0, 1.0, rest=1.0) is None
    assert timing.decay_time(1.0, 5.0, 5.0) == 0.0


# OpenStax, University Physics 2, sec. 10.5: relaxation lamp (101 ohm, 50 mF, 80 of 100 V), wiper timer
# (10 of 12 V with 10 mF; from memory).  Kuphaldt, Lessons in Electric Circuits vol. I, ch. 16: 14.989 V
# after 7.25 s of 15 V through 10 kohm into 100 uF; from memory.
@pytest.mark.parametrize(
    ("r", "c", "aim", "threshold", "seconds", "within"),
    [
        (101.0, 50e-3, 100.0, 80.0, 8.13, 5e-3),
        (111.6, 10e-3, 12.0, 10.0, 2.0, 1e-3),
        (837.2, 10e-3, 12.0, 10.0, 15.0, 1e-3),
        (10e3, 100e-6, 15.0, 14.98935, 7.25, 5e-3),
        (20e3, 100e-6, 40.0, 18.0, 1.2, 5e-3),
    ],
)
def test_published_charging_times(
    r: float, c: float, aim: float, threshold: float, seconds: float, within: float
) -> None:
    assert timing.rc_time(r, c, 0.0, aim, threshold) == pytest.approx(seconds, abs=within)


def test_discharge_and_rearm() -> None:
    # Five time constants leave 0.7 % (arithmetic).
    tau = timing.time_constant(10e3, 470e-6)
    assert timing.decay_time(tau, 1.0, math.exp(-5)) == pytest.approx(timing.settling_time(tau))
    assert math.exp(-5) == pytest.approx(0.007, abs=3e-4)
    # 5 % shortening: 2.9, 3.4 and 4.9 % of the aim at x = 0.44, 0.5 and 0.632 (computed).
    found = [timing.rearmed_voltage(100.0, x, 0.05) for x in (0.44, 0.5, 0.632)]
    assert found == pytest.approx([2.9, 3.4, 4.9], abs=0.05)
    # and the next delay is indeed 5 % shorter
    full, left = timing.rc_time(1e4, 1e-4, 0.0, 9.0, 4.5), timing.rc_time(1e4, 1e-4, 0.03406 * 9, 9.0, 4.5)
    assert full is not None
    assert left is not None
    assert left / full == pytest.approx(0.95, abs=1e-4)


def test_a_divider_that_just_meets_ten_to_one() -> None:
    # Floyd, Electronic Devices, ex. 5.3: 10 V, 10 k / 5.6 k, R_E 560, beta 100; exact I_C 4.804 mA.
    source = bias.thevenin_of_divider(10.0, 10e3, 5.6e3)
    assert 100.0 * bias.base_current(source, 100.0, 560.0, 0.7) == pytest.approx(4.804e-3, abs=5e-7)


def test_stiffening_a_divider_takes_the_headroom_of_its_stage() -> None:
    # 12 V, R_C 6.8 k, R_E 820, V_BE 0.7 (computed): soft divider 7.2 V, tenfold stiffer 0.59 V at beta 100.
    vce = {}
    for label, top, bottom in (("soft", 820e3, 180e3), ("stiff", 82e3, 18e3)):
        source = bias.thevenin_of_divider(12.0, top, bottom)
        base = bias.base_current(source, 100.0, 820.0, 0.7)
        vce[label] = 12.0 - 100.0 * base * 6.8e3 - 101.0 * base * 820.0
        if label == "soft":
            assert bias.stiffness(12.0, top, bottom, base) == pytest.approx(1.9, abs=0.05)
    assert vce["soft"] == pytest.approx(7.2, abs=0.05)
    assert vce["stiff"] == pytest.approx(0.59, abs=0.005)


def test_loaded_bottom_resistor_gives_the_wanted_tap() -> None:
    bottom = bias.bottom_resistor(9.0, 4.3, 22e3, 20e-6)
    source = bias.thevenin_of_divider(9.0, 22e3, bottom)
    assert source.voltage - bias.tap_shift(20e-6, source.resistance) == pytest.approx(4.3)


def test_overdrive_of_a_bistable() -> None:
    # Venkata Rao, Pulse and Digital Circuits, ch. 9 problem 2, recomputed: overdrive 1.534, beta needed 26.1.
    assert drive.overdrive_factor(40.0, 0.3668e-3, 9.563e-3) == pytest.approx(1.534, abs=5e-4)
    assert drive.forced_beta(9.563e-3, 0.3668e-3) == pytest.approx(26.1, abs=0.05)


def test_saturation_voltage_of_the_junctions() -> None:
    # beta_F 100, beta_R 4 (computed): 37 mV at forced 10, 85 at 50, 120 at 80.
    found = [1e3 * drive.ideal_saturation_voltage(f, 100.0, 4.0) for f in (10.0, 50.0, 80.0)]
    assert found == pytest.approx([37, 85, 120], abs=1.0)
    # below what the 2N3904 sheet allows at forced 10, where bulk resistance is included
    assert found[0] < 1e3 * PART_TYPES["2N3904"].saturation[0].vce_max


def test_gain_over_temperature() -> None:
    # 0.7 of the 25 degC gain near -20 degC, common practice: 1 - 0.005*45 = 0.775.
    assert drive.beta_temperature_factor(253.15) == pytest.approx(0.775)
    assert drive.beta_temperature_factor(298.15) == 1.0


def test_junctions_that_block_carry_nothing() -> None:
    assert bias.base_current(Thevenin(0.5, 1e3), 100.0, 100.0, 0.7) == 0.0
    assert drive.base_current_of_drive(0.5, 1e3, 0.7) == 0.0
    assert drive.base_current_of_drive(1.0, 10e3, 0.7, bleed=1e3) == 0.0
    assert drive.saturated_collector_current(0.1, 0.2, 1e3) == 0.0


REFUSED: list[tuple[Callable[[], Any], str]] = [
    (lambda: bias.parallel(0.0, 1.0), "a must be finite and above zero, got 0.0"),
    (lambda: bias.thevenin_of_divider(math.nan, 1.0, 1.0), "supply must be finite, got nan"),
    (lambda: bias.thevenin_of_divider(1.0, -1.0, 1.0), "top must be"),
    (lambda: bias.divider_current(1.0, 1.0, math.inf), "bottom must be"),
    (lambda: bias.base_current(Thevenin(1.0, 0.0), 100.0, 0.0, 0.7), "resistance_of_the_base_loop"),
    (lambda: bias.base_current(Thevenin(1.0, 1.0), -1.0, 1.0, 0.7), "beta must be finite and not negative"),
    (lambda: bias.stiffness(1.0, 1.0, 1.0, 0.0), "base must be"),
    (lambda: bias.droop(0.0, 1.0, 1.0, 1e-6), "supply must not be zero"),
    (lambda: bias.bottom_resistor(9.0, 4.5, 1e6, 1e-3), "the top resistor brings 4.5e-06 A"),
    (lambda: bias.bottom_resistor(4.0, 4.5, 1e3, 0.0), "the top resistor brings"),
    (lambda: bias.collector_resistor_at_most(2.0, 1.5, 1e-3, 1.0), "no voltage is left"),
    (lambda: bias.stiffening_factor(100.0, 0.0, 1.0), "emitter_resistance must be"),
    (lambda: drive.overdrive_factor(100.0, -1e-6, 1e-3), "base must be"),
    (lambda: drive.forced_beta(1e-3, 0.0), "base must be"),
    (lambda: drive.beta_temperature_factor(25.0), "temperature must lie within"),
    (lambda: drive.base_resistor_at_most(0.6, 0.7, 0.1, 50.0, 3.0), "does not reach V_BE"),
    (lambda: drive.base_current_of_drive(5.0, 1e3, 0.7, bleed=0.0), "bleed must be"),
    (lambda: drive.ideal_saturation_voltage(100.0, 100.0, 4.0), "does not saturate"),
    (lambda: timing.leakage_limit("paper", 1e-6, 16.0), "unknown dielectric 'paper'; known: aluminium"),
    (lambda: timing.leakage_temperature_factor("paper", 300.0), "unknown dielectric 'paper'"),
    (lambda: timing.leakage_temperature_factor("film", 25.0), "temperature must lie within"),
    (lambda: timing.leakage_limit("film", 0.0, 16.0), "capacitance must be"),
    (lambda: timing.leakage_limit_of_grade(0.0, 1e-6, 16.0), "per_cv must be"),
    (lambda: timing.leakage_ratio(1e-6, 0.0), "charging must be"),
    (lambda: timing.leakage_ratio_of_time_constant(0.01, 1.0, 16.0, 5.0, 5.0), "above must be"),
    (lambda: timing.charging_resistor_at_most(5.0, 6.0, 1e-6), "above must be"),
    (lambda: timing.charging_current(9.0, 6.0, 0.0), "resistance must be"),
    (lambda: timing.rc_time(1e3, 1e-6, 7.0, 9.0, 6.0), "already beyond the threshold"),
    (lambda: timing.rc_time(1e3, 1e-6, 0.0, 9.0, 6.0, -1e-9), "leakage must be"),
    (lambda: timing.decay_time(1.0, 1.0, 2.0), "already below"),
    (lambda: timing.delay_error_of_leakage(0.1, 1.0), "fraction must lie between 0 and 1"),
    (lambda: timing.rearmed_voltage(9.0, 0.5, 0.0), "shortening must lie between 0 and 1"),
    (lambda: timing.settling_time(0.0), "tau must be"),
    (lambda: timing.discharge_resistance_at_most(1.0, 0.0), "capacitance must be"),
]


@pytest.mark.parametrize(("call", "message"), REFUSED)
def test_outside_the_domain_the_argument_is_named(call: Callable[[], Any], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        call()
