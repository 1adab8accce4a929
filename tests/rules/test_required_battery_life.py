"""required-battery-life: capacity over current by hand, both sides, what is missing, and what helps."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from rules.required_battery_life import FAILING, RULE
from schemas.circuit import Circuit, Tolerance, frozen_map
from tests.builders import battery, capacitor, exact, npn, resistor, supply
from tests.judged import document, kinds, only_finding, outcomes, renamed, reviewed, value
from tests.timers import requirement

YEAR = 365.25 * 86400.0
CHARGE = 0.55 * 3600.0  # C


def counter(at_least: float, ohms: float = 180e3, capacity: float | None = CHARGE, **values: Any) -> Circuit:
    """9 V across one resistor beside a transistor that is off."""
    return exact(
        battery("BT1", "rail", "gnd", 9.0, capacity=capacity, **values),
        resistor("R1", "rail", "gnd", ohms, tolerance=Tolerance(-0.05, 0.05)),
        resistor("R2", "rail", "out", 1e3),
        resistor("R3", "base", "gnd", 10e3),
        npn("Q1", collector="out", base="base", emitter="gnd", beta=200.0, icbo=0.0),
        states=frozen_map({"waiting": frozen_map({"Q1": "off"})}),
        requirements=(requirement("battery-life", state="waiting", at_least=at_least),),
    )


LIFE = 0.8 * CHARGE * 0.95 * 180e3 / 9.0  # s: four fifths of it, the resistor 5 % low


def test_the_lesson_circuits_fire_and_pass() -> None:
    assert "violated" in kinds(RULE, document(RULE.lesson.failing).circuit)
    assert kinds(RULE, document(RULE.lesson.passing).circuit) == {"satisfied"}


@pytest.mark.parametrize(("factor", "kind"), [(1.0 - 1e-6, "satisfied"), (1.0 + 1e-6, "violated")])
def test_both_sides_of_the_required_life(factor: float, kind: str) -> None:
    assert kinds(RULE, counter(LIFE * factor)) == {kind}


def test_the_highest_battery_voltage_counts() -> None:
    (outcome,) = outcomes(RULE, counter(1.0, low=6.5, high=9.6))
    assert outcome.test is not None
    assert outcome.test.left == pytest.approx(LIFE * 9.0 / 9.6, rel=1e-9)
    assert outcome.corner == "BT1 9.6 V, R1 -5 %"


def test_a_life_that_holds_at_nominal_values_and_fails_at_the_corner() -> None:
    """50 uA are 366 days of 0.44 Ah; 5 % less resistance makes it 348."""
    nominal = 0.8 * CHARGE * 180e3 / 9.0
    finding = only_finding(counter(0.99 * nominal), RULE)
    assert value(finding, "t") == pytest.approx(LIFE)
    assert value(finding, "Q") == CHARGE
    assert value(finding, "Q_usable") == pytest.approx(0.8 * CHARGE)
    assert value(finding, "I_most") == pytest.approx(0.8 * CHARGE / (0.99 * nominal))
    assert value(finding, "I(R1)") == pytest.approx(50e-6)
    assert "348 days" in finding.message
    assert "the time spent in others takes its own share" in finding.message


def test_a_battery_without_capacity_is_undecided() -> None:
    (outcome,) = outcomes(RULE, counter(YEAR, capacity=None))
    assert outcome.kind == "undecided"
    assert outcome.reason.startswith("/parts/BT1/capacity is missing")


def test_a_circuit_without_battery_is_undecided() -> None:
    subject = counter(YEAR)
    parts = {**subject.parts, "BT1": supply("BT1", "rail", "gnd", 9.0)}
    (outcome,) = outcomes(RULE, replace(subject, parts=parts))
    assert outcome.kind == "undecided"
    assert "no battery" in outcome.reason


def test_each_battery_is_judged_by_its_own_current() -> None:
    subject = counter(YEAR)
    parts = {
        **subject.parts,
        "BT2": battery("BT2", "gnd", "below", 1.5, capacity=CHARGE),
        "R5": resistor("R5", "gnd", "below", 1.5e6),
    }
    found = {o.subject[0]: o for o in outcomes(RULE, replace(subject, parts=parts))}
    assert found["BT1"].kind == "violated"
    assert found["BT2"].kind == "satisfied"
    assert found["BT2"].test is not None
    assert found["BT2"].test.left == pytest.approx(0.8 * CHARGE / 1e-6)


def test_nothing_drawn_lasts_for_ever() -> None:
    subject = counter(YEAR)
    parts = {name: part for name, part in subject.parts.items() if name != "R1"}
    assert kinds(RULE, replace(subject, parts=parts)) == {"satisfied"}


def test_a_leakage_that_nobody_knows_is_undecided() -> None:
    subject = counter(YEAR / 4.0)
    parts = {**subject.parts, "C1": capacitor("C1", "rail", "gnd", 10e-6)}
    (outcome,) = outcomes(RULE, replace(subject, parts=parts))
    assert outcome.kind == "undecided"
    assert "/parts/C1/voltage" in outcome.reason


def test_a_missing_state_is_violated() -> None:
    subject = replace(counter(1.0), states={"waiting": {"Q1": "saturated"}})
    assert only_finding(subject, RULE).test.left == 0.0


def test_larger_resistors_are_proposed_and_proven() -> None:
    (finding,) = reviewed(FAILING, RULE).findings
    assert finding.remedies
    for remedy in finding.remedies:
        assert remedy.proof.after is not None
        assert remedy.proof.before < YEAR <= remedy.proof.after


def test_renaming_and_order_change_nothing() -> None:
    subject = counter(YEAR)
    changed, names = renamed(subject)
    was, now = only_finding(subject, RULE), only_finding(changed, RULE)
    assert now.test.left == pytest.approx(was.test.left, rel=1e-9)
    assert now.parts == tuple(names[p] for p in was.parts)
