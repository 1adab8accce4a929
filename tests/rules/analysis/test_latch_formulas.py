"""The closed forms of a latch: equal to their derivation, strict about their domain."""

from __future__ import annotations

import pytest
import sympy as sp

from rules.analysis.formulas.latching import feedback_at_most, holding_voltage, loop_gain

B1, B2, RF, RL, RBE, VBE, VCE, IB, IC, V, M = sp.symbols("b1 b2 Rf RL Rbe vbe vce ib ic v m", positive=True)


def at(expression: sp.Expr, values: dict[sp.Symbol, float]) -> float:
    return float(expression.subs(values))


def test_loop_gain_is_the_current_divider_between_load_and_feedback() -> None:
    """A signal in I_B1 comes back as beta_1*beta_2 times the share that does not go into the load."""
    v, back = sp.symbols("v back")
    out = sp.solve([sp.Eq(back, v / RF), sp.Eq(B1 * B2, v / RL + v / RF)], [v, back], dict=True)[0]
    values = {B1: 200.0, B2: 150.0, RF: 47e3, RL: 1e3}
    assert loop_gain(200.0, 150.0, 47e3, 1e3) == pytest.approx(at(out[back], values), rel=1e-12)
    assert loop_gain(200.0, 150.0, 47e3, 1e3) == pytest.approx(625.0)


def test_holding_voltage_from_the_currents_at_the_held_base() -> None:
    supply = sp.solve(sp.Eq((V - VCE - VBE) / RF, VBE / RBE + IB), V)[0]
    values = {VBE: 0.7, VCE: 0.2, RF: 47e3, RBE: 10e3, IB: 0.86e-6}
    assert holding_voltage(0.7, 0.2, 47e3, 10e3, 0.86e-6) == pytest.approx(at(supply, values), rel=1e-12)
    assert holding_voltage(0.7, 0.2, 47e3, 10e3, 0.86e-6) == pytest.approx(3.99 + 0.2 + 0.04, abs=0.005)


@pytest.mark.parametrize("bleed", [22e3, None])
def test_feedback_resistor_from_the_same_sum(bleed: float | None) -> None:
    taken = 0 if bleed is None else VBE / RBE
    most = sp.solve(sp.Eq((V - VBE) / RF, M * IC / B1 + taken), RF)[0]
    values = {V: 8.8, VBE: 0.7, IC: 3e-3, B1: 100.0, M: 2.0, RBE: bleed or 1.0}
    assert feedback_at_most(8.8, 0.7, 3e-3, 100.0, 2.0, bleed) == pytest.approx(at(most, values), rel=1e-12)


def test_outside_their_domain_they_refuse() -> None:
    with pytest.raises(ValueError, match="does not reach"):
        feedback_at_most(0.6, 0.7, 1e-3, 100.0, 2.0)
    with pytest.raises(ValueError, match="load"):
        loop_gain(100.0, 100.0, 1e3, 0.0)
    with pytest.raises(ValueError, match="bleed"):
        holding_voltage(0.7, 0.2, 1e3, -1.0)
