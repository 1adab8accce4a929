"""led-current: textbook currents, both sides of each limit, resistors that mend it, and its traps."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from rules.analysis.formulas.feeding import series_current, series_resistor_at_least
from rules.led_current import RULE
from schemas.circuit import Circuit, frozen_map
from schemas.finding import Finding
from tests.builders import (
    battery,
    capacitor,
    circuit,
    contact,
    current_source,
    diode,
    exact,
    film,
    led,
    npn,
    resistor,
    supply,
    zener,
)
from tests.judged import document, judged, kinds, mirrored, only_finding, outcomes, renamed, reviewed, value
from tests.otherwise import with_limits


def lamp(ohms: float, volts: float = 9.0, drop: float = 2.0, **values: Any) -> Circuit:
    return exact(
        supply("V1", "rail", "gnd", volts),
        resistor("R1", "rail", "a", ohms),
        led("D1", "a", "gnd", drop, **values),
    )


def findings(subject: Circuit) -> dict[str, Finding]:
    """By role."""
    return {finding.role: finding for finding in judged(subject, RULE).findings}


def test_the_lesson_circuits_fire_and_pass() -> None:
    assert "violated" in kinds(RULE, document(RULE.lesson.failing).circuit)
    assert kinds(RULE, document(RULE.lesson.passing).circuit) == {"satisfied"}


@pytest.mark.parametrize(
    ("volts", "ohms", "amperes"),
    # Malvino, Electronic Principles, ex. 5-12 and 5-13, V_F 2 V
    [(50.0, 2.2e3, 21.82e-3), (9.0, 470.0, 14.89e-3)],
)
def test_textbook_currents(volts: float, ohms: float, amperes: float) -> None:
    told = [q.value for o in outcomes(RULE, lamp(ohms, volts)) for q in o.evidence if q.symbol == "I"]
    told += [value(f, "I") for f in judged(lamp(ohms, volts), RULE).findings]
    assert told
    assert all(found == pytest.approx(amperes, abs=5e-6) for found in told)
    assert series_current(volts, 2.0, ohms) == pytest.approx(amperes, abs=5e-6)


def test_a_switched_led_of_a_textbook() -> None:
    """Malvino, Semiconductor Circuit Approximations, ex. 5.4: 20 V, 1 kohm, V_CE,sat 0: 18 mA."""
    subject = exact(
        supply("V1", "rail", "gnd", 20.0),
        contact("S1", "rail", "in"),
        resistor("RB", "in", "b", 47e3),
        resistor("RC", "rail", "a", 1e3),
        led("D1", "a", "c", 2.0, current=20e-3),
        npn("Q1", "c", "b", "gnd", 150.0),
        assumptions={"vce_sat": 0.0},
    )
    finding = findings(subject)["over-current"]
    assert value(finding, "I") == pytest.approx(18e-3, rel=1e-6)
    assert value(finding, "I_hand") == pytest.approx(18e-3, rel=1e-6)


@pytest.mark.parametrize(
    ("ohms", "severity"),
    # 7 V over R against 16 mA and 20 mA
    [(438.0, None), (437.0, "warning"), (351.0, "warning"), (349.0, "error")],
)
def test_both_sides_of_a_stated_rating(ohms: float, severity: str | None) -> None:
    found = findings(lamp(ohms, current=20e-3))
    assert {role: f.severity for role, f in found.items()} == (
        {} if severity is None else {"over-current": severity}
    )


@pytest.mark.parametrize(("ohms", "fires"), [(351.0, False), (349.0, True), (100.0, True)])
def test_a_rating_from_memory_is_a_warning_at_most(ohms: float, fires: bool) -> None:
    found = findings(lamp(ohms))
    assert {role: f.severity for role, f in found.items()} == ({"over-current": "warning"} if fires else {})
    if fires:
        assert "from memory" in found["over-current"].message


@pytest.mark.parametrize(
    ("ohms", "rated", "fires"),
    # 7 V over R against 1 mA, and against a twentieth of 4 mA
    [(6.99e3, 20e-3, False), (7.01e3, 20e-3, True), (34.9e3, 4e-3, False), (35.1e3, 4e-3, True)],
)
def test_both_sides_of_dim(ohms: float, rated: float, fires: bool) -> None:
    found = findings(lamp(ohms, current=rated))
    assert {role: f.severity for role, f in found.items()} == ({"dim": "warning"} if fires else {})


@pytest.mark.parametrize(("volts", "fires"), [(3.01, False), (2.99, True)])
def test_both_sides_of_the_share_of_the_resistor(volts: float, fires: bool) -> None:
    found = findings(lamp(200.0, volts))
    expected = {"series resistor": "warning"} if fires else {}
    assert {role: f.severity for role, f in found.items()} == expected


def test_the_corner_is_named_and_worked_by_hand() -> None:
    """(9.6 V - 1.8 V + 15 K * 2 mV/K) / (390 ohm - 5 %), own sum."""
    subject = circuit(
        battery("BT1", "rail", "gnd", 9.0, low=7.0, high=9.6),
        resistor("R1", "rail", "a", 390.0),
        led("D1", "a", "gnd", 2.0, current=20e-3),
    )
    finding = findings(subject)["over-current"]
    assert finding.corner == "BT1 9.6 V, R1 -5 %, D1 1.8 V, 40 degC"
    assert value(finding, "I") == pytest.approx((9.6 - 1.8 + 0.03) / (390.0 * 0.95), rel=1e-6)


def test_the_resistor_that_mends_it_is_proven() -> None:
    finding = next(f for f in reviewed(RULE.lesson.failing, RULE).findings if f.role == "over-current")
    # (9 V - 1.8 V + 0.03 V) / 16 mA = 452 ohm, 5 % more is 476 ohm: 510 ohm
    assert [op["value"] for op in finding.remedies[0].patch if op["op"] == "replace"] == ["510 ohm"]
    assert series_resistor_at_least(9.03, 1.8, 16e-3) == pytest.approx(451.9, abs=0.1)


def test_the_resistor_for_a_dim_one_is_proven() -> None:
    text = RULE.lesson.passing.replace("560 ohm", "10 kohm")
    (finding,) = reviewed(text, RULE).findings
    # (9 V - 2.2 V - 0.05 V) / 1 mA = 6.75 kohm, less 5 %: 6.43 kohm, 6.2 kohm
    assert [op["value"] for op in finding.remedies[0].patch if op["op"] == "replace"] == ["6.2 kohm"]


def test_no_resistor_at_all() -> None:
    text = """\
format: thumbrule/1
name: tadpole-torch
ground: gnd
parts:
  BT1: {kind: battery, voltage: 3 V, resistance: 10 ohm, pins: {plus: rail, minus: gnd}}
  D1: {kind: led, forward: 2 V, current: 20 mA, pins: {anode: rail, cathode: gnd}}
"""
    found = {f.role: f for f in reviewed(text, RULE).findings}
    assert {role: f.severity for role, f in found.items()} == {
        "over-current": "error",
        "series resistor": "error",
    }
    assert any("R1" in remedy.summary for remedy in found["over-current"].remedies)


def test_an_active_transistor_sets_the_current() -> None:
    """Trap: a current sink has 0.7 V on its emitter resistor, and that is enough."""
    subject = circuit(
        supply("V1", "rail", "gnd", 9.0),
        resistor("R1", "rail", "b", 4.7e3),
        diode("D2", "b", "m"),
        diode("D3", "m", "gnd"),
        led("D1", "rail", "c", 2.0, current=20e-3),
        npn("Q1", "c", "b", "e", 200.0),
        resistor("RE", "e", "gnd", 100.0),
        states=frozen_map({"lit": frozen_map({"Q1": "active"})}),
    )
    found = outcomes(RULE, subject)
    assert {o.kind for o in found} == {"satisfied", "not-applicable"}
    assert any("Q1 sets the current" in o.reason for o in found)


def test_a_current_source_sets_the_current() -> None:
    subject = exact(current_source("I1", "gnd", "a", 10e-3), led("D1", "a", "gnd", 2.0))
    assert not judged(subject, RULE).findings


def test_an_led_that_sets_a_voltage_need_not_shine() -> None:
    """Trap: a voltage reference at the base of a current source."""
    subject = circuit(
        supply("V1", "rail", "gnd", 9.0),
        resistor("R1", "rail", "b", 22e3),
        led("D1", "b", "gnd", 1.8),
        npn("Q1", "c", "b", "e", 200.0),
        resistor("R2", "rail", "c", 1e3),
        resistor("RE", "e", "gnd", 1e3),
    )
    found = outcomes(RULE, subject)
    assert not judged(subject, RULE).findings
    assert any("sets a voltage at a base" in o.reason for o in found)


def test_a_glow_in_passing_is_not_judged() -> None:
    """Trap: with S1 open a bleed of 47 kohm lets 0.15 mA through; the LED is lit with S1 closed."""
    subject = exact(
        supply("V1", "rail", "gnd", 9.0),
        contact("S1", "rail", "x"),
        resistor("R2", "rail", "x", 47e3),
        resistor("R1", "x", "a", 680.0),
        led("D1", "a", "gnd", 2.0),
    )
    assert not judged(subject, RULE).findings


def pair(**second: Any) -> Circuit:
    return circuit(
        supply("V1", "rail", "gnd", 9.0),
        resistor("R1", "rail", "a", 560.0),
        led("D1", "a", "gnd", 2.0),
        led("D2", "a", "gnd", **second),
    )


@pytest.mark.parametrize("drop", [2.0, 2.4])
def test_two_on_one_resistor_are_a_note(drop: float) -> None:
    finding = findings(pair(forward=drop))["side by side"]
    assert (finding.severity, finding.parts) == ("note", ("D1", "D2"))
    assert value(finding, "dV_F") == pytest.approx(0.4 + drop - 2.0)


def test_each_with_its_own_resistor_is_no_note() -> None:
    subject = pair(forward=2.0)
    parts = {
        **subject.parts,
        "D2": led("D2", "a2", "gnd", 2.0),
        "R2": resistor("R2", "rail", "a2", 560.0),
    }
    assert not judged(replace(subject, parts=frozen_map(parts)), RULE).findings


def test_an_led_that_never_lights_is_not_judged() -> None:
    found = outcomes(RULE, lamp(1e3, 1.5))
    assert {o.kind for o in found} == {"not-applicable"}
    assert "conducts in no state" in found[0].reason


def test_a_policy_may_ask_for_another_share() -> None:
    strict = with_limits(RULE, share=0.5)
    subject = lamp(560.0, current=20e-3)
    assert not judged(subject, RULE).findings
    assert only_finding(subject, strict).test.right == pytest.approx(10e-3)


@pytest.mark.parametrize("change", [mirrored, lambda c: renamed(c)[0]])
def test_polarity_and_names_decide_nothing(change: Any) -> None:
    for subject in (document(RULE.lesson.failing).circuit, pair(forward=2.4), lamp(200.0, 2.9)):
        was, now = judged(subject, RULE).findings, judged(change(subject), RULE).findings
        assert sorted((f.role, f.severity, round(f.test.left, 9)) for f in was) == sorted(
            (f.role, f.severity, round(f.test.left, 9)) for f in now
        )


def indicator() -> Circuit:
    """An LED behind a zener: it goes out on purpose when the battery is low."""
    return circuit(
        battery("BT1", "rail", "gnd", 9.0, low=6.5, high=9.6),
        resistor("R1", "rail", "k", 220.0),
        zener("Z1", "a", "k", 5.1),
        led("D1", "a", "gnd", 1.8, current=20e-3),
    )


def test_a_threshold_is_dark_on_purpose() -> None:
    """Trap: a battery indicator."""
    found = outcomes(RULE, indicator())
    assert {o.kind for o in found} == {"satisfied", "not-applicable"}
    assert any("below a threshold on purpose" in o.reason for o in found)


def test_a_flasher_is_judged_while_it_flashes() -> None:
    """It never rests: (9.0 V - 0.2 V - 2 V)/220 ohm = 31 mA at the start of each half."""
    parts = [supply("V1", "rail", "gnd", 9.0)]
    for me, other in ((1, 2), (2, 1)):
        parts += [
            led(f"D{me}", "rail", f"a{me}", 2.0, current=20e-3),
            resistor(f"RC{me}", f"a{me}", f"c{me}", 220.0),
            resistor(f"RB{me}", "rail", f"b{me}", 10e3),
            film(f"C{me}", f"c{other}", f"b{me}", 10e-6),
            npn(f"Q{me}", collector=f"c{me}", base=f"b{me}", emitter="gnd", beta=200.0),
        ]
    found = judged(exact(*parts), RULE).findings
    assert {f.parts for f in found} == {("D1",), ("D2",)}
    for finding in found:
        assert finding.severity == "error"
        assert value(finding, "I") == pytest.approx(6.8 / 220.0, rel=0.02)


def test_the_pulse_of_a_capacitor_is_not_judged() -> None:
    """Trap: a stored 7 V empty through 100 ohm and the LED: 70 mA at once, 6.4 mA for long."""
    subject = exact(
        supply("V1", "rail", "gnd", 9.0),
        resistor("R1", "rail", "x", 1e3),
        capacitor("C1", "x", "gnd", 10e-3),
        contact("S1", "x", "y"),
        resistor("R2", "y", "a", 100.0),
        led("D1", "a", "gnd", 2.0),
    )
    found = outcomes(RULE, subject)
    assert {o.kind for o in found} == {"satisfied"}
    assert max(o.test.left for o in found if o.test is not None and o.test.unit == "A") < 7e-3


@pytest.mark.parametrize(
    ("ohms", "role"), [(270.0, "over-current"), (27e3, "dim"), (10.0, "series resistor")]
)
def test_the_leds_of_one_string_have_one_cause(ohms: float, role: str) -> None:
    """The same current flows in all of them: what is said of the first is why it is said of the second."""
    volts = 4.6 if role == "series resistor" else 12.0
    subject = exact(
        supply("V1", "rail", "gnd", volts),
        resistor("R1", "rail", "a", ohms),
        led("D1", "a", "b", 2.0, current=20e-3),
        led("D2", "b", "gnd", 2.0, current=20e-3),
    )
    found = {f.parts: f for f in judged(subject, RULE).findings if f.role == role}
    assert found["D1",].caused_by is None
    assert found["D2",].caused_by == found["D1",].identity
