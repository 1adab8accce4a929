"""no-dc-path: floating bases, junctions of capacitors, currents without a path; and what may float."""

from __future__ import annotations

from dataclasses import replace

import pytest

from rules.no_dc_path import RULE
from schemas.circuit import Ambient, Circuit, NetNote
from tests.builders import (
    capacitor,
    circuit,
    coil,
    contact,
    current_source,
    diode,
    driver,
    film,
    led,
    npn,
    resistor,
    supply,
    zener,
)
from tests.floating import half_latch, lamp_switch
from tests.judged import document, judged, kinds, mirrored, only_finding, outcomes, renamed, value
from tests.timers import blinker, garden_light, hold_on, on_delay, one_shot


def test_the_lesson_circuits_fire_and_pass() -> None:
    assert "violated" in kinds(RULE, document(RULE.lesson.failing).circuit)
    assert kinds(RULE, document(RULE.lesson.passing).circuit) == {"satisfied"}


def test_a_floating_base_is_named_with_its_leakage() -> None:
    """100 nA at 25 degC are 283 nA at 40 degC, times 401: 113 uA."""
    finding = only_finding(lamp_switch(), RULE)
    assert finding.nets == ("b", "feed")
    assert "The base of Q1 floats" in finding.message
    assert "S1 open" in finding.message
    assert value(finding, "I_CBO Q1") == pytest.approx(100e-9 * 2**1.5)
    assert value(finding, "I_CEO Q1") == pytest.approx(401 * 100e-9 * 2**1.5)
    assert any("from b to gnd, base to emitter of Q1" in a for a in finding.advice)
    assert kinds(RULE, lamp_switch(resistor("R2", "b", "gnd", 47e3))) == {"satisfied"}


@pytest.mark.parametrize(("collector", "severity"), [(500.0, "warning"), (790.0, "error")])
def test_both_sides_of_one_per_cent_of_the_load(collector: float, severity: str) -> None:
    """113.4 uA against a hundredth of (9 - 0.2) V over the load: 776 ohm are the edge."""
    assert only_finding(lamp_switch(collector=collector), RULE).severity == severity


def test_heat_makes_it_worse() -> None:
    hot = replace(lamp_switch(), ambient=Ambient(273.15, 298.15, 333.15))
    assert value(only_finding(hot, RULE), "I_CEO Q1") == pytest.approx(401 * 100e-9 * 2**3.5)


def test_the_bleed_follows_the_hot_leakage() -> None:
    """1 uA parts at 60 degC: 0.38 V / 3 / 11.3 uA = 11.2 kohm, 10 kohm with 5 %."""
    hot = replace(lamp_switch(icbo=1e-6), ambient=Ambient(273.15, 298.15, 333.15))
    assert value(only_finding(hot, RULE), "R_BE Q1") == pytest.approx(10e3)


def test_a_floating_base_in_a_regenerative_pair_is_an_error() -> None:
    """A latch without a bleed on its upper half: nothing settles b2 while it is off, however little leaks."""
    finding = only_finding(half_latch(), RULE)
    assert (finding.severity, finding.nets) == ("error", ("b2", "c1"))
    assert value(finding, "I_CEO Q2") < 1e-9


def test_a_base_that_hangs_on_a_capacitor_only() -> None:
    subject = circuit(
        supply("V1", "rail", "gnd", 9.0),
        film("C1", "in", "b", 100e-9),
        resistor("R1", "in", "gnd", 10e3),
        npn("Q1", collector="c", base="b", emitter="gnd", beta=200.0),
        resistor("RC", "rail", "c", 1e3),
    )
    finding = only_finding(subject, RULE)
    assert finding.severity == "error"
    assert "in any state" in finding.message


def test_a_transistor_tied_base_to_emitter_does_not_float() -> None:
    """The upper half of a Darlington behind a base-emitter resistor: both ends hang together."""
    subject = lamp_switch(resistor("R2", "b", "gnd", 47e3))
    parts = {
        **subject.parts,
        "Q2": npn("Q2", collector="rail", base="x", emitter="y", beta=100.0),
        "R9": resistor("R9", "x", "y", 10e3),
        "D1": led("D1", "y", "b", 2.0),
    }
    roles = {f.role for f in judged(replace(subject, parts=parts), RULE).findings}
    assert "floating base" not in roles


def test_a_junction_of_capacitors() -> None:
    subject = circuit(
        supply("V1", "rail", "gnd", 24.0),
        capacitor("C1", "rail", "mid", 100e-6),
        capacitor("C2", "mid", "gnd", 100e-6),
    )
    finding = only_finding(subject, RULE)
    assert (finding.severity, finding.role) == ("error", "junction of capacitors")
    assert finding.nets == ("mid",)
    shared = {**subject.parts, "R1": resistor("R1", "rail", "mid", 1e6)}
    assert kinds(RULE, replace(subject, parts=shared)) == {"satisfied"}


def test_a_coupled_output_without_a_load_is_a_note() -> None:
    subject = circuit(
        supply("V1", "rail", "gnd", 9.0),
        resistor("R1", "rail", "out", 10e3),
        resistor("R2", "out", "gnd", 10e3),
        film("C1", "out", "line", 1e-6),
    )
    for nets in ({}, {"line": NetNote(terminal=True)}):
        finding = only_finding(replace(subject, nets=nets), RULE)
        assert (finding.severity, finding.nets) == ("note", ("line",))
        assert any("load" in a for a in finding.advice)


def test_a_pin_on_a_net_of_its_own() -> None:
    subject = circuit(
        supply("V1", "rail", "gnd", 9.0),
        resistor("RB", "rail", "b", 100e3),
        npn("Q1", collector="lost", base="b", emitter="gnd", beta=200.0),
    )
    # saturated by its own base current, the collector stands at 0.2 V
    assert kinds(RULE, subject) == {"satisfied"}
    lonely = circuit(
        supply("V1", "rail", "gnd", 9.0), resistor("R1", "rail", "gnd", 1e3), led("D1", "lost", "gnd", 2.0)
    )
    finding = only_finding(lonely, RULE)
    assert (finding.severity, finding.role) == ("warning", "never settled")
    flagged = replace(lonely, nets={"lost": NetNote(terminal=True)})
    assert "violated" not in kinds(RULE, flagged)


def test_a_net_between_devices_that_are_off_may_float() -> None:
    """LED and transistor in series: nothing flows there while both are off."""
    subject = circuit(
        supply("V1", "rail", "gnd", 5.0),
        driver("U1", "o", "gnd", 0.0, 5.0),
        resistor("RB", "o", "b", 10e3),
        resistor("R1", "rail", "x", 330.0),
        led("D1", "x", "y", 2.0),
        npn("Q1", collector="y", base="b", emitter="gnd", beta=150.0),
    )
    assert kinds(RULE, subject) == {"satisfied", "not-applicable"}
    assert any(o.subject == ("y",) for o in outcomes(RULE, subject))


def test_a_lamp_that_lights_in_no_state_at_rest_may_float_all_the_same() -> None:
    """Trap: a lamp for a low battery; with the battery as it is Q1 is off in every state."""
    subject = circuit(
        supply("V1", "rail", "gnd", 9.0),
        resistor("R1", "b", "gnd", 10e3),
        resistor("R2", "rail", "x", 330.0),
        led("D1", "x", "y", 2.0),
        npn("Q1", collector="y", base="b", emitter="gnd", beta=150.0),
    )
    assert kinds(RULE, subject) == {"satisfied", "not-applicable"}


def test_a_capacitor_behind_an_open_contact_is_a_note() -> None:
    subject = circuit(
        supply("V1", "rail", "gnd", 9.0),
        contact("S1", "rail", "top"),
        capacitor("C1", "top", "gnd", 10e-6),
        led("D1", "top", "x", 2.0),
        resistor("R1", "x", "gnd", 1e3),
    )
    finding = only_finding(subject, RULE)
    assert (finding.severity, finding.role) == ("note", "held by capacitors only")


@pytest.mark.parametrize("flip", [False, True])
def test_a_reservoir_that_a_diode_fills_keeps_its_charge(flip: bool) -> None:
    """Trap: behind the diode nothing settles the net while S1 is open; it stands where it was charged to."""
    subject = circuit(
        supply("V1", "plug", "gnd", 9.0),
        diode("D1", "plug", "rail"),
        capacitor("C1", "rail", "gnd", 100e-6),
        contact("S1", "rail", "lit"),
        resistor("R1", "lit", "gnd", 1e3),
    )
    assert "violated" not in kinds(RULE, mirrored(subject) if flip else subject)
    turned = replace(subject, parts={**subject.parts, "D1": diode("D1", "rail", "plug")})
    assert only_finding(mirrored(turned) if flip else turned, RULE).role == "held by capacitors only"


def test_the_joint_of_a_diode_and_a_zener_across_a_coil() -> None:
    """Trap: it conducts for a moment only, when the coil is switched off."""
    subject = circuit(
        supply("V1", "rail", "gnd", 12.0),
        contact("S1", "pulled", "gnd"),
        coil("K1", "rail", "pulled", 400.0, inductance=0.6),
        diode("D1", "pulled", "mid"),
        zener("D2", "rail", "mid", 12.0),
    )
    assert "violated" not in kinds(RULE, subject)


def test_a_current_without_a_path() -> None:
    subject = circuit(
        supply("V1", "rail", "gnd", 9.0),
        resistor("R1", "rail", "gnd", 1e3),
        current_source("I1", "gnd", "lost", 1e-3),
        film("C1", "lost", "gnd", 1e-6),
    )
    finding = only_finding(subject, RULE)
    assert (finding.severity, finding.role) == ("error", "current without a path")
    assert finding.test.left == pytest.approx(1e-3)


@pytest.mark.parametrize("subject", [garden_light(), on_delay(), hold_on(), one_shot(), blinker()])
def test_sound_circuits_pass(subject: Circuit) -> None:
    assert "violated" not in kinds(RULE, subject)
    assert "satisfied" in kinds(RULE, subject)


@pytest.mark.parametrize("subject", [lamp_switch(), lamp_switch(collector=500.0)])
def test_renaming_and_mirroring_change_nothing(subject: Circuit) -> None:
    was = only_finding(subject, RULE)
    changed, names = renamed(subject)
    for now in (only_finding(changed, RULE), only_finding(mirrored(subject), RULE)):
        assert (now.severity, now.role) == (was.severity, was.role)
    assert set(only_finding(changed, RULE).parts) == {names[p] for p in was.parts}
    assert {o.corner for o in was.occurrences} == {"min", "typical", "max"}
