"""collector-current: both sides of its limits, the worst corner, moments, and classes of parts."""

from __future__ import annotations

import math

import pytest

from rules.collector_current import RULE
from schemas.circuit import Circuit, Ratings, frozen_map
from schemas.finding import Finding
from tests.builders import capacitor, circuit, contact, driver, exact, load, npn, pnp, press, resistor, supply
from tests.judged import document, judged, kinds, mirrored, outcomes, renamed

STATED = Ratings(current=0.2)


def findings(subject: Circuit) -> dict[str, Finding]:
    return {finding.role: finding for finding in judged(subject, RULE).findings}


def lamp(amperes: float, kind: str = "npn", tolerance: float = 0.0, **values: object) -> Circuit:
    """A saturated switch: (12 V - 0.2 V)/R_L."""
    make = npn if kind == "npn" else pnp
    sign = 1.0 if kind == "npn" else -1.0
    ends = ("rail", "gnd") if kind == "npn" else ("gnd", "rail")
    return exact(
        supply("V1", *ends, 12.0),
        driver("U1", "order", "gnd", min(0.0, sign * 5.0), max(0.0, sign * 5.0), rest="low"),
        resistor("R1", "order", "base", 100.0),
        load("LP1", "rail", "out", 11.8 / amperes),
        make("Q1", collector="out", base="base", emitter="gnd", **values),
        assumptions={"resistor_tolerance": tolerance},
    )


def test_the_lesson_circuits_fire_and_pass() -> None:
    assert "violated" in kinds(RULE, document(RULE.lesson.failing).circuit)
    assert kinds(RULE, document(RULE.lesson.passing).circuit) == {"satisfied"}


@pytest.mark.parametrize(
    ("amperes", "severity"), [(0.149, None), (0.151, "warning"), (0.199, "warning"), (0.201, "error")]
)
@pytest.mark.parametrize("kind", ["npn", "pnp"])
def test_both_sides_of_the_limits(amperes: float, severity: str | None, kind: str) -> None:
    found = list(findings(lamp(amperes, kind, beta=150.0, ratings=STATED)).values())
    assert [f.severity for f in found] == ([] if severity is None else [severity])
    if found:
        assert found[0].test.left == pytest.approx(amperes, rel=1e-9)


def test_the_worst_corner_counts() -> None:
    """145 mA at nominal values; a load 5 % smaller draws 153 mA."""
    finding = findings(lamp(0.145, tolerance=0.05, beta=150.0, ratings=STATED))["current"]
    assert finding.test.left == pytest.approx(0.145 / 0.95, rel=1e-9)
    assert finding.corner == "LP1 -5 %"


def test_a_type_brings_its_rating() -> None:
    """I_C: onsemi and Multicomp 2N3904 200 mA; NXP BC847 family 100 mA."""
    assert findings(lamp(0.14, type="2N3904")) == {}
    assert findings(lamp(0.14, type="BC547B"))["current"].severity == "error"
    assert any("2N2222A" in a for a in findings(lamp(0.14, type="BC547B"))["current"].advice)


def test_a_class_that_is_only_assumed_warns_at_most() -> None:
    assert findings(lamp(0.095, beta=150.0)) == {}
    finding = findings(lamp(1.0, beta=150.0))["current"]
    assert finding.severity == "warning"
    assert "its rating is not stated" in finding.message
    (outcome,) = (o for o in outcomes(RULE, lamp(0.05, beta=150.0)))
    assert [q.origin for q in outcome.evidence if q.symbol == "I_C,r"] == ["assumed"]


def pushed(seconds: float, amperes: float) -> Circuit:
    """A lamp that lights while a button is held."""
    return exact(
        supply("V1", "rail", "gnd", 12.0),
        contact("S1", "rail", "order"),
        resistor("R1", "order", "base", 560.0),
        load("LP1", "rail", "out", 11.8 / amperes),
        npn("Q1", collector="out", base="base", emitter="gnd", beta=200.0, ratings=STATED),
        stimuli=frozen_map({"tap": press("S1", seconds)}),
    )


@pytest.mark.parametrize(
    ("seconds", "amperes", "role"),
    [(0.5, 0.39, None), (0.5, 0.41, "peak current"), (5.0, 0.16, "current"), (0.5, 0.16, None)],
)
def test_a_moment_may_have_twice_the_rating(seconds: float, amperes: float, role: str | None) -> None:
    found = findings(pushed(seconds, amperes))
    assert set(found) == (set() if role is None else {role})
    assert {f.severity for f in found.values()} <= {"warning"}


def inrush(ohms: float) -> Circuit:
    """A switch that charges 100 uF through a resistor: (12 V - 0.2 V)/R at first, nothing at rest."""
    return exact(
        supply("V1", "rail", "gnd", 12.0),
        driver("U1", "order", "gnd", 0.0, 5.0),
        resistor("R1", "order", "base", 100.0),
        capacitor("C1", "rail", "foot", 100e-6),
        resistor("R4", "foot", "out", ohms),
        resistor("R5", "rail", "foot", 100e3),
        npn("Q1", collector="out", base="base", emitter="gnd", beta=200.0, ratings=Ratings(current=0.1)),
    )


def test_a_charge_is_found_along_the_run() -> None:
    """11.8 V/47 ohm = 251 mA against twice 100 mA, 2 % less after 0.1 ms; at rest there are 0.1 mA."""
    finding = findings(inrush(47.0))["peak current"]
    assert finding.test.left == pytest.approx(11.8 / 47.0 * math.exp(-1e-4 / (47.0 * 100e-6)), rel=1e-3)
    assert "at once after U1 high" in finding.message
    assert findings(inrush(68.0)) == {}


def test_no_transistor() -> None:
    subject = circuit(supply("V1", "rail", "gnd", 9.0), resistor("R1", "rail", "gnd", 1e3))
    assert kinds(RULE, subject) == {"not-applicable"}


@pytest.mark.parametrize("subject", [lamp(0.16, beta=150.0, ratings=STATED), pushed(0.5, 0.41), inrush(47.0)])
def test_names_order_and_polarity_do_not_matter(subject: Circuit) -> None:
    was = findings(subject)
    assert was
    now = findings(renamed(subject)[0])
    assert set(was) == set(now)
    for role, finding in was.items():
        assert now[role].test.left == pytest.approx(finding.test.left, rel=1e-6)
    if not any(part.kind == "driver" for part in subject.parts.values()):
        turned = findings(mirrored(subject))
        assert {r: f.severity for r, f in turned.items()} == {r: f.severity for r, f in was.items()}
