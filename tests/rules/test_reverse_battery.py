"""reverse-battery: what is hurt when the battery goes in backwards, and what keeps it out."""

from __future__ import annotations

import pytest

from rules.reverse_battery import RULE
from schemas.circuit import Circuit, Ratings
from tests.builders import battery, capacitor, circuit, contact, diode, film, led, npn, part, resistor, supply
from tests.judged import document, kinds, only_finding, outcomes, reviewed, value
from tests.otherwise import told_otherwise, with_limits


def lantern(volts: float = 9.0, *more: object, **values: object) -> Circuit:
    """A battery, an LED behind a resistor and a contact, and what else is wanted."""
    return circuit(
        battery("BT1", "cell", "gnd", volts, **values),
        contact("S1", "cell", "lamp"),
        resistor("R1", "lamp", "glow", 330.0),
        led("D1", "glow", "gnd", 2.0, ratings=Ratings(reverse=5.0)),
        *more,  # type: ignore[arg-type]
    )


def test_the_lesson_circuits_fire_and_pass() -> None:
    assert kinds(RULE, document(RULE.lesson.failing).circuit) == {"violated"}
    assert kinds(RULE, document(RULE.lesson.passing).circuit) == {"satisfied"}


def test_an_led_sees_the_whole_battery() -> None:
    """No current, no drop across the resistor: Kirchhoff's voltage law leaves all of it to the LED."""
    finding = only_finding(lantern(9.0, high=9.6), RULE)
    assert (finding.severity, finding.parts) == ("warning", ("BT1",))
    assert value(finding, "V_R D1") == pytest.approx(9.6)
    assert value(finding, "V_R,max D1") == 5.0
    assert "D1 stands backwards 9.6 V (limit 5 V)" in finding.message


@pytest.mark.parametrize(("volts", "kind"), [(4.99, "satisfied"), (5.01, "violated")])
def test_both_sides_of_what_an_led_stands(volts: float, kind: str) -> None:
    assert kinds(RULE, lantern(volts)) == {kind}


def test_a_policy_moves_what_a_capacitor_stands() -> None:
    subject = circuit(
        battery("BT1", "cell", "gnd", 3.0),
        capacitor("C1", "cell", "gnd", 100e-6),
        resistor("R1", "cell", "gnd", 1e3),
    )
    assert value(only_finding(subject, RULE), "V_R C1") == pytest.approx(3.0)
    looser = with_limits(RULE, capacitor=3.5)
    assert kinds(looser, subject) == {"satisfied"}


def test_a_film_capacitor_does_not_mind() -> None:
    subject = circuit(
        battery("BT1", "cell", "gnd", 9.0),
        film("C1", "cell", "gnd", 1e-6),
        resistor("R1", "cell", "gnd", 1e3),
    )
    (outcome,) = outcomes(RULE, subject)
    assert (outcome.kind, outcome.test) == ("satisfied", None)


def test_an_emitter_junction_behind_its_base_resistor() -> None:
    """The base follows its resistor to -9 V while the emitter stays at ground; the published 6 V count."""
    subject = circuit(
        battery("BT1", "cell", "gnd", 9.0),
        contact("S1", "cell", "feed"),
        resistor("R1", "feed", "b", 22e3),
        npn("Q1", collector="c", base="b", emitter="gnd", type="2N3904"),
        resistor("RC", "other", "c", 1e3),
        supply("V2", "other", "gnd", 9.0),
        resistor("R9", "b", "gnd", 1e6),
    )
    finding = only_finding(subject, RULE)
    assert value(finding, "V_R Q1") == pytest.approx(9.0 * 1e6 / 1.022e6)
    assert value(finding, "V_R,max Q1") == 6.0


def test_keyed_batteries_and_fixed_supplies_are_no_case() -> None:
    assert kinds(RULE, lantern(keyed=True)) == {"not-applicable"}
    assert "violated" in kinds(RULE, lantern(keyed=False))
    string = resistor("R1", "cell", "x", 330.0), led("D1", "x", "gnd", 2.0)
    fixed = circuit(supply("V1", "cell", "gnd", 9.0), *string)
    assert kinds(RULE, fixed) == {"not-applicable"}
    assert kinds(RULE, circuit(resistor("R1", "a", "gnd", 1.0))) == {"not-applicable"}


def test_a_series_diode_keeps_it_out() -> None:
    subject = circuit(
        battery("BT1", "cell", "gnd", 9.0),
        diode("D2", "cell", "rail"),
        resistor("R1", "rail", "glow", 330.0),
        led("D1", "glow", "gnd", 2.0),
        capacitor("C1", "rail", "gnd", 100e-6),
    )
    assert kinds(RULE, subject) == {"satisfied"}


def clamped(*fuse: object) -> Circuit:
    """A diode across the supply that conducts when the battery is turned round."""
    rail = "rail" if fuse else "cell"
    return circuit(
        battery("BT1", "cell", "gnd", 9.0, resistance=0.5),
        diode("D2", "gnd", rail, ratings=Ratings(current=1.0)),
        resistor("R1", rail, "glow", 330.0),
        led("D1", "glow", "gnd", 2.0),
        *fuse,  # type: ignore[arg-type]
    )


def test_a_diode_across_the_supply_needs_a_fuse() -> None:
    """Without one it carries (9 - 0.7) V over 0.5 ohm; a fuse of 0.5 A ends that."""
    finding = only_finding(clamped(), RULE)
    assert value(finding, "I D2") == pytest.approx((9.0 - 0.7) / 0.5)
    assert "violated" not in kinds(RULE, clamped(part("F1", "fuse", {"a": "cell", "b": "rail"}, current=0.5)))


def test_a_diode_straight_across_an_ideal_battery() -> None:
    """There is no state then, and that is the finding: nothing limits the current."""
    subject = circuit(
        battery("BT1", "rail", "gnd", 9.0),
        diode("D1", "gnd", "rail"),
        resistor("R1", "rail", "gnd", 1e3),
    )
    finding = only_finding(subject, RULE)
    assert "nothing limits the current through D1" in finding.message


def test_each_battery_is_turned_alone() -> None:
    subject = circuit(
        battery("BT1", "top", "mid", 4.5),
        battery("BT2", "mid", "gnd", 4.5, keyed=True),
        resistor("R1", "top", "glow", 330.0),
        led("D1", "glow", "gnd", 2.0),
    )
    told = {o.subject: o.kind for o in outcomes(RULE, subject)}
    assert told == {("BT1",): "satisfied", ("BT2",): "not-applicable"}


def test_the_diode_is_proven() -> None:
    (finding,) = reviewed(RULE.lesson.failing, RULE).findings
    (remedy,) = finding.remedies
    assert remedy.proof.proven
    assert "1N4148 D2 in series with the plus pin of BT1" in remedy.summary
    assert any("keyed: true" in line for line in finding.advice)


def test_renaming_and_mirroring_change_nothing() -> None:
    for was, now in told_otherwise(lantern(), RULE):
        assert now.severity == was.severity
        assert now.test.left == pytest.approx(was.test.left, rel=1e-6)


def test_the_dial_crosses_the_limit() -> None:
    dial = RULE.lesson.dial
    assert dial is not None
    assert (dial.good, dial.bad) == ("4.5 V", "9 V")
    assert "violated" in kinds(RULE, document(RULE.lesson.passing.replace(dial.good, dial.bad)).circuit)
