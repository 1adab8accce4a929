"""capacitor-voltage: both sides of each limit, at rest and along runs, and the next rating."""

from __future__ import annotations

import pytest

from rules.capacitor_voltage import RULE
from rules.timing_leakage import RULE as TIMING_LEAKAGE
from schemas.circuit import Circuit, frozen_map
from schemas.finding import Finding
from tests.builders import capacitor, circuit, contact, exact, film, npn, press, resistor, supply
from tests.judged import document, judged, kinds, outcomes, reviewed, value
from tests.otherwise import told_otherwise
from tests.timers import garden_light


def findings(subject: Circuit) -> dict[str, Finding]:
    return {finding.parts[0]: finding for finding in judged(subject, RULE).findings}


def held(volts: float, dielectric: str, rated: float | None = 10.0, high: float | None = None) -> Circuit:
    """A capacitor behind 1 kohm at a supply: all of the voltage stands across it."""
    made = capacitor("C1", "c", "gnd", 1e-6, voltage=rated, dielectric=dielectric)
    return exact(supply("V1", "rail", "gnd", volts, high=high), resistor("R1", "rail", "c", 1e3), made)


def test_the_lesson_circuits_fire_and_pass() -> None:
    assert "violated" in kinds(RULE, document(RULE.lesson.failing).circuit)
    assert kinds(RULE, document(RULE.lesson.passing).circuit) == {"satisfied"}


@pytest.mark.parametrize(
    ("dielectric", "share"), [("aluminium", 0.8), ("film", 0.7), ("tantalum", 0.5), ("ceramic", 0.5)]
)
def test_both_sides_of_each_limit(dielectric: str, share: float) -> None:
    """Aluminium 80 %, film 70 %: Part Derating Parameters, System Reliability Center; tantalum 0.5: NASA
    EEE-INST-002, capacitors, table 4; ceramic 0.5: from memory.
    """
    assert findings(held(10.0 * share - 0.01, dielectric)) == {}
    assert findings(held(10.0 * share + 0.01, dielectric))["C1"].severity == "warning"
    assert findings(held(9.99, dielectric))["C1"].severity == "warning"
    above = findings(held(10.01, dielectric))["C1"]
    assert above.severity == "error"
    assert above.test.left == pytest.approx(10.01)
    assert above.message == 'C1 stands at 10 V in "all off"; it is rated 10 V.'


def test_the_highest_supply_counts() -> None:
    assert findings(held(7.9, "aluminium")) == {}
    finding = findings(held(7.9, "aluminium", high=9.0))["C1"]
    assert (finding.corner, finding.test.left) == ("V1 9 V", pytest.approx(9.0))


def test_a_capacitor_without_a_rating_is_no_finding() -> None:
    (outcome,) = outcomes(RULE, held(100.0, "aluminium", None))
    assert outcome.kind == "not-applicable"
    assert "no rated voltage of C1 is given" in outcome.reason


def test_a_film_capacitor_is_judged_either_way() -> None:
    subject = exact(
        supply("V1", "gnd", "low", 9.0),
        resistor("R1", "low", "c", 1e3),
        film("C1", "c", "gnd", 1e-6, voltage=10.0),
    )
    assert findings(subject)["C1"].test.left == pytest.approx(9.0)


def pumped() -> Circuit:
    """C1 is charged to the rail, then its foot is lifted by it too: its head, and C2, go to twice of it."""
    return exact(
        supply("V1", "rail", "gnd", 5.0),
        contact("S1", "rail", "foot"),
        resistor("R1", "foot", "gnd", 1e3),
        resistor("R2", "rail", "head", 100e3),
        film("C1", "head", "foot", 100e-6, voltage=25.0),
        resistor("R3", "head", "store", 1e3),
        film("C2", "store", "gnd", 1e-6, voltage=10.0),
        stimuli=frozen_map({"lift": press("S1", 0.5)}),
    )


def test_a_voltage_that_no_state_shows_is_found_along_the_run() -> None:
    """10 V less what C2 and R2 take: 10 V*100/101 at the most (charge shared between C1 and C2)."""
    (finding,) = findings(pumped()).values()
    assert finding.parts == ("C2",)
    assert finding.test.left == pytest.approx(5.0 + 5.0 * 100.0 / 101.0, rel=2e-3)
    assert 'after "lift"' in finding.message


def test_a_reset_that_never_comes_is_a_note() -> None:
    """The timing capacitor of the garden light stops at its threshold; without it it goes to the rail."""
    found = findings(garden_light(rated=6.3))
    assert set(found) == {"C1"}
    assert (found["C1"].severity, found["C1"].role) == ("note", "aim")
    # 9 V less 0.2 V of Q2 and the drop of the battery
    assert found["C1"].test.left == pytest.approx(8.78, abs=0.03)
    assert findings(garden_light(rated=16.0)) == {}


TEXT = """\
format: thumbrule/1
name: pantry-filter
ground: gnd
parts:
  V1: {kind: supply, voltage: 12 V, pins: {plus: rail, minus: gnd}}
  R1: {kind: resistor, resistance: 10 kohm, pins: {a: rail, b: calm}}
  C1: {kind: capacitor, capacitance: 47 uF, voltage: 10 V, pins: {plus: calm, minus: gnd}}
"""


def test_the_next_rating_is_proven() -> None:
    """12 V/0.8 = 15 V: 16 V is the next usual one."""
    (finding,) = reviewed(TEXT, RULE).findings
    (remedy,) = finding.remedies
    assert remedy.proof.proven
    assert remedy.patch[-1] == {"op": "replace", "path": "/parts/C1/voltage", "value": "16 V"}


TIMER = """\
format: thumbrule/1
name: sprout-fan
ground: gnd
parts:
  V1: {kind: supply, voltage: 7 V, pins: {plus: rail, minus: gnd}}
  S1: {kind: contact, rest: open, pins: {a: rail, b: feed}}
  R1: {kind: resistor, resistance: 4.7 kohm, pins: {a: feed, b: slow}}
  C1: {kind: capacitor, capacitance: 220 uF, voltage: 6.3 V, leakage: 0.01CV, pins: {plus: slow, minus: gnd}}
  R2: {kind: resistor, resistance: 22 kohm, pins: {a: slow, b: base}}
  R3: {kind: resistor, resistance: 4.7 kohm, pins: {a: base, b: gnd}}
  R4: {kind: resistor, resistance: 10 kohm, pins: {a: rail, b: out}}
  Q1: {kind: npn, beta: 200, pins: {collector: out, base: base, emitter: gnd}}
"""


def test_the_leakage_of_a_larger_rating_is_judged_by_the_proof() -> None:
    """10 V allow 0.01*C*10 V instead of 0.01*C*6.3 V: alone the rating would make the leakage worse."""
    review = reviewed(TIMER, RULE, TIMING_LEAKAGE)
    (finding,) = (f for f in review.findings if f.rule == RULE.slug)
    (remedy,) = finding.remedies
    assert remedy.proof.proven
    assert {op["path"] for op in remedy.patch if op["op"] != "test"} == {
        "/parts/C1/voltage",
        "/parts/C1/leakage",
    }
    assert "alone it would worsen timing-leakage at C1" in remedy.proof.reason


def test_without_capacitors_there_is_nothing_to_judge() -> None:
    subject = circuit(
        supply("V1", "rail", "gnd", 9.0),
        resistor("R1", "rail", "c", 1e3),
        npn("Q1", collector="c", base="gnd", emitter="gnd", beta=100.0),
    )
    assert kinds(RULE, subject) == {"not-applicable"}


@pytest.mark.parametrize("subject", [held(9.0, "aluminium"), pumped()], ids=["rest", "run"])
def test_names_order_and_polarity_do_not_matter(subject: Circuit) -> None:
    for was, now in told_otherwise(subject, RULE):
        assert now.severity == was.severity
        assert now.test.left == pytest.approx(was.test.left, rel=1e-5)
        assert value(was, "V_r") == 10.0
