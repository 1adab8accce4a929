"""required-re-arm: the way back by hand at its worst corner, both sides, and resistors that bring it back."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from rules.analysis.delay_corners import every_delay
from rules.analysis.rearm_corners import pinned_at, worst_way
from rules.analysis.recovery import Recovery, recovery_of
from rules.analysis.study import Study
from rules.required_re_arm import RULE
from rules.reset_path import RULE as RESET_PATH
from schemas.circuit import Circuit, Leakage, Requirement, Tolerance, frozen_map
from tests.builders import (
    BENCH,
    EXACT,
    battery,
    capacitor,
    contact,
    diode,
    exact,
    load,
    npn,
    press,
    resistor,
    supply,
)
from tests.judged import (
    document,
    judged,
    kinds,
    mirrored,
    only_finding,
    outcomes,
    renamed,
    reviewed,
    value,
)
from tests.timers import blinker, garden_light, on_delay, requirement

TWENTY = Tolerance(-0.2, 0.2)
FIVE = Tolerance(-0.05, 0.05)


def timer(
    wanted: tuple[Requirement, ...], tolerance: tuple[Tolerance | None, ...] = (None, None), **values: Any
) -> Circuit:
    """C1 charges through R1 behind S1 and empties through R2 and R3 once S1 opens; R5 is far away."""
    return exact(
        supply("V1", "rail", "gnd", 9.0),
        contact("S1", "rail", "feed"),
        resistor("R1", "feed", "slow", 47e3),
        capacitor("C1", "slow", "gnd", 100e-6, voltage=16.0, tolerance=tolerance[1], **values),
        resistor("R2", "slow", "base", 100e3, tolerance=tolerance[0]),
        resistor("R3", "base", "gnd", 22e3),
        npn("Q1", collector="out", base="base", emitter="gnd", beta=200.0),
        resistor("R6", "rail", "out", 2.2e3),
        stimuli=frozen_map({"close": press("S1", 1e4)}),
        requirements=wanted,
    )


def asks(at_most: float, **members: Any) -> tuple[Requirement, ...]:
    return (requirement("re-arm", at_most=at_most, **members),)


def by_hand(r2: float = 100e3, farads: float = 100e-6) -> float:
    """Through R2 into the base down to 0.7 V there, then through R2 and R3 to where 5 % are missing."""
    base = 0.7 * (r2 + 22e3) / 22e3
    # charged: 47k from 9 V, r2 from the 0.7 V of the base
    start = (9.0 / 47e3 + 0.7 / r2) / (1.0 / 47e3 + 1.0 / r2)
    first = r2 * farads * math.log((start - 0.7) / (base - 0.7))
    aim = 9.0 * (r2 + 22e3) / (r2 + 22e3 + 47e3)
    x = base / aim
    enough = aim * (1.0 - (1.0 - x) ** 0.05)
    return first + (r2 + 22e3) * farads * math.log(base / enough)


def taken(subject: Circuit) -> float:
    (outcome,) = [o for o in outcomes(RULE, subject) if o.test is not None]
    assert outcome.test is not None
    return outcome.test.left


def test_the_lesson_circuits_fire_and_pass() -> None:
    assert "violated" in kinds(RULE, document(RULE.lesson.failing).circuit)
    assert kinds(RULE, document(RULE.lesson.passing).circuit) == {"satisfied"}


def test_without_tolerances_it_is_the_sum_by_hand() -> None:
    assert taken(timer(asks(1e6))) == pytest.approx(by_hand(), rel=1e-6)


@pytest.mark.parametrize(("factor", "kind"), [(1.0 + 1e-5, "satisfied"), (1.0 - 1e-5, "violated")])
def test_both_sides_of_the_required_time(factor: float, kind: str) -> None:
    assert kinds(RULE, timer(asks(by_hand() * factor))) == {kind}


def test_the_corner_is_the_largest_capacitor_and_resistor() -> None:
    subject = timer(asks(1e6), (FIVE, TWENTY))
    (outcome,) = outcomes(RULE, subject)
    assert outcome.test is not None
    assert outcome.test.left == pytest.approx(by_hand(105e3, 120e-6), rel=1e-6)
    assert outcome.corner == "R2 +5 %, C1 +20 %"


def test_it_holds_at_nominal_values_and_fails_at_the_corner() -> None:
    finding = only_finding(timer(asks(1.1 * by_hand()), (FIVE, TWENTY)), RULE)
    assert value(finding, "t_back,nominal") == pytest.approx(by_hand(), rel=1e-6)
    assert value(finding, "t_back") == pytest.approx(by_hand(105e3, 120e-6), rel=1e-6)
    assert value(finding, "t_rearm") == pytest.approx(1.1 * by_hand())
    assert "That is at R2 +5 %, C1 +20 %" in finding.message
    assert finding.severity == "error"
    assert finding.parts == ("C1",)
    by = {q.symbol: q.value for q in finding.evidence if q.symbol.startswith("by ")}
    assert by["by C1"] == pytest.approx(0.4 * by_hand(), rel=1e-6)


def tired(diode_fitted: bool) -> Circuit:
    """The garden light with its usual tolerances and a battery from 6.5 V to 9.6 V."""
    subject = garden_light(diode_fitted=diode_fitted)
    cells = battery("B1", "vb", "gnd", 9.0, 2.0, low=6.5, high=9.6)
    return replace(subject, parts=frozen_map({**subject.parts, "B1": cells}))


@pytest.mark.parametrize("diode_fitted", [True, False])
def test_the_worst_way_is_no_shorter_than_any_sample(diode_fitted: bool) -> None:
    """Points and corners within the tolerances, each worked out anew."""
    subject = tired(diode_fitted)
    study = Study(subject)
    (delay,) = every_delay(study)
    way = recovery_of(study, "typical", delay, 0.05)
    assert isinstance(way, Recovery)
    worst = worst_way(study, delay, way, 0.05)
    assert worst is not None
    there, _ = worst.worked_out()
    assert isinstance(there, Recovery)
    assert there.seconds == pytest.approx(worst.seconds, rel=1e-6)
    generator = np.random.default_rng(7)
    every = [s.parameter for s in worst.sensitivities]
    longest = 0.0
    for k in range(40):
        ends = k % 2 == 0
        point = {
            p.key: float(generator.choice([p.low, p.high]) if ends else generator.uniform(p.low, p.high))
            for p in every
        }
        pinned, _ = pinned_at(study, delay, point)
        other = _With(subject, pinned.resolved)
        found = [d for d in other.delays("typical")[0] if d.timed.kind == delay.timed.kind]
        back = recovery_of(other, "typical", found[0], 0.05)
        assert isinstance(back, Recovery)
        longest = max(longest, back.seconds)
    assert 0.6 * worst.seconds < longest <= worst.seconds * (1.0 + 1e-9)


class _With(Study):
    """A study at a sampled point."""

    def __init__(self, circuit: Circuit, resolved: Any) -> None:
        super().__init__(circuit)
        self.__dict__["resolved"] = resolved


def test_the_garden_light_at_nominal_values() -> None:
    """117.7 s, worked out in the tests of reset-path."""
    subject = replace(
        garden_light(requirements=asks(118.0, stimulus="press")), assumptions=EXACT, ambient=BENCH
    )
    assert kinds(RULE, subject) == {"satisfied"}
    assert taken(subject) == pytest.approx(117.7, abs=0.05)
    finding = only_finding(replace(subject, requirements=asks(117.0, stimulus="press")), RULE)
    assert finding.test.right == 117.0


def test_each_requirement_that_means_it_is_judged() -> None:
    wanted = (*asks(300.0), *asks(100.0, stimulus="press"))
    found = {o.subject: o.kind for o in outcomes(RULE, bare(wanted))}
    assert found == {("C1", "re-arm"): "satisfied", ("C1", "re-arm 2"): "violated"}


def test_a_requirement_that_means_no_delay_is_undecided() -> None:
    subject = garden_light(requirements=asks(1.0, stimulus="other"))
    (outcome,) = outcomes(RULE, subject)
    assert outcome.kind == "undecided"
    assert "no delay of the circuit is meant by it" in outcome.reason


def test_a_named_state_has_to_fit() -> None:
    subject = replace(garden_light(requirements=asks(1.0, state="lit")), states={"lit": {"Q2": "off"}})
    assert kinds(RULE, subject) == {"undecided"}
    there = replace(subject, states={"lit": {"Q2": "saturated"}})
    assert kinds(RULE, there) == {"violated"}


def test_no_requirement_and_no_way_to_judge() -> None:
    assert kinds(RULE, timer(())) == {"not-applicable"}
    assert kinds(RULE, replace(blinker(), requirements=asks(1.0))) == {"not-applicable"}


def test_no_way_back_at_all_is_caused_by_it() -> None:
    """S1 charges C1 onto a base; once it opens nothing takes the last 0.7 V."""
    subject = exact(
        supply("V1", "rail", "gnd", 9.0),
        contact("S1", "rail", "feed"),
        resistor("R1", "feed", "slow", 220e3),
        capacitor("C1", "slow", "gnd", 100e-6, voltage=16.0),
        load("LS1", "rail", "out", 1e3),
        npn("Q1", collector="out", base="slow", emitter="gnd", beta=200.0),
        requirements=asks(1e6),
    )
    found = {f.rule: f for f in judged(subject, RULE, RESET_PATH).findings}
    assert math.isinf(found["required-re-arm"].test.left)
    assert found["required-re-arm"].caused_by == found["reset-path"].identity


def test_the_rule_of_thumb_leaves_a_required_time_alone() -> None:
    """Longer than the delay, but within what is asked: nobody complains."""
    subject = timer(asks(1e3))
    assert taken(subject) > 3.0
    assert not judged(subject, RULE, RESET_PATH).findings
    assert {f.rule for f in judged(replace(subject, requirements=()), RULE, RESET_PATH).findings} == {
        "reset-path"
    }


PROPOSING = """\
format: thumbrule/1
name: compost-fan
ground: gnd
parts:
  V1: {kind: supply, voltage: 9 V, pins: {plus: rail, minus: gnd}}
  S1: {kind: contact, rest: open, pins: {a: rail, b: feed}}
  R1: {kind: resistor, resistance: 330 kohm, pins: {a: feed, b: slow}}
  C1: {kind: capacitor, capacitance: 10 uF, voltage: 63 V, dielectric: film, pins: {plus: slow, minus: gnd}}
  D1: {kind: diode, pins: {anode: slow, cathode: feed}}
  R5: {kind: resistor, resistance: 220 kohm, pins: {a: feed, b: gnd}}
  R2: {kind: resistor, resistance: 680 kohm, pins: {a: slow, b: base}}
  R3: {kind: resistor, resistance: 150 kohm, pins: {a: base, b: gnd}}
  R4: {kind: resistor, resistance: 47 kohm, pins: {a: rail, b: out}}
  Q1: {kind: npn, beta: 200, pins: {collector: out, base: base, emitter: gnd}}
requirements:
  - {kind: re-arm, at_most: 4 s}
"""


def test_the_bleed_that_governs_is_lowered_and_proven_at_the_worst_corner() -> None:
    """R5 takes the charge from D1; it does not touch the delay."""
    (finding,) = reviewed(PROPOSING, RULE).findings
    proven = {op["path"]: op["value"] for r in finding.remedies for op in r.patch if op["op"] == "replace"}
    assert set(proven) == {"/parts/R5/resistance"}
    (remedy,) = finding.remedies
    assert remedy.proof.after is not None
    assert remedy.proof.after <= 4.0 < remedy.proof.before
    assert "the delay 2.17 s instead of 2.17 s" in remedy.summary


def bare(wanted: tuple[Requirement, ...]) -> Circuit:
    return replace(garden_light(requirements=wanted), assumptions=EXACT, ambient=BENCH)


def test_a_resistor_that_spoils_the_required_delay_is_told_instead() -> None:
    """Only R6 could bring the last 0.7 V out in time, and it sets the delay."""
    wanted = (
        *asks(60.0, stimulus="press"),
        requirement("delay", stimulus="press", state="lit", target=62.0, within=0.2),
    )
    subject = replace(bare(wanted), states={"lit": {"Q2": "saturated"}})
    finding = only_finding(subject, RULE)
    assert not [o for o in outcomes(RULE, subject) if o.proposals]
    told = [a for a in finding.advice if a.startswith("R6 ")]
    assert len(told) == 1
    assert "not proposed, /requirements/1 asks for 49.6 s to 74.4 s" in told[0]


@pytest.mark.parametrize(("at_most", "ohms"), [(110.0, "200 kohm"), (90.0, "160 kohm")])
def test_without_a_required_delay_it_moves_by_no_more_than_a_capacitor_may(at_most: float, ohms: str) -> None:
    """R6 sets the delay too: 9 % are within the usual tolerance of C1, 27 % are not."""
    subject = bare(asks(at_most))
    made = [p.summary for o in outcomes(RULE, subject) for p in o.proposals if p.summary.startswith("R6")]
    told = [a for a in only_finding(subject, RULE).advice if a.startswith("R6")]
    (text,) = made + told
    assert f"R6 220 kohm to {ohms}" in text
    assert bool(made) is (at_most == 110.0)
    assert ("not proposed, it moves the delay by -27 %" in text) is bool(told)


@pytest.mark.parametrize("subject", [timer(asks(1.0), (FIVE, TWENTY)), bare(asks(10.0))])
def test_renaming_order_and_mirroring_change_nothing(subject: Circuit) -> None:
    changed, names = renamed(subject)
    was, now = only_finding(subject, RULE), only_finding(changed, RULE)
    assert now.test.left == pytest.approx(was.test.left, rel=1e-6)
    assert now.parts == tuple(names[p] for p in was.parts)
    assert only_finding(mirrored(subject), RULE).test.left == pytest.approx(was.test.left, rel=1e-6)


def test_a_discharge_diode_shortens_the_worst_way_too() -> None:
    slow = on_delay(requirements=asks(1e6), leakage=Leakage(current=0.0))
    quick = replace(
        slow,
        parts={
            **slow.parts,
            "R5": resistor("R5", "feed", "gnd", 1e3),
            "D1": diode("D1", "slow", "feed"),
        },
    )
    assert taken(quick) < taken(slow)
