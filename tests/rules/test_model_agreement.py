"""`model-agreement`: where the fixed drops of hand work mislead."""

from __future__ import annotations

import math

import pytest

from rules.analysis.junction.refine import refine
from rules.analysis.study import Study
from rules.model_agreement import RULE
from schemas.circuit import Circuit
from tests.builders import circuit, diode, film, npn, resistor, supply
from tests.judged import document, kinds, mirrored, only_finding, outcomes, renamed, value


def test_the_lesson_circuits_fire_and_pass() -> None:
    assert kinds(RULE, document(RULE.lesson.failing).circuit) == {"violated"}
    assert kinds(RULE, document(RULE.lesson.passing).circuit) == {"satisfied"}


def test_the_junction_voltage_is_that_of_the_exponential_law() -> None:
    """One diode on one resistor: the law's current is what the resistor brings, (V - v)/R."""
    parts = resistor("R1", "rail", "a", 10e3), diode("D1", "a", "gnd")
    subject = circuit(supply("V1", "rail", "gnd", 5.0), *parts)
    (state,) = Study(subject).state_sets()[0].stable
    refined = refine(state)
    assert refined.converged
    found = refined.nets["a"]
    assert found is not None
    law = refined.assembly.laws
    current = float(law.current(refined.assembly.sense @ refined.x)[0])
    assert current == pytest.approx((5.0 - found) / 10e3, rel=1e-6)
    assert abs(found - 0.7) < 0.3


def shared(volts: float) -> Circuit:
    """A base held by a divider alone, open-circuit ``volts`` behind 9.2 kohm."""
    upper = 10e3 * (9.0 - volts) / volts
    return circuit(
        supply("V1", "rail", "gnd", 9.0),
        resistor("R1", "rail", "base", upper),
        resistor("R2", "base", "gnd", 10e3),
        resistor("R3", "rail", "out", 47e3),
        npn("Q1", "out", "base", "gnd", 300.0),
    )


@pytest.mark.parametrize(("volts", "kind"), [(0.30, "satisfied"), (0.69, "violated")])
def test_off_by_hand_is_not_always_off(volts: float, kind: str) -> None:
    assert kinds(RULE, shared(volts)) == {kind}


def test_the_message_names_the_net_and_both_voltages() -> None:
    finding = only_finding(shared(0.69), RULE)
    assert finding.severity == "note"
    assert value(finding, "V_hand") == pytest.approx(9.0)
    assert value(finding, "V_junction") < 8.7
    assert "net out" in finding.message
    assert finding.test.left == pytest.approx(9.0 - value(finding, "V_junction"))


def test_an_oscillator_is_no_resting_state() -> None:
    """Both transistors saturated is a DC state by hand; with the coupling capacitors two modes grow."""
    subject = circuit(
        supply("V1", "rail", "gnd", 9.0),
        *(resistor(f"RC{k}", "rail", f"c{k}", 1e3) for k in (1, 2)),
        *(resistor(f"RB{k}", "rail", f"b{k}", 56e3) for k in (1, 2)),
        film("C1", "c1", "b2", 4.7e-6),
        film("C2", "c2", "b1", 4.7e-6),
        npn("Q1", "c1", "b1", "gnd", 200.0),
        npn("Q2", "c2", "b2", "gnd", 200.0),
    )
    assert all(situation.timed is not None for situation in Study(subject).situations())
    assert {outcome.kind for outcome in outcomes(RULE, subject)} == {"satisfied"}  # of the timed halves
    assert not any(sets.stable for sets in Study(subject).state_sets())


@pytest.mark.parametrize("kind", ["npn", "pnp"])
def test_two_saturated_transistors_one_on_top_of_the_other_are_no_disagreement(kind: str) -> None:
    """Trap: 0.2 V each by hand, some 40 mV each by the exponential law: 0.32 V apart, and nobody minds."""
    parts = [supply("V1", "rail", "gnd", 12.0), resistor("RL", "rail", "low", 1e3)]
    for name, collector, emitter in (("Q1", "low", "mid"), ("Q2", "mid", "gnd")):
        parts.append(resistor(f"R{name}", "rail", f"b{name}", 10e3))
        parts.append(npn(name, collector, f"b{name}", emitter, 200.0))
    subject = circuit(*parts)
    subject = mirrored(subject) if kind == "pnp" else subject
    assert kinds(RULE, subject) == {"satisfied"}
    (found,) = outcomes(RULE, subject)
    assert found.test is not None
    assert found.test.left > RULE.limits["apart"].value
    assert found.test.right == pytest.approx(RULE.limits["apart"].value + 0.2)


def test_names_decide_nothing() -> None:
    other, _ = renamed(shared(0.69))
    assert math.isclose(only_finding(other, RULE).test.left, only_finding(shared(0.69), RULE).test.left)
