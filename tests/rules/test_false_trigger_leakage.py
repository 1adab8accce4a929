"""false-trigger-leakage: critical temperatures by the sum at the base, both sides, bases without a bleed."""

from __future__ import annotations

import math

import pytest
from scipy.optimize import brentq

from rules.analysis.preferred import is_preferred
from rules.false_trigger_leakage import RULE
from schemas.circuit import Ambient, Circuit
from schemas.finding import Finding
from schemas.quantities import parse
from tests.builders import contact, driver, load, npn, resistor, supply
from tests.judged import document, judged, kinds, mirrored, only_finding, outcomes, renamed, reviewed, value
from tests.latches import bench, bistable, garden_light, tank


def test_the_lesson_circuits_fire_and_pass() -> None:
    assert "violated" in kinds(RULE, document(RULE.lesson.failing).circuit)
    assert kinds(RULE, document(RULE.lesson.passing).circuit) == {"satisfied"}


def critical(subject: Circuit, corner: str = "max") -> float:
    """The critical temperature in degC."""
    (test,) = {o.test for o in outcomes(RULE, subject) if o.corner == corner and o.test is not None}
    return test.left - 273.15


def by_hand(ohms: float, amperes: float, at_room: float = 0.45) -> float:
    """degC at which leakage, doubling every 10 K, lifts a resistor to a drop that falls 2 mV/K."""

    def over(celsius: float) -> float:
        return ohms * amperes * 2.0 ** ((celsius - 25) / 10) - (at_room - 0.002 * (celsius - 25))

    return float(brentq(over, -55.0, 200.0))


# bleeds of Q1 and Q2, and the figures worked out beforehand for the drop of a conducting junction
BLEEDS = [
    pytest.param(10e3, 4.7e3, 125.0, id="10k and 4.7k"),
    pytest.param(100e3, 100e3, 83.0, id="100k"),
    pytest.param(1e6, 1e6, 51.0, id="1M"),
]


@pytest.mark.parametrize(("rb1", "rb2", "with_drop"), BLEEDS)
def test_both_leakages_lift_the_base_of_the_pnp(rb1: float, rb2: float, with_drop: float) -> None:
    """Q1 leaks through R2 into the base of Q2: 100 nA through RB2, against V_BE,off.

    With 0.7 V instead, the drop at which a junction conducts in hand work, the temperatures known beforehand
    come out; 0.45 V, at which a transistor passes its first microampere, is 6 to 9 K stricter.
    """
    strict = by_hand(rb2, 100e-9)
    assert critical(tank(rb1=rb1, rb2=rb2)) == pytest.approx(strict, abs=0.01)
    assert math.floor(by_hand(rb2, 100e-9, 0.7)) == with_drop
    assert 6.0 < by_hand(rb2, 100e-9, 0.7) - strict < 9.1


def test_the_drop_is_told_beside_it() -> None:
    finding = only_finding(tank(rb1=1e6, rb2=1e6, ambient=Ambient(273.15, 298.15, 313.15)), RULE)
    assert value(finding, "T_crit") - 273.15 == pytest.approx(by_hand(1e6, 100e-9), abs=0.01)
    assert value(finding, "T_drop") - 273.15 == pytest.approx(by_hand(1e6, 100e-9, 0.7), abs=0.01)
    assert value(finding, "V_BE") == pytest.approx(0.1 * 2**1.5, rel=1e-6)
    assert "base of Q2" in finding.message


def test_the_base_of_the_npn_first() -> None:
    """Its bleed has the way through R3 and the load beside it."""
    subject = tank(rb1=1e6, rb2=4.7e3, r3=1e6)
    parallel = 1.0 / (1.0 / 1e6 + 1.0 / (1e6 + 1e3))
    # what Q2 leaks flows into the load and lifts the far end of R3 by 1 kohm times it
    lift = 1e3 * 1e6 / (1e6 + 1e6 + 1e3)
    assert critical(subject) == pytest.approx(by_hand(parallel + lift, 50e-9), abs=0.02)


def hot(subject_hot: float) -> Circuit:
    return tank(rb1=10e3, rb2=220e3, ambient=Ambient(273.15, 298.15, subject_hot + 273.15))


@pytest.mark.parametrize(
    ("room", "told"), [(-0.05, ["error"]), (0.05, ["warning"]), (14.95, ["warning"]), (15.05, [])]
)
def test_both_sides_of_each_limit(room: float, told: list[str]) -> None:
    subject = hot(by_hand(220e3, 100e-9) - room)
    assert [finding.severity for finding in judged(subject, RULE).findings] == told


def test_resistors_at_the_end_that_hurts() -> None:
    subject = tank(rb1=10e3, rb2=220e3, toleranced=True)
    assert critical(subject, "RB2 +5 %") == pytest.approx(by_hand(231e3, 100e-9), abs=0.01)


OPEN = [
    ("no bleed at Q2", tank(rb2=None), "the base of Q2", ["Q2"]),
    ("no bleed at all", tank(rb1=None, rb2=None), "the base of Q2", ["Q2"]),
]


@pytest.mark.parametrize(("subject", "bases", "named"), [c[1:] for c in OPEN], ids=[c[0] for c in OPEN])
def test_a_base_without_a_bleed_has_no_off_state(subject: Circuit, bases: str, named: list[str]) -> None:
    """Without RB1 the base of Q1 still has R3 and the load."""
    finding = only_finding(subject, RULE)
    assert finding.severity == "error"
    assert bases in finding.message
    assert "at every temperature" in finding.message
    assert len(finding.advice) == len(named)
    # 100 nA at 40 degC (15 K above 25) is 283 nA; a third of 0.42 V over that, less 5 %: 470k
    assert "at most 470 kohm from base to emitter of Q2 (net b2 to net vp)" in finding.advice[0]


def test_the_bleed_that_is_advised_is_enough() -> None:
    assert kinds(RULE, tank(rb2=470e3)) == {"satisfied"}


def test_leakage_that_no_temperature_allows() -> None:
    finding = only_finding(tank(rb1=10e3, rb2=470e3, icbo=1e-3), RULE)
    assert "at any temperature" in finding.message
    assert finding.advice


def test_a_contact_that_rests_closed_is_a_bleed() -> None:
    subject = tank(200.0, 150.0, 47e3, None, 4.7e3, 1e3, 12.0, contact("S2", "b1", "gnd", "closed"))
    opened = bench(*subject.parts.values(), contact("S3", "vp", "b1"))
    assert "violated" not in kinds(RULE, opened)


def test_two_of_one_kind_keep_the_side_that_is_off() -> None:
    """A negative supply holds the other base 1.6 V below off: leakage has a long way to go."""
    subject = bistable(assumptions={"vbe_on": 0.3, "vce_sat": 0.1})
    found = [o.test.left for o in outcomes(RULE, subject) if o.test is not None]
    assert min(found) > 273.15 + 80.0
    assert kinds(RULE, subject) == {"satisfied"}


def test_a_latch_that_lets_go_of_itself_is_judged_at_rest() -> None:
    """Its capacitor would short the base of Q3 to ground; at rest nothing does, and nothing must."""
    assert kinds(RULE, garden_light(100.0, toleranced=True)) == {"satisfied"}


def test_the_mirror_and_other_names_have_the_same_numbers() -> None:
    subject = tank(rb1=1e6, rb2=1e6)
    other, _ = renamed(subject)
    assert critical(mirrored(subject)) == pytest.approx(critical(subject), abs=1e-6)
    assert critical(other) == pytest.approx(critical(subject), abs=1e-6)


def test_what_is_no_latch_is_not_judged() -> None:
    plain = bench(
        supply("V1", "rail", "gnd", 12.0),
        driver("U1", "in", "gnd", 0.0, 5.0),
        resistor("R1", "in", "b", 10e6),
        npn("Q1", "c", "b", "gnd", 100.0),
        load("L1", "rail", "c", 1e3),
    )
    assert kinds(RULE, plain) == {"not-applicable"}


def changed(finding: Finding) -> dict[str, float]:
    return {
        item["path"]: parse(item["value"], "resistance")
        for item in finding.remedies[0].patch
        if item["op"] == "replace"
    }


def test_the_engine_proves_the_larger_of_the_bleeds_that_do() -> None:
    (finding,) = reviewed(RULE.lesson.failing, RULE).findings
    assert finding.remedies[0].proof.proven
    ((path, ohms),) = changed(finding).items()
    assert path == "/parts/R4/resistance"
    assert is_preferred(ohms, "E24")
    # at 65 degC both leak 800 nA, V_BE,off is 0.37 V: 231k, and 220k with its 5 % is just that
    assert ohms == 220e3


def test_both_bleeds_together_where_one_is_not_enough() -> None:
    text = RULE.lesson.failing.replace(
        "R1: {kind: resistor, resistance: 47 kohm", "R1: {kind: resistor, resistance: 2.2 Mohm"
    ).replace("R2: {kind: resistor, resistance: 100 kohm", "R2: {kind: resistor, resistance: 1 Mohm")
    (finding,) = reviewed(text, RULE).findings
    assert "/parts/R4/resistance" in changed(finding)
    assert len(changed(finding)) == 2


def test_bleeds_that_cost_the_on_state_are_withdrawn() -> None:
    """With 4.7 Mohm of feedback the firmer bleed takes all that comes back."""
    text = RULE.lesson.failing.replace("47 kohm, pins: {a: b1", "2.2 Mohm, pins: {a: b1").replace(
        "100 kohm", "4.7 Mohm"
    )
    (finding,) = reviewed(text, RULE).findings
    assert finding.remedies == ()
    assert "1 stable states instead of 2" in finding.advice[0]
