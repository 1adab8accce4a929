"""transistor-dissipation: the half-on switch, both limits, unstable states, classes of parts."""

from __future__ import annotations

import pytest

from rules.min_beta_drive import RULE as DRIVE
from rules.transistor_dissipation import RULE
from schemas.circuit import Action, Ambient, Beta, Circuit, Ratings, frozen_map
from schemas.finding import Finding
from tests.builders import (
    BENCH,
    capacitor,
    circuit,
    contact,
    driver,
    exact,
    led,
    load,
    npn,
    pnp,
    press,
    resistor,
    supply,
)
from tests.judged import document, judged, kinds, outcomes, value
from tests.otherwise import told_otherwise

TO_92 = Ratings(power=0.625, junction=423.15, thermal=200.0)


def findings(subject: Circuit) -> dict[str, Finding]:
    return {finding.parts[0]: finding for finding in judged(subject, RULE).findings}


def shunt(watts: float, kind: str = "npn", ambient: Ambient = BENCH, **values: object) -> Circuit:
    """An emitter follower whose collector is on the rail: half of 10 V across it, R_E sets the current.

    The base stands at 5.7 V, its feed is ideal; the base current flows at 0.7 V.
    """
    beta = 1e6  # P = 5 V*I_C, the base as good as nothing
    make = npn if kind == "npn" else pnp
    ends = ("rail", "gnd") if kind == "npn" else ("gnd", "rail")
    set_ends = ("base", "gnd") if kind == "npn" else ("gnd", "base")
    return exact(
        supply("V1", *ends, 10.0),
        supply("V2", *set_ends, 5.7),
        resistor("R1", "out", "gnd", 25.0 / watts),
        make("Q1", collector="rail", base="base", emitter="out", beta=beta, **values),
        ambient=ambient,
    )


def test_the_lesson_circuits_fire_and_pass() -> None:
    assert "violated" in kinds(RULE, document(RULE.lesson.failing).circuit)
    assert kinds(RULE, document(RULE.lesson.passing).circuit) == {"satisfied"}


@pytest.mark.parametrize(
    ("watts", "severity"), [(0.311, None), (0.314, "warning"), (0.624, "warning"), (0.626, "error")]
)
@pytest.mark.parametrize("kind", ["npn", "pnp"])
def test_both_sides_of_the_power(watts: float, severity: str | None, kind: str) -> None:
    """At 25 degC: 625 mW and half of it (TO-92: 625 mW, 200 K/W, 5 mW/K; onsemi 2N3904/D)."""
    found = list(findings(shunt(watts, kind, ratings=TO_92)).values())
    assert [f.severity for f in found] == ([] if severity is None else [severity])
    if found:
        assert found[0].test.left == pytest.approx(watts, rel=1e-4)


@pytest.mark.parametrize(
    ("watts", "severity"), [(0.274, None), (0.276, "warning"), (0.549, "warning"), (0.551, "error")]
)
def test_the_heat_of_the_day_takes_its_share(watts: float, severity: str | None) -> None:
    """At 40 degC 550 mW are left: 625 mW less 15 K at 5 mW/K."""
    hot = Ambient(298.15, 298.15, 313.15)
    found = list(findings(shunt(watts, ambient=hot, ratings=TO_92)).values())
    assert [f.severity for f in found] == ([] if severity is None else [severity])


def test_the_junction_counts_where_it_is_hotter_than_the_power_tells() -> None:
    """300 K/W: 0.29 W make 25 + 87 = 112 degC, although half of the power is not in use."""
    part = Ratings(power=0.625, junction=423.15, thermal=300.0)
    assert findings(shunt(0.28, ratings=part)) == {}
    finding = findings(shunt(0.29, ratings=part))["Q1"]
    assert value(finding, "T_j") == pytest.approx(298.15 + 87.0, abs=0.01)
    assert "its junction at 112 degC; limit for its junction 110 degC" in finding.message


def half_on(beta: Beta, ohms: float = 100.0, **values: object) -> Circuit:
    """A switch at 12 V with a load and a base current of 0.43 mA."""
    return exact(
        supply("V1", "rail", "gnd", 12.0),
        driver("U1", "order", "gnd", 0.0, 5.0),
        resistor("R1", "order", "base", 10e3),
        load("LP1", "rail", "out", ohms),
        npn("Q1", collector="out", base="base", emitter="gnd", beta=beta, **values),
    )


def test_a_half_on_switch_is_hottest_at_half_of_the_supply() -> None:
    """V_S^2/(4*R_L) = 360 mW lies between the gains, at both ends there is less (maximum power transfer)."""
    subject = half_on(Beta(50.0, 120.0, 250.0), ratings=TO_92)
    finding = findings(subject)["Q1"]
    assert finding.test.left == pytest.approx(144.0 / 400.0 + 0.7 * 0.43e-3, rel=1e-4)
    assert value(finding, "V_CE") == pytest.approx(6.0, abs=0.02)
    assert value(finding, "P_max") == pytest.approx(0.36)


def test_a_hot_switch_is_caused_by_its_drive() -> None:
    subject = half_on(Beta(50.0, 120.0, 250.0), ratings=TO_92)
    found = judged(subject, RULE, DRIVE).findings
    mine = next(f for f in found if f.rule == RULE.slug)
    assert mine.caused_by in {f.identity for f in found if f.rule == DRIVE.slug}


def test_a_saturated_switch_and_an_open_one_stay_cool() -> None:
    subject = half_on(Beta(2e3, 2e3, 2e3), ratings=TO_92)
    (outcome,) = outcomes(RULE, subject)
    assert outcome.kind == "satisfied"
    assert outcome.test is not None
    assert outcome.test.left < 0.03


def test_the_state_between_the_two_of_a_latch_is_no_resting_state() -> None:
    """Trap: a PNP/NPN latch with a load of 68 ohm; halfway the PNP would be hot, but nothing stays there."""
    subject = exact(
        supply("V1", "rail", "gnd", 12.0),
        pnp("Q2", collector="out", base="b2", emitter="rail", beta=100.0, ratings=TO_92),
        resistor("R1", "rail", "b2", 10e3),
        resistor("R2", "b2", "c1", 1e3),
        npn("Q1", collector="c1", base="b1", emitter="gnd", beta=100.0, ratings=TO_92),
        resistor("R3", "out", "b1", 10e3),
        resistor("R4", "b1", "gnd", 10e3),
        load("LP1", "out", "gnd", 68.0),
    )
    from rules.analysis.study import Study

    unstable = [
        state.power["Q2"]
        for sets in Study(subject).state_sets()
        for state in sets.states
        if not state.stable and state.power["Q2"] is not None
    ]
    assert unstable
    assert findings(subject) == {}
    assert kinds(RULE, subject) == {"satisfied"}


def test_only_the_rating_itself_counts_for_a_moment() -> None:
    """A button held for half a second: 0.4 W are more than half, less than all of 625 mW."""

    def pushed(watts: float, seconds: float) -> Circuit:
        return exact(
            supply("V1", "rail", "gnd", 10.0),
            contact("S1", "rail", "live"),
            supply("V2", "base", "gnd", 5.7),
            resistor("R1", "out", "gnd", 25.0 / watts),
            npn("Q1", collector="live", base="base", emitter="out", beta=1e6, ratings=TO_92),
            stimuli=frozen_map({"tap": press("S1", seconds)}),
        )

    assert findings(pushed(0.4, 0.5)) == {}
    assert findings(pushed(0.4, 5.0))["Q1"].severity == "warning"
    assert findings(pushed(0.7, 0.5))["Q1"].severity == "error"


def faded(farads: float) -> Circuit:
    """A lamp as an emitter follower whose base rises with R*C: 12 V, 33 ohm, 100 kohm."""
    return exact(
        supply("V1", "rail", "gnd", 12.0),
        contact("S1", "rail", "feed"),
        resistor("R1", "feed", "base", 100e3),
        capacitor("C1", "base", "gnd", farads),
        resistor("R2", "base", "gnd", 10e6),
        npn("Q1", collector="rail", base="base", emitter="lit", beta=1e6, ratings=TO_92),
        load("LP1", "lit", "gnd", 33.0),
        stimuli=frozen_map({"on": (Action(0.0, "S1", "closed"),)}),
    )


def test_a_slow_passage_through_the_middle_is_told() -> None:
    """With a time constant of 10 s it stays near V_S^2/(4*R_L) = 1.09 W for a second; with 10 ms it does not.

    At rest 0.7 V and what R2 takes stand across it.
    """
    found = [f for f in judged(faded(100e-6), RULE).findings if f.role == "passing heat"]
    assert [f.severity for f in found] == ["warning"]
    # the slope of V_CE at the middle is 6 V/10 s: 0.3 V away half a second before and after
    assert found[0].test.left == pytest.approx(144.0 / 132.0, rel=5e-3)
    assert "half on as it passes" in found[0].message
    assert not any(f.role == "passing heat" for f in judged(faded(100e-9), RULE).findings)


def test_a_part_nobody_described_warns_at_its_class() -> None:
    """500 mW: BC547B (NXP) and BC557B (ST), the lowest of the common types."""
    assert findings(shunt(0.45)) == {}
    finding = findings(shunt(0.55))["Q1"]
    assert finding.severity == "warning"
    assert "an assumed rating of 500 mW" in finding.message
    assert {q.symbol for q in finding.evidence if q.origin == "assumed"} >= {"P_25", "T_jmax"}


def test_no_transistor() -> None:
    subject = circuit(
        supply("V1", "rail", "gnd", 9.0), led("D1", "rail", "a"), resistor("R1", "a", "gnd", 1e3)
    )
    assert kinds(RULE, subject) == {"not-applicable"}


@pytest.mark.parametrize(
    "subject", [shunt(0.4, ratings=TO_92), half_on(Beta(50.0, 120.0, 250.0), ratings=TO_92)]
)
def test_names_order_and_polarity_do_not_matter(subject: Circuit) -> None:
    for was, now in told_otherwise(subject, RULE):
        assert now.severity == was.severity
        assert now.test.left == pytest.approx(was.test.left, rel=1e-6)
