"""thermal-runaway: the worked example, both limits, the stage that settles itself, the emitter resistor."""

from __future__ import annotations

import math

import pytest

from rules.analysis.study import Study
from rules.analysis.warming import warming
from rules.thermal_runaway import RULE
from schemas.circuit import Circuit, Part, Ratings
from schemas.finding import Finding
from tests.builders import circuit, current_source, driver, exact, led, npn, pnp, resistor, supply
from tests.judged import document, judged, kinds, only_finding, outcomes, reviewed, value
from tests.otherwise import told_otherwise, with_limits

AT_200 = Ratings(thermal=200.0)
NO_LEAK = 0.0


def findings(subject: Circuit) -> dict[str, Finding]:
    return {finding.parts[0]: finding for finding in judged(subject, RULE).findings}


def stage(emitter: float, kind: str = "npn", icbo: float = NO_LEAK, **values: object) -> Circuit:
    """20 mA at beta 150 with 10 V across, 100 ohm at the base and ``emitter`` ohm in the emitter lead."""
    current = 20e-3
    lifted = current * (1.0 + 1.0 / 150.0) * emitter
    make = npn if kind == "npn" else pnp
    ends = (lambda net: (net, "gnd")) if kind == "npn" else (lambda net: ("gnd", net))
    low = "low" if emitter else "gnd"
    parts = [
        supply("V1", *ends("rail"), 10.0 + lifted),
        supply("V2", *ends("set"), 0.7 + lifted + 100.0 * current / 150.0),
        resistor("R1", "set", "base", 100.0),
        make("Q1", collector="rail", base="base", emitter=low, beta=150.0, icbo=icbo, **values),
    ]
    if emitter:
        parts.append(resistor("R2", low, "gnd", emitter))
    return exact(*parts)


def test_the_lesson_circuits_fire_and_pass() -> None:
    assert "violated" in kinds(RULE, document(RULE.lesson.failing).circuit)
    assert kinds(RULE, document(RULE.lesson.passing).circuit) == {"satisfied"}
    dial = RULE.lesson.dial
    assert dial is not None
    bad = document(RULE.lesson.passing.replace(dial.good, dial.bad)).circuit
    assert "violated" in kinds(RULE, bad)


@pytest.mark.parametrize("kind", ["npn", "pnp"])
@pytest.mark.parametrize(
    ("emitter", "gain", "severity"), [(1.0, 1.35, "error"), (5.0, 0.57, "warning"), (20.0, 0.18, None)]
)
def test_the_worked_example(emitter: float, gain: float, severity: str | None, kind: str) -> None:
    """Beta 150, 20 mA, 10 V, 200 K/W, 100 ohm: K 1.35, 0.57, 0.18; own sum, confirmed with exponential
    junctions in tests/rules/analysis/test_ratings_formulas.py.
    """
    subject = stage(emitter, kind, ratings=AT_200)
    (outcome,) = outcomes(RULE, subject)
    assert outcome.test is not None
    assert outcome.test.left == pytest.approx(gain, abs=0.012)
    assert [f.severity for f in findings(subject).values()] == ([] if severity is None else [severity])


@pytest.mark.parametrize(
    ("wanted", "severity"), [(1.01, "error"), (0.99, "warning"), (0.301, "warning"), (0.299, None)]
)
def test_both_sides_of_the_limits(wanted: float, severity: str | None) -> None:
    """R_E from the formula: Theta*V_CE*0.002/K - R_B/beta - V_T/I_C."""
    emitter = 200.0 * 10.0 * 0.002 / wanted - 100.0 / 150.0 - 0.025852 / 0.02
    found = list(findings(stage(emitter, ratings=AT_200)).values())
    assert [f.severity for f in found] == ([] if severity is None else [severity])


def test_what_emitter_and_base_see_is_read_from_the_circuit() -> None:
    """Divider 10 k/2 k (Thevenin 1.667 k), 220 ohm in the emitter lead, 560 ohm at the collector."""
    subject = exact(
        supply("V1", "rail", "gnd", 12.0),
        resistor("R1", "rail", "base", 10e3),
        resistor("R2", "base", "gnd", 2e3),
        resistor("R3", "rail", "out", 560.0),
        npn("Q1", collector="out", base="base", emitter="low", beta=120.0, ratings=AT_200),
        resistor("R4", "low", "gnd", 220.0),
    )
    (situation,) = (s for s in Study(subject).situations() if s.state.devices["Q1"] == "active")
    found = warming(situation.state, "Q1", 200.0, 298.15, 0.0)
    assert found is not None
    assert found.bias.emitter == pytest.approx(220.0, rel=1e-6)
    assert found.bias.base == pytest.approx(10e3 * 2e3 / 12e3, rel=1e-6)
    # the emitter carries (beta + 1)/beta of the collector current
    assert found.bias.load == pytest.approx(560.0 + 220.0 * 121.0 / 120.0, rel=1e-6)


def test_a_collector_resistor_that_takes_half_of_the_supply_settles_it() -> None:
    """Trap: 20 mA and 10 V on the transistor; with 500 ohm and more, more current brings less heat."""

    def loaded(ohms: float) -> Circuit:
        base = stage(0.0, ratings=AT_200)
        parts = dict(base.parts)
        parts["V1"] = supply("V1", "rail", "gnd", 10.0 + 20e-3 * ohms)
        parts["R3"] = resistor("R3", "rail", "out", ohms)
        parts["Q1"] = npn(
            "Q1", collector="out", base="base", emitter="gnd", beta=150.0, icbo=0.0, ratings=AT_200
        )
        return exact(*parts.values())

    assert findings(loaded(520.0)) == {}
    (settled,) = outcomes(RULE, loaded(520.0))
    assert settled.kind == "satisfied"
    assert findings(loaded(480.0))["Q1"].severity == "error"


@pytest.mark.parametrize("kind", ["npn", "pnp"])
def test_a_bare_mirror_has_nothing_but_its_own_thermal_voltage(kind: str) -> None:
    """Q1 holds V_BE of Q2: K = Theta*V_CE*0.002*I_C/V_T, I_C = 10.2 mA - 2*I_B = 10 mA."""
    make = npn if kind == "npn" else pnp
    ends = ("rail", "gnd") if kind == "npn" else ("gnd", "rail")

    def mirror(*more: Part, out: str = "rail") -> Circuit:
        return exact(
            supply("V1", *ends, 10.0),
            resistor("R1", "rail", "ref", 9.3 / 10.2e-3),
            make("Q1", "ref", "ref", "gnd", beta=100.0, icbo=0.0, ratings=AT_200),
            make("Q2", out, "ref", "gnd", beta=100.0, icbo=0.0, ratings=AT_200),
            *more,
        )

    found = findings(mirror())
    assert set(found) == {"Q2"}
    assert found["Q2"].severity == "error"
    assert found["Q2"].test.left == pytest.approx(200.0 * 10.0 * 0.002 * 10e-3 / 0.025852, rel=1e-3)
    # with more than half of the supply on a collector resistor it settles
    assert findings(mirror(resistor("R2", "rail", "out", 600.0), out="out")) == {}


def test_leakage_joins_in_at_a_stiff_heat() -> None:
    """S*0.07*I_CBO: S = beta + 1 at a base on a large resistance without R_E."""
    subject = exact(
        supply("V1", "rail", "gnd", 10.0),
        resistor("R1", "rail", "base", 9.3 / (20e-3 / 150.0)),
        npn("Q1", collector="rail", base="base", emitter="gnd", beta=150.0, icbo=1e-6, ratings=AT_200),
    )
    finding = findings(subject)["Q1"]
    junction = 298.15 + 200.0 * (10.0 * 20e-3 + 0.7 * 20e-3 / 150.0)
    leakage = 1e-6 * 2.0 ** ((junction - 298.15) / 10.0)
    drop = 4.0 / (9.3 / 20e-3 + 0.025852 / 20e-3)
    wanted = drop + 200.0 * 10.0 * 151.0 * 0.07 * leakage
    assert value(finding, "S") == pytest.approx(151.0, rel=1e-6)
    assert value(finding, "I_CBO") == pytest.approx(leakage, rel=1e-6)
    assert finding.test.left == pytest.approx(wanted, rel=1e-6)
    assert any("leakage does most of it" in a for a in finding.advice)


def test_a_current_source_in_the_emitter_lead_settles_it() -> None:
    subject = exact(
        supply("V1", "rail", "gnd", 10.0),
        supply("V2", "base", "gnd", 3.0),
        npn("Q1", collector="rail", base="base", emitter="low", beta=150.0, icbo=0.0, ratings=AT_200),
        current_source("I1", "low", "gnd", 20e-3),
    )
    (outcome,) = outcomes(RULE, subject)
    assert outcome.kind == "satisfied"
    assert outcome.test is not None
    assert outcome.test.left < 1e-6


def test_an_assumed_thermal_resistance_warns_at_most() -> None:
    """250 K/W: 2N3904 (Vishay), BC557B (ST)."""
    finding = findings(stage(1.0))["Q1"]
    assert finding.severity == "warning"
    assert finding.test.left == pytest.approx(1.35 * 250.0 / 200.0, rel=0.01)
    assert "250 K/W (assumed)" in finding.message


def test_it_settles_hotter_and_says_how_much() -> None:
    """1/(1 - K), the sum of a geometric series."""
    finding = findings(stage(5.0, ratings=AT_200))["Q1"]
    assert f"ends {1.0 / (1.0 - finding.test.left):.3g} times as large" in finding.message


TEXT = """\
format: thumbrule/1
name: seed-drawer-warmer
ground: gnd
ambient: {low: 20 degC, nominal: 25 degC, high: 25 degC}
parts:
  V1: {kind: supply, voltage: 10 V, pins: {plus: rail, minus: gnd}}
  R1: {kind: resistor, resistance: 100 kohm, tolerance: 1 %, pins: {a: rail, b: base}}
  Q1:
    kind: npn
    beta: 150
    icbo: 1 nA
    ratings: {thermal: 200 K/W}
    pins: {collector: rail, base: base, emitter: EMITTER}
"""


def test_a_larger_emitter_resistor_is_proven() -> None:
    """A divider sets the base: the larger resistor lowers the current and takes back what the heat gives."""
    text = (
        TEXT.replace("EMITTER", "low").replace("100 kohm", "470 ohm")
        + "  R2: {kind: resistor, resistance: 68 ohm, pins: {a: base, b: gnd}}\n"
        + "  R3: {kind: resistor, resistance: 10 ohm, pins: {a: low, b: gnd}}\n"
    )
    (finding,) = reviewed(text, RULE).findings
    (remedy,) = finding.remedies
    assert remedy.proof.proven
    assert [op["path"] for op in remedy.patch if op["op"] == "replace"] == ["/parts/R3/resistance"]
    assert remedy.proof.after is not None
    assert remedy.proof.after <= 0.3


def test_an_emitter_resistor_is_fitted_where_there_is_none() -> None:
    text = (
        TEXT.replace("EMITTER", "gnd").replace("100 kohm", "1.2 kohm")
        + "  R2: {kind: resistor, resistance: 100 ohm, tolerance: 1 %, pins: {a: base, b: gnd}}\n"
    )
    (finding,) = reviewed(text, RULE).findings
    (remedy,) = finding.remedies
    added = {op["path"]: op["value"] for op in remedy.patch if op["op"] == "add"}
    assert added["/parts/R3"]["pins"] == {"a": "gnd_2", "b": "gnd"}
    assert remedy.proof.proven


def test_a_switch_is_not_judged() -> None:
    subject = circuit(
        supply("V1", "rail", "gnd", 12.0),
        driver("U1", "order", "gnd", 0.0, 5.0),
        resistor("R1", "order", "base", 10e3),
        resistor("R2", "rail", "a", 1e3),
        led("D1", "a", "out"),
        npn("Q1", collector="out", base="base", emitter="gnd", beta=150.0),
    )
    (outcome,) = outcomes(RULE, subject)
    assert outcome.kind == "not-applicable"
    assert "is a switch" in outcome.reason


def test_no_transistor_and_none_that_is_active() -> None:
    bare = circuit(supply("V1", "rail", "gnd", 9.0), resistor("R1", "rail", "gnd", 1e3))
    assert kinds(RULE, bare) == {"not-applicable"}
    off = circuit(
        supply("V1", "rail", "gnd", 9.0),
        resistor("R1", "rail", "c", 1e3),
        npn("Q1", collector="c", base="gnd", emitter="gnd", beta=100.0),
    )
    assert kinds(RULE, off) == {"not-applicable"}


def test_a_policy_limit_changes_the_verdict() -> None:
    subject = stage(20.0, ratings=AT_200)
    stricter = with_limits(RULE, careful=0.15)
    assert kinds(RULE, subject) == {"satisfied"}
    assert only_finding(subject, stricter).test.right == 0.15


@pytest.mark.parametrize("subject", [stage(5.0, ratings=AT_200), stage(1.0, "pnp", ratings=AT_200)])
def test_names_order_and_polarity_do_not_matter(subject: Circuit) -> None:
    for was, now in told_otherwise(subject, RULE):
        assert now.severity == was.severity
        assert now.test.left == pytest.approx(was.test.left, rel=1e-6)
        assert math.isfinite(was.test.left)
