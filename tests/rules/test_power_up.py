"""power-up: wrong states, chance, ramps and steps, unasked delays, oscillators that hang."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from rules.power_up import RULE
from schemas.circuit import Beta, Circuit, Part, frozen_map
from schemas.finding import Finding
from tests.builders import (
    battery,
    circuit,
    diode,
    film,
    npn,
    pnp,
    resistor,
    supply,
    zener,
)
from tests.judged import document, judged, kinds, mirrored, only_finding, outcomes, renamed, reviewed, value
from tests.timers import blinker, garden_light, hold_on, on_delay, one_shot, requirement


def the(subject: Circuit) -> Finding:
    return only_finding(subject, RULE)


def latch(*more: Part, beta: float | Beta = 200.0, **members: object) -> Circuit:
    """A PNP and an NPN that hold each other; 1 kohm at the output."""
    return circuit(
        battery("V1", "rail", "gnd", 9.0, 2.0),
        pnp("Q2", "out", "b2", "rail", beta),
        resistor("RB2", "rail", "b2", 10e3),
        resistor("R2", "b2", "c1", 6.8e3),
        npn("Q1", "c1", "b1", "gnd", beta),
        resistor("R3", "out", "b1", 68e3),
        resistor("RB1", "b1", "gnd", 22e3),
        resistor("RL", "out", "gnd", 1e3),
        *more,
        **members,  # type: ignore[arg-type]
    )


KICK = film("C1", "rail", "b1", 100e-9)


def flip_flop(*more: Part, **members: object) -> Circuit:
    """Two stages that hold each other off."""
    parts = [supply("V1", "rail", "gnd", 9.0)]
    for me, other in ((1, 2), (2, 1)):
        parts += [
            resistor(f"RC{me}", "rail", f"c{me}", 1e3),
            resistor(f"RB{me}", f"c{other}", f"b{me}", 10e3),
            npn(f"Q{me}", f"c{me}", f"b{me}", "gnd", 100.0),
        ]
    return circuit(*parts, *more, **members)  # type: ignore[arg-type]


def test_a_mirror_comes_up_in_its_one_state() -> None:
    """Trap: equal base-emitter drops share the current in any way; there is no other state to end in."""
    mirror = circuit(
        supply("V1", "rail", "gnd", 10.0),
        resistor("R1", "rail", "ref", 9.1e3),
        npn("Q1", "ref", "ref", "gnd", 100.0),
        npn("Q2", "out", "ref", "gnd", 100.0),
        resistor("R2", "rail", "out", 2.2e3),
    )
    assert kinds(RULE, mirror) == {"satisfied"}
    assert kinds(RULE, mirrored(mirror)) == {"satisfied"}


LEFT = {"left": frozen_map({"Q1": "saturated", "Q2": "off"})}
QUIET = (requirement("standing-current", state="left", at_most=0.02),)


def flasher(base: float, beta: float = 150.0) -> Circuit:
    """A cross-coupled astable with base resistors such that I_C/I_B = 4.8 mA/(4.3 V/base) when saturated."""
    subject = blinker()
    parts = dict(subject.parts)
    for me in (1, 2):
        parts[f"RB{me}"] = resistor(f"RB{me}", "rail", f"b{me}", base)
        parts[f"Q{me}"] = npn(f"Q{me}", f"c{me}", f"b{me}", "gnd", beta)
    return replace(subject, parts=frozen_map(parts))


def test_the_lesson_circuits_fire_and_pass() -> None:
    assert "violated" in kinds(RULE, document(RULE.lesson.failing).circuit)
    assert kinds(RULE, document(RULE.lesson.passing).circuit) == {"satisfied"}


@pytest.mark.parametrize(
    "subject",
    [latch(), garden_light(), on_delay(), hold_on(), one_shot(), blinker()],
    ids=lambda c: c.name,
)
def test_what_comes_up_as_it_should(subject: Circuit) -> None:
    assert kinds(RULE, subject) == {"satisfied"}


def test_a_capacitor_from_the_rail_to_a_base_sets_the_latch() -> None:
    finding = the(latch(KICK))
    assert finding.severity == "error"
    assert finding.parts == ("Q1", "Q2")
    assert 'ends in "Q1 saturated, Q2 saturated", not in "all off"' in finding.message
    assert value(finding, "N") == 2.0


def test_a_resistance_that_slows_the_kick_makes_it_harmless() -> None:
    """1 Mohm: the current into the base is less than RB1 takes."""
    slow = latch(resistor("R9", "rail", "slow", 1e6), film("C1", "slow", "b1", 100e-9))
    assert kinds(RULE, slow) == {"satisfied"}


@pytest.mark.parametrize("name", ["dark", "lit"])
def test_the_state_a_requirement_names_is_the_one_that_counts(name: str) -> None:
    states = {
        "dark": frozen_map({"Q1": "off", "Q2": "off"}),
        "lit": frozen_map({"Q1": "on", "Q2": "saturated"}),
    }
    wanted = (requirement("standing-current", state=name, at_most=0.02),)
    plain = latch(states=frozen_map(states), requirements=wanted)
    kicked = latch(KICK, states=frozen_map(states), requirements=wanted)
    assert [f.severity for f in judged(plain, RULE).findings] == (["error"] if name == "lit" else [])
    # kicked into the wanted state: a supply that rises slowly does not kick
    assert the(kicked).severity == ("error" if name == "dark" else "warning")


def test_every_gain_is_tried() -> None:
    """A kick that is not enough for the least gain.

    Q2 needs 0.7 V/10 kohm, Q1 that over its gain besides what RB1 and R3 take from 8.3 V/195.5 kohm.
    """
    kick = (resistor("R9", "rail", "slow", 195.5e3), film("C1", "slow", "b1", 47e-9))
    finding = the(latch(*kick, beta=Beta(100, 200, 400)))
    assert {o.corner for o in finding.occurrences} == {"typical", "max"}


def test_two_stages_that_hold_each_other_off_come_up_by_chance() -> None:
    finding = the(flip_flop())
    assert finding.severity == "note"
    assert 'nothing decides between "Q1 saturated" or "Q2 saturated"' in finding.message
    assert finding.test.left == 2.0
    declared = the(flip_flop(states=frozen_map(LEFT), requirements=QUIET))
    assert declared.severity == "warning"
    assert '"left" is the one that is wanted' in declared.message


@pytest.mark.parametrize(("base", "severity"), [("b2", None), ("b1", "error")])
def test_a_capacitor_at_one_base_decides(base: str, severity: str | None) -> None:
    """It keeps that transistor off for a moment, and the other one wins."""
    subject = flip_flop(film("C1", base, "gnd", 100e-9), states=frozen_map(LEFT), requirements=QUIET)
    found = judged(subject, RULE).findings
    assert [f.severity for f in found if f.role != "chance"] == ([] if severity is None else [severity])
    assert not [f for f in found if f.role == "chance"]


def ramped(hold: float) -> Circuit:
    """RS would set the latch; Q3 takes its current once the supply has passed the zener."""
    return latch(
        resistor("RS", "rail", "x", 47e3),
        diode("D1", "x", "b1"),
        npn("Q3", "x", "b3", "gnd", 200.0),
        zener("D2", "b3", "z", hold),
        resistor("RZ", "rail", "z", 10e3),
        resistor("RB3", "b3", "gnd", 100e3),
        film("C1", "b1", "gnd", 100e-9),
    )


@pytest.mark.parametrize(("hold", "fires"), [(4.7, True), (0.1, False)])
def test_a_slow_ramp_may_end_elsewhere(hold: float, fires: bool) -> None:
    """Below the zener voltage nothing holds the latch off; with 0.1 V Q3 is there before Q1."""
    found = judged(ramped(hold), RULE).findings
    assert [f.severity for f in found] == (["warning"] if fires else [])
    if fires:
        assert "rises slowly" in found[0].message


@pytest.mark.parametrize(("farads", "fires"), [(15e-6, False), (47e-6, True)])
def test_both_sides_of_a_delay_that_nobody_asked_for(farads: float, fires: bool) -> None:
    """A capacitor from the rail to the trigger fires the one-shot at switch-on.

    C1 starts empty: R1*C1*ln((5 V - 0.2 V + 0 V)/(5 V - 0.7 V)) = 0.243 s with 47 uF, 0.0775 s with 15 uF.
    """
    subject = one_shot(farads=farads)
    parts = {**subject.parts, "C2": film("C2", "rail", "trig", 22e-9)}
    found = [
        f for f in judged(replace(subject, parts=frozen_map(parts)), RULE).findings if f.role == "unasked"
    ]
    assert [f.severity for f in found] == (["warning"] if fires else [])
    if fires:
        assert value(found[0], "t_on") == pytest.approx(47e3 * farads * math.log(4.8 / 4.3), rel=1e-3)
        assert "although nobody asked for it; limit 100 ms" in found[0].message


@pytest.mark.parametrize(("forced", "fires"), [(5.98, True), (6.62, False)])
def test_both_sides_of_a_flasher_that_hangs(forced: float, fires: bool) -> None:
    """Reverse gain 4: stable at a forced gain of 5.98, two growing modes at 6.62 (own eigenvalues).

    Trap: both transistors saturated have no gain in the hand model at all, and still the loop starts.
    """
    subject = flasher(forced * 4.3 / 4.8e-3)
    assert ("violated" in kinds(RULE, subject)) is fires
    if fires:
        finding = the(subject)
        assert finding.severity == "warning"
        assert value(finding, "(I_C/I_B)_Q1") == pytest.approx(forced, rel=1e-3)
        assert "After a sudden switch-on it runs" in finding.message
        assert finding.parts == ("Q1", "Q2")


def test_a_flasher_without_gain_starts_at_no_switch_on() -> None:
    finding = the(flasher(47e3, 0.5))
    assert finding.severity == "error"
    assert "It stays there after switch-on" in finding.message


def test_a_circuit_that_should_rest_but_never_does() -> None:
    """100 ohm in one coupling: no longer cross-coupled by capacitors alone, but it runs from switch-on."""
    subject = flasher(2e3)
    parts = {
        **subject.parts,
        "C1": film("C1", "c2", "mid", 10e-6),
        "R9": resistor("R9", "mid", "b1", 100.0),
    }
    finding = the(replace(subject, parts=frozen_map(parts)))
    assert finding.severity == "error"
    assert "never comes to rest" in finding.message
    assert value(finding, "T") > 0.0


def test_the_capacitor_from_base_to_emitter_is_proven() -> None:
    (finding,) = reviewed(RULE.lesson.failing, RULE).findings
    added = [op for r in finding.remedies for op in r.patch if op["op"] == "add"]
    assert added
    for op in added:
        assert op["value"]["kind"] == "capacitor"
        assert set(op["value"]["pins"].values()) in ({"b1", "gnd"}, {"b2", "rail"})


HANGING = """\
format: thumbrule/1
name: cress-lamp-flasher
ground: gnd
parts:
  V1: {kind: supply, voltage: 5 V, pins: {plus: rail, minus: gnd}}
  R1: {kind: resistor, resistance: 1 kohm, pins: {a: rail, b: c1}}
  R2: {kind: resistor, resistance: 1 kohm, pins: {a: rail, b: c2}}
  R3: {kind: resistor, resistance: 3.3 kohm, pins: {a: rail, b: b1}}
  R4: {kind: resistor, resistance: 3.3 kohm, pins: {a: rail, b: b2}}
  C1: {kind: capacitor, capacitance: 100 uF, dielectric: film, pins: {a: c1, b: b2}}
  C2: {kind: capacitor, capacitance: 100 uF, dielectric: film, pins: {a: c2, b: b1}}
  Q1: {kind: npn, beta: 200, pins: {collector: c1, base: b1, emitter: gnd}}
  Q2: {kind: npn, beta: 200, pins: {collector: c2, base: b2, emitter: gnd}}
"""


def test_larger_base_resistors_are_told() -> None:
    """3.3 kohm * 10/3.68 = 8.96 kohm, 10 kohm with 5 %; mended, the circuit has no state of rest any more."""
    (finding,) = reviewed(HANGING, RULE).findings
    assert any("R3 3.3 kohm to 10 kohm and R4 3.3 kohm to 10 kohm" in a for a in finding.advice)
    mended = HANGING.replace("3.3 kohm", "10 kohm")
    assert kinds(RULE, document(mended).circuit) == {"satisfied"}


@pytest.mark.parametrize(
    ("subject", "words"),
    [
        (circuit(supply("V1", "rail", "gnd", 9.0), resistor("R1", "rail", "gnd", 1e3)), "no transistor"),
        (
            circuit(
                supply("V1", "rail", "gnd", 9.0),
                supply("V2", "rail", "gnd", 5.0),
                npn("Q1", "rail", "rail", "gnd", 100.0),
            ),
            "no state at rest",
        ),
    ],
)
def test_nothing_to_judge(subject: Circuit, words: str) -> None:
    found = outcomes(RULE, subject)
    assert {o.kind for o in found} == {"not-applicable"}
    assert words in found[0].reason


def test_a_run_that_cannot_be_followed_is_undecided() -> None:
    """A capacitor straight from an ideal supply to a base: nothing limits its current."""
    subject = latch(KICK)
    parts = {**subject.parts, "V1": supply("V1", "rail", "gnd", 9.0)}
    (outcome,) = outcomes(RULE, replace(subject, parts=frozen_map(parts)))
    assert outcome.kind == "undecided"
    assert "could not be followed" in outcome.reason


@pytest.mark.parametrize(
    "subject", [latch(KICK), flip_flop(), ramped(4.7), flasher(5e3)], ids=["kick", "chance", "ramp", "hang"]
)
def test_renaming_and_mirroring_change_nothing(subject: Circuit) -> None:
    changed, names = renamed(subject)
    was, now, turned = the(subject), the(changed), the(mirrored(subject))
    assert now.parts == tuple(sorted(names[p] for p in was.parts))
    assert was.severity == now.severity == turned.severity
    assert was.role == now.role == turned.role
    assert turned.parts == was.parts
