"""relay-margin: hot copper, both sides of each limit, leakage, coils that are only held, cures."""

from __future__ import annotations

from typing import Any

import pytest

from rules.analysis.formulas.supply import copper_factor, pick_up_at
from rules.relay_margin import RULE
from schemas.circuit import Ambient, Circuit
from schemas.finding import identity
from tests.builders import (
    battery,
    capacitor,
    circuit,
    coil,
    contact,
    driver,
    exact,
    npn,
    pnp,
    press,
    resistor,
    supply,
)
from tests.judged import document, judged, kinds, only_finding, outcomes, reviewed, value
from tests.otherwise import told_otherwise, with_limits

HOT = Ambient(273.15, 293.15, 293.15 + 25.45)  # 45.45 degC: copper has 1.1 times its resistance at 20 degC


def pulled(series: float, **values: Any) -> Circuit:
    """A contact, a resistor of ``series`` ohm and a relay of 100 ohm at 10 V, no tolerances."""
    named = {"tolerance": None, "nominal": 10.0, **values}
    return exact(
        supply("V1", "rail", "gnd", 10.0),
        contact("S1", "rail", "on"),
        resistor("R1", "on", "top", series),
        coil("K1", "top", "gnd", 100.0, **named),
        ambient=HOT,
    )


def test_the_lesson_circuits_fire_and_pass() -> None:
    assert "violated" in kinds(RULE, document(RULE.lesson.failing).circuit)
    assert kinds(RULE, document(RULE.lesson.passing).circuit) == {"satisfied"}


def test_copper_by_a_handbook_table() -> None:
    """Copper at 75 degC over 20 degC: 1.216, and 0.393 %/K at 20 degC (wire tables, from memory)."""
    assert copper_factor(348.15) == pytest.approx(1.216, abs=1e-3)
    assert copper_factor(294.15) - 1.0 == pytest.approx(0.00393, abs=1e-5)
    assert pick_up_at(9.0, 293.15 + 25.45) == pytest.approx(9.9)
    with pytest.raises(ValueError, match="temperature"):
        copper_factor(100.0)


@pytest.mark.parametrize(
    ("series", "severity"),
    [(15.0, None), (15.6, "warning"), (21.0, "warning"), (21.5, "error")],
)
def test_both_limits_of_pull_in(series: float, severity: str | None) -> None:
    """10 V*100/(100 + R) against 7.5 V*1.1 = 8.25 V: 1.05 times at R = 15.44 ohm, 1 times at 21.21 ohm."""
    found = judged(pulled(series), RULE).findings
    assert [f.severity for f in found] == ([severity] if severity else [])
    if found:
        assert found[0].role == "pull-in"
        assert value(found[0], "V_coil") == pytest.approx(1000.0 / (100.0 + series))
        assert value(found[0], "V_pu(T)") == pytest.approx(8.25)
        assert "8.25 V" in found[0].message


def test_tolerances_count() -> None:
    """R + 5 %, the winding - 5 %, a supply that may be 9.5 V: 9.5*95/(95 + 1.05*12) V against 8.25 V."""
    subject = circuit(
        supply("V1", "rail", "gnd", 10.0, low=9.5),
        contact("S1", "rail", "on"),
        resistor("R1", "on", "top", 12.0),
        coil("K1", "top", "gnd", 100.0, nominal=10.0),
        ambient=HOT,
    )
    finding = only_finding(subject, RULE)
    assert value(finding, "V_coil") == pytest.approx(9.5 * 95.0 / (95.0 + 1.05 * 12.0))
    assert finding.corner == "V1 9.5 V, K1 -5 %, R1 +5 %"


@pytest.mark.parametrize(("nominal", "fires"), [(9.10, False), (9.08, True)])
def test_overdriven(nominal: float, fires: bool) -> None:
    """10 V at a coil of 9.09 V are 1.1 times its nominal voltage."""
    found = judged(pulled(1e-3, nominal=nominal), RULE).findings
    assert [(f.severity, f.role) for f in found] == ([("warning", "overdriven")] if fires else [])
    assert not found or "from memory" in found[0].message


def leaking(bleed: float | None, ohms: float = 10e3) -> Circuit:
    """A sensitive relay behind an NPN that leaks 100 uA at the hottest."""
    parts = [
        supply("V1", "rail", "gnd", 12.0),
        contact("S1", "rail", "order"),
        resistor("R1", "order", "base", 47e3),
        npn("Q1", "coil", "base", "gnd", 300.0, icbo=1e-6),
        coil("K1", "rail", "coil", ohms, nominal=12.0),
    ]
    if bleed is not None:
        parts.append(resistor("R2", "base", "gnd", bleed))
    return exact(*parts, ambient=Ambient(273.15, 298.15, 318.15))


def test_leakage_through_an_open_base_keeps_it_in() -> None:
    """I_CBO 1 uA at 25 degC is 4 uA at 45 degC; 301 times that in 10 kohm is above the 1.2 V of release."""
    finding = next(f for f in judged(leaking(None), RULE).findings if f.role == "drop-out")
    assert finding.severity == "error"
    assert value(finding, "V_release") == pytest.approx(1.2)
    assert value(finding, "V_coil") > 1.2
    assert not [f for f in judged(leaking(22e3), RULE).findings if f.role == "drop-out"]


def test_half_of_the_release_voltage_is_the_limit_when_off() -> None:
    """A resistor across the contact leaves 12 V*400/(400 + R): 0.6 V at R = 7.6 kohm, 1.2 V at 3.6 kohm."""
    for ohms, severity in ((7.7e3, None), (7.5e3, "warning"), (3.5e3, "error")):
        subject = exact(
            supply("V1", "rail", "gnd", 12.0),
            contact("S1", "rail", "top"),
            resistor("R1", "rail", "top", ohms),
            coil("K1", "top", "gnd", 400.0, nominal=12.0),
        )
        found = judged(subject, RULE).findings
        assert [f.severity for f in found] == ([severity] if severity else []), ohms


def test_a_relay_that_is_only_held_needs_less() -> None:
    """R1 and C1: the full voltage pulls it in, 5 V hold it.  Without the capacitor it never pulls in."""
    parts = [
        supply("V1", "rail", "gnd", 12.0),
        contact("S1", "rail", "on"),
        resistor("R1", "on", "top", 560.0),
        coil("K1", "top", "gnd", 400.0, nominal=12.0),
    ]
    held = circuit(*parts, capacitor("C1", "on", "top", 470e-6), stimuli={"go": press("S1", 30.0)})
    assert not judged(held, RULE).findings
    bare = only_finding(circuit(*parts, stimuli={"go": press("S1", 30.0)}), RULE)
    assert bare.severity == "error"


def test_a_weak_drive_is_the_cause() -> None:
    from rules.min_beta_drive import RULE as DRIVE

    subject = circuit(
        supply("V1", "rail", "gnd", 12.0),
        driver("U1", "order", "gnd", 0.0, 5.0),
        resistor("R1", "order", "base", 22e3),
        npn("Q1", "coil", "base", "gnd", 60.0),
        coil("K1", "rail", "coil", 400.0, nominal=12.0),
    )
    found = {f.rule: f for f in judged(subject, RULE, DRIVE).findings}
    cause = found["min-beta-drive"]
    assert found["relay-margin"].caused_by == cause.identity
    assert cause.identity == identity(cause.rule, cause.parts, cause.nets, cause.role)


def test_what_is_missing_is_named() -> None:
    subject = circuit(battery("B1", "rail", "gnd", 9.0), coil("K1", "rail", "gnd", 400.0))
    (found,) = outcomes(RULE, subject)
    assert found.kind == "undecided"
    assert "/parts/K1/nominal" in found.reason
    assert kinds(RULE, circuit(battery("B1", "rail", "gnd", 9.0), resistor("R1", "rail", "gnd", 1e3))) == {
        "not-applicable"
    }


def test_a_smaller_resistor_is_proven() -> None:
    (finding,) = reviewed(RULE.lesson.failing, RULE).findings
    (remedy,) = finding.remedies
    assert remedy.proof.proven
    assert remedy.proof.after is not None
    assert remedy.proof.after >= 1.05


def test_an_overdriven_coil_gets_a_resistor() -> None:
    text = RULE.lesson.passing.replace("voltage: 12 V, low: 11.4 V, high: 12.6 V", "voltage: 15 V")
    (finding,) = reviewed(text, RULE).findings
    assert [remedy.proof.proven for remedy in finding.remedies] == [True]


def test_policy_sets_the_limit() -> None:
    strict = with_limits(RULE, sure=1.2)
    assert judged(pulled(15.0), strict).findings
    assert not judged(pulled(15.0), RULE).findings


def test_names_and_polarity_decide_nothing() -> None:
    for subject in (leaking(None), pulled(30.0)):
        for was, now in told_otherwise(subject, RULE):
            assert now.severity == was.severity
            assert now.test.left == pytest.approx(was.test.left, rel=1e-6)


def test_a_pnp_on_the_rail() -> None:
    subject = circuit(
        supply("V1", "rail", "gnd", 12.0),
        contact("S1", "base", "low"),
        resistor("R1", "low", "gnd", 4.7e3),
        resistor("R2", "rail", "base", 47e3),
        pnp("Q1", "coil", "base", "rail", 150.0),
        coil("K1", "coil", "gnd", 400.0, nominal=12.0, pick_up=8.4),
    )
    assert kinds(RULE, subject) == {"satisfied"}
