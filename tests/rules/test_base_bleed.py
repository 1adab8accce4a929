"""base-bleed: leakage by hand, both bounds, and the bases that need no resistor."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from rules.analysis.formulas.cutoff import bleed_at_most, collector_base_leakage, off_voltage
from rules.analysis.formulas.feeding import leakage_drop
from rules.base_bleed import RULE
from rules.min_beta_drive import RULE as DRIVE
from schemas.circuit import Ambient, Beta, Circuit
from schemas.finding import Finding
from tests.builders import circuit, contact, driver, exact, led, load, npn, resistor, supply
from tests.judged import document, judged, kinds, mirrored, only_finding, outcomes, renamed, reviewed, value
from tests.otherwise import with_limits

HOT = Ambient(298.15, 298.15, 333.15)  # 60 degC


def opened(bleed: float, **values: Any) -> Circuit:
    """A switch whose contact is open: only R2 ties its base."""
    values.setdefault("icbo", 100e-9)
    return exact(
        supply("V1", "rail", "gnd", 9.0),
        contact("S1", "rail", "x"),
        resistor("R1", "x", "b", 4.7e3),
        resistor("R2", "b", "gnd", bleed),
        load("L1", "rail", "c", 1e3),
        npn("Q1", "c", "b", "gnd", 200.0, **values),
        ambient=HOT,
    )


def findings(subject: Circuit) -> dict[str, Finding]:
    return {finding.role: finding for finding in judged(subject, RULE).findings}


def test_the_lesson_circuits_fire_and_pass() -> None:
    assert "violated" in kinds(RULE, document(RULE.lesson.failing).circuit)
    assert kinds(RULE, document(RULE.lesson.passing).circuit) == {"satisfied"}


def test_leakage_of_a_textbook() -> None:
    """Bell, Electronic Devices and Circuits, ex. 5.18: 15 nA at 25 degC are 3.84 uA at 105 degC."""
    assert collector_base_leakage(15e-9, 378.15) == pytest.approx(3.84e-6, rel=1e-3)


def test_the_largest_bleed_by_hand() -> None:
    """100 nA at 25 degC are 1.13 uA at 60 degC, where 0.38 V are surely off: 112 kohm (own sum)."""
    leak, off = collector_base_leakage(100e-9, 333.15), off_voltage(0.45, 333.15)
    assert leak == pytest.approx(1.131e-6, rel=1e-3)
    assert bleed_at_most(off, leak) == pytest.approx(112e3, rel=2e-3)
    assert leakage_drop(112e3, leak) == pytest.approx(off / 3.0, rel=2e-3)


@pytest.mark.parametrize(
    ("ohms", "severity"),
    # a third of 0.38 V, and 0.63 V (where the junction conducts at 60 degC), over 1.131 uA
    [(111.8e3, None), (112.1e3, "warning"), (556e3, "warning"), (558e3, "error")],
)
def test_both_sides_of_the_upper_bound(ohms: float, severity: str | None) -> None:
    found = findings(opened(ohms))
    assert {role: f.severity for role, f in found.items()} == (
        {} if severity is None else {"leakage": severity}
    )
    if found:
        assert found["leakage"].test.left == pytest.approx(1.1314e-6 * ohms, rel=1e-3)


def test_tolerances_count() -> None:
    subject = opened(110e3)
    parts = {**subject.parts, "R2": replace(subject.parts["R2"], values={"resistance": 110e3})}
    lax = replace(subject, parts=parts, assumptions={"resistor_tolerance": 0.05})
    assert not findings(subject)
    assert value(findings(lax)["leakage"], "R_BE") == pytest.approx(1.05 * 110e3, rel=1e-3)


def test_a_part_that_leaks_less_may_have_more() -> None:
    assert not findings(opened(470e3, icbo=15e-9))


@pytest.mark.parametrize("ohms", [10e6, 1e9])
def test_a_base_that_an_output_holds_needs_no_bleed(ohms: float) -> None:
    """Trap: the low output is 10 kohm away, whatever the bleed is."""
    subject = exact(
        supply("V1", "rail", "gnd", 9.0),
        driver("U1", "in", "gnd", 0.0, 5.0),
        resistor("R1", "in", "b", 10e3),
        resistor("R2", "b", "gnd", ohms),
        load("L1", "rail", "c", 1e3),
        npn("Q1", "c", "b", "gnd", 200.0),
        ambient=HOT,
    )
    assert kinds(RULE, subject) == {"satisfied"}


def test_a_transistor_that_holds_the_base_is_a_path() -> None:
    """Trap: Q2 saturated ties the base of Q1; the 1 Mohm that feeds it is no bleed."""
    subject = exact(
        supply("V1", "rail", "gnd", 9.0),
        resistor("R3", "rail", "b2", 10e3),
        npn("Q2", "b", "b2", "gnd", 100.0),
        resistor("R1", "rail", "b", 1e6),
        load("L1", "rail", "c", 1e3),
        npn("Q1", "c", "b", "gnd", 200.0),
        ambient=HOT,
    )
    found = [o for o in outcomes(RULE, subject) if o.subject == ("Q1",)]
    assert {o.kind for o in found} == {"satisfied"}
    assert found[0].test is not None
    assert found[0].test.left < 1e-6


def test_a_lifted_emitter_is_counted_from() -> None:
    """Trap: the resistor ends at ground; the leakage goes through it and none through R_E, which is off."""
    subject = exact(
        supply("V1", "rail", "gnd", 9.0),
        contact("S1", "rail", "x"),
        resistor("R1", "x", "b", 4.7e3),
        resistor("R2", "b", "gnd", 220e3),
        load("L1", "rail", "c", 1e3),
        npn("Q1", "c", "b", "e", 200.0, icbo=100e-9),
        resistor("RE", "e", "gnd", 1e3),
        ambient=HOT,
    )
    assert value(findings(subject)["leakage"], "R_BE") == pytest.approx(220e3, rel=1e-3)


def test_a_base_without_any_path_is_not_judged() -> None:
    """Trap: floating-base speaks there."""
    subject = opened(10e3)
    parts = {name: part for name, part in subject.parts.items() if name != "R2"}
    found = outcomes(RULE, replace(subject, parts=parts))
    assert {o.kind for o in found} == {"not-applicable"}


def test_nothing_is_surely_off_when_it_is_too_hot() -> None:
    subject = replace(opened(10e3), assumptions={"vbe_off": 0.05})
    found = [o for o in outcomes(RULE, subject) if o.kind == "undecided"]
    assert "/assumptions/vbe_off" in found[0].reason


def robbed(bleed: float, feed: float = 3.3e3) -> Circuit:
    """5 V through R1; 11.8 V over 330 ohm ask for 0.358 mA at the least gain of 100."""
    return exact(
        supply("V1", "rail", "gnd", 12.0),
        driver("U1", "in", "gnd", 0.0, 5.0),
        resistor("R1", "in", "b", feed),
        resistor("R2", "b", "gnd", bleed),
        load("L1", "rail", "c", 330.0),
        npn("Q1", "c", "b", "gnd", Beta(100.0, 200.0, 300.0)),
    )


@pytest.mark.parametrize(
    ("bleed", "feed", "fires"),
    [
        # fed 1.303 mA: 0.7 V/R over half of what is left
        (1.65e3, 3.3e3, False),  # 0.424 of 0.879 mA
        (1.60e3, 3.3e3, True),  # 0.438 of 0.866 mA
        (330.0, 1e3, False),  # ample all the same: 2.18 mA are left
        (1e3, 6.8e3, False),  # short of drive without any bleed
    ],
)
def test_both_sides_of_the_lower_bound(bleed: float, feed: float, fires: bool) -> None:
    found = findings(robbed(bleed, feed))
    assert set(found) == ({"robbed drive"} if fires else set())
    if fires:
        assert found["robbed drive"].severity == "warning"
        assert found["robbed drive"].test.left == pytest.approx(0.7 / bleed)


def test_the_smaller_bleed_is_proven() -> None:
    (finding,) = reviewed(RULE.lesson.failing, RULE).findings
    # 112 kohm less 5 %, the other paths counted
    assert [op["value"] for op in finding.remedies[0].patch if op["op"] == "replace"] == ["100 kohm"]


def test_a_new_bleed_is_proven_where_the_path_is_long() -> None:
    text = RULE.lesson.failing.replace("{a: base, b: gnd}", "{a: feed, b: gnd}")
    (finding,) = reviewed(text, RULE).findings
    (remedy,) = finding.remedies
    added = next(op["value"] for op in remedy.patch if op["op"] == "add")
    assert added["kind"] == "resistor"
    assert set(added["pins"].values()) == {"base", "gnd"}


def test_a_larger_bleed_is_proven() -> None:
    text = """\
format: thumbrule/1
name: potato-cellar-fan
ground: gnd
parts:
  V1: {kind: supply, voltage: 12 V, pins: {plus: rail, minus: gnd}}
  U1: {kind: driver, low: 0 V, high: 5 V, pins: {out: order, reference: gnd}}
  R1: {kind: resistor, resistance: 2.7 kohm, pins: {a: order, b: base}}
  R2: {kind: resistor, resistance: 820 ohm, pins: {a: base, b: gnd}}
  Q1: {kind: npn, beta: {min: 100, max: 300}, pins: {collector: fan, base: base, emitter: gnd}}
  L1: {kind: load, resistance: 330 ohm, inductive: false, pins: {plus: rail, minus: fan}}
"""
    found = {f.rule: f for f in reviewed(text, RULE, DRIVE).findings}
    assert found["base-bleed"].role == "robbed drive"
    (remedy,) = found["base-bleed"].remedies
    assert any(op["path"] == "/parts/R2/resistance" for op in remedy.patch)


def test_a_policy_may_count_on_stray_current() -> None:
    strict = with_limits(RULE, pick_up=5e-6)
    subject = opened(47e3)
    assert not judged(subject, RULE).findings
    assert only_finding(subject, strict).test.left == pytest.approx(47e3 * 6.13e-6, rel=1e-3)


@pytest.mark.parametrize("change", [mirrored, lambda c: renamed(c)[0]])
def test_polarity_and_names_decide_nothing(change: Any) -> None:
    for subject in (opened(330e3), robbed(820.0)):
        was, now = only_finding(subject, RULE), only_finding(change(subject), RULE)
        assert (was.role, was.severity) == (now.role, now.severity)
        assert now.test.left == pytest.approx(was.test.left)


def test_no_transistor() -> None:
    subject = circuit(supply("V1", "rail", "gnd", 9.0), resistor("R1", "rail", "gnd", 1e3))
    assert {o.kind for o in outcomes(RULE, subject)} == {"not-applicable"}


def test_a_dark_led_in_the_collector_changes_nothing() -> None:
    """Nothing settles the collector then, yet the leakage comes through the LED: 100 nA * 2^3.5 on 330k."""
    behind = exact(
        supply("V1", "rail", "gnd", 9.0),
        contact("S1", "rail", "x"),
        resistor("R1", "x", "b", 4.7e3),
        resistor("R2", "b", "gnd", 330e3),
        resistor("R3", "rail", "lit", 1e3),
        led("D1", "lit", "c", 2.0),
        npn("Q1", "c", "b", "gnd", 200.0, icbo=100e-9),
        ambient=HOT,
    )
    assert only_finding(behind, RULE).test.left == pytest.approx(330e3 * 1e-7 * 2.0**3.5)
    assert only_finding(behind, RULE).test == only_finding(opened(330e3), RULE).test
    assert only_finding(mirrored(behind), RULE).role == "leakage"
