"""reset-path: worked numbers, both sides of its limits, resistors it lowers, and what it must leave alone."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from rules.reset_path import RULE
from schemas.circuit import Beta, Circuit, frozen_map
from schemas.finding import Finding
from tests.builders import battery, capacitor, circuit, contact, film, load, npn, resistor, supply
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
from tests.timers import blinker, garden_light, hold_on, on_delay, one_shot, pair_delay, requirement


def back(subject: Circuit) -> float:
    """The time back at typical gain, s."""
    return next(o.test.left for o in outcomes(RULE, subject) if o.test is not None and o.corner == "typical")


def only(subject: Circuit) -> Finding:
    return only_finding(subject, RULE)


def test_the_lesson_circuits_fire_and_pass() -> None:
    assert "violated" in kinds(RULE, document(RULE.lesson.failing).circuit)
    assert kinds(RULE, document(RULE.lesson.passing).circuit) == {"satisfied"}


def test_the_garden_light_takes_longer_back_than_it_burns() -> None:
    """Own working: 11.2 s through D1, 2.1 s more to 0.7 V, then 105 s * ln(0.7/0.26) through R6."""
    finding = only(garden_light())
    assert finding.severity == "warning"
    assert value(finding, "V_0,hand") == pytest.approx(0.026 * 10.0, abs=0.01)
    assert value(finding, "tau_4") == pytest.approx(105.5, abs=0.1)
    tail = 105.5 * math.log(0.7 / value(finding, "V_0,max"))
    assert value(finding, "t_back") == pytest.approx(11.27 + 2.11 + tail, rel=2e-3)
    assert value(finding, "5*tau") == pytest.approx(527.5, abs=0.5)
    assert "limit 62.3 s, the delay itself" in finding.message
    assert any("below 700 mV no diode conducts" in a for a in finding.advice)


def test_the_delay_is_the_limit_where_none_is_required() -> None:
    """With a quick way out the same delay passes, with a slow one it is a warning."""
    quick, slow = on_delay(bleed=1e3, upper=10e3, lower=2.2e3, charging=4.7e3), on_delay()
    assert kinds(RULE, slow) == {"violated"}
    finding = only(slow)
    assert finding.severity == "warning"
    assert finding.test.right == pytest.approx(value(finding, "t"))
    outcome = outcomes(RULE, quick)[0]
    assert outcome.test is not None
    assert outcome.test.left < back(slow)


@pytest.mark.parametrize(("factor", "fires"), [(0.999, True), (1.001, False)])
def test_both_sides_of_the_time_back(factor: float, fires: bool) -> None:
    """The charging resistor outside the way back is chosen so that the delay is just as long as the way."""

    def excess(charging: float) -> float:
        subject = on_delay(bleed=10e3, charging=charging)
        return back(subject) - next(o.test.right for o in outcomes(RULE, subject) if o.test is not None)

    low, high = 68e3, 100e3
    assert excess(low) > 0.0 > excess(high)
    for _ in range(40):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if excess(middle) > 0.0 else (low, middle)
    assert ("violated" in kinds(RULE, on_delay(bleed=10e3, charging=low * factor))) is fires


def test_a_required_time_is_for_its_own_rule_to_judge() -> None:
    """The way back is there; how long it may take is not asked here."""
    wanted = (requirement("re-arm", stimulus="press", at_most=1.0),)
    assert "violated" not in kinds(RULE, garden_light(requirements=wanted))
    other = (requirement("re-arm", stimulus="other", at_most=1.0),)
    assert "violated" in kinds(RULE, garden_light(requirements=other))


def no_way(farads: float = 100e-6) -> Circuit:
    """S1 charges C1 through R1 onto a base; once it opens, nothing but the base takes charge."""
    return circuit(
        supply("V1", "rail", "gnd", 9.0),
        contact("S1", "rail", "feed"),
        resistor("R1", "feed", "slow", 220e3),
        capacitor("C1", "slow", "gnd", farads, voltage=16.0),
        load("LS1", "rail", "out", 1e3),
        npn("Q1", collector="out", base="slow", emitter="gnd", beta=200.0),
    )


def test_no_way_back_is_an_error_with_the_bleed_to_fit() -> None:
    finding = only(no_way())
    assert finding.severity == "error"
    assert "no way back" in finding.message
    assert value(finding, "V_stay") == pytest.approx(0.7, abs=1e-6)
    assert finding.test.unit == "V"
    # 1.78 s for ln(0.7/0.0364) time constants of 100 uF: 6.02 kohm, 5.6 kohm with 5 %
    assert any("at most 5.6 kohm" in a for a in finding.advice)
    assert not [o for o in outcomes(RULE, no_way()) if o.proposals]


def test_a_pair_that_snaps_over_is_brought_back_by_the_release_of_its_contact() -> None:
    """The load lowers the rail and with it the tap: a snap, but the capacitor stays charged until S1 opens.

    Then 10 uF empty through 104.7 kohm, from 8.9 V down to 9*(1 - (1-x)**0.05), x = 3.84/9.
    """
    subject = pair_delay()
    enough = 9.0 * (1.0 - (1.0 - 3.84 / 9.0) ** 0.05)
    assert back(subject) == pytest.approx(1.047 * math.log(8.85 / enough), rel=0.02)
    assert only(subject).severity == "warning"


@pytest.mark.parametrize(
    ("ohms", "farads", "error"),
    [(0.99e6, 22e-6, False), (1.01e6, 22e-6, True), (1.01e6, 10e-6, False)],
)
def test_both_sides_of_what_counts_as_a_path(ohms: float, farads: float, error: bool) -> None:
    """More than 1 Mohm is no path for more than 10 uF, whatever time is allowed."""
    subject = no_way(farads)
    parts = {**subject.parts, "R9": resistor("R9", "slow", "gnd", ohms)}
    allowed = (requirement("re-arm", at_most=1e6),)
    found = judged(replace(subject, parts=parts, requirements=allowed), RULE).findings
    assert [f.severity for f in found] == (["error"] if error else [])
    if error:
        assert found[0].test.unit == "ohm"
        assert found[0].test.left == pytest.approx(ohms)


PROPOSING = """\
format: thumbrule/1
name: compost-fan
ground: gnd
parts:
  V1: {kind: supply, voltage: 9 V, pins: {plus: rail, minus: gnd}}
  S1: {kind: contact, rest: open, pins: {a: rail, b: feed}}
  R1: {kind: resistor, resistance: 330 kohm, pins: {a: feed, b: slow}}
  C1: {kind: capacitor, capacitance: 10 uF, voltage: 63 V, dielectric: film, pins: {plus: slow, minus: gnd}}
  D1: {kind: diode, pins: {anode: slow, cathode: feed}}
  R5: {kind: resistor, resistance: 220 kohm, pins: {a: feed, b: gnd}}
  R2: {kind: resistor, resistance: 680 kohm, pins: {a: slow, b: base}}
  R3: {kind: resistor, resistance: 130 kohm, pins: {a: base, b: gnd}}
  R4: {kind: resistor, resistance: 47 kohm, pins: {a: rail, b: out}}
  Q1: {kind: npn, beta: 200, pins: {collector: out, base: base, emitter: gnd}}
"""


def test_the_bleed_that_governs_is_lowered_and_proven() -> None:
    """R5 takes the charge from D1; it does not touch the delay."""
    (finding,) = reviewed(PROPOSING, RULE).findings
    assert finding.severity == "warning"
    proven = {op["path"] for r in finding.remedies for op in r.patch if op["op"] == "replace"}
    assert proven == {"/parts/R5/resistance"}
    (remedy,) = finding.remedies
    assert remedy.proof.after is not None
    assert remedy.proof.after <= finding.test.right < remedy.proof.before


def test_a_missing_diode_is_advised_in_its_direction() -> None:
    told = [a for a in only(garden_light(diode_fitted=False)).advice if "fit a diode" in a]
    assert len(told) == 1
    assert "anode at tm, cathode at out" in told[0]
    assert not [a for a in only(garden_light()).advice if "fit a diode" in a]


def test_the_mirrored_diode_points_the_other_way() -> None:
    told = [a for a in only(mirrored(garden_light(diode_fitted=False))).advice if "fit a diode" in a]
    assert len(told) == 1
    assert "anode at out, cathode at tm" in told[0]


@pytest.mark.parametrize(
    ("subject", "words"),
    [
        (blinker(), "never rests"),
        (hold_on(), "itself the way back"),
    ],
)
def test_nothing_to_judge(subject: Circuit, words: str) -> None:
    found = outcomes(RULE, subject)
    assert {o.kind for o in found} == {"not-applicable"}
    assert words in found[0].reason


def test_a_delay_at_power_up_has_no_way_back() -> None:
    subject = circuit(
        supply("V1", "rail", "gnd", 9.0),
        resistor("R1", "rail", "slow", 100e3),
        capacitor("C1", "slow", "gnd", 100e-6, voltage=16.0),
        resistor("R2", "slow", "base", 22e3),
        load("LS1", "rail", "out", 1e3),
        npn("Q1", collector="out", base="base", emitter="gnd", beta=200.0),
    )
    found = outcomes(RULE, subject)
    assert {o.kind for o in found} == {"not-applicable"}
    assert "at power-up" in found[0].reason


def test_filters_couplings_and_decouplers_are_not_applicable() -> None:
    subject = circuit(
        battery("B1", "rail", "gnd", 9.0, 2.0),
        capacitor("C1", "rail", "gnd", 100e-6),
        contact("S1", "rail", "in"),
        resistor("R1", "in", "f", 10e3),
        film("C2", "f", "gnd", 100e-9),
        resistor("R2", "f", "b", 10e3),
        resistor("R3", "b", "gnd", 100e3),
        npn("Q1", collector="c", base="b", emitter="gnd", beta=200.0),
        resistor("R4", "rail", "c", 1e3),
        film("C3", "c", "line", 1e-6),
        resistor("R5", "line", "gnd", 100e3),
    )
    found = outcomes(RULE, subject)
    assert {(o.kind, *o.subject) for o in found} == {("not-applicable", f"C{k}") for k in (1, 2, 3)}


def test_no_capacitor_at_all() -> None:
    assert kinds(RULE, circuit(supply("V1", "rail", "gnd", 9.0), resistor("R1", "rail", "gnd", 1e3))) == {
        "not-applicable"
    }


def test_the_one_shot_is_ready_long_before() -> None:
    assert kinds(RULE, one_shot()) == {"satisfied"}


def test_beta_corners_are_all_judged() -> None:
    subject = on_delay(beta=Beta(50, 150, 450))
    finding = only(subject)
    assert {o.corner for o in finding.occurrences} == {"min", "typical", "max"}


@pytest.mark.parametrize("subject", [garden_light(), on_delay(), no_way()])
def test_renaming_and_order_change_nothing(subject: Circuit) -> None:
    changed, names = renamed(subject)
    was, now = only(subject), only(changed)
    assert now.test.left == pytest.approx(was.test.left, rel=1e-6)
    assert now.severity == was.severity
    assert now.parts == tuple(names[p] for p in was.parts)


@pytest.mark.parametrize("subject", [garden_light(), on_delay(), no_way()])
def test_the_mirror_image_is_judged_alike(subject: Circuit) -> None:
    was, now = only(subject), only(mirrored(subject))
    assert now.severity == was.severity
    assert now.test.left == pytest.approx(was.test.left, rel=1e-6)


def test_a_capacitor_drawn_the_other_way_round_reads_alike() -> None:
    def drawn(a: str, b: str) -> Circuit:
        subject = garden_light()
        return replace(subject, parts={**subject.parts, "C1": film("C1", a, b, 470e-6)})

    one, other = only(drawn("tm", "gnd")), only(drawn("gnd", "tm"))
    assert other.test.left == pytest.approx(one.test.left, rel=1e-6)
    assert value(other, "V_from") == pytest.approx(-value(one, "V_from"))
    assert value(other, "V_0,hand") == pytest.approx(-value(one, "V_0,hand"))
    assert [a for a in other.advice if "bleed" in a] == [a for a in one.advice if "bleed" in a]


def test_a_load_kept_warm_starts_the_next_period_from_what_it_leaves_on_the_capacitor() -> None:
    """33 kohm past the switch: out rests at 9*R/(33k + R), R = 1 kohm beside 86 kohm, and C1 with it.

    While S1 stays the light comes again and again, so no state of rest leads from there: the period begins at
    what the dark state leaves, and so the way back ends above it and not below.
    """
    plain = garden_light(r9=1e3)
    warm = {**plain.parts, "RW": resistor("RW", "vb", "out", 33e3)}
    subject = replace(plain, parts=frozen_map(warm))
    found = [o for o in outcomes(RULE, subject) if o.test is not None]
    assert found
    assert {o.test.unit for o in found if o.test is not None} == {"s"}
