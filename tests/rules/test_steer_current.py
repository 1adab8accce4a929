"""steer-current: the garden light by hand, both sides of each limit, what helps and what does not."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rules.analysis.delay_corners import every_delay
from rules.analysis.delays import delay_with
from rules.analysis.formulas.timing import (
    faster_for_steering,
    steering_margin,
    steering_resistor_at_most,
)
from rules.analysis.study import Study
from rules.steer_current import RULE
from rules.timing_leakage import RULE as TIMING_LEAKAGE
from schemas.circuit import Ambient, Beta, Circuit, Leakage, Value, frozen_map
from schemas.finding import Outcome
from tests.builders import npn
from tests.judged import (
    document,
    judged,
    kinds,
    mirrored,
    only_finding,
    outcomes,
    renamed,
    reviewed,
    value,
)
from tests.timers import blinker, garden_light, hold_on, on_delay, one_shot

ROOM = Ambient(293.15, 293.15, 298.15)


def changed(subject: Circuit, part: str, **values: Value) -> Circuit:
    old = subject.parts[part]
    made = replace(old, values=frozen_map({**old.values, **values}))
    return replace(subject, parts=frozen_map({**subject.parts, part: made}))


def lamp(leakage: float | None = None, beta: float = 1.0, r6: float = 220e3, c1: float = 470e-6) -> Circuit:
    """The garden light at room temperature with a measured leakage (A)."""
    leak = None if leakage is None else Leakage(current=leakage)
    return replace(garden_light(r6, c1, beta, leakage=leak), ambient=ROOM)


def judged_one(subject: Circuit) -> Outcome:
    (outcome,) = [o for o in outcomes(RULE, subject) if o.subject == ("C1",)]
    return outcome


def margin(subject: Circuit) -> float:
    test = judged_one(subject).test
    assert test is not None
    return test.left


def test_the_lesson_circuits_fire_and_pass() -> None:
    assert "violated" in kinds(RULE, document(RULE.lesson.failing).circuit)
    assert kinds(RULE, document(RULE.lesson.passing).circuit) == {"satisfied"}


def test_the_garden_light_by_hand() -> None:
    """(8.7735-3.877-0.1)/220k = 21.8 uA; (3.877-0.7)/3.3k = 963 uA over 201 is 4.79 uA; 20 uA leak beside it.

    21.8/24.8 = 0.88 at 20 degC; at the 25 of the nominal point 20 uA have become 22.9.  With ideal junctions
    that light goes out after 225 s; a stiff integration of the exponential model never gets there, which is
    what the margin of 0.1 V is for.
    """
    finding = only_finding(lamp(20e-6), RULE)
    assert finding.severity == "error"
    assert value(finding, "m_0") == pytest.approx(21.8 / (4.79 + 20.0 * 3.0**0.125), rel=3e-3)
    assert value(finding, "m") < value(finding, "m_0")
    assert value(finding, "I_L") == pytest.approx(20e-6 * 3.0**0.125)
    assert "may never end" in finding.message
    assert finding.parts == ("C1", "Q3")
    assert finding.corner is not None
    assert "R6 +5 %" in finding.corner


def test_its_worst_corner_is_its_own_sum() -> None:
    finding = only_finding(lamp(0.5e-6, beta=0.4), RULE)
    by_hand = value(finding, "I_ch") / (value(finding, "I_E") / value(finding, "beta + 1") + 0.5e-6)
    assert value(finding, "m") == pytest.approx(by_hand, rel=1e-9)
    # beta 80 at 20 degC instead of 25
    assert value(finding, "beta + 1") == pytest.approx(1.0 + 80.0 * 0.975)


def crossing(limit: float) -> float:
    """The leakage (A) at which the margin is ``limit``: its inverse is a straight line at one corner."""
    low, high = 1e-7, 40e-6
    for _ in range(6):
        one, other = 1.0 / margin(lamp(low)), 1.0 / margin(lamp(high))
        low, high = high, low + (1.0 / limit - one) * (high - low) / (other - one)
        if abs(high / low - 1.0) < 1e-6:
            break
    return high


@pytest.mark.parametrize(("limit", "inside", "outside"), [(1.0, "warning", "error"), (3.0, None, "warning")])
def test_both_sides_of_each_limit(limit: float, inside: str | None, outside: str) -> None:
    at = crossing(limit)
    for leakage, severity in ((at * 0.999, inside), (at * 1.001, outside)):
        outcome = judged_one(lamp(leakage))
        assert outcome.test is not None
        assert outcome.test.left == pytest.approx(limit, rel=2e-3)
        assert (None if outcome.finding is None else outcome.finding.severity) == severity


def proposals(subject: Circuit) -> list[dict[str, object]]:
    return [{c.pointer: c.new for c in p.changes} for o in outcomes(RULE, subject) for p in o.proposals]


@pytest.mark.parametrize(
    "make", [lambda: garden_light(), lambda: lamp(20e-6), lambda: garden_light(r6=470e3)]
)
def test_against_leakage_a_smaller_resistor_is_never_proposed(make: Callable[[], Circuit]) -> None:
    subject = make()
    assert not proposals(subject)
    finding = only_finding(subject, RULE)
    told = [a for a in finding.advice if "does not help" in a]
    assert len(told) == 1
    assert "grows by the same factor" in told[0]


def test_leakage_alone_is_caused_by_the_capacitor() -> None:
    """Dry, the margin of the garden light is 3.9: what is wrong is timing-leakage's finding."""
    found = judged(garden_light(), RULE, TIMING_LEAKAGE).findings
    by_rule = {f.rule: f for f in found}
    assert by_rule["steer-current"].caused_by == by_rule["timing-leakage"].identity
    weak = only_finding(lamp(0.5e-6, beta=0.4), RULE)
    assert weak.caused_by is None


def test_where_the_base_counts_both_values_change_together_and_keep_the_delay() -> None:
    """470 kohm against a gain of 100: 10 uA wanted of 10 uA; the leakage is a tenth of a microampere."""
    subject = lamp(0.1e-6, beta=0.5, r6=470e3, c1=220e-6)
    (found,) = proposals(subject)
    assert set(found) == {"/parts/R6/resistance", "/parts/C1/capacitance", "/parts/C1/leakage"}
    study = Study(subject)
    (delay,) = every_delay(study)
    ohms = float(str(found["/parts/R6/resistance"]).split()[0]) * 1e3
    farads = float(str(found["/parts/C1/capacitance"]).split()[0]) * 1e-6
    assert ohms < 470e3 / 3.0
    assert farads > 220e-6 * 3.0
    leak = float(str(found["/parts/C1/leakage"]).split()[0]) * 1e-9
    assert leak == pytest.approx(0.1e-6 * farads / 220e-6, rel=0.05)  # a larger one leaks more
    assert leak >= 0.1e-6 * farads / 220e-6  # rounded up
    trial = delay_with(study, delay, {("R6", "resistance"): ohms, ("C1", "capacitance"): farads})
    assert trial is not None
    assert trial.duration == pytest.approx(delay.duration, rel=0.1)


WEAK = RULE.lesson.passing.replace("100 kohm", "470 kohm").replace(
    "capacitance: 10 uF, tolerance: 5 %, dielectric: film",
    "capacitance: 22 uF, voltage: 10 V, leakage: 10 nA",
)


def test_the_engine_proves_the_pair_of_values() -> None:
    (finding,) = reviewed(WEAK, RULE).findings
    (remedy,) = finding.remedies
    changed_ = {op["path"] for op in remedy.patch if op["op"] != "test"}
    assert changed_ == {"/parts/R1/resistance", "/parts/C1/capacitance", "/parts/C1/leakage"}
    assert remedy.proof.after is None or remedy.proof.after >= 3.0


def test_a_film_capacitor_is_not_made_larger_than_they_come() -> None:
    """10 uF of film with 820 kohm would take 33 uF with 270 kohm."""
    assert not proposals(document(RULE.lesson.failing).circuit)
    finding = only_finding(document(RULE.lesson.failing).circuit, RULE)
    assert any(a.startswith("more gain") for a in finding.advice)
    assert any("less to steer" in a for a in finding.advice)


def test_a_darlington_pair_has_both_gains() -> None:
    """Two of beta 50 each: 49 at 20 degC, (49.75)^2 = 2475; the emitter follows 1.4 V below."""
    single = lamp(0.1e-6, beta=0.25)
    parts = dict(single.parts)
    parts["Q3"] = replace(parts["Q3"], pins=frozen_map({**parts["Q3"].pins, "base": "mid"}))
    parts["Q4"] = npn("Q4", collector="vb", base="tm", emitter="mid", beta=50.0)
    double = replace(single, parts=frozen_map(parts))
    weak = only_finding(single, RULE)
    assert value(weak, "beta + 1") == pytest.approx(1.0 + 50.0 * 0.975)
    outcome = judged_one(double)
    assert outcome.kind == "satisfied"
    assert outcome.test is not None
    assert outcome.test.left > 20.0 * value(weak, "m")


@pytest.mark.parametrize("subject", [on_delay(), hold_on(), one_shot(), blinker()])
def test_stages_that_are_not_steered_are_not_applicable(subject: Circuit) -> None:
    found = outcomes(RULE, subject)
    assert {o.kind for o in found} == {"not-applicable"}
    assert any("emitter-coupled" in o.reason for o in found)


def test_a_missing_rating_is_named() -> None:
    outcome = judged_one(garden_light(rated=None))
    assert outcome.kind == "undecided"
    assert "/parts/C1/voltage" in outcome.reason


def test_the_gain_is_that_of_the_steering_transistor_at_its_least() -> None:
    subject = changed(lamp(1e-9), "Q3", beta=Beta(60, 200, 400))
    outcome = judged_one(subject)
    assert outcome.finding is not None
    assert value(outcome.finding, "beta + 1") == pytest.approx(1.0 + 60.0 * 0.975)
    assert outcome.corner is not None
    assert "beta min" in outcome.corner
    strong = judged_one(changed(lamp(1e-9), "Q1", beta=Beta(60, 200, 400)))
    assert strong.test is not None
    assert outcome.test is not None
    assert strong.test.left > 2.0 * outcome.test.left


@pytest.mark.parametrize("subject", [garden_light(), lamp(3e-6, beta=0.5)])
def test_renaming_order_and_the_mirror_change_nothing(subject: Circuit) -> None:
    before = judged(subject, RULE).findings
    other, names = renamed(subject)
    for now in (judged(other, RULE).findings, judged(mirrored(subject), RULE).findings):
        assert [(f.severity, f.role) for f in now] == [(f.severity, f.role) for f in before]
        for one, two in zip(before, now, strict=True):
            assert two.test.left == pytest.approx(one.test.left, rel=1e-6)
    assert [f.parts for f in judged(other, RULE).findings] == [
        tuple(sorted(names[p] for p in f.parts)) for f in before
    ]


@given(st.floats(1e-6, 1e-4), st.floats(1e-8, 1e-5), st.floats(0.0, 1e-4), st.floats(1.0, 5.0))
def test_the_factor_gives_the_margin_with_the_leakage_grown_alike(
    charging: float, needed: float, leakage: float, wanted: float
) -> None:
    factor = faster_for_steering(charging, needed, leakage, wanted)
    if factor is None:
        assert all(steering_margin(s * charging, needed, s * leakage) < wanted for s in (1.0, 10.0, 1e3, 1e6))
    else:
        assert steering_margin(factor * charging, needed, factor * leakage) == pytest.approx(wanted, rel=1e-9)


def test_the_largest_resistor_is_that_of_the_hand_sum() -> None:
    """9 V, threshold 4 V, 5 uA and 1 uA: (9 - 4 - 0.1)/(3*6 uA) = 272 kohm."""
    ohms = steering_resistor_at_most(9.0, 4.0, 5e-6, 1e-6)
    assert ohms == pytest.approx(4.9 / 18e-6)
    assert steering_margin(4.9 / ohms, 5e-6, 1e-6) == pytest.approx(3.0)
    with pytest.raises(ValueError, match="room"):
        steering_resistor_at_most(4.05, 4.0, 5e-6, 1e-6)
