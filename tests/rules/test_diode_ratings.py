"""diode-ratings: currents at rest, of a coil and of a charge, reverse voltage, heat, the next type."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from rules.diode_ratings import RULE
from schemas.circuit import Circuit, Ratings, frozen_map
from schemas.finding import Finding
from tests.builders import (
    capacitor,
    circuit,
    coil,
    contact,
    diode,
    driver,
    exact,
    film,
    led,
    npn,
    press,
    resistor,
    supply,
    zener,
)
from tests.judged import document, judged, kinds, outcomes, reviewed, value
from tests.otherwise import told_otherwise

STATED = Ratings(current=0.1, surge=0.4, reverse=60.0)


def findings(subject: Circuit) -> dict[str, Finding]:
    return {finding.role: finding for finding in judged(subject, RULE).findings}


def conducting(amperes: float, **values: object) -> Circuit:
    """12 V less 0.7 V over a resistor."""
    return exact(
        supply("V1", "rail", "gnd", 12.0),
        resistor("R1", "rail", "a", 11.3 / amperes),
        diode("D1", "a", "gnd", **values),
    )


def blocking(volts: float, **values: object) -> Circuit:
    return exact(
        supply("V1", "rail", "gnd", volts),
        resistor("R1", "rail", "k", 10e3),
        diode("D1", "gnd", "k", **values),
    )


def relay(amperes: float, volts: float = 12.0, **values: object) -> Circuit:
    return exact(
        supply("V1", "rail", "gnd", volts),
        driver("U1", "order", "gnd", 0.0, 5.0),
        resistor("R1", "order", "base", 220.0),
        npn("Q1", collector="pulled", base="base", emitter="gnd", beta=200.0),
        coil("K1", "rail", "pulled", (volts - 0.2) / amperes, inductance=0.1),
        diode("D1", "pulled", "rail", **values),
    )


def test_the_lesson_circuits_fire_and_pass() -> None:
    assert "violated" in kinds(RULE, document(RULE.lesson.failing).circuit)
    assert kinds(RULE, document(RULE.lesson.passing).circuit) == {"satisfied"}


@pytest.mark.parametrize(
    ("amperes", "severity"), [(0.0799, None), (0.0801, "warning"), (0.0999, "warning"), (0.1001, "error")]
)
def test_both_sides_of_the_forward_current(amperes: float, severity: str | None) -> None:
    found = findings(conducting(amperes, ratings=STATED))
    assert {role: f.severity for role, f in found.items()} == (
        {} if severity is None else {"forward current": severity}
    )
    if found:
        assert found["forward current"].test.left == pytest.approx(amperes)


@pytest.mark.parametrize(
    ("volts", "severity"), [(47.9, None), (48.1, "warning"), (59.9, "warning"), (60.1, "error")]
)
def test_both_sides_of_the_reverse_voltage(volts: float, severity: str | None) -> None:
    found = findings(blocking(volts, ratings=STATED))
    assert {role: f.severity for role, f in found.items()} == (
        {} if severity is None else {"reverse voltage": severity}
    )
    if found:
        assert found["reverse voltage"].test.left == pytest.approx(volts)


@pytest.mark.parametrize(
    ("type_name", "reverse", "current"), [("1N4148", 75.0, 0.15), ("1N4002", 100.0, 1.0)]
)
def test_a_type_brings_its_ratings(type_name: str, reverse: float, current: float) -> None:
    """Panjit 1N4148 Rev 0.2: 75 V, 150 mA average; Diodes Inc DS28002: 1N4002 100 V, 1 A."""
    assert value(findings(blocking(0.81 * reverse, type=type_name))["reverse voltage"], "V_RRM") == reverse
    assert findings(blocking(0.79 * reverse, type=type_name)) == {}
    assert value(findings(conducting(0.81 * current, type=type_name))["forward current"], "I_F,r") == current
    assert findings(conducting(0.79 * current, type=type_name)) == {}


def test_the_heat_of_a_diode_counts_against_its_power() -> None:
    """0.7 V*0.2 A = 140 mW against half of 250 mW at 25 degC."""
    part = Ratings(current=1.0, power=0.25, reverse=60.0)
    assert findings(conducting(0.17, ratings=part)) == {}
    finding = findings(conducting(0.2, ratings=part))["heat"]
    assert finding.test.left == pytest.approx(0.14)
    assert finding.test.right == pytest.approx(0.125)


@pytest.mark.parametrize(("amperes", "severity"), [(0.079, None), (0.081, "warning"), (0.101, "error")])
def test_a_clamp_carries_the_coil_current(amperes: float, severity: str | None) -> None:
    """A coil current does not jump: I_F = (V_S - V_CE,sat)/R at first."""
    found = findings(relay(amperes, ratings=STATED))
    assert {role: f.severity for role, f in found.items()} == (
        {} if severity is None else {"forward current": severity}
    )
    if found:
        assert found["forward current"].test.left == pytest.approx(amperes, rel=1e-6)
        assert "the current of K1, which goes on through it" in found["forward current"].message


@pytest.mark.parametrize(("volts", "fires"), [(30.1, False), (30.3, True)])
def test_a_clamp_is_rated_for_twice_the_supply(volts: float, fires: bool) -> None:
    """60 V: 30 V across the coil, which is the supply less 0.2 V."""
    found = findings(relay(0.02, volts, ratings=STATED))
    assert set(found) == ({"reverse voltage"} if fires else set())


def emptied(ohms: float, farads: float = 2e-3, **values: object) -> Circuit:
    """A capacitor at 12 V that a contact empties through a diode: (12 V - 0.7 V)/R for a moment."""
    return exact(
        supply("V1", "rail", "gnd", 12.0),
        resistor("R1", "rail", "full", 100e3),
        capacitor("C1", "full", "gnd", farads, voltage=25.0),
        contact("S1", "full", "out"),
        resistor("R2", "out", "a", ohms),
        diode("D1", "a", "gnd", **values),
        stimuli=frozen_map({"empty": press("S1", 0.5)}),
    )


@pytest.mark.parametrize(("amperes", "fires"), [(0.39, False), (0.41, True)])
def test_a_charge_counts_against_the_surge_current(amperes: float, fires: bool) -> None:
    found = findings(emptied(11.3 / amperes, ratings=STATED))
    assert {role: f.severity for role, f in found.items()} == ({"surge": "error"} if fires else {})
    if fires:
        # R1 brings 0.1 mA besides
        assert found["surge"].test.left == pytest.approx(amperes, rel=3e-3)


def test_a_pulse_of_microseconds_is_no_surge() -> None:
    """Trap: 100 nF through 20 ohm are gone after 2 us, whatever their peak; 10 uF take 200 us."""
    subject = emptied(20.0, 10e-6, ratings=STATED)
    small = {**subject.parts, "C1": film("C1", "full", "gnd", 100e-9)}
    assert findings(subject) == {}  # 565 mA*exp(-0.5) = 343 mA still flow 0.1 ms after the peak
    longer = findings(emptied(20.0, 20e-6, ratings=STATED))
    assert longer["surge"].test.left == pytest.approx(11.3 / 20.0 * math.exp(-0.25), rel=1e-3)
    assert findings(replace(subject, parts=frozen_map(small))) == {}


def test_a_steady_current_for_a_moment_is_a_surge_too() -> None:
    """0.3 A while a button is held for half a second are within 0.4 A; for good they would not be."""

    def pushed(seconds: float) -> Circuit:
        return exact(
            supply("V1", "rail", "gnd", 12.0),
            contact("S1", "rail", "out"),
            resistor("R1", "out", "a", 11.3 / 0.3),
            diode("D1", "a", "gnd", ratings=STATED),
            stimuli=frozen_map({"tap": press("S1", seconds)}),
        )

    assert findings(pushed(0.5)) == {}
    assert findings(pushed(5.0))["forward current"].severity == "error"


def test_a_diode_nobody_described_warns_at_its_class() -> None:
    """1N4148: 150 mA (Panjit); 1N4001: 50 V (Diodes Inc)."""
    assert findings(conducting(0.14)) == {}
    assert findings(blocking(49.0)) == {}
    (current,) = findings(conducting(0.6)).values()
    (reverse,) = findings(blocking(80.0)).values()
    assert {current.severity, reverse.severity} == {"warning"}
    assert "its rating is not stated, and the usual class stands" in current.message


TEXT = """\
format: thumbrule/1
name: tank-solenoid
ground: gnd
parts:
  V1: {kind: supply, voltage: 24 V, pins: {plus: rail, minus: gnd}}
  U1: {kind: driver, low: 0 V, high: 5 V, pins: {out: order, reference: gnd}}
  R1: {kind: resistor, resistance: 180 ohm, pins: {a: order, b: base}}
  Q1: {kind: npn, type: 2N2222A, pins: {collector: pulled, base: base, emitter: gnd}}
  K1: {kind: coil, resistance: 120 ohm, inductance: 0.2 H, pins: {plus: rail, minus: pulled}}
  D1: {kind: diode, type: 1N4148, pins: {anode: pulled, cathode: rail}}
"""


def test_a_rectifier_is_proven() -> None:
    """0.2 A at 24 V: 1N4001 has 1 A and 50 V, twice the supply (Diodes Inc DS28002)."""
    (finding,) = reviewed(TEXT, RULE).findings
    (remedy,) = finding.remedies
    assert remedy.proof.proven
    assert remedy.patch[-1] == {"op": "replace", "path": "/parts/D1/type", "value": "1N4001"}


@pytest.mark.parametrize(
    "subject",
    [
        circuit(supply("V1", "rail", "gnd", 9.0), film("C1", "rail", "gnd", 1e-6)),
        circuit(supply("V1", "rail", "gnd", 9.0), resistor("R1", "rail", "a", 1e3), led("D1", "a", "gnd")),
        circuit(
            supply("V1", "rail", "gnd", 9.0), resistor("R1", "rail", "a", 1e3), zener("D1", "gnd", "a", 5.1)
        ),
    ],
)
def test_leds_and_zeners_have_rules_of_their_own(subject: Circuit) -> None:
    found = outcomes(RULE, subject)
    assert {o.kind for o in found} == {"not-applicable"}


@pytest.mark.parametrize(
    "subject", [conducting(0.09, ratings=STATED), relay(0.09, ratings=STATED), emptied(20.0)]
)
def test_names_order_and_polarity_do_not_matter(subject: Circuit) -> None:
    for was, now in told_otherwise(subject, RULE):
        assert now.severity == was.severity
        assert now.test.left == pytest.approx(was.test.left, rel=1e-6)
