"""drop-budget: sums by hand, both sides of the limit, roads that carry nothing, and its traps."""

from __future__ import annotations

from typing import Any

import pytest

from rules.drop_budget import RULE
from schemas.circuit import Circuit
from tests.builders import (
    circuit,
    coil,
    contact,
    diode,
    driver,
    exact,
    led,
    load,
    npn,
    pnp,
    resistor,
    supply,
    zener,
)
from tests.judged import document, judged, kinds, mirrored, only_finding, outcomes, renamed, value
from tests.otherwise import with_limits


def string(volts: float, *drops: float) -> Circuit:
    """LEDs in series with one resistor."""
    parts = [supply("V1", "rail", "gnd", volts), resistor("R1", "rail", "n0", 100.0)]
    for k, drop in enumerate(drops):
        far = "gnd" if k == len(drops) - 1 else f"n{k + 1}"
        parts.append(led(f"D{k + 1}", f"n{k}", far, drop))
    return exact(*parts)


def test_the_lesson_circuits_fire_and_pass() -> None:
    assert "violated" in kinds(RULE, document(RULE.lesson.failing).circuit)
    assert kinds(RULE, document(RULE.lesson.passing).circuit) == {"satisfied"}


def test_the_sum_of_the_lesson_by_hand() -> None:
    """7.2 V - 3*(2.6 V + 0.2 V + 25 K * 2 mV/K) = -1.35 V (Kirchhoff's voltage law); 2 ohm of the battery."""
    finding = only_finding(document(RULE.lesson.failing).circuit, RULE)
    assert finding.severity == "error"
    feed = 390.0 * 1.05
    left = (7.2 - 3 * 2.85) * feed / (feed + 2.0)
    assert finding.test.left == pytest.approx(left)
    assert finding.test.right == pytest.approx(0.1 * (left + 3 * 2.85))
    assert finding.corner == "BT1 7.2 V, R1 +5 %, D1 2.8 V, D2 2.8 V, D3 2.8 V, 0 degC"
    assert finding.parts == ("D1", "D2", "D3")
    assert any("in a string of its own" in text for text in finding.advice)


@pytest.mark.parametrize(
    ("volts", "drop", "severity"),
    [
        # half a volt decides up to 5 V, a tenth of the supply above
        (4.0, 3.49, None),
        (4.0, 3.51, "warning"),
        (4.0, 3.99, "warning"),
        (10.0, 8.99, None),
        (10.0, 9.01, "warning"),
        (4.0, 4.01, "error"),
    ],
)
def test_both_sides_of_the_limit(volts: float, drop: float, severity: str | None) -> None:
    found = judged(string(volts, drop), RULE).findings
    assert [f.severity for f in found] == ([] if severity is None else [severity])
    if found:
        assert found[0].test.left == pytest.approx(volts - drop, abs=1e-9)


def test_a_string_that_never_lights_is_told() -> None:
    """Its drops exceed the supply in every state, so no current tells of its road."""
    finding = only_finding(string(9.0, 3.2, 3.2, 3.2), RULE)
    assert finding.severity == "error"
    assert finding.test.left == pytest.approx(9.0 - 9.6)
    assert "no current flows" in finding.message


def test_one_string_is_one_finding() -> None:
    assert len(judged(string(6.0, 2.0, 2.0, 1.9), RULE).findings) == 1


@pytest.mark.parametrize(
    ("first", "drop"),
    [
        (None, 0.2),  # saturated: V_CE,sat
        ("darlington", 0.9),  # V_CE,sat of the first half and V_BE of the second
    ],
)
def test_what_a_switch_takes(first: str | None, drop: float) -> None:
    base, extra = "b", []
    if first:
        base, extra = "m", [npn("Q2", "c", "b", "m", 100.0), resistor("R2", "m", "gnd", 10e3)]
    subject = exact(
        supply("V1", "rail", "gnd", 5.0),
        resistor("R1", "rail", "b", 1e3),
        npn("Q1", "c", base, "gnd", 100.0),
        coil("K1", "rail", "c", 500.0),
        *extra,
    )
    told = [o for o in outcomes(RULE, subject) if o.kind == "satisfied"]
    assert told
    for outcome in told:
        left = next(q.value for q in outcome.evidence if q.symbol == "V_left")
        assert left == pytest.approx(5.0 - drop)


def test_a_follower_takes_its_junction() -> None:
    """1.1 V less 0.7 V leave 0.4 V to a motor; a saturated switch would leave 0.9 V."""
    subject = exact(
        supply("V1", "rail", "gnd", 1.1),
        contact("S1", "rail", "b"),
        npn("Q1", "rail", "b", "m", 100.0),
        load("M1", "m", "gnd", 100.0),
    )
    finding = only_finding(subject, RULE)
    assert finding.test.left == pytest.approx(0.4)
    assert any("saturated switch" in text for text in finding.advice)


def test_a_driver_is_an_end_of_the_road() -> None:
    """3.3 V output, blue LED: 0.1 V are left of the half volt."""
    subject = exact(
        driver("U1", "out", "gnd", 0.0, 3.3),
        resistor("R1", "out", "a", 47.0),
        led("D1", "a", "gnd", 3.2),
    )
    finding = only_finding(subject, RULE)
    assert finding.test.left == pytest.approx(0.1)
    assert finding.state is not None
    assert "U1 high" in finding.message


def test_high_side_and_diode_count() -> None:
    subject = exact(
        supply("V1", "rail", "gnd", 3.0),
        pnp("Q1", "c", "b", "rail", 100.0),
        resistor("R1", "b", "gnd", 1e3),
        diode("D2", "c", "k"),
        resistor("R2", "k", "a", 47.0),
        led("D1", "a", "gnd", 1.8),
    )
    finding = only_finding(subject, RULE)
    assert finding.parts == ("D1", "D2", "Q1")
    assert finding.test.left == pytest.approx(3.0 - 0.2 - 0.7 - 1.8)


def test_a_reversed_led_is_no_matter_of_the_budget() -> None:
    """Trap: it carries nothing because it is turned round, not because the supply is too low."""
    subject = exact(
        supply("V1", "rail", "gnd", 9.0), resistor("R1", "rail", "k", 1e3), led("D1", "gnd", "k", 2.0)
    )
    assert {o.kind for o in outcomes(RULE, subject)} == {"not-applicable"}


@pytest.mark.parametrize(
    ("subject", "words"),
    [
        (circuit(supply("V1", "rail", "gnd", 9.0), resistor("R1", "rail", "gnd", 1e3)), "no LED, load"),
        (circuit(supply("V1", "rail", "gnd", 9.0), load("L1", "rail", "gnd", 1e3)), "no junction lies"),
        (
            circuit(
                supply("V1", "rail", "gnd", 9.0),
                resistor("R1", "rail", "a", 1e3),
                led("D1", "a", "c", 2.0),
                npn("Q1", "c", "b", "gnd", 100.0),
                resistor("R2", "b", "gnd", 1e3),
            ),
            "no current in any state",
        ),
    ],
)
def test_nothing_to_judge(subject: Circuit, words: str) -> None:
    found = outcomes(RULE, subject)
    assert {o.kind for o in found} == {"not-applicable"}
    assert words in found[0].reason


def test_a_policy_may_ask_for_more() -> None:
    strict = with_limits(RULE, least=2.0)
    subject = string(5.0, 3.2)
    assert not judged(subject, RULE).findings
    assert only_finding(subject, strict).test.right == 2.0


@pytest.mark.parametrize("change", [mirrored, lambda c: renamed(c)[0]])
def test_polarity_and_names_decide_nothing(change: Any) -> None:
    for subject in (document(RULE.lesson.failing).circuit, string(9.0, 3.2, 3.2, 3.2)):
        was, now = only_finding(subject, RULE), only_finding(change(subject), RULE)
        assert was.severity == now.severity
        assert now.test.left == pytest.approx(was.test.left)


def test_the_best_road_counts_for_what_carries_nothing() -> None:
    """Two switches lead to the LED, one through a diode: the road without it leaves more."""
    subject = exact(
        supply("V1", "rail", "gnd", 3.0),
        contact("S1", "rail", "x"),
        diode("D2", "x", "y"),
        contact("S2", "rail", "y"),
        resistor("R1", "y", "a", 100.0),
        led("D1", "a", "gnd", 3.1),
    )
    finding = only_finding(subject, RULE)
    assert finding.test.left == pytest.approx(-0.1)
    assert value(finding, "V_D1") == pytest.approx(3.1)


@pytest.mark.parametrize("volts", [9.0, 6.0])
def test_a_zener_in_series_is_a_threshold(volts: float) -> None:
    """Trap: a battery indicator goes out on purpose; it is not judged, lit or dark."""
    subject = exact(
        supply("V1", "rail", "gnd", volts),
        resistor("R1", "rail", "k", 220.0),
        zener("Z1", "a", "k", 5.1),
        led("D1", "a", "gnd", 1.8),
    )
    assert {o.kind for o in outcomes(RULE, subject)} == {"not-applicable"}


def test_where_the_source_alone_limits_there_is_no_budget() -> None:
    """Trap: an LED straight on an output pulls it down to its own drop; led-current tells of that."""
    subject = exact(driver("U1", "order", "gnd", 0.0, 3.3, resistance=80.0), led("D1", "order", "gnd", 2.0))
    assert kinds(RULE, subject) == {"not-applicable"}
