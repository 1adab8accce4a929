"""`lost-state`: a state at typical values that is missing at a corner."""

from __future__ import annotations

import pytest

from rules.analysis.corners.existence import states_at
from rules.analysis.corners.parameters import frozen_point
from rules.analysis.study import Study
from rules.drop_budget import RULE as BUDGET
from rules.lost_state import RULE
from rules.true_off import RULE as OFF
from rules.zener_bias import RULE as ZENER
from schemas.circuit import Ambient, Circuit, Part, Tolerance
from tests.builders import (
    EXACT,
    circuit,
    diode,
    driver,
    exact,
    film,
    led,
    npn,
    only_state,
    pnp,
    resistor,
    supply,
    zener,
)
from tests.judged import document, judged, kinds, only_finding, outcomes, renamed, value
from tests.timers import pair_delay

TEN = Tolerance(-0.1, 0.1)


def tapped(lower: float, tolerance: Tolerance | None = TEN) -> Circuit:
    """A base on a divider: it conducts while 5 V * R2/(R1 + R2) is above 0.7 V."""
    return exact(
        supply("V1", "rail", "gnd", 5.0),
        resistor("R1", "rail", "base", 10e3, tolerance=tolerance),
        resistor("R2", "base", "gnd", lower, tolerance=tolerance),
        resistor("R3", "rail", "out", 1e3),
        npn("Q1", collector="out", base="base", emitter="gnd", beta=200.0),
    )


def test_the_lesson_circuits_fire_and_pass() -> None:
    assert kinds(RULE, document(RULE.lesson.failing).circuit) == {"violated"}
    assert kinds(RULE, document(RULE.lesson.passing).circuit) == {"satisfied"}


def edge() -> float:
    """R2 at which the worst corner, R1 +10 % and R2 -10 %, leaves just 0.7 V: V*R2'/(R1' + R2') = 0.7."""
    return 0.7 / (5.0 - 0.7) * 10e3 * 1.1 / 0.9


@pytest.mark.parametrize(("factor", "kind"), [(1.001, "satisfied"), (0.999, "violated")])
def test_both_sides_of_the_limit(factor: float, kind: str) -> None:
    assert kinds(RULE, tapped(edge() * factor)) == {kind}


def test_the_corner_is_named_and_nothing_conducts_there() -> None:
    subject = tapped(edge() * 0.95)
    assert only_state(subject).devices["Q1"] != "off"
    finding = only_finding(subject, RULE)
    assert finding.corner == "R1 +10 %, R2 -10 %"
    network = Study(subject).state_sets()[0].network
    point = frozen_point({("R1", "resistance"): 11e3, ("R2", "resistance"): 0.9 * edge() * 0.95})
    assert [state.devices["Q1"] for state in states_at(network, point).states] == ["off"]


def test_what_is_missing_is_what_a_meter_would_show() -> None:
    """5 V * R2/(R1 + R2) at the corner against 0.7 V, whatever current the collector would want."""
    subject = tapped(edge() * 0.95)
    lower = 0.9 * edge() * 0.95
    short = 0.7 - 5.0 * lower / (11e3 + lower)
    finding = only_finding(subject, RULE)
    assert value(finding, "short") == pytest.approx(short, rel=1e-6)
    assert finding.test.left == pytest.approx(-short, rel=1e-6)
    assert "its base-emitter junction would no longer conduct" in finding.message


def test_another_region_is_not_another_state() -> None:
    """Saturated at the greatest gain, active at the least: it is on all the same."""
    subject = circuit(
        supply("V1", "rail", "gnd", 5.0),
        resistor("R1", "rail", "base", 100e3),
        resistor("R3", "rail", "out", 1e3),
        npn("Q1", collector="out", base="base", emitter="gnd", beta=100.0),
    )
    assert kinds(RULE, subject) == {"satisfied"}


def test_temperature_alone_may_take_a_state() -> None:
    warm = edge() * 0.9 / 1.1 * 1.02  # 2 % above the limit of exact parts at 25 degC
    subject = tapped(warm, None)
    assert kinds(RULE, subject) == {"satisfied"}
    frosty = exact(*subject.parts.values(), ambient=Ambient(253.15, 298.15, 298.15), assumptions=EXACT)
    finding = only_finding(frosty, RULE)
    assert finding.corner == "-20 degC"


def test_without_a_junction_there_is_nothing_to_lose() -> None:
    subject = circuit(supply("V1", "rail", "gnd", 5.0), resistor("R1", "rail", "gnd", 1e3))
    assert kinds(RULE, subject) == {"not-applicable"}


def test_a_latch_is_left_to_its_own_rule() -> None:
    from rules.latch_two_states import RULE as LATCH

    subject = document(LATCH.lesson.failing).circuit
    about = [outcome for outcome in outcomes(RULE, subject) if "latch" in outcome.reason]
    assert about
    assert all(outcome.kind == "not-applicable" for outcome in about)


def test_what_a_capacitor_holds_follows_the_supply() -> None:
    """With a battery at 7.5 V C1 holds 7 V as S1 opens and not 8.6 V: Q1 stays active, as it is at 9 V."""
    subject = pair_delay(low=7.5, high=9.6)
    held = [s for s in Study(subject).situations() if s.timed is not None and s.timed.start > 8.0]
    assert held
    assert "violated" not in kinds(RULE, subject)


def test_what_the_supply_passes_as_it_comes_on_is_no_state() -> None:
    """Trap: an empty coupling capacitor holds the base at 0.69 V for some 0.1 ms, and not at every corner.

    9 V * 10 kohm/130 kohm = 0.69 V, with 0.7 V typical and 0.65 V at the least.
    """
    subject = circuit(
        supply("V1", "rail", "gnd", 9.0),
        resistor("R1", "rail", "base", 120e3),
        resistor("R2", "rail", "out", 4.7e2),
        npn("Q1", "out", "base", "gnd", 100.0),
        film("C1", "base", "coil", 1e-6),
        resistor("R3", "coil", "gnd", 10e3),
    )
    passed = [s for s in Study(subject).situations() if s.timed is not None]
    assert passed
    assert all(s.timed.duration < 1e-3 for s in passed if s.timed is not None)
    assert "violated" not in kinds(RULE, subject)


def test_names_decide_nothing() -> None:
    subject = tapped(edge() * 0.95)
    other, _ = renamed(subject)
    assert only_finding(other, RULE).test.left == pytest.approx(only_finding(subject, RULE).test.left)


def test_a_junction_more_leaves_the_subject_the_same() -> None:
    """A remedy may add a diode: a state that still exists everywhere is then no verdict lost."""
    plain = tapped(47e3)
    clamped = exact(*plain.parts.values(), diode("D1", "out", "rail"))
    assert {o.subject for o in outcomes(RULE, plain)} == {o.subject for o in outcomes(RULE, clamped)} == {()}


def test_a_zener_that_is_starved_says_so_at_its_current() -> None:
    """9 V fall to 7 V: 7*1000/1270 = 5.5 V at the load, and a 5.6 V zener no longer conducts."""
    subject = circuit(
        supply("V1", "rail", "gnd", 9.0, low=7.0, high=9.6),
        resistor("R1", "rail", "held", 270.0),
        zener("D1", "gnd", "held", 5.6),
        resistor("R2", "held", "gnd", 1e3),
    )
    found = {finding.rule: finding for finding in judged(subject, RULE, ZENER).findings}
    assert found["lost-state"].caused_by == found["zener-bias"].identity
    assert "D1 would no longer conduct" in found["lost-state"].message


def threshold(*above: Part) -> Circuit:
    return circuit(
        supply("V1", "rail", "gnd", 9.0, low=7.0, high=9.6),
        resistor("R1", "rail", "held", 220.0),
        *above,
        led("D1", "lit", "gnd", 2.0),
    )


def test_a_threshold_that_a_zener_sets_is_no_state_lost() -> None:
    """5.1 V and 2 V: dark below 7.1 V, which is what it is for."""
    found = outcomes(RULE, threshold(zener("D2", "lit", "held", 5.1)))
    assert {o.kind for o in found} == {"not-applicable"}
    assert "D2 in series sets the threshold" in found[0].reason


def test_leds_that_nothing_is_left_for_say_so_in_their_budget() -> None:
    """7 V less 2 V and 5.1 V of three LEDs."""
    subject = threshold(led("D2", "held", "x", 2.55), led("D3", "x", "lit", 2.55))
    found = {finding.rule: finding for finding in judged(subject, RULE, BUDGET).findings}
    assert found["lost-state"].caused_by == found["drop-budget"].identity


@pytest.mark.parametrize(("fed", "lost"), [("rail", False), ("order", True)])
def test_a_zener_in_front_of_a_base_sets_a_threshold_or_shifts_a_level(fed: str, lost: bool) -> None:
    """Off below 5.8 V of the supply on purpose; but an output that is to turn it on has to."""
    subject = circuit(
        supply("V1", "rail", "gnd", 9.0, low=5.0, high=9.6),
        driver("U1", "order", "gnd", 0.0, 6.0, rest="high"),
        resistor("R1", fed, "held", 10e3),
        zener("D1", "b", "held", 5.1),
        resistor("R2", "b", "gnd", 47e3),
        resistor("R3", "rail", "out", 1e3),
        npn("Q1", "out", "b", "gnd", 200.0),
    )
    assert ("violated" in kinds(RULE, subject)) == lost


def test_a_switch_that_is_not_surely_off_is_the_cause() -> None:
    """A PNP on 5.25 V at most, its base left 0.85 V below that by an output of 4.4 V."""
    subject = circuit(
        supply("V1", "rail", "gnd", 5.0, low=4.75, high=5.25),
        driver("U1", "order", "gnd", 0.2, 4.4, rest="high"),
        resistor("R1", "order", "base", 1e3),
        resistor("R2", "rail", "base", 10e3),
        pnp("Q1", "out", "base", "rail", 100.0),
        resistor("R3", "out", "gnd", 330.0),
    )
    found = {finding.rule: finding for finding in judged(subject, RULE, OFF).findings}
    assert found["lost-state"].caused_by == found["true-off"].identity
