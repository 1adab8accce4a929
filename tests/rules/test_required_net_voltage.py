"""required-net-voltage: closed forms at the corners, both sides of the limit, resistors that are proven."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from rules.analysis.corners.parameters import parameters
from rules.analysis.named import along, at_point, fitting, range_of
from rules.analysis.study import Study
from rules.required_net_voltage import FAILING, RULE
from schemas.circuit import Beta, Circuit, Tolerance, frozen_map
from schemas.finding import Outcome
from tests.builders import (
    BENCH,
    EXACT,
    battery,
    capacitor,
    contact,
    exact,
    film,
    npn,
    press,
    resistor,
    supply,
)
from tests.judged import document, judged, kinds, only_finding, outcomes, renamed, reviewed, value
from tests.timers import garden_light, one_shot, requirement

FIVE = Tolerance(-0.05, 0.05)


def shelf(low: float = 8.0, high: float = 10.0, tolerance: Tolerance = FIVE, **window: float) -> Circuit:
    """A plain divider on net "mid" beside a transistor that rests off and so names the state."""
    return exact(
        supply("V1", "rail", "gnd", 9.0, low=low, high=high),
        resistor("R1", "rail", "mid", 10e3, tolerance=tolerance),
        resistor("R2", "mid", "gnd", 20e3, tolerance=tolerance),
        npn("Q1", collector="out", base="base", emitter="gnd", beta=100.0),
        resistor("R3", "rail", "out", 1e3),
        resistor("R4", "base", "gnd", 10e3),
        states=frozen_map({"idle": frozen_map({"Q1": "off"})}),
        requirements=(requirement("net-voltage", net="mid", state="idle", **window),),
    )


# the divider by hand: both resistors at the ends that add up
LEAST = 8.0 * 20e3 * 0.95 / (20e3 * 0.95 + 10e3 * 1.05)
MOST = 10.0 * 20e3 * 1.05 / (20e3 * 1.05 + 10e3 * 0.95)


def ends(subject: Circuit) -> dict[str, Outcome]:
    return {o.test.relation: o for o in outcomes(RULE, subject) if o.test is not None}


def test_the_lesson_circuits_fire_and_pass() -> None:
    assert "violated" in kinds(RULE, document(RULE.lesson.failing).circuit)
    assert kinds(RULE, document(RULE.lesson.passing).circuit) == {"satisfied"}


def test_both_ends_are_those_of_the_divider_at_its_corners() -> None:
    found = ends(shelf(at_least=1.0, at_most=9.0))
    low, high = found[">="].test, found["<="].test
    assert low is not None
    assert high is not None
    assert low.left == pytest.approx(LEAST, rel=1e-12)
    assert high.left == pytest.approx(MOST, rel=1e-12)
    assert found[">="].corner == "V1 8 V, R1 +5 %, R2 -5 %"
    assert found["<="].corner == "V1 10 V, R1 -5 %, R2 +5 %"
    assert {o.kind for o in found.values()} == {"satisfied"}


@pytest.mark.parametrize(
    ("window", "kind"),
    [
        ({"at_most": MOST * (1.0 + 1e-6)}, "satisfied"),
        ({"at_most": MOST * (1.0 - 1e-6)}, "violated"),
        ({"at_least": LEAST * (1.0 - 1e-6)}, "satisfied"),
        ({"at_least": LEAST * (1.0 + 1e-6)}, "violated"),
    ],
)
def test_both_sides_of_each_limit(window: dict[str, float], kind: str) -> None:
    assert kinds(RULE, shelf(**window)) == {kind}


def test_it_holds_at_nominal_values_and_fails_at_a_corner() -> None:
    """6 V in the middle of 5.7 V to 6.3 V; the battery alone takes it to 5.33 V."""
    finding = only_finding(shelf(target=6.0, within=0.05), RULE)
    assert value(finding, "V") == pytest.approx(6.0)
    assert value(finding, "V_min") == pytest.approx(LEAST)
    assert value(finding, "V_max") == pytest.approx(MOST)
    assert finding.severity == "error"
    assert finding.nets == ("mid",)
    assert finding.pointers[0] == "/requirements/0"
    assert "5.7 V to 6.3 V" in finding.message
    assert len(finding.occurrences) == 2  # one finding for both sides
    by = {q.symbol: q.value for q in finding.evidence if q.symbol.startswith("by ")}
    assert by["by V1"] == pytest.approx(2.0 * 2.0 / 3.0)
    assert next(iter(by)) == "by V1"


def test_without_tolerances_the_nominal_value_decides() -> None:
    exact = Tolerance(0.0, 0.0)
    assert kinds(RULE, shelf(9.0, 9.0, exact, target=6.0, within=0.001)) == {"satisfied"}
    assert kinds(RULE, shelf(9.0, 9.0, exact, target=6.1, within=0.001)) == {"satisfied", "violated"}


def test_no_requirement_is_not_applicable() -> None:
    assert kinds(RULE, replace(shelf(at_most=9.0), requirements=())) == {"not-applicable"}


def test_a_net_that_nothing_sets_is_undecided() -> None:
    subject = shelf(at_most=9.0)
    loose = {**subject.parts, "C1": film("C1", "a", "gnd", 1e-6), "C2": film("C2", "a", "mid", 1e-6)}
    wanted = requirement("net-voltage", net="a", state="idle", at_most=9.0)
    found = outcomes(RULE, replace(subject, parts=loose, requirements=(wanted,)))
    assert [o.kind for o in found] == ["undecided"]
    assert "nothing in the circuit sets the voltage of a" in found[0].reason


def test_a_state_that_the_circuit_does_not_have_is_violated() -> None:
    subject = replace(shelf(at_most=9.0), states={"idle": {"Q1": "saturated"}})
    finding = only_finding(subject, RULE)
    assert finding.test.left == 0.0
    assert "Q1 saturated is no state of this circuit" in finding.message


def switch(least: float) -> Circuit:
    """Q1 saturates from a gain of 9/1k over (9-0.7)/100k, about 106, upwards."""
    return exact(
        supply("V1", "rail", "gnd", 9.0),
        resistor("R1", "rail", "base", 100e3),
        resistor("R2", "rail", "out", 1e3),
        npn("Q1", collector="out", base="base", emitter="gnd", beta=Beta(least, 200.0, 300.0)),
        states={"on": {"Q1": "saturated"}},
        requirements=(requirement("net-voltage", net="out", state="on", at_most=0.3),),
    )


# saturated: 8.8 V across 1 kohm, 8.3 V across 100 kohm
EDGE = (9.0 - 0.2) / 1e3 / ((9.0 - 0.7) / 100e3)


def test_a_state_that_is_missing_at_the_least_gain_is_violated_there() -> None:
    assert kinds(RULE, switch(EDGE * 1.01)) == {"satisfied"}
    finding = only_finding(switch(EDGE * 0.99), RULE)
    assert finding.corner == "least gain"
    assert "does not exist at the least gain" in finding.message


def test_a_state_that_is_missing_at_a_corner_of_the_parts_is_violated_there() -> None:
    """At every gain it saturates with the nominal resistors, not with R1 20 % high and R2 20 % low."""
    wide = Tolerance(-0.2, 0.2)
    subject = switch(EDGE * 1.2)
    parts = {
        **subject.parts,
        "R1": resistor("R1", "rail", "base", 100e3, tolerance=wide),
        "R2": resistor("R2", "rail", "out", 1e3, tolerance=wide),
    }
    finding = only_finding(replace(subject, parts=parts), RULE)
    assert finding.corner is not None
    assert "R1 +20 %" in finding.corner
    assert "R2 -20 %" in finding.corner
    assert finding.test.left == 0.0


def test_another_region_that_still_fits_the_name_is_judged_at_the_corner() -> None:
    """Named only "on", the switch is still there where it stays active: its collector then stands higher."""
    subject = replace(switch(EDGE * 0.9), states={"on": {"Q1": "on"}})
    finding = only_finding(subject, RULE)
    at_least_gain = 9.0 - 0.9 * (9.0 - 0.2)
    assert finding.test.left == pytest.approx(at_least_gain, rel=1e-9)


def waiting(**window: float) -> Circuit:
    """C1 charges through R1 behind S1 until the divider R2, R3 has 0.7 V: the wait is a timed state."""
    return exact(
        supply("V1", "rail", "gnd", 9.0, low=8.0, high=10.0),
        contact("S1", "rail", "feed"),
        resistor("R1", "feed", "slow", 47e3),
        capacitor("C1", "slow", "gnd", 100e-6, voltage=16.0),
        resistor("R2", "slow", "base", 100e3),
        resistor("R3", "base", "gnd", 22e3),
        resistor("R4", "feed", "up", 1e3),
        npn("Q2", collector="sink", base="up", emitter="gnd", beta=100.0),
        resistor("R5", "rail", "sink", 1e3),
        npn("Q1", collector="out", base="base", emitter="gnd", beta=200.0),
        resistor("R6", "rail", "out", 2.2e3),
        states={"waiting": {"Q1": "off", "Q2": "saturated"}},
        stimuli=frozen_map({"close": press("S1", 100.0)}),
        requirements=(requirement("net-voltage", net="slow", state="waiting", **window),),
    )


def test_a_timed_state_is_judged_from_its_start_to_its_threshold() -> None:
    """From 0 V to where 22k of 122k of it are 0.7 V."""
    found = ends(waiting(at_least=-1.0, at_most=5.0))
    low, high = found[">="].test, found["<="].test
    assert low is not None
    assert high is not None
    assert low.left == pytest.approx(0.0, abs=1e-9)
    assert high.left == pytest.approx(0.7 * 122.0 / 22.0, rel=1e-6)
    assert found["<="].state == "waiting"


def test_what_a_capacitor_holds_follows_the_supply() -> None:
    """The base of a one-shot is thrown to V_CE,sat - (V_S - V_BE), with the highest supply the lowest."""
    subject = replace(one_shot(), assumptions=EXACT, ambient=BENCH)
    parts = {**subject.parts, "V1": supply("V1", "rail", "gnd", 5.0, low=4.5, high=5.5)}
    wanted = requirement("net-voltage", net="b2", state="shot", at_least=-4.5)
    states = {"shot": {"Q1": "saturated", "Q2": "off"}}
    finding = only_finding(replace(subject, parts=parts, states=states, requirements=(wanted,)), RULE)
    assert finding.test.left == pytest.approx(0.2 - (5.5 - 0.7), rel=1e-9)
    assert finding.corner == "V1 5.5 V"


def lamp() -> Circuit:
    """The garden light with its usual tolerances and a battery from 6.5 V to 9.6 V."""
    subject = garden_light()
    cells = battery("B1", "vb", "gnd", 9.0, 2.0, low=6.5, high=9.6)
    parts = frozen_map({**subject.parts, "B1": cells})
    return replace(subject, parts=parts, states={"named": {"Q2": "saturated"}})


def shot() -> Circuit:
    subject = one_shot()
    parts = {**subject.parts, "V1": supply("V1", "rail", "gnd", 5.0, low=4.5, high=5.5)}
    return replace(subject, parts=parts, states={"named": {"Q1": "on", "Q2": "off"}})


@pytest.mark.parametrize(
    ("subject", "net"), [(lamp(), "b1"), (lamp(), "tm"), (lamp(), "c1"), (shot(), "b2"), (shot(), "c2")]
)
def test_no_sample_of_a_timed_state_lies_outside_its_range(subject: Circuit, net: str) -> None:
    """Points and corners within the tolerances, each worked out anew with all its states."""
    study = Study(subject)
    found = range_of(study, "named", lambda state: state.nets[net])
    assert found.low is not None
    assert found.high is not None
    generator = np.random.default_rng(11)
    every = parameters(study.resolved)
    seen: list[float] = []
    for k in range(30):
        ends_only = k % 2 == 0
        point = {
            p.key: float(generator.choice([p.low, p.high]) if ends_only else generator.uniform(p.low, p.high))
            for p in every
        }
        there = at_point(study, point)
        for situation in fitting(there, "typical", "named"):
            if situation.position == found.low.situation.position and situation.timed is not None:
                volts = [state.nets[net] for state in along(there, situation.timed)]
                seen.extend(value for value in volts if value is not None)
    assert min(seen) >= found.low.value - 1e-6
    assert max(seen) <= found.high.value + 1e-6
    assert max(seen) - min(seen) > 0.5 * (found.high.value - found.low.value)


def test_contacts_at_rest_count_where_the_state_exists_there() -> None:
    """S1 puts R5 beside R2; the state is the same, the requirement means it with S1 open."""
    subject = shelf(at_least=5.0)
    parts = {**subject.parts, "S1": contact("S1", "mid", "low"), "R5": resistor("R5", "low", "gnd", 10e3)}
    assert kinds(RULE, replace(subject, parts=parts)) == {"satisfied"}


def test_two_requirements_are_told_apart() -> None:
    wanted = (
        requirement("net-voltage", net="mid", state="idle", at_most=5.0),
        requirement("net-voltage", net="mid", state="idle", at_least=6.0),
    )
    found = judged(replace(shelf(at_most=1.0), requirements=wanted), RULE).findings
    assert {f.role for f in found} == {"idle", "idle 2"}


def test_remedies_are_proven_and_told_with_the_voltage_afterwards() -> None:
    (finding,) = reviewed(FAILING, RULE).findings
    assert finding.remedies
    for remedy in finding.remedies:
        assert remedy.proof.after is not None
        assert remedy.proof.before < 3.06 <= remedy.proof.after
    changed = [{op["path"] for op in r.patch if op["op"] == "replace"} for r in finding.remedies]
    assert {"/parts/R1/resistance", "/parts/R2/resistance"} in changed  # the divider made stiffer


def test_one_resistor_goes_to_the_middle_of_the_window() -> None:
    """With 1 % parts on 9 V: R1 = 20k*(9/5 - 1) = 16k puts the middle at 5 V."""
    subject = shelf(9.0, 9.0, Tolerance(-0.01, 0.01), target=5.0, within=0.03)
    made = {p.summary.split(":")[0]: p for o in outcomes(RULE, subject) for p in o.proposals}
    assert "R1 10 kohm to 16 kohm" in made
    assert [c.new for c in made["R1 10 kohm to 16 kohm"].changes] == ["16 kohm"]


def test_closer_resistors_are_proposed_where_the_spread_is_too_wide() -> None:
    """6 V +/- 2 %: with 5 % parts 3.4 % off, with 1 % parts 0.7 %."""
    subject = shelf(9.0, 9.0, target=6.0, within=0.02)
    made = [p for o in outcomes(RULE, subject) for p in o.proposals]
    closer = [
        p for p in made if {c.pointer for c in p.changes} == {"/parts/R1/tolerance", "/parts/R2/tolerance"}
    ]
    assert [c.new for c in closer[0].changes] == ["1 %", "1 %"]


def test_what_no_resistor_can_hold_is_advised_with_its_cause() -> None:
    """The battery alone takes 6 V from 5.33 V to 6.67 V."""
    found = outcomes(RULE, shelf(target=6.0, within=0.05))
    assert not [o for o in found if o.proposals]
    advice = [a for o in found if o.finding for a in o.finding.advice]
    assert advice
    assert "it would still range over 1.33 V of the 600 mV" in advice[0]
    assert "V1 voltage" in advice[0]


@pytest.mark.parametrize("subject", [shelf(target=6.0, within=0.05), switch(EDGE * 0.99)])
def test_renaming_and_order_change_nothing(subject: Circuit) -> None:
    changed, _ = renamed(subject)
    nets = {net: f"w{len(subject.net_names) - k:02d}" for k, net in enumerate(subject.net_names)}
    wanted = tuple(_moved(r.values, nets) for r in subject.requirements)
    was, now = only_finding(subject, RULE), only_finding(replace(changed, requirements=wanted), RULE)
    assert now.test.left == pytest.approx(was.test.left, rel=1e-9)
    assert now.severity == was.severity


def _moved(values: Any, nets: dict[str, str]) -> Any:
    return requirement("net-voltage", **{**values, "net": nets[values["net"]]})
