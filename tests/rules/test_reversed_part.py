"""reversed-part: transistors against their arrow, diodes and LEDs drawn backwards, and what only looks so."""

from __future__ import annotations

from dataclasses import replace

import pytest

from rules.base_emitter_reverse import RULE as EMITTER
from rules.reversed_part import RULE
from schemas.circuit import Circuit, NetNote, Ratings
from tests.builders import (
    battery,
    circuit,
    coil,
    contact,
    diode,
    driver,
    exact,
    film,
    led,
    npn,
    pnp,
    resistor,
    supply,
    zener,
)
from tests.judged import document, judged, kinds, mirrored, only_finding, outcomes, renamed, reviewed, value
from tests.otherwise import with_limits


def switch(collector: str = "out", emitter: str = "gnd", feed: float = 4.7e3) -> Circuit:
    return exact(
        supply("V1", "rail", "gnd", 5.0),
        driver("U1", "o", "gnd", 0.0, 5.0),
        resistor("R1", "o", "b", feed),
        resistor("RC", "rail", "out", 470.0),
        npn("Q1", collector=collector, base="b", emitter=emitter, beta=200.0),
        states={"lit": {"Q1": "saturated"}},
    )


def string(
    anode: str = "x", cathode: str = "gnd", *more: object, volts: float = 4.5, **notes: object
) -> Circuit:
    """A contact, a resistor and an LED in series across a supply."""
    return circuit(
        supply("V1", "rail", "gnd", volts),
        contact("S1", "rail", "feed"),
        resistor("R1", "feed", "x", 470.0),
        led("D1", anode, cathode, 2.0),
        *more,  # type: ignore[arg-type]
        **notes,  # type: ignore[arg-type]
    )


def roles(subject: Circuit) -> set[str]:
    return {finding.role for finding in judged(subject, RULE).findings}


def test_the_lesson_circuits_fire_and_pass() -> None:
    assert "violated" in kinds(RULE, document(RULE.lesson.failing).circuit)
    assert kinds(RULE, document(RULE.lesson.passing).circuit) == {"satisfied"}


# transistors ----------------------------------------------------------------------------------


def test_a_switch_in_backwards_has_its_reverse_gain() -> None:
    """I_B = (5 - 0.5) V / 4.7 kohm through the base-collector junction, times the reverse gain of 4."""
    finding = only_finding(switch(collector="gnd", emitter="out"), RULE)
    assert (finding.severity, finding.parts, finding.role) == ("error", ("Q1",), "reversed transistor")
    assert value(finding, "I_E") == pytest.approx(4.0 * 4.5 / 4.7e3)
    assert value(finding, "I_E/I_B") == pytest.approx(4.0)
    assert "U1 high" in finding.message
    assert '"lit", which the document names, appears' in finding.message


def test_a_backward_switch_that_still_saturates() -> None:
    """With 470 ohm in the base it carries the whole load, the wrong way: both junctions conduct."""
    finding = only_finding(switch(collector="gnd", emitter="out", feed=470.0), RULE)
    assert finding.role == "reversed transistor"
    assert value(finding, "V_CE") == pytest.approx(0.2)


def test_a_pnp_in_backwards() -> None:
    subject = exact(
        supply("V1", "rail", "gnd", 5.0),
        contact("S1", "k", "gnd"),
        resistor("R1", "k", "b", 4.7e3),
        resistor("R2", "rail", "b", 47e3),
        pnp("Q1", collector="rail", base="b", emitter="out", beta=200.0),
        resistor("RL", "out", "gnd", 470.0),
    )
    assert only_finding(subject, RULE).role == "reversed transistor"


def test_both_sides_of_what_counts_against_the_arrow() -> None:
    """A policy that lets 4 mA pass sees nothing in the 3.83 mA of the switch."""
    subject = switch(collector="gnd", emitter="out")
    for limit, kind in ((3.8e-3, "violated"), (3.9e-3, "satisfied")):
        other = with_limits(RULE, arrow=limit)
        assert kinds(other, subject) == {kind}


def test_a_current_both_ways_is_meant_so() -> None:
    """The emitter lead opens: the base current then leaves by the collector, and no exchange would help."""
    subject = exact(
        supply("V1", "rail", "gnd", 5.0),
        resistor("R1", "rail", "b", 4.7e3),
        resistor("RC", "low", "out", 470.0),
        supply("V2", "low", "gnd", 1.0),
        contact("S1", "e", "gnd"),
        resistor("R9", "e", "gnd", 1e4),
        npn("Q1", collector="out", base="b", emitter="e", beta=200.0),
    )
    assert "violated" not in kinds(RULE, subject)


def test_exchanging_the_ends_is_proven_and_takes_the_rest_along() -> None:
    review = reviewed(RULE.lesson.failing, RULE, EMITTER)
    (finding,) = [f for f in review.findings if f.rule == RULE.slug]
    (remedy,) = finding.remedies
    assert remedy.proof.proven
    moved = {step["path"]: step["value"] for step in remedy.patch if step["op"] == "replace"}
    assert moved == {"/parts/Q1/pins/collector": "lamp", "/parts/Q1/pins/emitter": "gnd"}
    assert "also gone: base-emitter-reverse at Q1" in remedy.proof.reason


# diodes that never conduct --------------------------------------------------------------------


def test_an_led_drawn_backwards() -> None:
    """Turned round it carries (4.5 - 2) V over 470 ohm."""
    finding = only_finding(string("gnd", "x"), RULE)
    assert (finding.severity, finding.role) == ("warning", "never conducts")
    assert value(finding, "I_turned") == pytest.approx(2.5 / 470.0)
    assert "R1 in series with it" in finding.message
    assert kinds(RULE, string()) == {"satisfied"}


def test_a_diode_in_the_lead_of_a_battery_drawn_backwards() -> None:
    loads = resistor("R1", "rail", "gnd", 1e3), resistor("R2", "rail", "gnd", 2.2e3)
    subject = circuit(battery("BT1", "cell", "gnd", 9.0), diode("D1", "rail", "cell"), *loads)
    finding = only_finding(subject, RULE)
    assert finding.parts == ("D1",)
    assert "BT1 in series with it" in finding.message


def test_turning_an_led_round_is_proven() -> None:
    text = """\
format: thumbrule/1
name: cold-frame-glow
ground: gnd
parts:
  V1: {kind: supply, voltage: 4.5 V, pins: {plus: rail, minus: gnd}}
  R1: {kind: resistor, resistance: 470 ohm, pins: {a: rail, b: x}}
  D1: {kind: led, forward: 2 V, pins: {anode: gnd, cathode: x}}
"""
    (finding,) = reviewed(text, RULE).findings
    assert finding.remedies[0].proof.proven


CLAMPS = {
    "flyback": (
        coil("K1", "rail", "k", 400.0, inductance=0.6),
        diode("D2", "k", "rail"),
        npn("Q1", collector="k", base="b", emitter="gnd", beta=200.0),
        resistor("RB", "feed", "b", 4.7e3),
        resistor("RE", "b", "gnd", 47e3),
    ),
    "flyback through a resistor": (
        coil("K1", "rail", "k", 400.0, inductance=0.6),
        diode("D2", "y", "rail"),
        resistor("R2", "k", "y", 220.0),
        npn("Q1", collector="k", base="b", emitter="gnd", beta=200.0),
        resistor("RB", "feed", "b", 4.7e3),
        resistor("RE", "b", "gnd", 47e3),
    ),
    "across the supply": (diode("D2", "gnd", "rail"),),
    "to the rail": (diode("D2", "x", "rail"),),
    "to the rail through a resistor": (resistor("R2", "x", "y", 120.0), diode("D2", "y", "rail")),
    "across a base": (
        npn("Q1", collector="rail", base="x", emitter="e", beta=200.0),
        resistor("RE", "e", "gnd", 10e3),
        diode("D2", "y", "x"),
        resistor("R2", "y", "e", 100.0),
    ),
    "a battery in reserve": (battery("BT1", "cell", "gnd", 3.0), diode("D2", "cell", "rail")),
    "antiparallel": (led("D2", "gnd", "x", 2.0),),
}


@pytest.mark.parametrize("name", sorted(CLAMPS))
def test_clamps_conduct_in_no_state_and_are_left_alone(name: str) -> None:
    assert roles(string("x", "gnd", *CLAMPS[name])) == set()


def test_a_discharge_diode_conducts_only_in_a_run() -> None:
    """C1 empties through D2 and S2 when S1 opens; at rest D2 is off, and turned round it would not be."""
    subject = circuit(
        supply("V1", "rail", "gnd", 9.0),
        contact("S1", "rail", "top"),
        resistor("R1", "top", "hold", 100e3),
        film("C1", "hold", "gnd", 1e-6),
        diode("D2", "hold", "y"),
        contact("S2", "y", "top", rest="closed"),
        resistor("R3", "top", "gnd", 10e3),
        resistor("R4", "hold", "gnd", 100e3),
    )
    assert roles(subject) == set()
    told = [o.reason for o in outcomes(RULE, subject) if o.subject == ("D2",)]
    assert told == ["it conducts for a moment in a run"]


def test_a_diode_that_would_do_no_better_turned_round() -> None:
    dead = resistor("R2", "gnd", "y", 1e3), diode("D2", "z", "y"), resistor("R3", "z", "gnd", 1e3)
    assert roles(string("x", "gnd", *dead)) == set()


def test_a_net_that_leaves_the_board_has_more_pins() -> None:
    subject = string("gnd", "x", nets={"x": NetNote(terminal=True)})
    assert roles(subject) == set()


# zeners and LED voltages ----------------------------------------------------------------------


def regulator(anode: str, cathode: str, *more: object) -> Circuit:
    return exact(
        supply("V1", "rail", "gnd", 12.0),
        resistor("R1", "rail", "ref", 1e3),
        zener("D1", anode, cathode, 5.1, forward=0.7),
        *more,  # type: ignore[arg-type]
    )


def test_a_zener_that_holds_seven_tenths_of_a_volt() -> None:
    finding = only_finding(regulator("ref", "gnd"), RULE)
    assert (finding.severity, finding.role) == ("warning", "zener backwards")
    assert (finding.test.left, finding.test.right) == (0.7, 5.1)
    assert roles(regulator("gnd", "ref")) == set()


def test_zeners_back_to_back_conduct_each_way() -> None:
    subject = exact(
        supply("V1", "rail", "gnd", 12.0),
        resistor("R1", "rail", "ref", 1e3),
        zener("D1", "mid", "ref", 5.1),
        zener("D2", "mid", "gnd", 5.1),
    )
    assert roles(subject) == set()


def between_levels(level: float, **values: object) -> Circuit:
    """An LED from 5 V to an output that goes to ``level`` V."""
    return exact(
        supply("V1", "rail", "gnd", 5.0),
        driver("U1", "o", "gnd", 0.0, level),
        resistor("R1", "rail", "x", 1e3),
        led("D1", "x", "o", 2.0, **values),
    )


@pytest.mark.parametrize(("level", "fires"), [(9.99, False), (10.01, True)])
def test_both_sides_of_what_an_led_stands(level: float, fires: bool) -> None:
    """No current, no drop: the LED sees the level less 5 V; beyond 5 V is from memory, so a warning."""
    subject = between_levels(level)
    assert ("violated" in kinds(RULE, subject)) == fires
    if fires:
        finding = only_finding(subject, RULE)
        assert (finding.severity, finding.role) == ("warning", "reverse voltage")
        assert value(finding, "V_KA") == pytest.approx(level - 5.0)
        assert "from memory" in finding.message


def test_a_rating_of_its_own_makes_it_an_error() -> None:
    assert only_finding(between_levels(9.5, ratings=Ratings(reverse=4.0)), RULE).severity == "error"
    assert "violated" not in kinds(RULE, between_levels(10.5, ratings=Ratings(reverse=6.0)))


def test_the_diode_across_an_led_is_proven() -> None:
    text = RULE.lesson.passing.replace("high: 5 V", "high: 12 V")
    (finding,) = reviewed(text, RULE).findings
    assert finding.role == "reverse voltage"
    assert finding.remedies[0].proof.proven
    assert "1N4148" in finding.remedies[0].summary


def test_a_backward_led_with_too_much_voltage_has_one_cause() -> None:
    found = judged(string("gnd", "x", volts=9.0), RULE).findings
    by_role = {f.role: f for f in found}
    assert set(by_role) == {"never conducts", "reverse voltage"}
    assert by_role["reverse voltage"].caused_by == by_role["never conducts"].identity


# the same told differently --------------------------------------------------------------------


@pytest.mark.parametrize(
    "subject", [switch(collector="gnd", emitter="out"), string("gnd", "x"), regulator("ref", "gnd")]
)
def test_renaming_changes_nothing(subject: Circuit) -> None:
    was = only_finding(subject, RULE)
    changed, names = renamed(subject)
    now = only_finding(changed, RULE)
    assert (now.severity, now.role) == (was.severity, was.role)
    assert now.parts == tuple(names[part] for part in was.parts)


def test_mirroring_changes_nothing() -> None:
    plain = replace(switch(collector="gnd", emitter="out"), states={})
    for subject in (plain, string("gnd", "x"), between_levels(11.0)):
        was, now = only_finding(subject, RULE), only_finding(mirrored(subject), RULE)
        assert (now.severity, now.role) == (was.severity, was.role)
        assert now.test.left == pytest.approx(was.test.left)


def test_without_such_parts_it_says_so() -> None:
    assert kinds(RULE, circuit(resistor("R1", "a", "gnd", 1.0))) == {"not-applicable"}
