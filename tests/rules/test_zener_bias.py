"""zener-bias: textbook currents, both sides of each limit, starved and burning zeners, and its traps."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from rules.analysis.formulas.feeding import power_allowed, zener_current, zener_resistor_at_most
from rules.zener_bias import RULE
from schemas.circuit import Ambient, Circuit, Ratings, Tolerance
from schemas.finding import Finding
from tests.builders import circuit, contact, exact, load, npn, resistor, supply, zener
from tests.judged import document, judged, kinds, mirrored, only_finding, outcomes, renamed, reviewed, value
from tests.otherwise import with_limits

EXACTLY = Tolerance(0.0, 0.0)
WATT = Ratings(power=1.0)


def shunt(
    volts: float, ohms: float, zener_volts: float, loaded: float | None = None, **values: Any
) -> Circuit:
    """A zener from a net to ground, fed by one resistor; ``loaded`` ohm beside it."""
    values.setdefault("ratings", WATT)
    high = values.pop("high", None)
    parts = [
        supply("V1", "rail", "gnd", volts, high=high),
        resistor("R1", "rail", "held", ohms),
        zener("Z1", "gnd", "held", zener_volts, tolerance=EXACTLY, **values),
    ]
    if loaded is not None:
        parts.append(resistor("RL", "held", "gnd", loaded))
    return exact(*parts)


def findings(subject: Circuit) -> dict[str, Finding]:
    return {finding.role: finding for finding in judged(subject, RULE).findings}


def told(subject: Circuit, symbol: str) -> list[float]:
    return [q.value for o in outcomes(RULE, subject) for q in o.evidence if q.symbol == symbol]


def test_the_lesson_circuits_fire_and_pass() -> None:
    assert "violated" in kinds(RULE, document(RULE.lesson.failing).circuit)
    assert kinds(RULE, document(RULE.lesson.passing).circuit) == {"satisfied"}


@pytest.mark.parametrize(
    ("volts", "ohms", "zener_volts", "loaded", "amperes"),
    [
        # Malvino, Electronic Principles, ex. 5-1: 20 to 40 V, 820 ohm, 10 V
        (20.0, 820.0, 10.0, None, 12.2e-3),
        (40.0, 820.0, 10.0, None, 36.59e-3),
        # the same, ex. 5-2 and 5-3: 18 V, 270 ohm, 1 kohm, 10 V: I_L 10 mA, I_Z 19.63 mA
        (18.0, 270.0, 10.0, 1e3, 19.63e-3),
    ],
)
def test_textbook_currents(
    volts: float, ohms: float, zener_volts: float, loaded: float | None, amperes: float
) -> None:
    subject = shunt(volts, ohms, zener_volts, loaded)
    found = told(subject, "I_Z")
    assert found
    assert all(amps == pytest.approx(amperes, abs=6e-6) for amps in found)
    assert told(subject, "I_Z_hand")[0] == pytest.approx(amperes, abs=6e-6)
    burden = 0.0 if loaded is None else zener_volts / loaded
    assert zener_current(volts, zener_volts, ohms, burden) == pytest.approx(amperes, abs=6e-6)


@pytest.mark.parametrize(
    ("volts", "zener_volts", "burden", "ohms"),
    # Malvino, ex. 5-10 and 5-11, nothing left to the zener
    [(22.0, 12.0, 12.0 / 140.0, 116.67), (15.0, 6.8, 20e-3, 410.0)],
)
def test_textbook_feed_resistors(volts: float, zener_volts: float, burden: float, ohms: float) -> None:
    assert zener_resistor_at_most(volts, zener_volts, 0.0, burden) == pytest.approx(ohms, abs=0.01)


@pytest.mark.parametrize(
    ("celsius", "watts"),
    # Floyd, Electronic Devices, ex. 3.4: 400 mW at 50 degC, 3.2 mW/K: 272 mW at 90 degC
    [(50.0, 0.4), (20.0, 0.4), (90.0, 0.272), (175.0, 0.0)],
)
def test_a_textbook_derating(celsius: float, watts: float) -> None:
    thermal = 1.0 / 3.2e-3
    junction = 273.15 + 50.0 + 0.4 * thermal
    assert power_allowed(0.4, junction, thermal, 273.15 + celsius) == pytest.approx(watts, abs=1e-12)


@pytest.mark.parametrize(
    ("milliamperes", "severity"),
    [(2.01, None), (1.99, "warning"), (0.26, "warning"), (0.24, "error")],
)
def test_both_sides_of_the_least_current(milliamperes: float, severity: str | None) -> None:
    """9 V, 5 V over R1 and 5 mA of load: what R1 brings beyond that is left."""
    ohms = 4.0 / (5e-3 + milliamperes * 1e-3)
    found = findings(shunt(9.0, ohms, 5.0, 1e3))
    assert {r: f.severity for r, f in found.items()} == (
        {} if severity is None else {"least current": severity}
    )
    if found:
        assert found["least current"].test.left == pytest.approx(milliamperes * 1e-3)


@pytest.mark.parametrize(
    ("milliwatts", "severity"),
    [(499.0, None), (501.0, "warning"), (999.0, "warning"), (1001.0, "error")],
)
def test_both_sides_of_the_power(milliwatts: float, severity: str | None) -> None:
    ohms = 4.0 * 5.0 / (milliwatts * 1e-3)
    found = findings(shunt(9.0, ohms, 5.0))
    assert {r: f.severity for r, f in found.items()} == ({} if severity is None else {"power": severity})


@pytest.mark.parametrize(("milliwatts", "fires"), [(199.0, False), (201.0, True), (900.0, True)])
def test_a_power_from_memory_is_a_warning_at_most(milliwatts: float, fires: bool) -> None:
    found = findings(shunt(9.0, 20.0 / (milliwatts * 1e-3), 5.0, ratings=Ratings()))
    assert {r: f.severity for r, f in found.items()} == ({"power": "warning"} if fires else {})
    if fires:
        assert "from memory" in found["power"].message


def test_the_power_is_derated() -> None:
    """Floyd, ex. 3.4: 272 mW at 90 degC are not 400 mW; 150 mW are more than the half of it."""
    thermal = 1.0 / 3.2e-3
    ratings = Ratings(power=0.4, thermal=thermal, junction=273.15 + 50.0 + 0.4 * thermal)
    hot = Ambient(298.15, 298.15, 363.15)
    subject = shunt(9.0, 20.0 / 0.15, 5.0, ratings=ratings)
    assert not findings(subject)
    finding = findings(replace(subject, ambient=hot))["power"]
    assert value(finding, "P(T)") == pytest.approx(0.272)


def test_battery_and_tolerances_decide() -> None:
    """(7 V - 5.1 V*1.02)/(820 ohm*1.05 + 2 ohm) - 5.1 V*1.02/(2.7 kohm*0.95) by hand."""
    finding = only_finding(document(RULE.lesson.failing).circuit, RULE)
    zener_volts = 5.1 * 1.02
    by_hand = (7.0 - zener_volts) / (820.0 * 1.05 + 2.0) - zener_volts / (2700.0 * 0.95)
    assert finding.test.left == pytest.approx(by_hand)
    assert finding.severity == "error"
    assert finding.corner == "BT1 7 V, R1 +5 %, R2 -5 %, Z1 +2 %"


def test_a_smaller_feed_is_proven() -> None:
    (finding,) = reviewed(RULE.lesson.failing, RULE).findings
    # (7 V - 5.202 V)/(2 mA + 2.03 mA) = 446 ohm, less 5 %: 425 ohm, 390 ohm
    assert [op["value"] for op in finding.remedies[0].patch if op["op"] == "replace"] == ["390 ohm"]


def test_a_larger_feed_is_proven() -> None:
    text = RULE.lesson.passing.replace("270 ohm", "82 ohm")
    (finding,) = reviewed(text, RULE).findings
    assert finding.role == "power"
    (remedy,) = finding.remedies
    assert remedy.proof.after is not None
    assert remedy.proof.after <= 0.25


def test_a_load_that_takes_it_all() -> None:
    """With S1 closed the load of 220 ohm pulls the net below the zener: nothing is left."""
    subject = exact(
        supply("V1", "rail", "gnd", 9.0),
        resistor("R1", "rail", "held", 390.0),
        zener("Z1", "gnd", "held", 5.1, tolerance=EXACTLY, ratings=WATT),
        contact("S1", "held", "x"),
        load("L1", "x", "gnd", 220.0),
    )
    finding = findings(subject)["least current"]
    assert finding.severity == "error"
    assert finding.test.left == 0.0
    assert "The load takes all that R1 brings" in finding.message


def test_a_supply_that_is_switched_off_starves_nothing() -> None:
    """Trap: without its supply no zener breaks down."""
    subject = exact(
        supply("V1", "rail", "gnd", 9.0),
        contact("S1", "rail", "feed"),
        resistor("R1", "feed", "held", 390.0),
        zener("Z1", "gnd", "held", 5.1, tolerance=EXACTLY, ratings=WATT),
        resistor("R2", "held", "gnd", 2.2e3),
    )
    assert not judged(subject, RULE).findings


def test_a_clamp_is_not_biased() -> None:
    """Trap: a zener across a divider that never reaches it."""
    subject = exact(
        supply("V1", "rail", "gnd", 9.0),
        resistor("R1", "rail", "x", 10e3),
        resistor("R2", "x", "gnd", 10e3),
        zener("Z1", "gnd", "x", 5.6),
    )
    found = outcomes(RULE, subject)
    assert {o.kind for o in found} == {"not-applicable"}
    assert "breaks down in no state" in found[0].reason


def threshold(zener_volts: float, ohms: float) -> Circuit:
    """A zener in the way to a base: it sets a threshold and holds no rail."""
    return exact(
        supply("V1", "rail", "gnd", 12.0),
        resistor("R1", "rail", "k", ohms),
        zener("Z1", "b", "k", zener_volts, tolerance=EXACTLY),
        npn("Q1", "c", "b", "gnd", 100.0),
        load("L1", "rail", "c", 10e3),
    )


@pytest.mark.parametrize(
    ("zener_volts", "ohms", "fires"),
    # (12 V - 4.7 V - 0.7 V)/R against 0.25 mA; above 5 V the knee is sharp
    [(4.7, 26e3, False), (4.7, 27e3, True), (6.8, 220e3, False)],
)
def test_a_soft_knee_sets_no_threshold(zener_volts: float, ohms: float, fires: bool) -> None:
    found = findings(threshold(zener_volts, ohms))
    assert {r: f.severity for r, f in found.items()} == ({"soft knee": "warning"} if fires else {})


def test_the_base_current_of_a_follower_is_the_load() -> None:
    """The least gain takes the most: (9 V - 5.6 V)/330 ohm - 4.9 V/47 ohm/51."""
    subject = exact(
        supply("V1", "rail", "gnd", 9.0),
        resistor("R1", "rail", "held", 330.0),
        zener("Z1", "gnd", "held", 5.6, tolerance=EXACTLY, ratings=WATT),
        npn("Q1", "rail", "held", "out", 50.0),
        load("L1", "out", "gnd", 47.0),
    )
    assert not judged(subject, RULE).findings
    assert min(told(subject, "I_Z")) == pytest.approx(3.4 / 330.0 - 4.9 / 47.0 / 51.0)


def test_no_zener() -> None:
    subject = circuit(supply("V1", "rail", "gnd", 9.0), resistor("R1", "rail", "gnd", 1e3))
    assert {o.kind for o in outcomes(RULE, subject)} == {"not-applicable"}


def test_a_policy_may_ask_for_more() -> None:
    strict = with_limits(RULE, sure=5e-3)
    subject = shunt(9.0, 1e3, 5.0)
    assert not judged(subject, RULE).findings
    assert only_finding(subject, strict).test.right == 5e-3


@pytest.mark.parametrize("change", [mirrored, lambda c: renamed(c)[0]])
def test_polarity_and_names_decide_nothing(change: Any) -> None:
    for subject in (document(RULE.lesson.failing).circuit, shunt(9.0, 18.0, 5.0), threshold(4.7, 33e3)):
        was, now = only_finding(subject, RULE), only_finding(change(subject), RULE)
        assert (was.role, was.severity) == (now.role, now.severity)
        assert now.test.left == pytest.approx(was.test.left)
