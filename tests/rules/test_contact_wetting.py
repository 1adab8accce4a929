"""contact-wetting: both sides of each limit, the moment of closing, ratings, remedies and traps."""

from __future__ import annotations

from dataclasses import replace

import pytest

from rules.contact_wetting import RULE
from schemas.circuit import Circuit
from schemas.finding import Finding
from tests.builders import capacitor, circuit, contact, exact, film, load, npn, resistor, supply
from tests.judged import document, judged, kinds, mirrored, only_finding, outcomes, reviewed, value
from tests.otherwise import told_twice, with_limits


def loop(ohms: float, volts: float = 12.0, material: str | None = "silver", **values: object) -> Circuit:
    """A contact that switches a resistor, of exact parts."""
    return exact(
        supply("V1", "rail", "gnd", volts),
        contact("S1", "rail", "fed", material=material, **values),
        resistor("R1", "fed", "gnd", ohms),
    )


def finding_of(subject: Circuit) -> Finding | None:
    found = judged(subject, RULE).findings
    assert len(found) <= 1
    return found[0] if found else None


def test_the_lesson_circuits_fire_and_pass() -> None:
    assert "violated" in kinds(RULE, document(RULE.lesson.failing).circuit)
    assert kinds(RULE, document(RULE.lesson.passing).circuit) == {"satisfied"}


# 1 mA for silver: lower end of the wetting currents of 1 to 50 mA (common practice); 10 mA: from memory
@pytest.mark.parametrize(
    ("ohms", "severity"),
    [(1199.0, None), (1201.0, "note"), (11990.0, "note"), (12010.0, "warning"), (1e6, "warning")],
)
def test_both_sides_of_the_currents_of_silver(ohms: float, severity: str | None) -> None:
    """12 V over 1.2 kohm is 10 mA, over 12 kohm 1 mA."""
    finding = finding_of(loop(ohms))
    assert (None if finding is None else finding.severity) == severity
    if finding is not None:
        assert finding.test.left == pytest.approx(12.0 / ohms)


# 5 V: common practice, from memory
@pytest.mark.parametrize(("volts", "severity"), [(5.01, None), (4.99, "warning")])
def test_both_sides_of_the_voltage_of_silver(volts: float, severity: str | None) -> None:
    finding = finding_of(loop(100.0, volts))
    assert (None if finding is None else finding.severity) == severity


# 10 uA for gold: common practice, from memory
@pytest.mark.parametrize(("ohms", "severity"), [(0.299e6, None), (0.301e6, "warning")])
def test_both_sides_of_the_current_of_gold(ohms: float, severity: str | None) -> None:
    """3 V over 300 kohm is 10 uA; gold asks for no voltage."""
    finding = finding_of(loop(ohms, 3.0, "gold"))
    assert (None if finding is None else finding.severity) == severity


def test_the_lowest_corner_counts() -> None:
    """12 V less 10 % over 10 kohm plus 5 %: 10.8/10.5 = 1.029 mA; at 11 kohm 0.935 mA."""
    for ohms, severity in ((10e3, "note"), (11e3, "warning")):
        subject = circuit(
            supply("V1", "rail", "gnd", 12.0, low=10.8),
            contact("S1", "rail", "fed", material="silver"),
            resistor("R1", "fed", "gnd", ohms, tolerance=None),
        )
        finding = only_finding(subject, RULE)
        assert finding.severity == severity
        assert finding.test.left == pytest.approx(10.8 / (1.05 * ohms))


def test_a_button_of_no_stated_material_is_not_nagged() -> None:
    (outcome,) = outcomes(RULE, loop(1e6, material=None))
    assert outcome.kind == "not-applicable"
    assert "/parts/S1/material" in outcome.reason


def test_a_capacitor_at_the_contact_gives_a_pulse() -> None:
    """47 nF charged to 12 V behind 100 ohm: 120 mA beside the 0.12 mA of the resistor."""
    bare = loop(100e3)
    snubbed = replace(
        bare,
        parts={
            **bare.parts,
            "C1": film("C1", "rail", "mid", 47e-9),
            "R2": resistor("R2", "mid", "fed", 100.0),
        },
    )
    assert finding_of(bare) is not None
    assert finding_of(snubbed) is None
    (outcome,) = outcomes(RULE, snubbed)
    assert {q.symbol: q.value for q in outcome.evidence}["I_closing"] == pytest.approx(0.12012)


def test_charging_a_capacitor_counts_at_the_moment_of_closing() -> None:
    """An empty 10 uF behind 1 kohm takes 12 mA at first, and nothing once it is full."""
    subject = exact(
        supply("V1", "rail", "gnd", 12.0),
        contact("S1", "rail", "fed", material="silver"),
        resistor("R1", "fed", "store", 1e3),
        capacitor("C1", "store", "gnd", 10e-6),
        resistor("R2", "store", "gnd", 1e6),
    )
    assert finding_of(subject) is None


@pytest.mark.parametrize("flip", [False, True])
def test_a_button_across_a_base_is_dry_and_wants_gold(flip: bool) -> None:
    """0.7 V stand across it; as it closes it takes over the base current, 12 V / 47 kohm."""
    subject = exact(
        supply("V1", "rail", "gnd", 12.0),
        resistor("R1", "rail", "base", 47e3),
        load("LA1", "rail", "out", 1e3),
        npn("Q1", collector="out", base="base", emitter="gnd", beta=200.0),
        contact("S1", "base", "gnd", material="silver"),
    )
    subject = mirrored(subject) if flip else subject
    finding = only_finding(subject, RULE)
    assert (finding.severity, finding.test.unit) == ("warning", "V")
    assert value(finding, "V_open") == pytest.approx(0.7)
    assert value(finding, "I_closing") == pytest.approx(12.0 / 47e3)
    gold = {**subject.parts, "S1": contact("S1", "base", "gnd", material="gold")}
    assert finding_of(replace(subject, parts=gold)) is None


def test_the_state_in_which_most_is_to_be_switched_counts() -> None:
    """A contact in series with another one: with the other open nothing is known of its voltage."""
    subject = exact(
        supply("V1", "rail", "gnd", 12.0),
        contact("S2", "rail", "link", material="silver"),
        contact("S1", "link", "fed", material="silver"),
        resistor("R1", "fed", "gnd", 1e3),
    )
    assert kinds(RULE, subject) == {"satisfied"}


def test_a_contact_with_nothing_to_switch_is_not_judged() -> None:
    idle = exact(
        supply("V1", "rail", "gnd", 12.0),
        resistor("R1", "rail", "gnd", 1e3),
        contact("S1", "gnd", "spare", material="silver"),
    )
    assert kinds(RULE, idle) == {"not-applicable"}


@pytest.mark.parametrize(("rated", "fires"), [(0.121, False), (0.119, True)])
def test_both_sides_of_a_rated_current(rated: float, fires: bool) -> None:
    """12 V over 100 ohm is 120 mA; its rating holds whatever the material."""
    finding = finding_of(loop(100.0, material=None, current=rated))
    assert (finding is not None) == fires
    if finding is not None:
        assert (finding.severity, finding.role) == ("error", "rating")


def test_the_remedies_are_proven() -> None:
    (finding,) = reviewed(RULE.lesson.failing, RULE).findings
    proven = [remedy.summary for remedy in finding.remedies if remedy.proof.proven]
    assert any("of gold" in text for text in proven)
    assert any("100 ohm across S1" in text for text in proven)


def test_the_pull_resistor_is_rounded_down() -> None:
    """12 V over 10 mA, the resistor being 5 % too large: 1.2/1.05 = 1.143 kohm, so 1.1 kohm of E24."""
    plain = RULE.lesson.failing.replace(
        "  D1: {kind: led, forward: 2 V, pins: {anode: lit, cathode: gnd}}\n", ""
    )
    (finding,) = reviewed(plain.replace("b: lit", "b: gnd"), RULE).findings
    (wanted,) = (r for r in finding.remedies if r.summary.startswith("R1"))
    assert wanted.proof.proven
    assert "1.1 kohm" in wanted.summary


def test_names_do_not_matter() -> None:
    subject = document(RULE.lesson.failing).circuit
    one, two = told_twice(subject, RULE)
    assert two.test == one.test


def test_a_policy_moves_the_limit() -> None:
    strict = with_limits(RULE, gold=1e-3)
    subject = loop(100e3, 3.0, "gold")
    assert finding_of(subject) is None
    assert only_finding(subject, strict).severity == "warning"


def test_the_dial_crosses_the_limit() -> None:
    dial = RULE.lesson.dial
    assert dial is not None
    turned = RULE.lesson.passing.replace(dial.good, dial.bad)
    assert turned == RULE.lesson.failing
