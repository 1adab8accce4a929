"""delay-tolerance: an independent worst case, both sides of each limit, windows of a document, its proofs."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from rules.analysis.delay_corners import delay_corners, every_delay
from rules.analysis.study import Study
from rules.delay_tolerance import RULE
from rules.threshold_sensitivity import RULE as THRESHOLD_SENSITIVITY
from schemas.circuit import Action, Beta, Circuit, Tolerance, Value, frozen_map
from schemas.finding import identity
from tests.builders import capacitor, circuit, resistor, supply
from tests.judged import (
    causes,
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
from tests.timers import blinker, garden_light, hold_on, on_delay, one_shot, requirement


def charging(subject: Circuit) -> Circuit:
    """Only the charging delay of an on-delay."""
    return replace(subject, stimuli=frozen_map({"on": (Action(0.0, "S1", "closed"),)}))


def changed(subject: Circuit, part: str, **values: Value) -> Circuit:
    old = subject.parts[part]
    made = replace(old, values=frozen_map({**old.values, **values}))
    return replace(subject, parts=frozen_map({**subject.parts, part: made}))


def asking(subject: Circuit, **window: float) -> Circuit:
    return replace(subject, requirements=(requirement("delay", **window),))


def test_the_lesson_circuits_fire_and_pass() -> None:
    assert "violated" in kinds(RULE, document(RULE.lesson.failing).circuit)
    assert kinds(RULE, document(RULE.lesson.passing).circuit) == {"satisfied"}


def test_the_garden_light_against_an_independent_program() -> None:
    """41.0 to 83.5 s to the moment at which the bases stand level (beta 100 to 450, 7 to 9.5 V, no weather).

    Letting go takes Q3 some 4 % longer; 0 and 40 degC take 5 % off and add 3 % (the capacitance).
    """
    subject = changed(garden_light(), "B1", low=7.0, high=9.5)
    for name in ("Q1", "Q2", "Q3"):
        subject = changed(subject, name, beta=Beta(100, 200, 450))
    finding = only_finding(subject, RULE)
    assert finding.severity == "note"
    assert value(finding, "t_0") == pytest.approx(60.3 * 1.034, rel=2e-3)
    assert value(finding, "t_min") == pytest.approx(41.0 * 0.95 * 1.057, rel=0.01)
    assert value(finding, "t_max") == pytest.approx(83.5 * 1.03 * 1.036, rel=0.01)
    assert value(finding, "rss") == pytest.approx(0.215, abs=5e-3)
    assert finding.corner is not None
    assert "C1 -20 %" in finding.corner
    assert "C1 capacitance moves it most" in finding.message


@pytest.mark.parametrize(("deviation", "fires"), [(0.2999, False), (0.3001, True)])
def test_both_sides_of_the_spread(deviation: float, fires: bool) -> None:
    """The tolerance of C1 chosen so that the longest delay is just inside, or just outside."""
    subject = charging(on_delay())
    for name in ("R1", "R2", "R3"):
        subject = changed(subject, name, tolerance=Tolerance(0.0, 0.0))
    bare = Study(changed(subject, "C1", tolerance=Tolerance(0.0, 0.0)))
    corners = delay_corners(bare, every_delay(bare)[0])
    top = corners.worst(corners.total, 1.0)
    assert top is not None
    share = (1.0 + deviation) / (top.value / top.nominal) - 1.0
    subject = changed(subject, "C1", tolerance=Tolerance(0.0, share))
    assert ("violated" in kinds(RULE, subject)) is fires


@pytest.mark.parametrize(("high", "severity"), [(25.99, None), (25.96, "warning")])
def test_both_sides_of_the_width_of_a_required_window(high: float, severity: str | None) -> None:
    """8.335 to 25.98 s over everything; the hand sum of the upper end stands with the shared sums."""
    subject = asking(charging(on_delay()), at_least=8.335, at_most=high)
    found = judged(subject, RULE).findings
    assert [f.severity for f in found] == ([] if severity is None else [severity])
    if severity is not None:
        assert found[0].test.left == pytest.approx(25.98 / 8.335, rel=1e-3)
        assert "No nominal delay can meet that" in found[0].message
        assert causes(RULE, subject) == {identity("required-delay", ("C1",), (), "delay")}


@pytest.mark.parametrize(("low", "high"), [(20.0, 80.0), (10.0, 32.0), (2.0, 6.4)])
def test_where_the_range_lies_is_for_the_requirement_to_judge(low: float, high: float) -> None:
    """Where the window is as wide as the range, moving the nominal delay is all it takes."""
    assert kinds(RULE, asking(charging(on_delay()), at_least=low, at_most=high)) == {"satisfied"}


def test_one_sided_windows_have_no_width() -> None:
    assert kinds(RULE, asking(charging(on_delay()), at_least=20.0)) == {"satisfied"}
    assert kinds(RULE, asking(charging(on_delay()), at_most=10.0)) == {"satisfied"}


def test_a_corner_at_which_it_never_ends_is_an_error() -> None:
    finding = only_finding(charging(on_delay(lower=13.6e3)), RULE)
    assert finding.severity == "error"
    assert math.isinf(finding.test.left)
    assert "never ends" in finding.message
    assert "comes to rest before its threshold" in finding.message


FROST = """\
format: thumbrule/1
name: hatch-warmer
ground: gnd
ambient: {low: 5 degC, nominal: 15 degC, high: 30 degC}
parts:
  V1: {kind: supply, voltage: 9 V, pins: {plus: rail, minus: gnd}}
  S1: {kind: contact, rest: open, pins: {a: rail, b: feed}}
  R1: {kind: resistor, resistance: 100 kohm, pins: {a: feed, b: slow}}
  C1: {kind: capacitor, capacitance: 100 uF, voltage: 10 V, leakage: 10 nA, pins: {plus: slow, minus: gnd}}
  R2: {kind: resistor, resistance: 680 kohm, pins: {a: slow, b: base}}
  R3: {kind: resistor, resistance: 150 kohm, pins: {a: base, b: gnd}}
  R4: {kind: resistor, resistance: 47 kohm, pins: {a: rail, b: out}}
  Q1: {kind: npn, beta: 200, pins: {collector: out, base: base, emitter: gnd}}
stimuli:
  switch: [{at: 0 s, part: S1, to: closed}]
states: {waiting: {Q1: off}}
requirements:
  - {kind: delay, stimulus: switch, state: waiting, target: TARGET, within: 35 %}
"""


def test_closer_parts_are_proposed_and_proven() -> None:
    review = reviewed(FROST.replace("TARGET", "7 s"), RULE)
    (finding,) = review.findings
    assert finding.severity == "warning"
    assert finding.remedies
    for remedy in finding.remedies:
        assert remedy.proof.proven
    paths = {op["path"] for remedy in finding.remedies for op in remedy.patch if op["op"] != "test"}
    assert "/parts/C1/tolerance" in paths


def test_a_window_that_no_usual_part_meets_is_said_to_be_too_narrow() -> None:
    text = FROST.replace("TARGET", "7 s").replace("within: 35 %", "within: 5 %")
    (finding,) = reviewed(text, RULE).findings
    assert not finding.remedies
    assert any("too narrow a window" in told for told in finding.advice)


def test_without_a_requirement_nothing_is_changed_only_told() -> None:
    found = outcomes(RULE, garden_light())
    assert not any(outcome.proposals for outcome in found)
    finding = only_finding(garden_light(), RULE)
    assert any("as a requirement" in told for told in finding.advice)
    alone = next(told for told in finding.advice if told.startswith("1 % resistors alone"))
    together = next(told for told in finding.advice if told.startswith("both together"))
    assert "+26.9 %" in alone
    assert "+16.4 %" in together


def test_every_number_has_a_unit_and_the_assumed_ones_a_source() -> None:
    finding = only_finding(garden_light(), RULE)
    assert {q.unit for q in finding.evidence if q.symbol.startswith("t_")} == {"s"}
    assert all(q.source for q in finding.evidence if q.origin == "assumed")
    assert np.isfinite([q.value for q in finding.evidence]).all()


def test_what_times_nothing_is_not_applicable() -> None:
    assert kinds(RULE, circuit(supply("V1", "rail", "gnd", 9.0), resistor("R1", "rail", "gnd", 1e3))) == {
        "not-applicable"
    }
    subject = circuit(supply("V1", "rail", "gnd", 9.0), capacitor("C1", "rail", "gnd", 1e-4))
    (outcome,) = outcomes(RULE, subject)
    assert outcome.subject == ("C1",)
    assert "across the supply" in outcome.reason


@pytest.mark.parametrize("subject", [garden_light(), on_delay(), hold_on(), one_shot()])
def test_renaming_and_order_change_nothing(subject: Circuit) -> None:
    other, names = renamed(subject)
    before, after = judged(subject, RULE).findings, judged(other, RULE).findings
    was = sorted(
        (f.severity, tuple(names[p] for p in f.parts), f.role, round(f.test.left, 9)) for f in before
    )
    now = sorted((f.severity, f.parts, f.role, round(f.test.left, 9)) for f in after)
    assert was == now


@pytest.mark.parametrize("subject", [garden_light(), on_delay(), one_shot()])
def test_the_mirror_image_is_judged_alike(subject: Circuit) -> None:
    before, after = judged(subject, RULE).findings, judged(mirrored(subject), RULE).findings
    assert [(f.severity, f.role) for f in after] == [(f.severity, f.role) for f in before]
    for was, now in zip(before, after, strict=True):
        assert now.test.left == pytest.approx(was.test.left, rel=1e-6)


def test_the_first_half_of_an_oscillation_is_no_delay() -> None:
    """It starts from 0 V, every later one from -4.3 V."""
    found = outcomes(RULE, blinker())
    assert {o.kind for o in found} == {"not-applicable"}
    assert all("repeats by itself" in o.reason for o in found)


def test_corners_at_which_the_state_is_lost_are_named() -> None:
    """With a gain of 3 the latch does not hold: there the light goes out at once."""
    subject = garden_light()
    for name in ("Q1", "Q2"):
        subject = changed(subject, name, beta=Beta(3, 200, 450))
    (told,) = [a for a in only_finding(subject, RULE).advice if "no delay to judge" in a]
    assert told.startswith("at Q2 beta min")
    whole = only_finding(garden_light(), RULE)
    assert not [a for a in whole.advice if "no delay to judge" in a]


def test_a_threshold_out_of_reach_is_what_causes_it() -> None:
    found = judged(charging(on_delay(lower=13.6e3)), RULE, THRESHOLD_SENSITIVITY).findings
    by_rule = {f.rule: f for f in found}
    assert by_rule["delay-tolerance"].caused_by == by_rule["threshold-sensitivity"].identity


def test_asking_twice_gives_the_same() -> None:
    study = Study(garden_light())
    first = [(o.kind, o.test, o.corner) for o in RULE.check(study)]
    assert [(o.kind, o.test, o.corner) for o in RULE.check(study)] == first
