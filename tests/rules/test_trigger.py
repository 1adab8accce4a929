"""trigger: amplitude, width and holding by hand, both sides of their limits, and what is no trigger."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import pytest

from rules.analysis.study import Study
from rules.analysis.timeline.timelines import gains
from rules.analysis.trigger_drive import Amplitude, amplitude, series_resistance
from rules.analysis.trigger_width import held_for_ever, least_width
from rules.analysis.triggers import Trigger, triggers
from rules.trigger import RULE
from schemas.circuit import Action, Ambient, Beta, Circuit, Part, Tolerance, frozen_map
from schemas.finding import Finding
from tests.builders import (
    circuit,
    contact,
    driver,
    film,
    npn,
    pnp,
    press,
    resistor,
    supply,
)
from tests.judged import document, judged, kinds, mirrored, outcomes, renamed, reviewed, value
from tests.timers import blinker, garden_light, hold_on, on_delay, one_shot, requirement

ROOM = Ambient(298.15, 298.15, 298.15)
NONE = Tolerance(0.0, 0.0)
EXACT = {"resistor_tolerance": 0.0, "film_tolerance": 0.0, "junction_spread": 0.0}


def latch(series: float = 33e3, farads: float | None = None, seconds: float = 0.1, **more: Any) -> Circuit:
    """A contact sets a PNP/NPN latch through ``series`` ohm; nothing of it varies unless told."""
    parts = [
        supply("V1", "rail", "gnd", 9.0),
        pnp("Q2", "out", "b2", "rail", 200.0),
        resistor("RB2", "rail", "b2", 10e3),
        resistor("R2", "b2", "c1", 6.8e3),
        npn("Q1", "c1", "b1", "gnd", more.pop("beta", 200.0)),
        resistor("R3", "out", "b1", 68e3),
        resistor("RB1", "b1", "gnd", 22e3),
        resistor("RL", "out", "gnd", 1e3),
        contact("S1", "rail", "set"),
        resistor("R8", "set", "b1", series),
        *more.pop("extra", ()),
    ]
    if farads is not None:
        parts.append(film("C1", "b1", "gnd", farads))
    more.setdefault("stimuli", frozen_map({"set": press("S1", seconds)}))
    more.setdefault("assumptions", EXACT)
    return circuit(*parts, ambient=ROOM, **more)


# V_BE over all that bleeds the base of Q1, and what Q1 takes to bring V_BE/RB2 (rule of the field)
FOLD = 0.7 / 22e3 + 0.7 / (68e3 + 1e3) + 0.7 / (10e3 * 200.0)


def findings(subject: Circuit) -> dict[str, Finding]:
    """By role."""
    return {finding.role: finding for finding in judged(subject, RULE).findings}


def the_trigger(study: Study) -> Trigger:
    (found,) = [t for t in triggers(study) if isinstance(t, Trigger)]
    return found


def nominal(subject: Circuit) -> Amplitude:
    study = Study(subject)
    found = amplitude(study, the_trigger(study), study.resolved, gains(study, "typical"))
    assert found is not None
    return found


def test_the_lesson_circuits_fire_and_pass() -> None:
    assert "violated" in kinds(RULE, document(RULE.lesson.failing).circuit)
    assert kinds(RULE, document(RULE.lesson.passing).circuit) == {"satisfied"}


def test_the_fold_current_is_that_of_the_hand_sum() -> None:
    found = nominal(latch())
    assert found.fold == pytest.approx(FOLD, rel=1e-6)
    assert found.available == pytest.approx((9.0 - 0.7) / 33e3, rel=1e-6)
    assert found.factor == pytest.approx((9.0 - 0.7) / 33e3 / FOLD, rel=1e-6)
    assert found.resistance == pytest.approx(33e3)
    assert found.left == pytest.approx(9.0 - 0.7 - 33e3 * FOLD, rel=1e-6)


@pytest.mark.parametrize(
    ("share", "severity"),
    [(2.02, None), (1.98, "warning"), (1.01, "warning"), (0.99, "error")],
)
def test_both_sides_of_the_amplitude(share: float, severity: str | None) -> None:
    """R8 so that it brings just that many times the fold current; no tolerance, one temperature.

    Below once it does not switch over at all; the reference is the same circuit with another contact.
    """
    ohms = 8.3 / (share * FOLD)
    sure = (contact("S2", "rail", "sure"), resistor("R9", "sure", "b1", 10e3))
    both = latch(ohms, extra=sure, stimuli=frozen_map({"set": press("S1", 0.1), "sure": press("S2", 0.1)}))
    if severity == "error":
        study = Study(both)
        strong = next(t for t in triggers(study) if isinstance(t, Trigger) and t.part == "S2")
        weak = replace(strong, part="S1", there=replace(strong.there, part="S1"))
        found = amplitude(study, weak, study.resolved, gains(study, "typical"))
        assert found is not None
        assert found.factor == pytest.approx(share, rel=1e-3)
        return
    weak_ones = [f for f in judged(both, RULE).findings if f.parts == ("S1",)]
    assert [f.severity for f in weak_ones] == ([] if severity is None else [severity])
    if weak_ones:
        assert weak_ones[0].test.left == pytest.approx(share, rel=1e-3)


def test_one_that_never_switches_over_is_an_error() -> None:
    """220 kohm bring 37.7 uA; nothing is set off, with a requirement that says it should be or without."""
    wanted = (requirement("delay", stimulus="set", state="on", at_least=1.0),)
    states = frozen_map({"on": frozen_map({"Q1": "saturated", "Q2": "saturated"})})
    for subject in (latch(220e3), latch(220e3, states=states, requirements=wanted)):
        finding = findings(subject)["amplitude"]
        assert finding.severity == "error"
        assert finding.test.left == pytest.approx(8.3 / 220e3 / FOLD, rel=1e-3)
        assert "never switches over" in finding.message


def test_a_contact_that_drives_no_base_of_the_latch_is_no_trigger_of_it() -> None:
    """A lamp of its own beside the latch: however it sags the supply, nobody meant it to set anything."""
    lamp = (contact("S2", "rail", "bulb"), resistor("LP", "bulb", "gnd", 1e3))
    found = outcomes(RULE, latch(extra=lamp, stimuli=frozen_map({"light": press("S2", 0.1)})))
    assert [o.kind for o in found] == ["not-applicable"]


def test_it_is_judged_at_its_weakest_corner() -> None:
    subject = latch(75e3, beta=Beta(100, 200, 400), assumptions={})
    subject = replace(subject, ambient=Ambient(263.15, 298.15, 313.15))
    finding = findings(subject)["amplitude"]
    assert finding.corner is not None
    for word in ("R8 +5 %", "RB1 -5 %", "V_BE 0.75 V", "-10 degC"):
        assert word in finding.corner
    volts = 0.75 + 0.07  # 2 mV for each of 35 K
    least = 100.0 * (1.0 - 0.005 * 35.0)
    fold = volts / (0.95 * 22e3) + volts / (0.95 * 68e3 + 1e3) + volts / (10e3 * least)
    assert value(finding, "I_fold") == pytest.approx(fold, rel=1e-4)
    assert value(finding, "I_trig") == pytest.approx((9.0 - volts) / (1.05 * 75e3), rel=1e-4)


def test_a_lowest_supply_may_be_too_little() -> None:
    """At 2 V the latch would hold, but 1.3 V over 33 kohm is less than it takes."""
    parts = {**latch().parts, "V1": supply("V1", "rail", "gnd", 9.0, low=2.0)}
    finding = findings(replace(latch(), parts=frozen_map(parts)))["amplitude"]
    assert finding.severity == "error"
    assert "V1 2 V" in (finding.corner or "")
    assert "never switches over" in finding.message


def test_resistors_that_belong_to_the_trigger_alone() -> None:
    """Two in series with one that empties the net between: what the contact sees."""
    more = (
        contact("S2", "rail", "x"),
        resistor("RX", "x", "y", 10e3),
        resistor("RY", "y", "b1", 22e3),
        resistor("RZ", "y", "gnd", 100e3),
    )
    study = Study(latch(extra=more))
    assert series_resistance(study.resolved, "S1") == pytest.approx(33e3)
    assert series_resistance(study.resolved, "S2") == pytest.approx(10e3 + 1 / (1 / 22e3 + 1 / 100e3))


def test_a_contact_straight_at_a_base_has_no_amplitude() -> None:
    """Nothing limits its current: a button that clears the latch."""
    both = latch(extra=(contact("S2", "b1", "gnd"),), stimuli=frozen_map({"clear": press("S2", 0.1)}))
    study = Study(both)
    clear = next(t for t in triggers(study) if isinstance(t, Trigger))
    assert (clear.before.name, clear.after.name) == ("Q1 saturated, Q2 saturated", "all off")
    assert amplitude(study, clear, study.resolved, gains(study, "typical")) is None
    assert kinds(RULE, both) == {"satisfied"}


def test_an_output_as_a_trigger() -> None:
    """5 V behind 1 kohm and 47 kohm: (5 V - 0.7 V)/48 kohm over the fold current."""
    order = driver("U1", "o", "gnd", 0.0, 5.0, resistance=1e3), resistor("R9", "o", "b1", 47e3)
    subject = latch(extra=order)
    pulse = (Action(0.0, "U1", "high"), Action(0.1, "U1", "low"))
    subject = replace(subject, stimuli=frozen_map({"set": pulse}))
    found = nominal(subject)
    assert found.resistance == pytest.approx(48e3)
    assert found.fold == pytest.approx(FOLD, rel=1e-6)
    assert found.available == pytest.approx(4.3 / 48e3, rel=1e-6)


def test_a_trigger_that_is_coupled_by_a_capacitor() -> None:
    """At the first moment the capacitor is a wire: the same amplitude as without it."""
    coupled = latch(extra=(film("C9", "k", "b1", 100e-9), resistor("R9", "set", "k", 33e3)))
    parts = {name: part for name, part in coupled.parts.items() if name != "R8"}
    parts["R7"] = resistor("R7", "set", "gnd", 1e6)
    subject = replace(coupled, parts=frozen_map(parts))
    study = Study(subject)
    trigger = the_trigger(study)
    assert amplitude(study, trigger, study.resolved, gains(study, "typical")) is None
    kick = amplitude(study, trigger, study.resolved, gains(study, "typical"), True)
    assert kick is not None
    assert kick.fold == pytest.approx(FOLD + (0.7 + 33e3 * FOLD) / 1e6, rel=1e-6)  # R7 takes its share
    assert kinds(RULE, subject) == {"satisfied"}


# width: the filter at the base of Q1 charges towards the open divider, and Q1 carries on from V_BE
AIM = 9.0 / (1.0 + 33e3 * (1 / 22e3 + 1 / 69e3))
TAU = 100e-9 / (1 / 33e3 + 1 / 22e3 + 1 / 69e3)
LEAST = TAU * math.log(AIM / (AIM - 0.7))


@pytest.mark.parametrize(
    ("seconds", "severity"),
    [(3.03 * LEAST, None), (2.97 * LEAST, "warning"), (1.02 * LEAST, "warning"), (0.97 * LEAST, "error")],
)
def test_both_sides_of_the_width(seconds: float, severity: str | None) -> None:
    """tau*ln(V_p/(V_p - V_m)) with V_m = 0.7 V; a shorter one falls back."""
    wanted = (requirement("delay", stimulus="set", state="on", at_least=1.0),)
    states = frozen_map({"on": frozen_map({"Q1": "saturated", "Q2": "saturated"})})
    subject = latch(farads=100e-9, seconds=seconds, states=states, requirements=wanted)
    found = findings(subject)
    told = [(role, f.severity) for role, f in found.items()]
    assert told == ([] if severity is None else [("width", severity)])
    if severity is not None:
        assert value(found["width"], "t_w,min") == pytest.approx(LEAST, rel=5e-3)
        assert ("falls back" in found["width"].message) is (severity == "error")


def test_a_stimulus_that_no_requirement_names_may_be_too_short_on_purpose() -> None:
    found = findings(latch(farads=100e-9, seconds=0.5 * LEAST))
    assert found["width"].severity == "warning"


def test_without_a_capacitor_no_time_is_needed() -> None:
    study = Study(latch())
    assert least_width(study, the_trigger(study), 0.01) == 0.0


def test_the_garden_light_needs_a_quarter_of_a_millisecond() -> None:
    """0.258 ms in an own event run, 0.255 ms by hand: the base of Q1 at 0.932 V as Q2 comes on."""
    subject = replace(garden_light(), stimuli=frozen_map({"press": press("S1", 0.4e-3)}))
    finding = findings(subject)["width"]
    assert value(finding, "t_w,min") == pytest.approx(0.258e-3, rel=0.02)


# a stimulus that stays


def test_a_light_whose_button_is_held_goes_out_and_comes_on_again() -> None:
    """R8 holds b1 at 9*21.3k/43.3k = 4.4 V; C1 falls below that through the diode, and Q1 takes over anew.

    The bases then stand level and the hand model cannot tell which goes first; that no state is stable can.
    """
    study = Study(garden_light())
    assert not any(s.stable for s in study.state_sets() if s.configuration.contacts["S1"] == "closed")
    assert held_for_ever(study, the_trigger(study)).end == "repeats"


def test_a_one_shot_ends_though_its_trigger_stays() -> None:
    """Both transistors conduct then; letting go is harmless."""
    study = Study(one_shot())
    assert held_for_ever(study, the_trigger(study)).end == "elsewhere"
    assert kinds(RULE, one_shot()) == {"satisfied"}


def test_a_trigger_that_prolongs_is_worth_a_remark() -> None:
    """A strong R8 keeps the base of Q1 above anything that C1 reaches."""
    subject = garden_light()
    parts = {**subject.parts, "R8": resistor("R8", "sw", "b1", 330.0)}
    finding = findings(replace(subject, parts=frozen_map(parts)))["held"]
    assert finding.severity == "note"
    assert "goes on: it ends only after the stimulus has gone" in finding.message
    assert any("couple it by a capacitor" in a for a in finding.advice)


def test_a_trigger_that_sets_it_off_again_and_again() -> None:
    found = findings(garden_light(diode_fitted=False))
    assert found["held"].severity == "note"
    assert "again and again" in found["held"].message


def caught() -> Circuit:
    """A one-shot whose trigger, held for seconds, also sets a latch: letting go does not bring it back."""
    subject = one_shot()
    more = (
        resistor("R9", "trig", "slow", 10e3),
        film("C9", "slow", "gnd", 100e-6),
        resistor("R10", "slow", "b3", 10e3),
        resistor("R11", "b3", "gnd", 22e3),
        npn("Q3", "c3", "b3", "gnd", 150.0),
        resistor("R12", "c3", "b4", 6.8e3),
        resistor("R13", "rail", "b4", 10e3),
        pnp("Q4", "c4", "b4", "rail", 150.0),
        resistor("R14", "c4", "b3", 10e3),
        resistor("R15", "c4", "gnd", 1e3),
    )
    parts = {**subject.parts, **{part.name: part for part in more}}
    return replace(subject, parts=frozen_map(parts))


def test_a_held_trigger_that_ends_elsewhere_is_an_error() -> None:
    finding = findings(caught())["held"]
    assert finding.severity == "error"
    assert "the other way round" in finding.message


@pytest.mark.parametrize(("rated", "fires"), [(0.51, False), (0.49, True)])
def test_both_sides_of_what_is_parked(rated: float, fires: bool) -> None:
    """100 ohm across the trigger: 5 V make 0.25 W while it stays."""
    subject = one_shot()
    parts = {**subject.parts, "R9": resistor("R9", "trig", "gnd", 100.0, power=rated)}
    found = findings(replace(subject, parts=frozen_map(parts)))
    assert ("parked" in found) is fires
    if fires:
        assert value(found["parked"], "P") == pytest.approx(0.25)
        assert found["parked"].severity == "warning"


# remedies and what is no trigger


def test_a_smaller_series_resistor_is_proven() -> None:
    (finding,) = reviewed(RULE.lesson.failing, RULE).findings
    (remedy,) = finding.remedies
    edits = {op["path"]: op["value"] for op in remedy.patch if op["op"] == "replace"}
    assert edits == {"/parts/R5/resistance": "56 kohm"}
    assert remedy.proof.after is not None
    assert remedy.proof.after >= 2.0 > remedy.proof.before


def test_a_smaller_filter_is_proven() -> None:
    (finding,) = reviewed(RULE.lesson.passing.replace("0.1 s", "0.5 ms"), RULE).findings
    (remedy,) = finding.remedies
    edits = {op["path"]: op["value"] for op in remedy.patch if op["op"] == "replace"}
    assert edits == {"/parts/C1/capacitance": "39 nF"}


def _with(subject: Circuit, *parts: Part) -> Circuit:
    return replace(subject, parts=frozen_map({**subject.parts, **{part.name: part for part in parts}}))


@pytest.mark.parametrize(
    ("subject", "words"),
    [
        (circuit(supply("V1", "rail", "gnd", 9.0), resistor("R1", "rail", "gnd", 1e3)), "no transistor"),
        (blinker(), "no contact or output moves"),
        (hold_on(), "goes on by its charge"),
        (on_delay(), "goes on by its charge"),
        (
            replace(latch(), stimuli=frozen_map({"twice": (*press("S1", 0.1), *press("S1", 0.1, 1.0))})),
            "not one contact or output that moves and goes back",
        ),
        (
            replace(latch(), stimuli=frozen_map({"stay": (Action(0.0, "S1", "closed"),)})),
            "not one contact or output that moves and goes back",
        ),
        (
            circuit(
                supply("V1", "rail", "gnd", 9.0),
                contact("S1", "rail", "in"),
                resistor("R1", "in", "b", 10e3),
                resistor("R3", "b", "gnd", 10e3),
                resistor("R2", "rail", "c", 1e3),
                npn("Q1", "c", "b", "gnd", 100.0),
                stimuli=frozen_map({"press": press("S1", 0.1)}),
            ),
            "nothing is switched over",
        ),
    ],
)
def test_nothing_to_judge(subject: Circuit, words: str) -> None:
    found = outcomes(RULE, subject)
    assert {o.kind for o in found} == {"not-applicable"}
    assert words in found[0].reason


def test_without_stimuli_the_amplitude_is_judged_all_the_same() -> None:
    weak = latch(8.3 / (1.5 * FOLD), stimuli=frozen_map({}))
    (finding,) = findings(weak).values()
    assert finding.role == "amplitude"
    assert finding.message.startswith("S1 brings")


@pytest.mark.parametrize(
    "subject",
    [
        latch(8.3 / (1.5 * FOLD)),
        latch(farads=100e-9, seconds=2.0 * LEAST),
        garden_light(diode_fitted=False),
        caught(),
    ],
    ids=["amplitude", "width", "again", "caught"],
)
def test_renaming_and_mirroring_change_nothing(subject: Circuit) -> None:
    changed, names = renamed(subject)
    was, now, turned = findings(subject), findings(changed), findings(mirrored(subject))
    assert set(was) == set(now) == set(turned)
    for role, finding in was.items():
        assert now[role].parts == tuple(names[p] for p in finding.parts)
        assert finding.severity == now[role].severity == turned[role].severity
        assert now[role].test.left == pytest.approx(finding.test.left, rel=1e-3)
        assert turned[role].test.left == pytest.approx(finding.test.left, rel=1e-3)


@pytest.mark.parametrize("times", [0.5, 0.05])
def test_a_press_that_sets_nothing_off_is_the_weakest_of_all(times: float) -> None:
    """Half, and a twentieth, of the fold current: no state follows, and that is no excuse."""
    (finding,) = findings(latch(8.3 / (times * FOLD))).values()
    assert (finding.severity, finding.role) == ("error", "amplitude")
    assert finding.test.left == pytest.approx(times, rel=0.25)
    assert "at this corner it never" in finding.message
