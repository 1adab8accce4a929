"""supply-short: loops without resistance, sources against each other, and sources near their limit."""

from __future__ import annotations

from dataclasses import replace

import pytest

from rules.supply_short import RULE
from schemas.circuit import Circuit, Part
from tests.builders import (
    battery,
    capacitor,
    circuit,
    contact,
    diode,
    driver,
    inductor,
    led,
    npn,
    press,
    resistor,
    supply,
)
from tests.judged import document, judged, kinds, mirrored, only_finding, outcomes, renamed, value
from tests.timers import blinker, garden_light, hold_on, on_delay, one_shot


def shed(*extra: Part, source: Part | None = None) -> Circuit:
    """9 V with a lamp resistor, and whatever is put beside it."""
    return circuit(source or supply("V1", "rail", "gnd", 9.0), resistor("R1", "rail", "gnd", 1e3), *extra)


def test_the_lesson_circuits_fire_and_pass() -> None:
    assert "violated" in kinds(RULE, document(RULE.lesson.failing).circuit)
    assert kinds(RULE, document(RULE.lesson.passing).circuit) == {"satisfied"}


def test_a_contact_across_the_supply_names_its_position() -> None:
    finding = only_finding(shed(contact("S1", "rail", "gnd")), RULE)
    assert finding.severity == "error"
    assert finding.parts == ("S1", "V1")
    assert finding.state == "S1 closed"
    assert finding.test.left == pytest.approx(9.0)
    assert "With S1 closed" in finding.message
    # 9 V at 0.1 A is 90 ohm; the next preferred value above
    assert any("91 ohm or more" in a for a in finding.advice)


def test_two_contacts_that_only_short_it_together() -> None:
    finding = only_finding(shed(contact("S1", "rail", "x"), contact("S2", "x", "gnd")), RULE)
    assert finding.parts == ("S1", "S2", "V1")
    assert finding.state == "S1 closed, S2 closed"


def test_an_inductor_without_resistance() -> None:
    assert only_finding(shed(inductor("L1", "rail", "gnd", 0.1)), RULE).parts == ("L1", "V1")
    assert kinds(RULE, shed(inductor("L1", "rail", "gnd", 0.1, resistance=10.0))) == {"satisfied"}


def test_ideal_sources_against_each_other() -> None:
    finding = only_finding(shed(supply("V2", "rail", "gnd", 12.0)), RULE)
    assert finding.role == "source-loop"
    assert finding.test.left == pytest.approx(3.0)
    assert any("/parts/V2/resistance" in a for a in finding.advice)
    assert kinds(RULE, shed(supply("V2", "rail", "gnd", 9.0))) == {"satisfied"}


@pytest.mark.parametrize(("volts", "drops"), [(0.75, 0.7), (1.45, 1.4)])
def test_junctions_straight_across_a_source(volts: float, drops: float) -> None:
    """One or two diodes: what is left over their drops is what nothing limits."""
    chain = (
        [diode("D1", "rail", "gnd")] if drops == 0.7 else [diode("D1", "rail", "m"), diode("D2", "m", "gnd")]
    )
    finding = only_finding(circuit(supply("V1", "rail", "gnd", volts), *chain), RULE)
    assert finding.role == "supply-short"
    assert finding.test.left == pytest.approx(volts - drops, abs=1e-9)
    short = circuit(supply("V1", "rail", "gnd", drops - 0.01), *chain)
    assert kinds(RULE, short) == {"satisfied"}


def test_a_base_straight_on_the_rail() -> None:
    subject = circuit(
        supply("V1", "rail", "gnd", 5.0),
        npn("Q1", collector="c", base="rail", emitter="gnd", beta=100.0),
        resistor("RC", "rail", "c", 1e3),
    )
    finding = only_finding(subject, RULE)
    assert finding.severity == "error"
    assert "Q1" in finding.parts


@pytest.mark.parametrize(("ohms", "fires"), [(2.01, False), (1.99, True)])
def test_both_sides_of_half_the_short_circuit_current(ohms: float, fires: bool) -> None:
    """2 ohm behind 9 V: 4.5 A into a short, 2.25 A into 2 ohm."""
    subject = circuit(battery("B1", "rail", "gnd", 9.0, 2.0), resistor("R1", "rail", "gnd", ohms))
    assert ("violated" in kinds(RULE, subject)) is fires
    if fires:
        finding = only_finding(subject, RULE)
        assert value(finding, "V/r") == pytest.approx(4.5)
        assert value(finding, "I_S") == pytest.approx(9.0 / 3.99)
        assert "R1" in finding.message
        assert {o.corner for o in finding.occurrences} == {"min", "typical", "max"}


def test_a_logic_output_into_a_bare_base() -> None:
    """4.8 V behind 50 ohm into 0.7 V: 82 mA of 96 mA."""
    subject = circuit(
        supply("V1", "rail", "gnd", 5.0),
        driver("U1", "out", "gnd", 0.2, 4.8, resistance=50.0),
        npn("Q1", collector="c", base="out", emitter="gnd", beta=100.0),
        resistor("RC", "rail", "c", 1e3),
    )
    finding = only_finding(subject, RULE)
    assert finding.parts == ("U1",)
    assert value(finding, "I_S") == pytest.approx(82e-3)
    assert value(finding, "V/r") == pytest.approx(96e-3)


def test_a_low_output_that_sinks_is_no_short() -> None:
    subject = circuit(
        supply("V1", "rail", "gnd", 5.0),
        driver("U1", "out", "gnd", 0.2, 4.8, resistance=50.0),
        resistor("R1", "rail", "out", 220.0),
        resistor("R2", "out", "gnd", 100e3),
    )
    assert kinds(RULE, subject) == {"satisfied"}


def test_a_battery_that_is_charged_is_no_short() -> None:
    subject = circuit(
        battery("B1", "cell", "gnd", 1.2, 0.1),
        supply("V1", "rail", "gnd", 12.0),
        resistor("R1", "rail", "cell", 0.5),
    )
    assert kinds(RULE, subject) == {"satisfied"}


def test_a_contact_across_a_capacitor_is_no_short() -> None:
    subject = shed(
        resistor("R2", "rail", "top", 10e3), capacitor("C1", "top", "gnd", 1e-3), contact("S1", "top", "gnd")
    )
    assert kinds(RULE, subject) == {"satisfied"}


def test_a_circuit_without_a_source() -> None:
    assert kinds(RULE, circuit(resistor("R1", "a", "gnd", 1e3))) == {"not-applicable"}


@pytest.mark.parametrize("subject", [garden_light(), on_delay(), hold_on(), one_shot(), blinker()])
def test_sound_circuits_pass(subject: Circuit) -> None:
    assert kinds(RULE, subject) == {"satisfied"}


@pytest.mark.parametrize(
    "subject",
    [
        shed(contact("S1", "rail", "gnd")),
        shed(supply("V2", "rail", "gnd", 12.0)),
        circuit(supply("V1", "rail", "gnd", 9.0), led("D1", "rail", "gnd", 2.0)),
        circuit(battery("B1", "rail", "gnd", 9.0, 2.0), resistor("R1", "rail", "gnd", 1.0)),
    ],
)
def test_renaming_and_mirroring_change_nothing(subject: Circuit) -> None:
    was = only_finding(subject, RULE)
    changed, names = renamed(subject)
    for now in (only_finding(changed, RULE), only_finding(mirrored(subject), RULE)):
        assert (now.severity, now.role) == (was.severity, was.role)
        assert now.test.left == pytest.approx(was.test.left)
    assert only_finding(changed, RULE).parts == tuple(sorted(names[p] for p in was.parts))


def test_a_position_that_no_stimulus_uses_counts_too() -> None:
    subject = replace(
        shed(contact("S1", "rail", "gnd"), contact("S2", "rail", "y"), resistor("R3", "y", "gnd", 1e3)),
        stimuli={"use": press("S2", 1.0)},
    )
    assert [f.parts for f in judged(subject, RULE).findings] == [("S1", "V1")]
    assert any(o.kind == "violated" for o in outcomes(RULE, subject))
