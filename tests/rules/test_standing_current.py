"""standing-current: a year on what a battery holds, leakage in it, and when nothing is to be said."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from rules.analysis.formulas.supply import standby_life
from rules.standing_current import RULE
from schemas.circuit import Circuit, Part, Requirement, frozen_map
from tests.builders import battery, capacitor, contact, exact, npn, resistor, supply
from tests.judged import document, judged, kinds, mirrored, only_finding, outcomes, renamed, reviewed, value
from tests.latches import tank
from tests.otherwise import with_limits

YEAR = 365.25 * 24 * 3600.0
CAPACITY = 0.55 * 3600.0  # C, a 9 V block of 550 mAh


def divider(ohms: float, *more: Part, **members: Any) -> Circuit:
    """``ohms`` across a battery of 9 V and 550 mAh."""
    return exact(
        battery("BT1", "rail", "gnd", 9.0, capacity=CAPACITY),
        resistor("R1", "rail", "tap", 0.9 * ohms),
        resistor("R2", "tap", "gnd", 0.1 * ohms),
        *more,
        **members,
    )


def test_the_lesson_circuits_fire_and_pass() -> None:
    assert "violated" in kinds(RULE, document(RULE.lesson.failing).circuit)
    assert kinds(RULE, document(RULE.lesson.passing).circuit) == {"satisfied"}


def test_550_mah_are_50_microamperes_for_a_year() -> None:
    """0.8*0.55 Ah/8766 h = 50.2 uA, by hand."""
    assert standby_life(CAPACITY, 0.8, 0.8 * 0.55 / 8766.0) == pytest.approx(YEAR)


@pytest.mark.parametrize(("ohms", "fires"), [(180e3, False), (178e3, True)])
def test_both_sides_of_a_year(ohms: float, fires: bool) -> None:
    """9 V/50.2 uA = 179.3 kohm."""
    found = judged(divider(ohms), RULE).findings
    assert [f.severity for f in found] == (["note"] if fires else [])
    if found:
        assert value(found[0], "t") == pytest.approx(0.8 * CAPACITY / (9.0 / ohms))
        assert value(found[0], "I_max") == pytest.approx(9.0 / ohms)


def test_the_highest_voltage_and_closest_resistors_count() -> None:
    subject = exact(
        battery("BT1", "rail", "gnd", 9.0, high=9.6, capacity=CAPACITY),
        resistor("R1", "rail", "gnd", 185e3),
    )
    assert value(only_finding(subject, RULE), "I_max") == pytest.approx(9.6 / 185e3)


def test_leakage_of_a_capacitor_counts() -> None:
    """0.01*C*V of 1000 uF at 16 V are 160 uA at 20 degC; the resistors alone would last ten years."""
    leaky = capacitor("C1", "rail", "gnd", 1000e-6, voltage=16.0)
    finding = only_finding(divider(2e6, leaky), RULE)
    assert "leak" in finding.message
    assert value(finding, "I_L(C1)") > 100e-6
    assert not judged(divider(2e6), RULE).findings


def test_a_capacitor_without_a_rating_leaves_it_open() -> None:
    found = outcomes(RULE, divider(2e6, capacitor("C1", "rail", "gnd", 1000e-6)))
    assert [o.kind for o in found] == ["undecided"]
    assert "/parts/C1/voltage" in found[0].reason


@pytest.mark.parametrize(
    ("subject", "words"),
    [
        (
            exact(supply("V1", "rail", "gnd", 9.0), resistor("R1", "rail", "gnd", 100.0)),
            "there is no battery",
        ),
        (
            exact(battery("BT1", "rail", "gnd", 9.0), resistor("R1", "rail", "gnd", 100.0)),
            "/parts/BT1/capacity",
        ),
        (
            divider(
                1e3,
                requirements=(Requirement("standing-current", None, {"state": "x", "at_most": 0.1}),),
                states={"x": {}},
            ),
            "the document itself",
        ),
    ],
)
def test_nothing_to_judge(subject: Circuit, words: str) -> None:
    (found,) = outcomes(RULE, subject)
    assert found.kind == "not-applicable"
    assert words in found.reason


def test_a_switch_cuts_it_off() -> None:
    """With the contact open nothing flows; the state that draws most is not standby."""
    subject = exact(
        battery("BT1", "cell", "gnd", 9.0, capacity=CAPACITY),
        contact("S1", "cell", "rail"),
        resistor("R1", "rail", "gnd", 1e3),
    )
    assert kinds(RULE, subject) == {"satisfied"}


def test_of_two_resting_states_the_one_that_draws_least_counts() -> None:
    """The tank latch draws 15 mA when it is on and leakage when it is off."""
    made = tank()
    cell = battery("V1", "vp", "gnd", 12.0, capacity=CAPACITY)
    subject = replace(made, parts=frozen_map({**made.parts, "V1": cell}))
    assert kinds(RULE, subject) == {"satisfied"}


def test_a_flasher_never_rests() -> None:
    parts = [battery("BT1", "rail", "gnd", 3.0, capacity=CAPACITY)]
    for one, two in (("1", "2"), ("2", "1")):
        parts += [
            resistor(f"R{one}", "rail", f"c{one}", 820.0),
            resistor(f"R{one}0", "rail", f"b{one}", 56e3),
            capacitor(f"C{one}", f"c{one}", f"b{two}", 4.7e-6, voltage=16.0),
            npn(f"Q{one}", f"c{one}", f"b{one}", "gnd", 200.0),
        ]
    (found,) = outcomes(RULE, exact(*parts))
    assert (found.kind, found.reason) == ("not-applicable", "the circuit never rests")


def test_a_larger_resistor_is_proven() -> None:
    (finding,) = reviewed(RULE.lesson.failing, RULE).findings
    assert finding.remedies
    assert finding.remedies[0].proof.proven
    assert finding.remedies[0].proof.after is not None
    assert finding.remedies[0].proof.after >= YEAR


def test_policy_sets_the_limit() -> None:
    strict = with_limits(RULE, life=3.0 * YEAR)
    assert judged(divider(200e3), strict).findings
    assert not judged(divider(200e3), RULE).findings


def test_names_and_polarity_decide_nothing() -> None:
    subject = divider(100e3)
    was = only_finding(subject, RULE)
    for other in (renamed(subject)[0], mirrored(subject)):
        now = only_finding(other, RULE)
        assert now.severity == was.severity
        assert now.test.left == pytest.approx(was.test.left, rel=1e-6)
