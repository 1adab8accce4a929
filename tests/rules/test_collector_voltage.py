"""collector-voltage: both sides of its limits, what a coil adds, and whose fault that is."""

from __future__ import annotations

import pytest

from rules.collector_voltage import RULE
from rules.flyback_path import RULE as FLYBACK
from schemas.circuit import Circuit, Ratings
from schemas.finding import Finding
from tests.builders import circuit, coil, diode, driver, exact, npn, pnp, resistor, supply, zener
from tests.judged import document, judged, kinds, only_finding, outcomes, value
from tests.otherwise import told_otherwise, with_limits

STATED = Ratings(vceo=60.0)


def findings(subject: Circuit) -> dict[str, Finding]:
    return {finding.role: finding for finding in judged(subject, RULE).findings}


def switched(volts: float, kind: str = "npn", **values: object) -> Circuit:
    """A switch that is off: all of the rail stands across it."""
    make, sign = (npn, 1.0) if kind == "npn" else (pnp, -1.0)
    ends = ("rail", "gnd") if kind == "npn" else ("gnd", "rail")
    return exact(
        supply("V1", *ends, volts),
        driver("U1", "order", "gnd", 0.0 if sign > 0 else -5.0, 5.0 if sign > 0 else 0.0),
        resistor("R1", "order", "base", 22e3),
        resistor("R2", "rail", "out", 100e3),
        make("Q1", collector="out", base="base", emitter="gnd", **values),
    )


def test_the_lesson_circuits_fire_and_pass() -> None:
    assert "violated" in kinds(RULE, document(RULE.lesson.failing).circuit)
    assert kinds(RULE, document(RULE.lesson.passing).circuit) == {"satisfied"}


@pytest.mark.parametrize(
    ("volts", "severity"), [(44.9, None), (45.1, "warning"), (59.9, "warning"), (60.1, "error")]
)
@pytest.mark.parametrize("kind", ["npn", "pnp"])
def test_both_sides_of_the_limits(volts: float, severity: str | None, kind: str) -> None:
    found = list(findings(switched(volts, kind, beta=150.0, ratings=STATED)).values())
    assert [f.severity for f in found] == ([] if severity is None else [severity])
    if found:
        assert found[0].test.left == pytest.approx(volts)


@pytest.mark.parametrize(
    ("kind", "type_name", "rated"),
    [("npn", "2N3904", 40.0), ("pnp", "2N2907A", 60.0), ("npn", "BC547B", 45.0)],
)
def test_a_type_brings_its_rating(kind: str, type_name: str, rated: float) -> None:
    """V_CEO: Multicomp 2N3904 V1.1 40 V; Fairchild PN2907A 60 V; Fairchild BC547 Rev B 45 V."""
    (outcome,) = outcomes(RULE, switched(0.74 * rated, kind, type=type_name))
    assert outcome.kind == "satisfied"
    assert {q.symbol: q.value for q in outcome.evidence}["V_CEO"] == rated
    (finding,) = findings(switched(0.76 * rated, kind, type=type_name)).values()
    assert finding.severity == "warning"


def test_a_rating_nobody_gave_counts_in_full_and_warns_at_most() -> None:
    assert findings(switched(39.0, beta=100.0)) == {}
    (finding,) = findings(switched(90.0, beta=100.0)).values()
    assert finding.severity == "warning"
    assert "its rating is not stated, and the usual class stands" in finding.message
    assert [q.origin for q in finding.evidence if q.symbol == "V_CEO"] == ["assumed"]
    assert any("V_CEO of 120 V" in a for a in finding.advice)


def test_types_that_stand_it_are_named() -> None:
    (finding,) = findings(switched(33.0, type="2N3904")).values()
    assert any(a.endswith("stands it: BC547B") for a in finding.advice)


def relay(volts: float, vceo: float, clamp: float | None = None) -> Circuit:
    """A relay with a diode across it, or with a diode and a zener in series."""
    path = (
        (diode("D1", "pulled", "rail"),)
        if clamp is None
        else (diode("D1", "pulled", "mid"), zener("D2", "rail", "mid", clamp))
    )
    return exact(
        supply("V1", "rail", "gnd", volts),
        driver("U1", "order", "gnd", 0.0, 5.0),
        resistor("R1", "order", "base", 2.2e3),
        npn("Q1", collector="pulled", base="base", emitter="gnd", beta=150.0, ratings=Ratings(vceo=vceo)),
        coil("K1", "rail", "pulled", 400.0, inductance=0.6),
        *path,
    )


def test_a_clamp_comes_on_top_of_the_rail() -> None:
    """12 V + 0.7 V + 24 V = 36.7 V (Kirchhoff's voltage law around coil and clamp)."""
    finding = findings(relay(12.0, 45.0, 24.0))["collector peak"]
    assert finding.test.left == pytest.approx(36.7, abs=1e-3)
    assert finding.severity == "warning"
    assert "after U1 low" in finding.message
    assert findings(relay(12.0, 60.0, 24.0)) == {}


def test_a_plain_diode_adds_so_little_that_it_is_not_told_apart() -> None:
    assert findings(relay(12.0, 20.0)) == {}
    found = findings(relay(12.0, 16.5))
    assert found["collector peak"].test.left == pytest.approx(12.7, abs=1e-3)


def test_a_peak_beyond_the_rating_is_caused_by_the_coil() -> None:
    subject = relay(12.0, 36.0, 24.0)
    peaks = {f.rule: f for f in judged(subject, RULE, FLYBACK).findings if f.role == "collector peak"}
    mine, theirs = peaks[RULE.slug], peaks[FLYBACK.slug]
    assert mine.severity == theirs.severity == "error"
    assert mine.caused_by == theirs.identity


def test_no_transistor() -> None:
    subject = circuit(supply("V1", "rail", "gnd", 9.0), resistor("R1", "rail", "gnd", 1e3))
    assert kinds(RULE, subject) == {"not-applicable"}


def test_tied_together_nothing_stands_across_it() -> None:
    subject = circuit(
        supply("V1", "rail", "gnd", 9.0),
        resistor("R1", "rail", "b", 1e3),
        npn("Q1", collector="gnd", base="b", emitter="gnd", beta=100.0),
    )
    (outcome,) = outcomes(RULE, subject)
    assert outcome.kind == "not-applicable"


def test_a_policy_share_changes_the_verdict() -> None:
    subject = switched(44.0, beta=150.0, ratings=STATED)
    stricter = with_limits(RULE, share=0.7)
    assert kinds(RULE, subject) == {"satisfied"}
    assert only_finding(subject, stricter).test.right == pytest.approx(42.0)


@pytest.mark.parametrize("subject", [switched(50.0, beta=150.0, ratings=STATED), relay(12.0, 45.0, 24.0)])
def test_names_order_and_polarity_do_not_matter(subject: Circuit) -> None:
    for was, now in told_otherwise(subject, RULE):
        assert now.severity == was.severity
        assert now.test.left == pytest.approx(was.test.left, rel=1e-6)
        assert value(was, "V_CE") == was.test.left
