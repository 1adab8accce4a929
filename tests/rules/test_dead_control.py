"""dead-control: controls that change nothing, and controls that matter only somewhere."""

from __future__ import annotations

from dataclasses import replace

import pytest

from rules.analysis.controls import relative
from rules.dead_control import RULE
from rules.one_pin_net import RULE as ONE_PIN
from rules.reversed_part import RULE as REVERSED
from schemas.circuit import Circuit, NetNote
from tests.builders import circuit, contact, diode, driver, film, led, load, npn, pnp, resistor, supply
from tests.judged import document, judged, kinds, mirrored, only_finding, outcomes, renamed, reviewed, value
from tests.otherwise import with_limits
from tests.timers import blinker, garden_light, hold_on, on_delay, one_shot

LEAVES = NetNote(terminal=True)


def lamp(*more: object, **notes: object) -> Circuit:
    """A contact lights a lamp through a transistor; ``more`` is what is to be judged."""
    return circuit(
        supply("V1", "rail", "gnd", 9.0),
        contact("S1", "rail", "feed"),
        resistor("R1", "feed", "b", 22e3),
        resistor("R2", "b", "gnd", 47e3),
        resistor("RC", "rail", "c", 1e3),
        npn("Q1", collector="c", base="b", emitter="gnd", beta=200.0),
        *more,  # type: ignore[arg-type]
        **notes,  # type: ignore[arg-type]
    )


def latch(*more: object) -> Circuit:
    """A PNP and NPN latch with a set and a reset button."""
    return circuit(
        supply("V1", "vp", "gnd", 9.0),
        contact("S1", "vp", "set"),
        resistor("R8", "set", "b1", 33e3),
        contact("S2", "b1", "gnd"),
        pnp("Q2", collector="out", base="b2", emitter="vp", beta=150.0),
        resistor("RB2", "vp", "b2", 10e3),
        resistor("R2", "b2", "c1", 6.8e3),
        npn("Q1", collector="c1", base="b1", emitter="gnd", beta=200.0),
        resistor("R3", "out", "b1", 68e3),
        resistor("RB1", "b1", "gnd", 22e3),
        resistor("RL", "out", "gnd", 1e3),
        *more,  # type: ignore[arg-type]
    )


def dead(subject: Circuit) -> set[str]:
    return {finding.parts[0] for finding in judged(subject, RULE).findings}


def test_the_lesson_circuits_fire_and_pass() -> None:
    assert kinds(RULE, document(RULE.lesson.failing).circuit) == {"violated"}
    assert kinds(RULE, document(RULE.lesson.passing).circuit) == {"satisfied"}


def test_an_output_whose_wire_ends_nowhere() -> None:
    finding = only_finding(lamp(driver("U1", "o", "gnd", 0.0, 5.0), resistor("R9", "o", "bb", 1e4)), RULE)
    assert (finding.severity, finding.parts) == ("warning", ("U1",))
    assert value(finding, "change") == 0.0
    assert "low and high" in finding.message


def test_the_wire_home_mends_both_findings() -> None:
    review = reviewed(RULE.lesson.failing, RULE, ONE_PIN)
    by_rule = {finding.rule: finding for finding in review.findings}
    root = by_rule["one-pin-net"]
    assert by_rule["dead-control"].caused_by == root.identity
    assert root.remedies[0].proof.proven


def test_a_reset_that_acts_only_while_the_latch_is_on() -> None:
    """With the latch off, S2 joins two nets that both lie at 0 V: nothing moves there."""
    assert dead(latch()) == set()


def test_a_reset_on_the_wrong_net_acts_never() -> None:
    subject = latch()
    wrong = {**subject.parts, "S2": contact("S2", "gnd", "b3"), "R9": resistor("R9", "b3", "gnd", 1e3)}
    assert dead(replace(subject, parts=wrong)) == {"S2"}


def test_a_contact_with_both_pins_on_one_net() -> None:
    finding = only_finding(lamp(contact("S2", "c", "c")), RULE)
    assert finding.parts == ("S2",)
    assert any("both pins of S2 are on c" in line for line in finding.advice)


def test_a_contact_in_series_with_an_open_one_acts_when_that_is_closed() -> None:
    subject = lamp(contact("S2", "rail", "y"), contact("S3", "y", "z"), resistor("R9", "z", "b", 22e3))
    assert dead(subject) == set()


def test_an_led_drawn_backwards_makes_its_switch_dead() -> None:
    parts = contact("S2", "rail", "y"), resistor("R9", "y", "z", 470.0), led("D1", "gnd", "z", 2.0)
    assert dead(lamp(*parts)) == {"S2"}
    right = contact("S2", "rail", "y"), resistor("R9", "y", "z", 470.0), led("D1", "z", "gnd", 2.0)
    assert dead(lamp(*right)) == set()


def test_a_trigger_that_only_a_capacitor_sees() -> None:
    """No current flows at rest in either position; the capacitor is charged in one of them."""
    trigger = contact("S2", "rail", "y"), film("C1", "y", "b", 100e-9)
    assert dead(lamp(*trigger)) == set()


def test_a_contact_that_only_changes_a_time() -> None:
    """S2 puts R9 beside the timing resistor: it matters only while C1 is on its way."""
    parts = (
        contact("S2", "y", "w"),
        resistor("R9", "c", "y", 1e6),
        resistor("R8", "c", "w", 1e6),
        film("C1", "w", "gnd", 1e-6),
    )
    assert dead(lamp(*parts)) == set()


def test_a_contact_across_a_capacitor() -> None:
    parts = resistor("R9", "gnd", "w", 1e6), film("C1", "w", "gnd", 1e-6), contact("S2", "w", "gnd")
    assert dead(lamp(*parts)) == set()


def test_a_net_that_leaves_the_board_is_seen_elsewhere() -> None:
    parts = driver("U1", "o", "gnd", 0.0, 5.0), resistor("R9", "o", "line", 1e3)
    assert dead(lamp(*parts)) == {"U1"}
    assert dead(lamp(*parts, nets={"line": NetNote(terminal=True)})) == set()


@pytest.mark.parametrize(("limit", "fires"), [(0.11, False), (0.12, True)])
def test_both_sides_of_the_limit(limit: float, fires: bool) -> None:
    """8 V or 9 V across R9: its current changes by a ninth, and a policy says whether that is enough."""
    subject = circuit(
        supply("V1", "rail", "gnd", 9.0),
        driver("U1", "o", "gnd", 8.0, 9.0),
        resistor("R9", "o", "gnd", 10e3),
    )
    other = with_limits(RULE, least=limit)
    (outcome,) = outcomes(other, subject)
    assert outcome.test is not None
    assert outcome.test.left == pytest.approx(1.0 / 9.0)
    assert (outcome.kind == "violated") == fires


@pytest.mark.parametrize("subject", [garden_light(), on_delay(), hold_on(), one_shot(), blinker()])
def test_every_control_of_a_sound_circuit_acts(subject: Circuit) -> None:
    assert dead(subject) == set()


def test_a_shorted_supply_leaves_it_undecided() -> None:
    subject = circuit(
        supply("V1", "rail", "gnd", 9.0), contact("S1", "rail", "gnd"), resistor("R1", "rail", "gnd", 1e3)
    )
    assert kinds(RULE, subject) == {"undecided"}


def test_without_controls_it_does_not_apply() -> None:
    assert kinds(RULE, circuit(resistor("R1", "a", "gnd", 1.0))) == {"not-applicable"}


def test_renaming_and_mirroring_change_nothing() -> None:
    subject = lamp(contact("S2", "rail", "y"), resistor("R9", "y", "z", 470.0), led("D1", "gnd", "z", 2.0))
    was = only_finding(subject, RULE)
    changed, names = renamed(subject)
    for now in (only_finding(changed, RULE), only_finding(mirrored(subject), RULE)):
        assert (now.severity, now.role, now.test) == (was.severity, was.role, was.test)
    assert only_finding(changed, RULE).parts == (names["S2"],)


def test_a_relative_change() -> None:
    assert relative(1.0, 0.99, 0.0) == pytest.approx(0.01)
    assert relative(-1.0, 1.0, 0.0) == 2.0
    assert relative(None, None, 0.0) == 0.0
    assert relative(None, 0.0, 0.0) == 1.0
    assert relative(1e-10, 0.0, 1e-9) == 0.0


@pytest.mark.parametrize(
    ("subject", "expected"),
    [
        (lamp(contact("S2", "line", "kettle", mains=True)), set()),
        (lamp(contact("S2", "line", "hot", mains=True), load("M1", "hot", "neutral", 53.0)), set()),
        (lamp(contact("S2", "one", "two"), nets={"one": LEAVES, "two": LEAVES}), set()),
        (lamp(contact("S2", "one", "two"), nets={"one": LEAVES}), {"S2"}),
        (lamp(contact("S2", "rail", "two", mains=True)), {"S2"}),
    ],
)
def test_a_contact_whose_work_lies_elsewhere_is_not_judged(subject: Circuit, expected: set[str]) -> None:
    assert dead(subject) == expected
    told = {o.kind for o in outcomes(RULE, subject) if o.subject == ("S2",)}
    assert told == {"violated" if expected else "not-applicable"}


def test_an_unused_throw_has_nothing_to_do() -> None:
    """S2 is the other throw of the same change-over contact as S1, and nothing hangs on it."""
    assert dead(lamp(contact("S2", "rail", "spare", "closed"))) == set()
    assert dead(lamp(contact("S2", "rail", "spare"))) == {"S2"}


def test_a_diode_in_backwards_is_the_cause() -> None:
    subject = lamp(contact("S2", "rail", "y"), diode("D1", "z", "y"), load("M1", "z", "gnd", 1e3))
    found = {finding.rule: finding for finding in judged(subject, RULE, REVERSED).findings}
    assert found["dead-control"].caused_by == found["reversed-part"].identity
