"""stored-charge: contacts, LEDs and bare diodes, both sides of each limit, and what a capacitor may do."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from rules.analysis.formulas.supply import loop_resistance_at_least, peak_current
from rules.stored_charge import RULE
from schemas.circuit import Circuit, Part, Ratings
from tests.builders import (
    battery,
    capacitor,
    circuit,
    contact,
    diode,
    led,
    npn,
    press,
    resistor,
    supply,
)
from tests.judged import document, judged, kinds, only_finding, outcomes, reviewed, value
from tests.latches import garden_light
from tests.otherwise import told_otherwise, with_limits


def emptied(ohms: float | None, farads: float = 100e-6, *extra: Part, **values: Any) -> Circuit:
    """A capacitor at 10 V, a button that empties it through ``ohms``; straight for ``None``."""
    esr = values.pop("esr", None)
    way = [] if ohms is None else [resistor("R2", "store", "way", ohms)]
    return circuit(
        supply("V1", "rail", "gnd", 10.0),
        resistor("R1", "rail", "store", 100e3),
        capacitor("C1", "store", "gnd", farads, esr=esr),
        *way,
        contact("S1", "store" if ohms is None else "way", "gnd", **values),
        *extra,
    )


def flashed(ohms: float | None, device: Part, farads: float = 100e-6) -> Circuit:
    """The same capacitor, put onto a diode or LED ``device`` (anode at ``top``, cathode at gnd)."""
    way = [] if ohms is None else [resistor("R2", "way", "top", ohms)]
    return circuit(
        supply("V1", "rail", "gnd", 10.0),
        resistor("R1", "rail", "store", 100e3),
        capacitor("C1", "store", "gnd", farads),
        contact("S1", "store", "top" if ohms is None else "way"),
        *way,
        device,
    )


def test_the_lesson_circuits_fire_and_pass() -> None:
    assert "violated" in kinds(RULE, document(RULE.lesson.failing).circuit)
    assert kinds(RULE, document(RULE.lesson.passing).circuit) == {"satisfied"}


def test_the_formulas_by_hand() -> None:
    assert peak_current(12.0, 2.0, 100.0) == pytest.approx(0.1)
    assert peak_current(1.0, 2.0, 100.0) == 0.0
    assert loop_resistance_at_least(12.0, 2.0, 0.02) == pytest.approx(500.0)
    with pytest.raises(ValueError, match="left"):
        loop_resistance_at_least(2.0, 2.0, 0.02)


@pytest.mark.parametrize(
    ("ohms", "farads", "fires"),
    [
        (9.9, 100e-6, True),
        (10.1, 100e-6, False),
        (1.0, 9.9e-6, False),
        (1.0, 10e-6, True),
        (None, 10e-6, True),
        (None, 1e-6, False),
    ],
)
def test_a_contact_wants_10_ohm_from_10_microfarads_on(
    ohms: float | None, farads: float, fires: bool
) -> None:
    found = judged(emptied(ohms, farads), RULE).findings
    assert [f.severity for f in found] == (["warning"] if fires else [])
    if found:
        assert found[0].parts == ("C1", "S1")
        assert value(found[0], "V_C") == pytest.approx(10.0, rel=1e-6)
        assert value(found[0], "W") == pytest.approx(0.5 * farads * 100.0, rel=1e-6)
        assert value(found[0], "R_path") == pytest.approx(ohms or 0.0, abs=1e-6)


def test_the_own_resistance_of_the_capacitor_counts_where_it_is_stated() -> None:
    assert judged(emptied(4.7), RULE).findings
    assert not judged(emptied(4.7, esr=6.0), RULE).findings
    assert not judged(emptied(None, esr=12.0), RULE).findings
    assert "nothing limits" in only_finding(emptied(None, esr=0.0), RULE).message


@pytest.mark.parametrize(("rated", "fires"), [(0.25, True), (0.6, False)])
def test_the_rated_current_of_a_contact(rated: float, fires: bool) -> None:
    """10 V through 22 ohm are 0.45 A."""
    found = judged(emptied(22.0, current=rated), RULE).findings
    assert bool(found) == fires
    assert not found or value(found[0], "I_pk") == pytest.approx(10.0 / 22.0, rel=1e-6)


@pytest.mark.parametrize(("ohms", "severity"), [(210.0, None), (190.0, "warning")])
def test_an_led_stands_twice_its_rated_current_for_a_moment(ohms: float, severity: str | None) -> None:
    """(10 V - 2 V)/R against 2*20 mA: 200 ohm."""
    found = judged(flashed(ohms, led("D1", "top", "gnd", 2.0, current=20e-3)), RULE).findings
    assert [f.severity for f in found if "D1" in f.parts] == ([severity] if severity else [])
    for finding in found:
        assert value(finding, "I_pk") == pytest.approx(8.0 / ohms, rel=1e-6)
        assert "from memory" in finding.message


def test_a_diode_with_nothing_in_its_loop() -> None:
    """At least (10 V - 0.7 V)/10 ohm: above the 0.5 A of a moment of a 1N4148, below the 30 A of a 1N4001."""
    finding = only_finding(flashed(None, diode("D1", "top", "gnd", type="1N4148")), RULE)
    assert finding.severity == "error"
    assert value(finding, "I_pk") == pytest.approx(0.93, rel=1e-6)
    assert "straight" in finding.message
    assert kinds(RULE, flashed(None, diode("D1", "top", "gnd", type="1N4001"))) == {"satisfied"}


def test_a_stated_surge_rating_is_an_error() -> None:
    rated = led("D1", "top", "gnd", 2.0, current=20e-3, ratings=Ratings(surge=0.1))
    assert only_finding(flashed(47.0, rated), RULE).severity == "error"
    assert not judged(flashed(100.0, rated), RULE).findings


def test_a_small_capacitor_holds_too_little() -> None:
    """100 nF at 10 V hold 5 uJ, 220 nF 11 uJ."""
    small = led("D1", "top", "gnd", 2.0)
    assert not judged(flashed(1.0, small, 100e-9), RULE).findings
    assert judged(flashed(1.0, small, 220e-9), RULE).findings


def test_the_supply_coming_on_is_left_out() -> None:
    """A bulk capacitor behind a switch: the source has no known resistance, or a small one."""
    for internal in (None, 2.0):
        subject = circuit(
            battery("BT1", "cell", "gnd", 9.0, internal),
            contact("S1", "cell", "rail"),
            capacitor("C1", "rail", "gnd", 100e-6),
            resistor("R1", "rail", "gnd", 1e3),
        )
        assert not judged(subject, RULE).findings


def test_a_load_switched_on_beside_its_bulk_capacitor_is_no_short() -> None:
    subject = circuit(
        battery("BT1", "rail", "gnd", 9.0, 2.0),
        capacitor("C1", "rail", "gnd", 470e-6),
        contact("S1", "rail", "on"),
        resistor("R1", "on", "gnd", 100.0),
    )
    assert {o.kind for o in outcomes(RULE, subject)} == {"satisfied"}


def test_a_timer_with_a_discharge_diode_is_content() -> None:
    assert not judged(garden_light(), RULE).findings


@pytest.mark.parametrize(
    ("subject", "words"),
    [
        (
            circuit(supply("V1", "rail", "gnd", 9.0), resistor("R1", "rail", "gnd", 1e3)),
            "there is no capacitor",
        ),
        (
            circuit(
                supply("V1", "rail", "gnd", 9.0),
                resistor("R1", "rail", "c", 1e3),
                capacitor("C1", "c", "gnd", 1e-3),
                npn("Q1", "c", "c", "gnd", 100.0),
            ),
            "empties through no contact",
        ),
    ],
)
def test_nothing_to_judge(subject: Circuit, words: str) -> None:
    (found,) = outcomes(RULE, subject)
    assert found.kind == "not-applicable"
    assert words in found.reason


def test_a_stimulus_counts_too() -> None:
    subject = replace(emptied(4.7), stimuli={"clear": press("S1", 0.5)})
    assert '"clear"' in only_finding(subject, RULE).message


def test_a_resistor_in_series_is_proven() -> None:
    (finding,) = reviewed(RULE.lesson.failing, RULE).findings
    (remedy,) = finding.remedies
    assert remedy.proof.proven
    assert remedy.proof.after is not None
    assert remedy.proof.after >= 10.0


def test_policy_sets_the_limit() -> None:
    strict = with_limits(RULE, path=47.0)
    assert judged(emptied(22.0), strict).findings
    assert not judged(emptied(22.0), RULE).findings


def test_names_and_polarity_decide_nothing() -> None:
    bright = flashed(47.0, led("D1", "top", "gnd", 2.0))
    for subject in (emptied(2.2), emptied(None), bright):
        for was, now in told_otherwise(subject, RULE):
            assert now.severity == was.severity
            assert now.test.left == pytest.approx(was.test.left, rel=1e-5, abs=1e-9)
