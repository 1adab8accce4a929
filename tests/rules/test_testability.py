"""testability: meters worked by hand, buffered neighbours, both sides of the limits, silence."""

from __future__ import annotations

import pytest

from rules.analysis.formulas.field import node_at_most, reading_share
from rules.testability import RULE
from schemas.circuit import Circuit
from schemas.finding import Finding
from tests.builders import contact, driver, exact, led, load, npn, resistor, supply
from tests.judged import document, judged, kinds, mirrored, only_finding, outcomes, value
from tests.otherwise import told_twice, with_limits
from tests.timers import garden_light, on_delay, one_shot


def watch(collector: float, hold: float = 10e6, volts: float = 3.0, *more: object) -> Circuit:
    """A contact turns on a transistor through 2.2 Mohm; its collector is all that shows it."""
    return exact(
        supply("V1", "rail", "gnd", volts),
        contact("S1", "rail", "door"),
        resistor("R1", "door", "base", 2.2e6),
        resistor("R2", "base", "gnd", hold),
        resistor("R3", "rail", "out", collector),
        npn("Q1", collector="out", base="base", emitter="gnd", beta=200.0),
        *more,  # type: ignore[arg-type]
    )


def finding_of(subject: Circuit) -> Finding | None:
    found = judged(subject, RULE).findings
    assert len(found) <= 1
    return found[0] if found else None


def test_the_lesson_circuits_fire_and_pass() -> None:
    assert "violated" in kinds(RULE, document(RULE.lesson.failing).circuit)
    assert kinds(RULE, document(RULE.lesson.passing).circuit) == {"satisfied"}


def test_meters_worked_by_hand() -> None:
    """10 Mohm on 220 kohm takes 2.2 %; 200 kohm (20 kohm/V, 10 V range) on 220 kohm takes 52 %."""
    assert 1.0 - reading_share(10e6, 220e3) == pytest.approx(0.0215, abs=1e-4)
    assert 1.0 - reading_share(200e3, 220e3) == pytest.approx(0.524, abs=1e-3)
    assert node_at_most(10e6, 0.95) == pytest.approx(526.3e3, rel=1e-4)


# 95 % of a meter of 10 Mohm: common practice, no source
@pytest.mark.parametrize(("collector", "fires"), [(526e3, False), (527e3, True)])
@pytest.mark.parametrize("flip", [False, True])
def test_both_sides_of_what_a_meter_may_take(collector: float, fires: bool, flip: bool) -> None:
    subject = watch(collector)
    finding = finding_of(mirrored(subject) if flip else subject)
    assert (finding is not None) == fires
    if finding is not None:
        assert finding.severity == "note"
        assert value(finding, "R_n") == pytest.approx(collector, rel=1e-4)
        assert finding.test.left == pytest.approx(10e6 / (10e6 + collector), rel=1e-4)


# 0.5 V: common practice, no source
@pytest.mark.parametrize(("volts", "fires"), [(0.71, True), (2.0, False)])
def test_both_sides_of_what_is_told_apart(volts: float, fires: bool) -> None:
    """Off the collector stands at the supply, on at 0.3 V; the order itself moves by 0.45 V only."""
    subject = exact(
        supply("V1", "rail", "gnd", volts),
        driver("U1", "order", "gnd", 0.4, 0.85),
        resistor("R1", "order", "base", 1e3),
        resistor("R3", "rail", "out", 1e3),
        npn("Q1", collector="out", base="base", emitter="gnd", beta=200.0),
        assumptions={"vce_sat": 0.3},
    )
    finding = finding_of(subject)
    assert (finding is not None) == fires
    if finding is not None:
        assert finding.test.unit == "V"
        assert finding.test.left == pytest.approx(0.45)  # 0.85 V - 0.4 V, more than at the collector


def test_a_buffered_neighbour_is_enough() -> None:
    """A follower from the loose collector: its emitter shows the same at 10 kohm."""
    buffered = watch(
        4.7e6,
        10e6,
        3.0,
        npn("Q2", collector="rail", base="out", emitter="shown", beta=200.0),
        resistor("R4", "shown", "gnd", 100e3),
    )
    assert finding_of(watch(4.7e6)) is not None
    assert finding_of(buffered) is None


def test_ordinary_circuits_are_silent() -> None:
    for subject in (garden_light(), on_delay(), one_shot()):
        assert not judged(subject, RULE).findings


def test_a_transistor_that_never_changes_decides_nothing() -> None:
    steady = exact(
        supply("V1", "rail", "gnd", 9.0),
        resistor("R1", "rail", "base", 4.7e6),
        resistor("R3", "rail", "out", 4.7e6),
        npn("Q1", collector="out", base="base", emitter="gnd", beta=200.0),
    )
    assert kinds(RULE, steady) == {"not-applicable"}
    bare = exact(supply("V1", "rail", "gnd", 9.0), load("LA1", "rail", "gnd", 100.0))
    assert kinds(RULE, bare) == {"not-applicable"}


def test_an_open_node_is_no_place_to_measure() -> None:
    """The wire behind an open contact hangs in the air: no reading there."""
    subject = watch(100e3, 10e6, 3.0, led("D1", "spare", "out", 2.0), contact("S2", "rail", "spare"))
    (outcome,) = outcomes(RULE, subject)
    assert outcome.kind == "satisfied"
    assert {q.symbol: q.meaning for q in outcome.evidence}["R_n"] == "what is behind out"


def test_names_do_not_matter() -> None:
    subject = document(RULE.lesson.failing).circuit
    one, two = told_twice(subject, RULE)
    assert two.test.left == pytest.approx(one.test.left)


def test_a_policy_moves_the_limit() -> None:
    """With a meter of 1 Mohm only 52.6 kohm may be behind a node."""
    poor = with_limits(RULE, meter=1e6)
    assert finding_of(watch(100e3)) is None
    assert only_finding(watch(100e3), poor).severity == "note"


def test_the_dial_crosses_the_limit() -> None:
    dial = RULE.lesson.dial
    assert dial is not None
    assert RULE.lesson.passing.replace(dial.good, dial.bad) == RULE.lesson.failing
