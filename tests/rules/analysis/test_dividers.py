"""Dividers at a base: closed forms against full solves, and the search for stiffer values."""

from __future__ import annotations

import math

import pytest
import sympy
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from rules.analysis.dividers import Loading, Redesign, loading
from rules.analysis.formulas.bias import (
    base_current,
    divider_current,
    stiffness,
    thevenin_of_arms,
    thevenin_of_divider,
    through_current,
)
from rules.analysis.study import Study
from schemas.circuit import Circuit
from tests.builders import circuit, coil, npn, resistor, solve, supply, volts

resistances = st.floats(1e3, 1e6)


def stage(top: float, bottom: float, beta: float, re: float = 1e3, rail: float = 12.0) -> Circuit:
    return circuit(
        supply("V1", "rail", "gnd", rail),
        resistor("R1", "rail", "b", top),
        resistor("R2", "b", "gnd", bottom),
        npn("Q1", "c", "b", "e", beta),
        resistor("RC", "rail", "c", 100.0),
        resistor("RE", "e", "gnd", re),
    )


def load_of(subject: Circuit) -> Loading | str:
    study = Study(subject)
    return loading(study, [study.roles.stages["Q1"]], study.situations("typical")[0])


def test_the_tap_of_many_arms_is_derived_from_kcl() -> None:
    v, i = sympy.symbols("v i")
    e, r = sympy.symbols("e1:4"), sympy.symbols("r1:4", positive=True)
    balance = sum((ek - v) / rk for ek, rk in zip(e, r, strict=True)) - i
    tap = sympy.solve(balance, v)[0]
    numbers = {
        **dict(zip(e, (12.0, 5.0, -3.0), strict=True)),
        **dict(zip(r, (1e3, 2.2e3, 4.7e3), strict=True)),
    }
    found = thevenin_of_arms([(12.0, 1e3), (5.0, 2.2e3), (-3.0, 4.7e3)])
    assert found.voltage == pytest.approx(float(tap.subs(i, 0).subs(numbers)), rel=1e-12)
    assert found.resistance == pytest.approx(float(-sympy.diff(tap, i).subs(numbers)), rel=1e-12)


@given(st.floats(1.0, 50.0), resistances, resistances)
def test_two_arms_are_the_plain_divider(rail: float, top: float, bottom: float) -> None:
    arms = [(rail, top), (0.0, bottom)]
    plain = thevenin_of_divider(rail, top, bottom)
    assert thevenin_of_arms(arms).voltage == pytest.approx(plain.voltage, rel=1e-12)
    assert thevenin_of_arms(arms).resistance == pytest.approx(plain.resistance, rel=1e-12)
    assert through_current(arms) == pytest.approx(divider_current(rail, top, bottom), rel=1e-9)


@pytest.mark.parametrize("arms", [[], [(1.0, 0.0)], [(1.0, -5.0)], [(math.nan, 1e3)], [(1.0, math.inf)]])
def test_arms_outside_the_domain_are_refused(arms: list[tuple[float, float]]) -> None:
    with pytest.raises(ValueError, match=r"arm|potential|resistance"):
        thevenin_of_arms(arms)


@settings(max_examples=30)
@given(resistances, resistances, st.floats(30.0, 900.0), st.floats(200.0, 5e3))
def test_the_hand_formula_is_exact_between_stiff_ends(
    top: float, bottom: float, beta: float, re: float
) -> None:
    found = load_of(stage(top, bottom, beta, re))
    assume(isinstance(found, Loading))
    assert isinstance(found, Loading)
    assert found.by_hand == pytest.approx(found.shift, rel=1e-6)
    assert found.unloaded == pytest.approx(12.0 * bottom / (top + bottom), rel=1e-9)


@settings(max_examples=30)
@given(st.floats(0.02, 3.0), st.floats(0.02, 3.0))
def test_the_closed_form_of_the_loaded_tap_equals_a_full_solve(up: float, low: float) -> None:
    subject = stage(220e3, 56e3, 150.0)
    found = load_of(subject)
    assert isinstance(found, Loading)
    redesign = Redesign(found.study, found, 10.0)
    assert redesign.arms == ("R1", "R2")
    values = (220e3 * up, 56e3 * low)
    tap, ratio = redesign.tap(values)
    assume(0.8 < tap < 11.0)  # else the transistor leaves the active region
    state = solve(stage(*values, 150.0)).states[0]
    assert tap == pytest.approx(volts(state, "b"), rel=1e-9)
    base = state.currents["Q1"]["base"]
    assert base is not None
    assert ratio == pytest.approx(12.0 / sum(values) / base, rel=1e-9)


@settings(max_examples=30)
@given(st.floats(20e3, 2e6), st.floats(0.15, 1.0), st.floats(40.0, 400.0))
def test_what_is_found_is_stiff_at_every_end_of_its_tolerances(top: float, share: float, beta: float) -> None:
    found = load_of(stage(top, top * share, beta))
    assume(isinstance(found, Loading) and found.ratio < 10.0)
    assert isinstance(found, Loading)
    redesign = Redesign(found.study, found, 10.0)
    values = redesign.stiff(lambda pair: abs(math.log(pair[0] * share / pair[1])))
    assert values is not None
    for up in (0.95, 1.0, 1.05):
        for low in (0.95, 1.0, 1.05):
            top, bottom = values[0] * up, values[1] * low
            source = thevenin_of_divider(12.0, top, bottom)
            assert stiffness(12.0, top, bottom, base_current(source, beta, 1e3, 0.7)) >= 10.0 - 1e-6


def test_a_coil_in_a_divider_is_not_redesigned() -> None:
    parts = {name: part for name, part in stage(330e3, 82e3, 100.0).parts.items() if name != "R1"}
    found = load_of(circuit(*parts.values(), coil("K1", "rail", "b", 330e3)))
    assert isinstance(found, Loading)
    assert not Redesign(found.study, found, 10.0).possible
