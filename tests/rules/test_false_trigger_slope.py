"""false-trigger-slope: the worked numbers, both sides of each limit, filters, and what is left to others."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from rules.analysis.formulas.supply import critical_slope, filter_at_least, step_at_base
from rules.analysis.latches.edges import bases
from rules.analysis.latches.find import latches
from rules.analysis.study import Study
from rules.false_trigger_slope import RULE
from schemas.circuit import Circuit, Part, frozen_map
from schemas.finding import Finding
from tests.builders import film, npn, pnp, resistor
from tests.judged import document, judged, kinds, outcomes, reviewed, value
from tests.latches import bistable, garden_light, tank
from tests.otherwise import told_otherwise, with_limits


def held(
    bleed: float | None, feedback: float, *extra: Part, farads: float | None = 5e-12, **more: Any
) -> Circuit:
    """The tank latch at 25 degC with stated collector-base capacitances; only b1 is in doubt."""
    made = tank(200.0, 150.0, feedback, bleed, 4.7e3, 1e3, 12.0, *extra, **more)
    parts = {
        **made.parts,
        "Q1": npn("Q1", "c1", "b1", "gnd", 200.0, icbo=50e-9, collector_base=farads),
        "Q2": pnp("Q2", "out", "b2", "vp", 150.0, icbo=50e-9, collector_base=farads),
    }
    return replace(made, parts=frozen_map(parts))


def found(subject: Circuit) -> tuple[Finding, ...]:
    return judged(subject, RULE).findings


def test_the_lesson_circuits_fire_and_pass() -> None:
    assert "violated" in kinds(RULE, document(RULE.lesson.failing).circuit)
    assert kinds(RULE, document(RULE.lesson.passing).circuit) == {"satisfied"}


def test_the_worked_numbers() -> None:
    """8.2 kohm, 5 pF, 0.6 V: 7.3 V/us; 12 V, 5 pF, 0.38 V: 632 pF.  Both worked by hand.

    Exponential junctions of the same latch set themselves above 11.7 V/us: the formula is on the safe side,
    and one capacitance instead of two would not be.
    """
    safe = critical_slope(0.6, 8.2e3, 5e-12)
    assert safe == pytest.approx(7.3e6, rel=5e-3)
    assert safe < 11.7e6 < 2.0 * safe
    assert filter_at_least(12.0, 5e-12, 0.38) == pytest.approx(632e-12, rel=1e-3)
    assert step_at_base(12.0, 5e-12, 632e-12) == pytest.approx(0.5 * 0.38, rel=1e-3)


def test_what_holds_a_base_is_a_network_of_resistors() -> None:
    """10 kohm beside 47 kohm + 1 kohm; the same from a matrix written down for this circuit."""
    study = Study(held(10e3, 47e3))
    (latch,) = latches(study)
    by_name = {base.transistor: base for base in bases(study, latch)}
    matrix = np.array([[1 / 10e3 + 1 / 47e3, -1 / 47e3], [-1 / 47e3, 1 / 47e3 + 1 / 1e3]])
    assert by_name["Q1"].resistance == pytest.approx(np.linalg.inv(matrix)[0, 0])
    assert by_name["Q1"].resistance == pytest.approx(1.0 / (1 / 10e3 + 1 / 48e3))
    assert by_name["Q2"].resistance == pytest.approx(4.7e3)


@pytest.mark.parametrize(
    ("bleed", "severity"), [(20e3, None), (24e3, "warning"), (400e3, "warning"), (900e3, "error")]
)
def test_both_limits(bleed: float, severity: str | None) -> None:
    """0.45 V/(R*10 pF): 3 V/us at R = 15 kohm (21.8 beside 48 kohm), 1 V/us at 45 kohm (720 beside 48)."""
    made = found(held(bleed, 47e3))
    assert [f.severity for f in made] == ([severity] if severity else [])
    if made:
        ohms = 1.0 / (1.0 / bleed + 1.0 / 48e3)
        assert value(made[0], "R_B") == pytest.approx(ohms)
        assert value(made[0], "S_crit") == pytest.approx(0.45 / (ohms * 10e-12))
        assert made[0].parts == ("Q1",)


@pytest.mark.parametrize(("bleed", "fires"), [(400e3, False), (900e3, True)])
def test_a_capacitance_from_memory_is_a_warning_without_a_margin(bleed: float, fires: bool) -> None:
    made = found(held(bleed, 47e3, farads=None))
    assert [f.severity for f in made] == (["warning"] if fires else [])
    assert not made or "from memory" in made[0].message


@pytest.mark.parametrize(
    ("farads", "where", "fires"),
    [(10e-9, "gnd", False), (700e-12, "gnd", False), (500e-12, "gnd", True), (10e-9, "vp", True)],
)
def test_a_filter_from_base_to_emitter(farads: float, where: str, fires: bool) -> None:
    """12 V*10 pF/(0.9*C) against 0.225 V: 593 pF; a capacitor to the other rail is no filter."""
    made = found(held(900e3, 47e3, film("CF", "b1", where, farads, tolerance=None), assumptions={}))
    assert bool(made) == fires
    if made and where == "gnd":
        assert "CF there is too small" in made[0].message


def test_the_filter_of_a_base_whose_emitter_is_lifted_counts() -> None:
    """The garden light has 100 nF from the base of Q1 to ground, its emitter on a resistor."""
    study = Study(garden_light())
    (latch,) = latches(study)
    filters = {base.transistor: base.filters for base in bases(study, latch)}
    assert filters["Q1"] == ("C2",)
    assert not found(garden_light())


def test_a_base_that_nothing_holds_is_left_to_others() -> None:
    made = outcomes(RULE, held(None, 47e3))
    assert {o.kind for o in made} <= {"not-applicable", "satisfied", "violated"}
    loose = held(10e3, 47e3)
    parts = {name: part for name, part in loose.parts.items() if name != "RB2"}
    reasons = [o.reason for o in outcomes(RULE, replace(loose, parts=frozen_map(parts)))]
    assert any("nothing holds the base of Q2" in reason for reason in reasons)


def test_a_latch_without_an_off_state_is_not_judged() -> None:
    made = outcomes(RULE, bistable())
    assert {o.kind for o in made} == {"not-applicable"}


def test_a_capacitor_of_10_nf_is_proven() -> None:
    (finding,) = reviewed(RULE.lesson.failing, RULE).findings
    (remedy,) = finding.remedies
    assert remedy.proof.proven
    added = [op["value"] for op in remedy.patch if op["op"] == "add"]
    assert [part["capacitance"] for part in added] == ["10 nF"]


def test_the_filter_takes_no_verdict_away_from_the_rule_on_headroom() -> None:
    from rules.saturation_headroom import RULE as HEADROOM

    text = RULE.lesson.passing.replace("10 kohm", "24 kohm")
    (finding,) = reviewed(text, RULE, HEADROOM).findings
    assert [remedy.proof.proven for remedy in finding.remedies] == [True]


def test_policy_sets_the_slope() -> None:
    calm = with_limits(RULE, slope=1e4)
    assert judged(held(900e3, 47e3), RULE).findings
    assert not judged(held(900e3, 47e3), calm).findings


def test_names_and_polarity_decide_nothing() -> None:
    subject = held(400e3, 47e3, resistor("RX", "b2", "vp", 1e6))
    for was, now in told_otherwise(subject, RULE):
        assert now.severity == was.severity
        assert now.test.left == pytest.approx(was.test.left, rel=1e-6)
