"""base-current-limit: base loops by hand, bare bases, first moments of runs, and what followers need."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import pytest

from rules.analysis.formulas.feeding import base_current_peak
from rules.base_current_limit import RULE
from rules.min_beta_drive import RULE as DRIVE
from schemas.circuit import Circuit, Ratings
from schemas.finding import Finding
from tests.builders import circuit, contact, driver, exact, film, load, npn, pnp, resistor, supply
from tests.judged import document, judged, kinds, mirrored, only_finding, outcomes, renamed, reviewed, value
from tests.otherwise import with_limits


def driven(ohms: float, **values: Any) -> Circuit:
    """5 V through one resistor: (5 V - 0.7 V)/R."""
    return exact(
        supply("V1", "rail", "gnd", 12.0),
        driver("U1", "in", "gnd", 0.0, 5.0),
        resistor("R1", "in", "b", ohms),
        npn("Q1", "c", "b", "gnd", 100.0, **values),
        load("L1", "rail", "c", 330.0),
    )


def dumped(ohms: float, volts: float = 9.0) -> Circuit:
    """A charged capacitor is put onto a base through one resistor."""
    return exact(
        supply("V1", "rail", "gnd", volts),
        resistor("R1", "rail", "store", 10e3),
        film("C1", "store", "gnd", 10e-6),
        contact("S1", "store", "x"),
        resistor("R2", "x", "b", ohms),
        npn("Q1", "c", "b", "gnd", 200.0),
        load("L1", "rail", "c", 1e3),
        resistor("R3", "b", "gnd", 10e3),
    )


def findings(subject: Circuit) -> dict[str, Finding]:
    return {finding.role: finding for finding in judged(subject, RULE).findings}


def test_the_lesson_circuits_fire_and_pass() -> None:
    assert "violated" in kinds(RULE, document(RULE.lesson.failing).circuit)
    assert kinds(RULE, document(RULE.lesson.passing).circuit) == {"satisfied"}


def test_a_tenth_of_a_volt() -> None:
    """exp(0.1 V / (k*T/q)) at 25 degC; k and q of the SI (2019), exact by definition: 49 times."""
    thermal = 1.380649e-23 * 298.15 / 1.602176634e-19
    assert math.exp(0.1 / thermal) == pytest.approx(49.0, abs=0.1)


@pytest.mark.parametrize(
    ("ohms", "severity"),
    # 4.3 V over R against a fifth of 100 mA; unnamed: never more than a warning
    [(216.0, None), (214.0, "warning"), (40.0, "warning")],
)
def test_both_sides_for_an_unnamed_type(ohms: float, severity: str | None) -> None:
    found = findings(driven(ohms))
    assert {r: f.severity for r, f in found.items()} == (
        {} if severity is None else {"base current": severity}
    )
    if found:
        assert value(found["base current"], "I_B") == pytest.approx(4.3 / ohms)
        assert value(found["base current"], "I_B_hand") == pytest.approx(base_current_peak(5.0, 0.7, ohms))


@pytest.mark.parametrize(
    ("ohms", "severity"),
    # 40 mA of a stated 200 mA, and past 200 mA itself
    [(108.0, None), (107.0, "warning"), (21.6, "warning"), (21.4, "error")],
)
def test_both_sides_of_a_stated_rating(ohms: float, severity: str | None) -> None:
    found = findings(driven(ohms, ratings=Ratings(current=0.2)))
    assert {r: f.severity for r, f in found.items()} == (
        {} if severity is None else {"base current": severity}
    )


def test_a_follower_needs_no_base_resistor() -> None:
    """Trap: the emitter resistor is in the loop, (beta + 1) times."""
    subject = exact(
        supply("V1", "rail", "gnd", 9.0),
        driver("U1", "b", "gnd", 0.0, 5.0),
        npn("Q1", "rail", "b", "e", 100.0),
        resistor("RE", "e", "gnd", 220.0),
    )
    found = outcomes(RULE, subject)
    assert {o.kind for o in found} == {"satisfied"}
    assert max(o.test.left for o in found if o.test is not None) == pytest.approx(4.3 / 220.0 / 101.0)


BARE = """\
format: thumbrule/1
name: greenhouse-vent
ground: gnd
parts:
  V1: {kind: supply, voltage: 12 V, pins: {plus: rail, minus: gnd}}
  U1: {kind: driver, low: 0 V, high: 5 V, pins: {out: order, reference: gnd}}
  Q1: {kind: npn, beta: {min: 100, max: 300}, pins: {collector: vent, base: order, emitter: gnd}}
  L1: {kind: load, resistance: 330 ohm, inductive: false, pins: {plus: rail, minus: vent}}
"""


def test_an_ideal_output_on_a_bare_base() -> None:
    """4.3 V beyond the junction over 20 mA: 215 ohm at the least."""
    finding = next(f for f in reviewed(BARE, RULE, DRIVE).findings if f.rule == RULE.slug)
    assert (finding.severity, finding.role) == ("error", "no resistance")
    assert finding.test.right == pytest.approx(215.0)
    assert value(finding, "V") == pytest.approx(4.3)
    (remedy,) = finding.remedies
    added = next(op["value"] for op in remedy.patch if op["op"] == "add")
    assert set(added["pins"].values()) == {"order", "order_2"}
    # 4.3 V over five times 35.8 mA/100 is 2.4 kohm
    assert added["resistance"] == "2.4 kohm"


def test_a_resistor_that_is_too_small_is_raised() -> None:
    text = RULE.lesson.passing.replace("1.5 kohm", "100 ohm")
    finding = next(f for f in reviewed(text, RULE, DRIVE).findings if f.rule == RULE.slug)
    (remedy,) = finding.remedies
    assert any(op["path"] == "/parts/R1/resistance" for op in remedy.patch)


@pytest.mark.parametrize(
    ("ohms", "fires"),
    # (9 V - 0.7 V)/R against 100 mA
    [(84.0, False), (82.0, True)],
)
def test_both_sides_for_a_capacitor(ohms: float, fires: bool) -> None:
    found = findings(dumped(ohms))
    assert {r: f.severity for r, f in found.items()} == ({"first moment": "warning"} if fires else {})
    if fires:
        assert found["first moment"].test.left == pytest.approx(8.3 / ohms, rel=2e-3)
        assert "C1 is charged and gives it" in found["first moment"].message


def test_a_capacitor_straight_on_a_base() -> None:
    subject = dumped(100.0)
    parts = {name: part for name, part in subject.parts.items() if name != "R2"}
    parts["S1"] = contact("S1", "store", "b")
    finding = findings(replace(subject, parts=parts))["no resistance"]
    assert finding.severity == "error"
    assert value(finding, "V") == pytest.approx(8.3)
    assert "C1, charged, is put straight onto it" in finding.message
    assert 'S1 closed from "all off"' in finding.message


def test_a_flasher_is_within_its_limits() -> None:
    """Trap: a cross-coupled pair drives its bases through the collector resistors: 11.3 V/820 ohm."""
    parts = [supply("V1", "rail", "gnd", 12.0)]
    for me, other in ((1, 2), (2, 1)):
        parts += [
            resistor(f"RC{me}", "rail", f"c{me}", 820.0),
            resistor(f"RB{me}", "rail", f"b{me}", 56e3),
            film(f"C{me}", f"c{other}", f"b{me}", 4.7e-6),
            npn(f"Q{me}", collector=f"c{me}", base=f"b{me}", emitter="gnd", beta=200.0),
        ]
    assert not judged(circuit(*parts), RULE).findings


@pytest.mark.parametrize(
    ("subject", "words"),
    [
        (circuit(supply("V1", "rail", "gnd", 9.0), resistor("R1", "rail", "gnd", 1e3)), "no transistor"),
        (
            circuit(
                supply("V1", "rail", "gnd", 9.0),
                pnp("Q1", "c", "b", "rail", 100.0),
                resistor("R1", "b", "rail", 1e3),
                load("L1", "c", "gnd", 1e3),
            ),
            "conducts in no state",
        ),
    ],
)
def test_nothing_to_judge(subject: Circuit, words: str) -> None:
    found = outcomes(RULE, subject)
    assert {o.kind for o in found} == {"not-applicable"}
    assert words in found[0].reason


def test_a_policy_may_allow_less() -> None:
    strict = with_limits(RULE, share=0.02)
    subject = driven(1e3)
    assert not judged(subject, RULE).findings
    assert only_finding(subject, strict).test.right == pytest.approx(2e-3)


@pytest.mark.parametrize("change", [mirrored, lambda c: renamed(c)[0]])
def test_polarity_and_names_decide_nothing(change: Any) -> None:
    for subject in (driven(100.0), dumped(47.0), document(BARE).circuit):
        was, now = only_finding(subject, RULE), only_finding(change(subject), RULE)
        assert (was.role, was.severity) == (now.role, now.severity)
        assert now.test.left == pytest.approx(was.test.left)


def test_a_power_transistor_without_a_name() -> None:
    """Trap: a transistor that carries 1.18 A is no small-signal type; its base may take a fifth of that."""
    parts = dict(driven(82.0).parts)
    parts["L1"] = load("L1", "rail", "c", 10.0)
    subject = exact(*parts.values())
    found = outcomes(RULE, subject)
    assert {o.kind for o in found} == {"satisfied"}
    taken = next(q for o in found for q in o.evidence if q.symbol == "I_C,max")
    assert taken.value == pytest.approx(1.18)
    assert taken.source == "what it carries in this circuit"
