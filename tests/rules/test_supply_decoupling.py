"""supply-decoupling: when a latch wants a capacitor across its rail, how large, and when nothing is said."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from rules.analysis.formulas.supply import bulk_at_least
from rules.supply_decoupling import RULE
from schemas.circuit import Circuit, NetNote, Part, frozen_map
from tests.builders import battery, capacitor, circuit, coil, contact, diode, film, resistor, supply
from tests.judged import document, judged, kinds, only_finding, outcomes, reviewed, value
from tests.latches import garden_light, tank
from tests.otherwise import told_otherwise, with_limits


def latched(
    ohms: float, *extra: Part, internal: float | None = 0.1, source: Part | None = None, **members: Any
) -> Circuit:
    """The tank latch with a load of ``ohms`` on a battery of 12 V."""
    made = tank(rl=ohms, **members)
    cell = source or battery("V1", "vp", "gnd", 12.0, internal)
    parts = {**made.parts, **{part.name: part for part in extra}, "V1": cell}
    return replace(made, parts=frozen_map(parts))


def test_the_lesson_circuits_fire_and_pass() -> None:
    assert "violated" in kinds(RULE, document(RULE.lesson.failing).circuit)
    assert kinds(RULE, document(RULE.lesson.passing).circuit) == {"satisfied"}


def test_the_sum_by_hand() -> None:
    """0.1 A for 10 us and 0.1 V: 10 uF."""
    assert bulk_at_least(0.1, 10e-6, 0.1) == pytest.approx(10e-6)


@pytest.mark.parametrize(("ohms", "fires"), [(270.0, False), (220.0, True)])
def test_50_milliamperes_beside_a_latch(ohms: float, fires: bool) -> None:
    """11.8 V/R and 2.6 mA for the loop: 46 mA and 56 mA."""
    found = judged(latched(ohms), RULE).findings
    assert [f.severity for f in found] == (["warning"] if fires else [])
    if found:
        assert value(found[0], "dI") == pytest.approx(11.8 / ohms + 2.6e-3, rel=0.01)
        assert value(found[0], "C_min") == pytest.approx(value(found[0], "dI") * 1e-4)
        assert found[0].message.startswith("No capacitor is across the rail of V1")


@pytest.mark.parametrize(("internal", "fires"), [(6.8, False), (7.4, True)])
def test_a_tenth_of_a_volt_inside_the_battery(internal: float, fires: bool) -> None:
    """1 kohm: 14.4 mA through 6.9 ohm drop 0.1 V."""
    assert bool(judged(latched(1e3, internal=internal), RULE).findings) == fires


@pytest.mark.parametrize(("farads", "fires"), [(6.8e-6, True), (8.2e-6, False)])
def test_a_capacitor_that_is_large_enough(farads: float, fires: bool) -> None:
    """220 ohm: 56 mA want 5.6 uF, 7 uF with 20 % less."""
    bulk = capacitor("C9", "vp", "gnd", farads, tolerance=None)
    subject = latched(220.0, bulk, assumptions={"electrolytic_tolerance": 0.2})
    found = judged(subject, RULE).findings
    assert bool(found) == fires
    assert not found or "at the least are across" in found[0].message


def test_a_relay_beside_a_latch() -> None:
    subject = latched(
        2e3, coil("K1", "out", "gnd", 1.5e3, nominal=12.0), diode("D1", "gnd", "out"), internal=0.5
    )
    assert "K1 is inductive" in only_finding(subject, RULE).message


def test_a_supply_beside_the_circuit_and_one_at_the_end_of_a_wire() -> None:
    beside = supply("V1", "vp", "gnd", 12.0)
    assert not judged(latched(100.0, source=beside), RULE).findings
    far = replace(latched(100.0, source=beside), nets=frozen_map({"vp": NetNote(wire=4.0)}))
    assert only_finding(far, RULE).severity == "warning"
    light = replace(latched(1e3, source=beside), nets=frozen_map({"vp": NetNote(wire=4.0)}))
    assert only_finding(light, RULE).severity == "note"
    small = replace(
        latched(1e3, film("C9", "vp", "gnd", 100e-9), source=beside),
        nets=frozen_map({"vp": NetNote(wire=4.0)}),
    )
    assert not judged(small, RULE).findings


def test_a_small_load_on_a_good_battery_asks_for_nothing() -> None:
    assert not judged(garden_light(), RULE).findings


@pytest.mark.parametrize(
    ("subject", "words"),
    [
        (
            circuit(
                battery("BT1", "rail", "gnd", 9.0, 2.0),
                contact("S1", "rail", "on"),
                resistor("R1", "on", "gnd", 47.0),
            ),
            "no latch or timer",
        ),
        (latched(1e3), "changes by"),
        (latched(1e3, source=supply("V1", "vp", "gnd", 12.0)), "beside the circuit"),
    ],
)
def test_nothing_to_judge(subject: Circuit, words: str) -> None:
    (found,) = outcomes(RULE, subject)
    assert found.kind == "not-applicable"
    assert words in found.reason


def test_the_capacitors_are_proven() -> None:
    (finding,) = reviewed(RULE.lesson.failing, RULE).findings
    (remedy,) = finding.remedies
    assert remedy.proof.proven
    added = [op["value"] for op in remedy.patch if op["op"] == "add"]
    assert [part["capacitance"] for part in added] == ["10 uF", "100 nF"]
    assert added[0]["pins"] == {"plus": "rail", "minus": "gnd"}


def test_behind_a_switch_the_capacitors_go_behind_it() -> None:
    switch = "  S9: {kind: contact, rest: closed, pins: {a: cell, b: rail}}\n"
    pins = "{plus: rail, minus: gnd}}\n"
    text = RULE.lesson.failing.replace(pins, pins.replace("rail", "cell") + switch, 1)
    (finding,) = reviewed(text, RULE).findings
    added = [op["value"] for op in finding.remedies[0].patch if op["op"] == "add"]
    assert added[0]["pins"] == {"plus": "rail", "minus": "gnd"}


def test_policy_sets_the_limit() -> None:
    mild = with_limits(RULE, load=0.2)
    assert judged(latched(220.0), RULE).findings
    assert not judged(latched(220.0), mild).findings


def test_names_and_polarity_decide_nothing() -> None:
    subject = latched(150.0, capacitor("C9", "vp", "gnd", 4.7e-6))
    for was, now in told_otherwise(subject, RULE):
        assert now.severity == was.severity
        assert now.test.left == pytest.approx(was.test.left, rel=1e-6)
