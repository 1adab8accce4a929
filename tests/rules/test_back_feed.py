"""back-feed: what flows into a source or a high output, and what is no such case."""

from __future__ import annotations

import pytest

from rules.analysis.formulas.wiring import pushed_pin
from rules.back_feed import RULE
from rules.battery_sag import RULE as SAG
from rules.floating_base import RULE as FLOATING
from rules.min_beta_drive import RULE as DRIVE
from schemas.circuit import Circuit
from tests.builders import (
    battery,
    circuit,
    contact,
    current_source,
    diode,
    driver,
    exact,
    pnp,
    resistor,
    supply,
)
from tests.judged import document, judged, kinds, only_finding, outcomes, reviewed, value
from tests.otherwise import told_otherwise, with_limits


def high_side(level: float, resistance: float = 50.0, feed: float = 4.7e3) -> Circuit:
    """A PNP on 9 V whose base resistor an output of ``level`` V pulls up."""
    return exact(
        supply("V1", "rail", "gnd", 9.0),
        driver("U1", "order", "gnd", 0.0, level, resistance=resistance),
        resistor("R1", "order", "b", feed),
        resistor("R2", "rail", "b", 47e3),
        pnp("Q1", collector="out", base="b", emitter="rail", beta=200.0),
        resistor("RL", "out", "gnd", 1e3),
        assumptions={"vbe_on": 0.7},
    )


def joined(low: float, *more: object, **values: object) -> Circuit:
    """A battery of ``low`` V behind 1 kohm on a rail of 12 V."""
    return exact(
        supply("V1", "rail", "gnd", 12.0),
        battery("BT1", "cell", "gnd", low, **values),
        resistor("R1", "rail", "load", 1e3),
        resistor("R2", "load", "gnd", 10e3),
        *(more or (resistor("R3", "load", "cell", 1e3),)),  # type: ignore[arg-type]
    )


def test_the_lesson_circuits_fire_and_pass() -> None:
    assert "violated" in kinds(RULE, document(RULE.lesson.failing).circuit)
    assert kinds(RULE, document(RULE.lesson.passing).circuit) == {"satisfied"}


def test_five_volts_do_not_turn_off_a_pnp_on_nine() -> None:
    """(9 - 0.7 - 5) V over 4.75 kohm are 695 uA, by Kirchhoff's voltage law."""
    finding = only_finding(high_side(5.0), RULE)
    assert (finding.severity, finding.parts, finding.nets) == ("error", ("U1",), ("order",))
    assert value(finding, "I_in") == pytest.approx((9.0 - 0.7 - 5.0) / 4750.0)
    assert value(finding, "V_pin") == pytest.approx(5.0 + 50.0 * 3.3 / 4750.0)
    assert value(finding, "V_alone") == pytest.approx(8.3, abs=1e-3)
    assert "through R1" in finding.message
    assert "U1 high" in finding.message


@pytest.mark.parametrize(("level", "kind"), [(7.83, "satisfied"), (7.82, "violated")])
def test_both_sides_of_a_tenth_of_a_milliampere(level: float, kind: str) -> None:
    """9 V - 0.7 V - 0.1 mA * 4.75 kohm = 7.825 V is the edge."""
    assert kind in kinds(RULE, high_side(level))
    assert ("violated" in kinds(RULE, high_side(level))) == (kind == "violated")


@pytest.mark.parametrize(("resistance", "fires"), [(9.9e3, False), (10.2e3, True)])
def test_a_pin_that_is_lifted_by_a_little_current(resistance: float, fires: bool) -> None:
    """(8.3 - 7) V over 33 kohm and r lift the pin by 0.3 V at r = 9.9 kohm: 1.3*r/(33 k + r) = 0.3."""
    found = outcomes(RULE, high_side(7.0, resistance, 33e3))
    assert any(o.kind == "violated" for o in found) == fires
    if fires:
        finding = only_finding(high_side(7.0, resistance, 33e3), RULE)
        assert (finding.test.unit, finding.test.right) == ("V", 0.3)


def test_a_policy_moves_the_limit() -> None:
    stricter = with_limits(RULE, current=1e-3)
    assert "violated" not in kinds(stricter, high_side(5.0))


def test_an_output_may_take_current_while_it_is_low() -> None:
    subject = exact(
        supply("V1", "rail", "gnd", 5.0),
        driver("U1", "o", "gnd", 0.0, 5.0, resistance=50.0),
        resistor("R1", "rail", "o", 470.0),
    )
    assert kinds(RULE, subject) == {"satisfied"}


@pytest.mark.parametrize(("rail", "fires"), [(5.09, False), (5.11, True)])
def test_a_pull_up_to_its_own_rail_pushes_an_output_nowhere(rail: float, fires: bool) -> None:
    """4.8 V when high, 470 ohm to 5 V: some current, but left alone it would stand 0.2 V higher, not 0.3."""
    subject = exact(
        supply("V1", "rail", "gnd", rail),
        driver("U1", "o", "gnd", 0.0, 4.8, resistance=50.0),
        resistor("R1", "rail", "o", 470.0),
    )
    assert ("violated" in kinds(RULE, subject)) == fires


def test_a_source_alone_is_never_fed() -> None:
    subject = circuit(supply("V1", "rail", "gnd", 5.0), resistor("R1", "rail", "gnd", 1e3))
    (outcome,) = outcomes(RULE, subject)
    assert (outcome.kind, outcome.subject) == ("satisfied", ("V1",))


def test_a_battery_that_is_charged_by_accident() -> None:
    """Thevenin at the load net: 12*10/11 V behind 1/(1/1k + 1/10k), then 1 kohm into 9 V."""
    finding = only_finding(joined(9.0), RULE)
    assert finding.parts == ("BT1",)
    behind, inner = 12.0 * 10.0 / 11.0, 1e3 * 10e3 / 11e3
    assert value(finding, "I_in") == pytest.approx((behind - 9.0) / (inner + 1e3))


def test_a_battery_that_is_charged_on_purpose() -> None:
    assert "not-applicable" in kinds(RULE, joined(9.0, chemistry="lead"))
    assert "violated" not in kinds(RULE, joined(9.0, chemistry="lead"))
    assert "violated" in kinds(RULE, joined(9.0, chemistry="alkaline"))


def test_supplies_joined_by_a_diode() -> None:
    assert "violated" not in kinds(RULE, joined(9.0, diode("D1", "cell", "load", 0.7)))
    assert "violated" in kinds(RULE, joined(9.0, diode("D1", "load", "cell", 0.7)))


def test_a_current_source_may_push() -> None:
    subject = exact(
        supply("V1", "rail", "gnd", 5.0),
        resistor("R1", "rail", "gnd", 10e3),
        current_source("I1", "gnd", "rail", 1e-3),
    )
    assert value(only_finding(subject, RULE), "I_in") == pytest.approx(0.5e-3)


def test_the_worst_voltage_of_a_battery_counts() -> None:
    """Both at 9 V nothing flows back; at 9.6 V the one feeds the other, at 6 V it is fed itself."""
    subject = exact(
        battery("BT1", "one", "gnd", 9.0, low=6.0, high=9.6),
        battery("BT2", "two", "gnd", 9.0),
        resistor("R1", "one", "two", 1e3),
        resistor("R2", "two", "gnd", 100e3),
    )
    found = {f.parts: f for f in judged(subject, RULE).findings}
    assert value(found["BT2",], "I_in") == pytest.approx(0.6 / 1e3 - 9.0 / 100e3)
    assert value(found["BT1",], "I_in") == pytest.approx(3.0 / 1e3)
    assert found["BT2",].corner == "BT1 9.6 V"


def test_a_loop_of_ideal_sources_is_undecided() -> None:
    subject = circuit(
        supply("V1", "rail", "gnd", 5.0),
        supply("V2", "rail", "gnd", 5.0),
        resistor("R1", "rail", "gnd", 1e3),
    )
    assert kinds(RULE, subject) == {"undecided"}


def test_the_level_shifter_is_proven() -> None:
    review = reviewed(RULE.lesson.failing, RULE, FLOATING, DRIVE)
    (finding,) = [f for f in review.findings if f.rule == RULE.slug]
    assert finding.remedies[0].proof.proven
    assert "It turns the order round" in finding.remedies[0].summary


def test_a_diode_in_the_lead_is_proven() -> None:
    text = """\
format: thumbrule/1
name: greenhouse-clock
ground: gnd
parts:
  V1: {kind: supply, voltage: 12 V, pins: {plus: rail, minus: gnd}}
  BT1: {kind: battery, voltage: 9 V, resistance: 2 ohm, pins: {plus: cell, minus: gnd}}
  R1: {kind: resistor, resistance: 1 kohm, pins: {a: rail, b: cell}}
  R2: {kind: resistor, resistance: 10 kohm, pins: {a: cell, b: gnd}}
"""
    (finding,) = reviewed(text, RULE).findings
    (remedy,) = finding.remedies
    assert "D1 in series with the plus pin of BT1" in remedy.summary
    assert remedy.proof.proven


def test_a_diode_that_is_in_backwards_is_turned_round() -> None:
    text = """\
format: thumbrule/1
name: aviary-reserve
ground: gnd
parts:
  V1: {kind: supply, voltage: 12 V, pins: {plus: plug, minus: gnd}}
  D1: {kind: diode, pins: {anode: plug, cathode: rail}}
  BT1: {kind: battery, voltage: 9 V, resistance: 2 ohm, pins: {plus: cell, minus: gnd}}
  R1: {kind: resistor, resistance: 47 ohm, pins: {a: cell, b: inner}}
  D2: {kind: diode, pins: {anode: rail, cathode: inner}}
  R2: {kind: resistor, resistance: 1 kohm, pins: {a: rail, b: gnd}}
"""
    (finding,) = reviewed(text, RULE, SAG).findings
    # both drops 50 mV less and 15 K warmer, R1 5 % less
    assert value(finding, "I_in") == pytest.approx((12.0 - 2.0 * 0.62 - 9.0) / (0.95 * 47.0 + 2.0))
    assert next(r.summary for r in finding.remedies if r.proof.proven).startswith("D2 turned round")


def test_a_contact_decides() -> None:
    subject = joined(9.0, contact("S1", "load", "tap"), resistor("R3", "tap", "cell", 1e3))
    assert "S1 closed" in only_finding(subject, RULE).message


def test_renaming_and_mirroring_change_nothing() -> None:
    for was, now in told_otherwise(high_side(5.0), RULE):
        assert now.severity == was.severity
        assert now.test.left == pytest.approx(was.test.left, rel=1e-6)


def test_the_formula_refuses_what_it_cannot_mean() -> None:
    assert pushed_pin(5.0, 1e-3, 50.0) == pytest.approx(5.05)
    with pytest.raises(ValueError, match="resistance"):
        pushed_pin(5.0, 1e-3, -1.0)
