"""required-standing-current: leakage by hand, what reaches the supply, both sides, and what lowers it."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from rules.required_standing_current import FAILING, RULE
from schemas.circuit import Ambient, Circuit, Leakage, Part, Tolerance, frozen_map
from schemas.finding import Test as Judged
from tests.builders import (
    battery,
    capacitor,
    contact,
    current_source,
    exact,
    film,
    npn,
    resistor,
    supply,
)
from tests.judged import document, kinds, mirrored, only_finding, outcomes, renamed, reviewed, value
from tests.timers import requirement

WARM = Ambient(273.15, 298.15, 318.15)  # up to 45 degC: I_CBO times 4


def quiet(*more: Part, at_most: float = 1e-3, ambient: Ambient | None = None, **values: Any) -> Circuit:
    """A switch that is off: 9 V, 1 kohm, base to ground through 100 kohm."""
    parts = {
        "V1": battery("V1", "rail", "gnd", 9.0, **values),
        "R1": resistor("R1", "rail", "out", 1e3),
        "R2": resistor("R2", "base", "gnd", 100e3),
        "Q1": npn("Q1", collector="out", base="base", emitter="gnd", beta=200.0, icbo=50e-9),
    }
    parts.update({part.name: part for part in more})
    return exact(
        *parts.values(),
        states=frozen_map({"quiet": frozen_map({"Q1": "off"})}),
        requirements=(requirement("standing-current", state="quiet", at_most=at_most),),
        **({} if ambient is None else {"ambient": ambient}),
    )


def judged_test(subject: Circuit) -> Judged:
    (outcome,) = [o for o in outcomes(RULE, subject) if o.test is not None]
    assert outcome.test is not None
    return outcome.test


def amperes(subject: Circuit) -> float:
    return judged_test(subject).left


def test_the_lesson_circuits_fire_and_pass() -> None:
    assert "violated" in kinds(RULE, document(RULE.lesson.failing).circuit)
    assert kinds(RULE, document(RULE.lesson.passing).circuit) == {"satisfied"}


def test_a_bled_transistor_leaks_its_collector_base_current() -> None:
    assert amperes(quiet()) == pytest.approx(50e-9, rel=1e-6)


def test_it_doubles_every_ten_kelvin() -> None:
    assert amperes(quiet(ambient=WARM)) == pytest.approx(4.0 * 50e-9, rel=1e-6)


def test_an_open_base_multiplies_it_by_the_gain() -> None:
    """I_CEO = (beta + 1)*I_CBO (any text); the base is led nowhere."""
    subject = quiet(resistor("R2", "rail", "gnd", 1e9))
    assert amperes(subject) == pytest.approx(201.0 * 50e-9 + 9e-9, rel=1e-6)


def test_a_capacitor_across_the_supply_leaks_its_limit() -> None:
    """0.01/s * 47 uF * 16 V = 7.52 uA at 20 degC, times 3**(5/40) at 25 degC; the highest supply counts."""
    subject = quiet(capacitor("C1", "rail", "gnd", 47e-6, voltage=16.0), high=9.6)
    assert amperes(subject) == pytest.approx(7.52e-6 * 3.0 ** (5.0 / 40.0) + 50e-9, rel=1e-6)


def test_a_stated_leakage_counts() -> None:
    stated = capacitor("C1", "rail", "gnd", 47e-6, voltage=16.0, leakage=Leakage(current=1e-6))
    assert amperes(quiet(stated)) == pytest.approx(1e-6 * 3.0 ** (5.0 / 40.0) + 50e-9, rel=1e-6)


def test_an_empty_capacitor_does_not_leak() -> None:
    empty = capacitor("C1", "base", "gnd", 470e-6, voltage=16.0)
    assert amperes(quiet(empty)) == pytest.approx(50e-9, rel=1e-4)


def test_the_insulation_of_a_film_capacitor_is_a_resistance() -> None:
    """The limit is stated at 63 V; at 9 V it passes a seventh."""
    one, other = (film("C1", "rail", "gnd", 10e-6, voltage=volts) for volts in (63.0, 126.0))
    there, twice = amperes(quiet(one)) - 50e-9, amperes(quiet(other)) - 50e-9
    assert 0.0 < there < 1e-6
    assert twice == pytest.approx(there, rel=1e-6)


def test_of_what_leaks_at_a_tap_the_supply_brings_its_share() -> None:
    """At a divider of 100k and 200k two thirds of the leakage come from above, the rest leaves R4 short."""
    tap = (
        resistor("R3", "rail", "tap", 100e3),
        resistor("R4", "tap", "gnd", 200e3),
        capacitor("C1", "tap", "gnd", 1e-6, voltage=10.0, leakage=Leakage(current=3e-6)),
    )
    leak = 3e-6 * 3.0 ** (5.0 / 40.0)
    leaks_as = 6.0 / leak  # ohm: its limit at the 6 V of the tap
    lower = 1.0 / (1.0 / 200e3 + 1.0 / leaks_as)
    assert amperes(quiet(*tap)) == pytest.approx(9.0 / (100e3 + lower) + 50e-9, rel=1e-6)


def test_tolerances_and_the_highest_supply_are_the_corner() -> None:
    loose = resistor("R3", "rail", "gnd", 1e6, tolerance=Tolerance(-0.05, 0.05))
    subject = quiet(loose, low=8.0, high=10.0)
    (outcome,) = outcomes(RULE, subject)
    assert outcome.test is not None
    assert outcome.test.left == pytest.approx(10.0 / 0.95e6 + 50e-9, rel=1e-9)
    assert outcome.corner == "V1 10 V, R3 -5 %"


@pytest.mark.parametrize(("factor", "kind"), [(1.0 + 1e-6, "satisfied"), (1.0 - 1e-6, "violated")])
def test_both_sides_of_the_limit(factor: float, kind: str) -> None:
    across = resistor("R3", "rail", "gnd", 1e6)
    limit = 9.0 / 1e6 + 50e-9
    assert kinds(RULE, quiet(across, at_most=limit * factor)) == {kind}


def test_it_holds_cold_and_fails_in_the_heat() -> None:
    assert kinds(RULE, quiet(at_most=150e-9)) == {"satisfied"}
    finding = only_finding(quiet(at_most=150e-9, ambient=WARM), RULE)
    assert value(finding, "I_max") == pytest.approx(200e-9, rel=1e-6)
    assert value(finding, "I") == 0.0
    assert value(finding, "I_CBO(Q1)") == pytest.approx(200e-9, rel=1e-6)
    assert "at 45 degC 200 nA of it leak, most in Q1" in finding.message
    assert finding.parts == ("V1",)


def test_a_leakage_that_nobody_knows_is_undecided() -> None:
    unknown = capacitor("C1", "rail", "gnd", 47e-6)
    (outcome,) = outcomes(RULE, quiet(unknown))
    assert outcome.kind == "undecided"
    assert "/parts/C1/voltage is missing" in outcome.reason


def test_what_is_too_much_without_it_is_violated_all_the_same() -> None:
    unknown = capacitor("C1", "rail", "gnd", 47e-6)
    assert kinds(RULE, quiet(unknown, at_most=1e-9)) == {"violated"}


def test_without_any_supply_it_is_undecided() -> None:
    subject = exact(
        current_source("I1", "gnd", "a", 1e-6),
        resistor("R1", "a", "gnd", 1e3),
        npn("Q1", collector="a", base="gnd", emitter="gnd", beta=100.0),
        states={"quiet": {"Q1": "off"}},
        requirements=(requirement("standing-current", state="quiet", at_most=1e-6),),
    )
    (outcome,) = outcomes(RULE, subject)
    assert outcome.kind == "undecided"
    assert "no battery and no supply" in outcome.reason


def test_a_state_that_does_not_exist_is_violated() -> None:
    subject = replace(quiet(), states={"quiet": {"Q1": "saturated"}})
    assert only_finding(subject, RULE).test.left == 0.0


def test_all_supplies_count_together() -> None:
    second = supply("V2", "gnd", "below", 5.0)
    across = resistor("R5", "gnd", "below", 1e6)
    assert amperes(quiet(second, across)) == pytest.approx(5e-6 + 50e-9, rel=1e-6)


def test_a_position_of_a_contact_counts_where_the_state_is_there_only() -> None:
    """With S1 open nothing flows; named so that only the closed position fits, its 9 uA count."""
    parts = (
        contact("S1", "rail", "feed"),
        resistor("R6", "feed", "b2", 1e6),
        npn("Q2", collector="c2", base="b2", emitter="gnd", beta=100.0, icbo=0.0),
        resistor("R7", "feed", "c2", 1e6),
    )
    subject = quiet(*parts)
    assert amperes(subject) == pytest.approx(50e-9, rel=1e-6)
    closed = replace(subject, states={"quiet": {"Q2": "saturated"}})
    assert amperes(closed) == pytest.approx(8.3e-6 + 8.8e-6 + 50e-9, rel=1e-3)


DIVIDER = """\
format: thumbrule/1
name: seed-drawer
ground: gnd
ambient: {low: 5 degC, nominal: 20 degC, high: 30 degC}
parts:
  BT1: {kind: battery, voltage: 9 V, pins: {plus: rail, minus: gnd}}
  R1: {kind: resistor, resistance: 22 kohm, pins: {a: rail, b: tap}}
  R2: {kind: resistor, resistance: 2.2 kohm, pins: {a: tap, b: gnd}}
  R3: {kind: resistor, resistance: 10 kohm, pins: {a: tap, b: base}}
  R4: {kind: resistor, resistance: 1 kohm, pins: {a: rail, b: out}}
  R5: {kind: resistor, resistance: 47 kohm, pins: {a: base, b: gnd}}
  Q1: {kind: npn, beta: 200, pins: {collector: out, base: base, emitter: gnd}}
states:
  quiet: {Q1: off}
requirements:
  - {kind: standing-current, state: quiet, at_most: 100 uA}
"""


def test_larger_resistors_are_proposed_and_proven() -> None:
    (finding,) = reviewed(DIVIDER, RULE).findings
    assert finding.remedies
    for remedy in finding.remedies:
        assert remedy.proof.after is not None
        assert remedy.proof.after <= 100e-6 < remedy.proof.before
    changed = [
        {op["path"].split("/")[2] for op in r.patch if op["op"] == "replace"} for r in finding.remedies
    ]
    assert {"R1"} in changed  # 9 V / 100 uA is 90 kohm, of it R1 the most


def test_a_low_leakage_grade_is_proven() -> None:
    (finding,) = reviewed(FAILING, RULE).findings
    assert [op["value"] for r in finding.remedies for op in r.patch if op["op"] == "add"] == ["0.002CV"]
    assert not [op for r in finding.remedies for op in r.patch if "/R" in op["path"]]


def test_where_leakage_alone_is_too_much_no_resistor_is_proposed() -> None:
    found = outcomes(RULE, quiet(at_most=1e-9))
    assert not [o for o in found if o.proposals]
    (advice,) = [a for o in found if o.finding for a in o.finding.advice]
    assert "leakage alone is 50 nA" in advice


@pytest.mark.parametrize("subject", [quiet(at_most=1e-9), quiet(at_most=1e-9, ambient=WARM)])
def test_renaming_order_and_mirroring_change_nothing(subject: Circuit) -> None:
    changed, names = renamed(subject)
    was, now = only_finding(subject, RULE), only_finding(changed, RULE)
    assert now.test.left == pytest.approx(was.test.left, rel=1e-9)
    assert now.parts == tuple(names[p] for p in was.parts)
    assert amperes(mirrored(subject)) == pytest.approx(was.test.left, rel=1e-6)
