"""true-off: dividers by hand, both sides of the limit, the stages that mend it, and its traps."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from rules.analysis.formulas.feeding import off_drive
from rules.true_off import RULE
from schemas.circuit import Ambient, Circuit
from schemas.finding import Finding
from tests.builders import (
    circuit,
    contact,
    driver,
    exact,
    led,
    load,
    npn,
    pnp,
    resistor,
    supply,
    zener,
)
from tests.judged import document, judged, kinds, mirrored, only_finding, outcomes, renamed, reviewed, value
from tests.otherwise import with_limits


def high_side(
    rail: float, high: float, bleed: float | None = 10e3, feed: float = 1e3, **members: Any
) -> Circuit:
    """A PNP switch on a rail, driven by an output that has a rail of its own."""
    parts = [
        supply("V1", "rail", "gnd", rail),
        driver("U1", "in", "gnd", 0.0, high, rest="high"),
        resistor("R1", "in", "b", feed),
        pnp("Q1", "c", "b", "rail", 100.0),
        load("L1", "c", "gnd", 470.0),
    ]
    if bleed is not None:
        parts.append(resistor("R2", "b", "rail", bleed))
    return exact(*parts, **members)


def findings(subject: Circuit) -> dict[str, Finding]:
    return {finding.role: finding for finding in judged(subject, RULE).findings}


def test_the_lesson_circuits_fire_and_pass() -> None:
    assert "violated" in kinds(RULE, document(RULE.lesson.failing).circuit)
    assert kinds(RULE, document(RULE.lesson.passing).circuit) == {"satisfied"}


def test_a_rail_above_the_driver_by_hand() -> None:
    """(12 V - 5 V)*10k/(1k + 10k) = 6.36 V (divider rule)."""
    finding = findings(high_side(12.0, 5.0))["never off"]
    assert finding.severity == "error"
    assert finding.parts == ("Q1", "U1")
    assert finding.test.left == pytest.approx(7.0 * 10.0 / 11.0)
    assert value(finding, "V_BE_hand") == pytest.approx(off_drive(12.0, 5.0, 1e3, 10e3))
    assert finding.state is not None
    assert "U1 high should turn Q1 off and does not" in finding.message


def test_without_a_bleed_nothing_divides() -> None:
    assert findings(high_side(12.0, 5.0, None))["never off"].test.left == pytest.approx(7.0)


@pytest.mark.parametrize(
    ("short", "role", "severity"),
    [(0.44, None, None), (0.46, "not surely off", "warning"), (0.69, "not surely off", "warning"),
     (0.71, "never off", "error")],
)  # fmt: skip
def test_both_sides_of_the_limit(short: float, role: str | None, severity: str | None) -> None:
    """No bleed: the base stands where the output stands, ``short`` of the rail; 0.45 V at 25 degC."""
    found = findings(high_side(5.0, 5.0 - short, None))
    assert {r: f.severity for r, f in found.items()} == ({} if role is None else {role: severity})


@pytest.mark.parametrize(("short", "fires"), [(0.37, False), (0.39, True)])
def test_hot_the_limit_is_lower(short: float, fires: bool) -> None:
    """0.45 V - 35 K * 2 mV/K = 0.38 V at 60 degC."""
    hot = Ambient(298.15, 298.15, 333.15)
    found = findings(high_side(5.0, 5.0 - short, None, ambient=hot))
    assert bool(found) == fires
    if fires:
        assert found["not surely off"].test.right == pytest.approx(0.38)


def test_the_highest_supply_decides() -> None:
    subject = high_side(5.0, 4.8, None)
    parts = {**subject.parts, "V1": supply("V1", "rail", "gnd", 5.0, low=4.75, high=5.3)}
    finding = findings(replace(subject, parts=parts))["not surely off"]
    assert finding.test.left == pytest.approx(0.5)
    assert finding.corner == "V1 5.3 V"


def test_it_conducts_at_a_corner() -> None:
    """Off at nominal values by 0.65 V; at the highest supply the junction conducts: an error."""
    subject = high_side(5.0, 4.35, None)
    parts = {**subject.parts, "V1": supply("V1", "rail", "gnd", 5.0, high=5.2)}
    finding = findings(replace(subject, parts=parts))["not surely off"]
    assert finding.severity == "error"
    assert "it conducts" in finding.message


def test_a_low_level_that_is_not_low_enough() -> None:
    subject = exact(
        supply("V1", "rail", "gnd", 9.0),
        driver("U1", "in", "gnd", 0.5, 5.0),
        resistor("R1", "in", "b", 10e3),
        npn("Q1", "c", "b", "gnd", 100.0),
        load("L1", "rail", "c", 1e3),
    )
    assert findings(subject)["not surely off"].test.left == pytest.approx(0.5)


def test_an_open_output_has_no_level() -> None:
    """Trap: an open collector pulls low or leaves the base to its bleed, on any rail."""
    subject = circuit(
        supply("V1", "rail", "gnd", 12.0),
        contact("S1", "in", "gnd"),
        resistor("R1", "in", "b", 4.7e3),
        resistor("R2", "b", "rail", 10e3),
        pnp("Q1", "c", "b", "rail", 100.0),
        load("L1", "c", "gnd", 470.0),
    )
    assert kinds(RULE, subject) == {"satisfied"}


def test_a_zener_in_series_takes_the_difference() -> None:
    """Trap: 12 V - 5 V are less than 7.5 V, and the bleed holds the base at the rail."""
    subject = circuit(
        supply("V1", "rail", "gnd", 12.0),
        driver("U1", "in", "gnd", 0.0, 5.0, rest="high"),
        zener("Z1", "in", "z", 8.2),
        resistor("R1", "z", "b", 1e3),
        resistor("R2", "b", "rail", 10e3),
        pnp("Q1", "c", "b", "rail", 100.0),
        load("L1", "c", "gnd", 470.0),
    )
    assert kinds(RULE, subject) == {"satisfied"}


def test_another_output_may_hold_it_on() -> None:
    """Trap: two outputs on one base; while the other one is high the transistor is meant to be on."""
    subject = exact(
        supply("V1", "rail", "gnd", 9.0),
        driver("U1", "one", "gnd", 0.0, 5.0),
        driver("U2", "two", "gnd", 0.0, 5.0),
        resistor("R1", "one", "b", 4.7e3),
        resistor("R2", "two", "b", 4.7e3),
        npn("Q1", "c", "b", "gnd", 100.0),
        load("L1", "rail", "c", 1e3),
    )
    assert kinds(RULE, subject) == {"satisfied"}


@pytest.mark.parametrize(
    ("subject", "words"),
    [
        (circuit(supply("V1", "rail", "gnd", 9.0), resistor("R1", "rail", "gnd", 1e3)), "no transistor"),
        (
            circuit(
                supply("V1", "rail", "gnd", 9.0),
                driver("U1", "in", "gnd", 0.5, 5.0),
                npn("Q1", "rail", "in", "e", 100.0),
                resistor("RE", "e", "gnd", 1e3),
            ),
            "no switch",
        ),
        (
            circuit(
                supply("V1", "rail", "gnd", 9.0),
                contact("S1", "rail", "x"),
                resistor("R1", "x", "b", 10e3),
                npn("Q1", "c", "b", "gnd", 100.0),
                load("L1", "rail", "c", 1e3),
            ),
            "nothing settles its base",
        ),
    ],
)
def test_nothing_to_judge(subject: Circuit, words: str) -> None:
    found = outcomes(RULE, subject)
    assert {o.kind for o in found} == {"not-applicable"}
    assert words in found[0].reason


def test_a_smaller_bleed_is_proven_where_the_rails_are_near() -> None:
    text = RULE.lesson.passing.replace("high: 4.8 V", "high: 4.4 V")
    (finding,) = reviewed(text, RULE).findings
    assert finding.role == "not surely off"
    (remedy,) = finding.remedies
    assert remedy.proof.after is not None
    assert remedy.proof.after <= remedy.proof.limit


def test_a_level_shifter_is_proven() -> None:
    (finding,) = reviewed(RULE.lesson.failing, RULE).findings
    (remedy,) = finding.remedies
    added = {op["path"]: op["value"] for op in remedy.patch if op["op"] == "add"}
    assert set(added) == {"/parts/Q2", "/parts/R3"}
    assert added["/parts/Q2"]["kind"] == "npn"
    assert added["/parts/Q2"]["pins"] == {"collector": "order_2", "base": "base_2", "emitter": "gnd"}
    assert remedy.proof.after == pytest.approx(0.0, abs=1e-9)
    assert "the level that turns it on is the other one then" in remedy.summary


def test_an_led_in_series_that_is_too_small_does_not_help() -> None:
    subject = circuit(
        supply("V1", "rail", "gnd", 12.0),
        driver("U1", "in", "gnd", 0.0, 5.0, rest="high"),
        led("D1", "x", "in", 2.0),
        resistor("R1", "x", "b", 1e3),
        pnp("Q1", "c", "b", "rail", 100.0),
        load("L1", "c", "gnd", 470.0),
    )
    finding = only_finding(subject, RULE)
    assert finding.role == "never off"
    assert finding.parts == ("Q1", "U1")


def test_a_policy_may_ask_for_more() -> None:
    strict = with_limits(RULE, spare=0.3)
    subject = high_side(5.0, 4.8, None)
    assert not judged(subject, RULE).findings
    assert only_finding(subject, strict).test.right == pytest.approx(0.15)


@pytest.mark.parametrize("change", [mirrored, lambda c: renamed(c)[0]])
def test_polarity_and_names_decide_nothing(change: Any) -> None:
    for subject in (high_side(12.0, 5.0), high_side(5.0, 4.4, None)):
        was, now = only_finding(subject, RULE), only_finding(change(subject), RULE)
        assert (was.role, was.severity) == (now.role, now.severity)
        assert now.test.left == pytest.approx(was.test.left)
