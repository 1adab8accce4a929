"""battery-sag: old and cold batteries, states that their own load ends, relays, and cells that would do."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from rules.analysis.formulas.supply import cold_factor, internal_at_most
from rules.battery_sag import RULE
from schemas.circuit import Ambient, Circuit, frozen_map
from tests.builders import BENCH, battery, circuit, coil, contact, exact, load, resistor, supply, zener
from tests.judged import document, judged, kinds, only_finding, outcomes, reviewed, value
from tests.latches import garden_light, tank
from tests.otherwise import told_otherwise, with_limits

FROST = Ambient(263.15, 293.15, 298.15)


def lamp(internal: float | None, ambient: Ambient = FROST, **values: Any) -> Circuit:
    """A lamp of 220 ohm on 9 V."""
    return exact(
        battery("BT1", "rail", "gnd", 9.0, internal, **values),
        contact("S1", "rail", "lamp"),
        load("LP1", "lamp", "gnd", 220.0),
        ambient=ambient,
    )


def latched(internal: float, volts: float = 6.0, rl: float = 100.0, **members: Any) -> Circuit:
    """The tank latch with its load on a battery, at 25 degC."""
    made = tank(rl=rl, volts=volts, **members)
    return replace(
        made, parts=frozen_map({**made.parts, "V1": battery("V1", "vp", "gnd", volts, internal)})
    )


def test_the_lesson_circuits_fire_and_pass() -> None:
    assert "violated" in kinds(RULE, document(RULE.lesson.failing).circuit)
    assert kinds(RULE, document(RULE.lesson.passing).circuit) <= {"satisfied"}


@pytest.mark.parametrize(("kelvin", "factor"), [(263.15, 3.0), (278.15, 2.0), (293.15, 1.0), (313.15, 1.0)])
def test_cold_raises_the_internal_resistance(kelvin: float, factor: float) -> None:
    assert cold_factor(kelvin, 3.0) == pytest.approx(factor)


@pytest.mark.parametrize(("internal", "fires"), [(3.6, False), (3.7, True)])
def test_both_sides_of_four_fifths(internal: float, fires: bool) -> None:
    """15 times r beside 220 ohm leaves 0.8 at r = 220/60 = 3.667 ohm."""
    assert internal_at_most(0.8, 220.0, 15.0) == pytest.approx(3.6667, rel=1e-4)
    found = judged(lamp(internal), RULE).findings
    assert [(f.severity, f.role) for f in found] == ([("warning", "rail")] if fires else [])
    if found:
        inside = 15.0 * internal
        assert value(found[0], "r") == pytest.approx(inside)
        assert found[0].test.left == pytest.approx(220.0 / (220.0 + inside))


def test_a_warm_battery_is_only_old() -> None:
    """At 25 degC 5 times: 0.8 is left at r = 220/20 = 11 ohm."""
    assert not judged(lamp(10.9, BENCH), RULE).findings
    assert judged(lamp(11.1, BENCH), RULE).findings


def on_current(inside: float, volts: float = 6.0) -> tuple[float, float]:
    """The held tank latch as a hand would work it: rail and base current of Q1, the load at V - 0.2 V."""
    rail = volts
    for _ in range(200):
        out = rail - 0.2
        load_ = out / 100.0 + (out - 0.7) / 47e3
        rail = volts - inside * (load_ + (rail - 0.7 - 0.2) / 4.7e3)
    return rail, (rail - 0.2 - 0.7) / 47e3 - 0.7 / 10e3


@pytest.mark.parametrize(("internal", "fires"), [(2.0, False), (16.0, True)])
def test_a_latch_that_its_own_load_ends(internal: float, fires: bool) -> None:
    """By hand: 5 times 2 ohm leave the base of Q1 its current, 5 times 16 ohm leave it none."""
    _, base = on_current(5.0 * internal)
    assert (base < 0.0) == fires
    found = [f for f in judged(latched(internal), RULE).findings if f.severity == "error"]
    assert bool(found) == fires
    if found:
        assert found[0].role == "state"
        assert "is lost when V1 is old" in found[0].message


def test_what_is_lost_with_a_new_battery_too_is_not_its_fault() -> None:
    subject = latched(0.1, volts=3.0)
    assert not [f for f in judged(subject, RULE).findings if f.role == "state"]


def test_a_ratiometric_timer_minds_no_sag() -> None:
    """2 ohm and 12 mA: its threshold falls with its aim."""
    assert not judged(garden_light(), RULE).findings


def relay(internal: float) -> Circuit:
    """A relay of 40 ohm beside a lamp, on 12 V at 20 degC; it pulls in at 9 V."""
    return exact(
        battery("BT1", "rail", "gnd", 12.0, internal),
        contact("S1", "rail", "on"),
        coil("K1", "on", "gnd", 40.0, nominal=12.0, pick_up=9.0),
        load("LP1", "on", "gnd", 40.0),
        ambient=Ambient(293.15, 293.15, 293.15),
    )


def test_a_relay_at_the_sagging_rail() -> None:
    """20 ohm in all: 5 times r leaves 9 V at r = 4/3 ohm."""
    assert not [f for f in judged(relay(1.3), RULE).findings if f.role == "pull-in"]
    (finding,) = (f for f in judged(relay(1.4), RULE).findings if f.role == "pull-in")
    assert finding.severity == "error"
    assert finding.parts == ("BT1", "K1")
    assert finding.test.left == pytest.approx(12.0 * 20.0 / 27.0)


@pytest.mark.parametrize(
    ("subject", "kind", "words"),
    [
        (
            circuit(supply("V1", "rail", "gnd", 9.0), resistor("R1", "rail", "gnd", 1e3)),
            "not-applicable",
            "no battery",
        ),
        (lamp(None), "undecided", "/parts/BT1/resistance"),
        (lamp(0.0), "not-applicable", "no internal resistance"),
        (
            circuit(battery("BT1", "rail", "gnd", 9.0), resistor("R1", "rail", "gnd", 1e6)),
            "satisfied",
            "never gives more",
        ),
    ],
)
def test_nothing_to_judge(subject: Circuit, kind: str, words: str) -> None:
    for found in outcomes(RULE, subject):
        assert found.kind == kind
        assert words in found.reason
    assert len(outcomes(RULE, subject)) == (2 if kind == "satisfied" else 1)


def test_cells_that_would_do_are_proven() -> None:
    (finding,) = reviewed(RULE.lesson.failing, RULE).findings
    (remedy,) = finding.remedies
    assert remedy.proof.proven
    assert remedy.proof.after is not None
    assert remedy.proof.after >= 0.8


def test_policy_sets_the_limit() -> None:
    mild = with_limits(RULE, old=2.0)
    assert judged(lamp(5.0), RULE).findings
    assert not judged(lamp(5.0), mild).findings


def test_names_and_polarity_decide_nothing() -> None:
    for subject in (lamp(8.0), latched(16.0)):
        for was, now in told_otherwise(subject, RULE):
            assert now.severity == was.severity
            assert now.test.left == pytest.approx(was.test.left, rel=1e-6)


def test_the_worst_finding_is_the_only_one_on_the_lamp() -> None:
    assert only_finding(lamp(8.0), RULE).pointers == ("/parts/BT1/resistance",)


def test_a_state_that_a_new_battery_loses_as_well_is_not_judged_but_told() -> None:
    """A zener of 5.6 V with 270 ohm and 1 kohm: at 7 V it stands at 7*1000/1272 = 5.5 V in any case."""
    subject = circuit(
        battery("BT1", "rail", "gnd", 9.0, 2.0, low=7.0),
        resistor("R1", "rail", "held", 270.0),
        zener("D1", "gnd", "held", 5.6),
        load("M1", "held", "gnd", 1e3),
    )
    found = outcomes(RULE, subject)
    assert [o.kind for o in found] == ["not-applicable"]
    assert "with a new BT1 as well" in found[0].reason
