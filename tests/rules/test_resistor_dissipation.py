"""resistor-dissipation: the worst value in between, its limits, pulses, periods, and the next body."""

from __future__ import annotations

from dataclasses import replace

import pytest

from rules.resistor_dissipation import RULE
from schemas.circuit import Action, Circuit, Tolerance, frozen_map
from schemas.finding import Finding
from tests.builders import (
    capacitor,
    circuit,
    contact,
    exact,
    film,
    npn,
    press,
    resistor,
    supply,
)
from tests.judged import document, judged, kinds, only_finding, outcomes, reviewed, value
from tests.otherwise import told_otherwise, with_limits


def heater(ohms: float, watts: float | None = 0.25, volts: float = 12.0) -> Circuit:
    """One resistor across an ideal supply: V^2/R."""
    return exact(supply("V1", "rail", "gnd", volts), resistor("R1", "rail", "gnd", ohms, power=watts))


def findings(subject: Circuit) -> dict[str, Finding]:
    return {finding.parts[0]: finding for finding in judged(subject, RULE).findings}


def test_the_lesson_circuits_fire_and_pass() -> None:
    assert "violated" in kinds(RULE, document(RULE.lesson.failing).circuit)
    assert kinds(RULE, document(RULE.lesson.passing).circuit) == {"satisfied"}


@pytest.mark.parametrize(
    ("watts", "severity"),
    [(0.149, None), (0.151, "warning"), (0.249, "warning"), (0.251, "error")],
)
def test_both_sides_of_the_limits(watts: float, severity: str | None) -> None:
    """0.6 of a quarter watt, and all of it: Joule's law, R = V^2/P."""
    found = findings(heater(144.0 / watts))
    assert [f.severity for f in found.values()] == ([] if severity is None else [severity])
    if found:
        assert found["R1"].test.left == pytest.approx(watts)
        assert ("60 % of its rated 250 mW" in found["R1"].message) is (severity == "warning")


def test_the_worst_value_lies_within_the_tolerance() -> None:
    """12 V behind 1 kohm: 36 mW at 1 kohm, 32 mW at half and at twice of it (maximum power transfer)."""
    wide = Tolerance(-0.5, 1.0)
    subject = exact(
        supply("V1", "rail", "gnd", 12.0),
        resistor("R1", "rail", "mid", 1e3, power=1.0),
        resistor("R2", "mid", "gnd", 1e3, tolerance=wide, power=0.05),
    )
    finding = findings(subject)["R2"]
    assert finding.test.left == pytest.approx(36e-3, rel=1e-6)
    assert value(finding, "R") == pytest.approx(1e3, rel=1e-3)
    # the same with another nominal value: neither end of the interval is the worst
    moved = exact(
        supply("V1", "rail", "gnd", 12.0),
        resistor("R1", "rail", "mid", 1e3, power=1.0),
        resistor("R2", "mid", "gnd", 1.4e3, tolerance=Tolerance(-0.6, 0.6), power=0.05),
    )
    finding = findings(moved)["R2"]
    assert finding.test.left == pytest.approx(36e-3, rel=1e-4)
    assert value(finding, "R") == pytest.approx(1e3, rel=0.01)
    assert value(finding, "R_th") == pytest.approx(1e3, rel=1e-6)
    assert value(finding, "V_th") == pytest.approx(12.0, rel=1e-6)
    assert value(finding, "P_max") == pytest.approx(36e-3, rel=1e-6)
    assert value(finding, "P_hand") == pytest.approx(36e-3, rel=1e-6)


def test_a_rating_nobody_gave_is_assumed_and_never_more_than_a_warning() -> None:
    finding = findings(heater(100.0, None))["R1"]
    assert finding.severity == "warning"
    rated = next(q for q in finding.evidence if q.symbol == "P_r")
    assert (rated.value, rated.origin) == (0.25, "assumed")
    assert "assumed" in finding.message
    (outcome,) = outcomes(RULE, heater(10e3, None))
    assert outcome.kind == "satisfied"
    assert [q.origin for q in outcome.evidence if q.symbol == "P_r"] == ["assumed"]


def test_a_hot_place_leaves_less() -> None:
    """At 112.5 degC half of the rating is left: linear from 70 to 155 degC."""
    cool = heater(144.0 / 0.1)
    hot = replace(cool, ambient=replace(cool.ambient, high=273.15 + 112.5))  # type: ignore[arg-type, type-var]
    assert findings(cool) == {}
    assert findings(hot)["R1"].test.right == pytest.approx(0.6 * 0.125)


def pressed(seconds: float, ohms: float) -> Circuit:
    """A button that puts 12 V on a resistor."""
    return exact(
        supply("V1", "rail", "gnd", 12.0),
        contact("S1", "rail", "hot"),
        resistor("R1", "hot", "gnd", ohms, power=0.25),
        stimuli=frozen_map({"tap": press("S1", seconds)}),
    )


@pytest.mark.parametrize(
    ("seconds", "watts", "severity"),
    [
        (0.5, 1.2, None),  # 4.8 times the rating for half a second
        (0.5, 1.3, "warning"),
        (1.0, 1.2, None),
        (5.0, 1.2, "error"),
        (5.0, 0.14, None),
    ],
)
def test_a_button_held_for_a_moment_is_a_pulse(seconds: float, watts: float, severity: str | None) -> None:
    found = findings(pressed(seconds, 144.0 / watts))
    assert [f.severity for f in found.values()] == ([] if severity is None else [severity])
    if severity == "warning":
        assert found["R1"].role == "pulse"
        assert "from memory" in found["R1"].message


def test_what_no_stimulus_moves_may_stay_for_good() -> None:
    """S2 has no stimulus: whoever closes it may leave it closed. S1 is only ever tapped."""
    subject = exact(
        supply("V1", "rail", "gnd", 12.0),
        contact("S1", "rail", "tapped"),
        contact("S2", "rail", "left"),
        resistor("R1", "tapped", "gnd", 144.0, power=0.25),
        resistor("R2", "left", "gnd", 144.0, power=0.25),
        stimuli=frozen_map({"tap": press("S1", 0.3)}),
    )
    assert set(findings(subject)) == {"R2"}


def flasher(collector: float) -> Circuit:
    """Two stages that take turns: each collector resistor is on for half of the time."""
    parts = [supply("V1", "rail", "gnd", 5.0)]
    for me, other in ((1, 2), (2, 1)):
        parts += [
            resistor(f"RC{me}", "rail", f"c{me}", collector, power=0.25),
            resistor(f"RB{me}", "rail", f"b{me}", 4.7e3),
            film(f"C{me}", f"c{other}", f"b{me}", 10e-6),
            npn(f"Q{me}", collector=f"c{me}", base=f"b{me}", emitter="gnd", beta=300.0),
        ]
    return exact(*parts)


@pytest.mark.parametrize(("collector", "fires"), [(100.0, False), (68.0, True)])
def test_what_takes_turns_counts_with_its_mean(collector: float, fires: bool) -> None:
    """(4.8 V)^2/R for half of the time, with little for charging: 0.115 W and 0.169 W against 0.15 W."""
    found = findings(flasher(collector))
    assert set(found) == ({"RC1", "RC2"} if fires else set())
    for finding in found.values():
        assert finding.test.left == pytest.approx(0.5 * 4.8**2 / collector, rel=0.06)
        assert "on average over its period" in finding.message


def emptied(farads: float, ohms: float) -> Circuit:
    """A capacitor at 24 V that a contact empties through a resistor."""
    return exact(
        supply("V1", "rail", "gnd", 24.0),
        resistor("R1", "rail", "full", 100e3),
        capacitor("C1", "full", "gnd", farads, voltage=35.0),
        contact("S1", "full", "out"),
        resistor("R2", "out", "gnd", ohms, power=0.25),
        stimuli=frozen_map({"empty": press("S1", 0.8)}),
    )


def test_a_charge_is_judged_by_its_worst_second() -> None:
    """Energy of the capacitor, C*V^2/2*(1 - exp(-2t/RC)): 10 mF at 24 V into 100 ohm make 2.3 J in 0.8 s."""
    from math import exp

    finding = findings(emptied(10e-3, 100.0))["R2"]
    joules = 0.5 * 10e-3 * 24.0**2 * (1.0 - exp(-2.0 * 0.8 / (100.0 * 10e-3)))
    assert finding.test.left == pytest.approx(joules, rel=2e-3)
    assert (finding.severity, finding.test.right) == ("warning", pytest.approx(1.25))
    # a hundredth of the charge is gone in milliseconds and warms nothing; its peak is 23 times the rating
    assert findings(emptied(100e-6, 100.0)) == {}


TEXT = """\
format: thumbrule/1
name: frame-heater
ground: gnd
parts:
  V1: {kind: supply, voltage: 12 V, pins: {plus: rail, minus: gnd}}
  R1: {kind: resistor, resistance: 560 ohm, POWERpins: {a: rail, b: gnd}}
"""


@pytest.mark.parametrize("power", ["", "power: 0.25 W, "])
def test_the_next_body_is_proven(power: str) -> None:
    """144/532 = 0.271 W with the tolerance: half a watt leaves 0.3 W in use."""
    (finding,) = reviewed(TEXT.replace("POWER", power), RULE).findings
    (remedy,) = finding.remedies
    assert remedy.patch[-1]["path"] == "/parts/R1/power"
    assert remedy.patch[-1]["value"] == "0.5 W"
    assert remedy.proof.proven
    assert any("two in series" in a for a in finding.advice)


def test_a_policy_share_changes_the_verdict() -> None:
    subject = heater(144.0 / 0.14)
    stricter = with_limits(RULE, share=0.5)
    assert kinds(RULE, subject) == {"satisfied"}
    assert only_finding(subject, stricter).test.right == pytest.approx(0.125)


def test_without_resistors_there_is_nothing_to_judge() -> None:
    subject = circuit(supply("V1", "rail", "gnd", 9.0), film("C1", "rail", "gnd", 1e-6))
    assert kinds(RULE, subject) == {"not-applicable"}


@pytest.mark.parametrize(
    "subject", [heater(500.0), pressed(0.5, 100.0), emptied(10e-3, 100.0)], ids=["load", "pulse", "charge"]
)
def test_names_order_and_polarity_do_not_matter(subject: Circuit) -> None:
    for was, now in told_otherwise(subject, RULE):
        assert now.severity == was.severity
        assert now.test.left == pytest.approx(was.test.left, rel=1e-6)


def test_the_dial_crosses_the_limit() -> None:
    dial = RULE.lesson.dial
    assert dial is not None
    assert RULE.lesson.passing.replace(dial.good, dial.bad) == RULE.lesson.failing


def test_a_switch_left_closed_is_a_load() -> None:
    subject = exact(
        supply("V1", "rail", "gnd", 12.0),
        contact("S1", "rail", "hot"),
        resistor("R1", "hot", "gnd", 144.0, power=0.25),
        stimuli=frozen_map({"on": (Action(0.0, "S1", "closed"),)}),
    )
    assert findings(subject)["R1"].severity == "error"
