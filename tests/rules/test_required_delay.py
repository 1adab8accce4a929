"""required-delay: closed forms at nominal values and corners, leakage, what is never reached, pairs."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pytest

from rules.analysis.corners.parameters import parameters
from rules.analysis.formulas.drift import capacitance_drift
from rules.analysis.leakage import highest_voltage, promise_of
from rules.analysis.requirements import asked
from rules.analysis.stays import Ruler, Stay, Stays, stay_in
from rules.analysis.study import Study
from rules.required_delay import FAILING, RULE
from schemas.circuit import Ambient, Beta, Circuit, Leakage, Requirement, Tolerance, frozen_map
from schemas.finding import Outcome, identity
from tests.builders import (
    BENCH,
    EXACT,
    capacitor,
    coil,
    contact,
    diode,
    exact,
    film,
    npn,
    press,
    resistor,
    supply,
)
from tests.judged import causes, document, kinds, mirrored, only_finding, outcomes, renamed, reviewed, value
from tests.timers import garden_light, hold_on, requirement

FIVE, TWENTY = Tolerance(-0.05, 0.05), Tolerance(-0.2, 0.2)


def wait(**window: float) -> tuple[Requirement, ...]:
    return (requirement("delay", stimulus="close", state="waiting", **window),)


def timer(
    wanted: tuple[Requirement, ...],
    tolerance: tuple[Tolerance | None, Tolerance | None] = (None, None),
    beta: float | Beta = 200.0,
    ambient: Ambient = BENCH,
    **values: Any,
) -> Circuit:
    """C1 charges through R1 until 22k of 122k of it are 0.7 V; ``tolerance`` is that of R1 and of C1.

    Q2 says that the contact is closed, so that the wait has a name of its own.
    """
    values.setdefault("leakage", Leakage(current=0.0))
    return exact(
        supply("V1", "rail", "gnd", 9.0),
        contact("S1", "rail", "feed"),
        resistor("R1", "feed", "slow", 47e3, tolerance=tolerance[0]),
        capacitor("C1", "slow", "gnd", 100e-6, voltage=16.0, tolerance=tolerance[1], **values),
        resistor("R2", "slow", "base", 100e3),
        resistor("R3", "base", "gnd", 22e3),
        resistor("R4", "feed", "up", 10e3),
        npn("Q2", collector="sink", base="up", emitter="gnd", beta=200.0),
        resistor("R5", "rail", "sink", 4.7e3),
        npn("Q1", collector="out", base="base", emitter="gnd", beta=beta),
        resistor("R6", "rail", "out", 2.2e3),
        ambient=ambient,
        states=frozen_map({"waiting": frozen_map({"Q1": "off", "Q2": "saturated"})}),
        stimuli=frozen_map({"close": press("S1", 1000.0)}),
        requirements=wanted,
    )


def seconds(r: float = 47e3, c: float = 100e-6, leakage: float = 0.0) -> float:
    """Thevenin of R1 and the divider, then tau*ln(V/(V - V_th)) (OpenStax, University Physics 2, 10.5)."""
    aim = 9.0 * 122e3 / (r + 122e3)
    inner = r * 122e3 / (r + 122e3)
    aim -= leakage * inner
    return inner * c * math.log(aim / (aim - 0.7 * 122.0 / 22.0))


def ends(subject: Circuit) -> dict[str, Outcome]:
    return {o.test.relation: o for o in outcomes(RULE, subject) if o.test is not None}


def both(subject: Circuit) -> tuple[float, float]:
    found = ends(subject)
    low, high = found[">="].test, found["<="].test
    assert low is not None
    assert high is not None
    return low.left, high.left


def test_the_lesson_circuits_fire_and_pass() -> None:
    assert "violated" in kinds(RULE, document(RULE.lesson.failing).circuit)
    assert kinds(RULE, document(RULE.lesson.passing).circuit) == {"satisfied"}


def test_without_tolerances_it_is_the_formula() -> None:
    low, high = both(timer(wait(at_least=0.1, at_most=100.0)))
    assert low == pytest.approx(seconds(), rel=1e-9)
    assert high == pytest.approx(seconds(), rel=1e-9)


@pytest.mark.parametrize(
    ("window", "kind"),
    [
        ({"at_most": seconds() * (1.0 + 1e-6)}, "satisfied"),
        ({"at_most": seconds() * (1.0 - 1e-6)}, "violated"),
        ({"at_least": seconds() * (1.0 - 1e-6)}, "satisfied"),
        ({"at_least": seconds() * (1.0 + 1e-6)}, "violated"),
        ({"target": seconds() * 1.1, "within": 0.11}, "satisfied"),
        ({"target": seconds() * 1.3, "within": 0.11}, "violated"),
    ],
)
def test_both_sides_of_each_limit(window: dict[str, float], kind: str) -> None:
    assert kind in kinds(RULE, timer(wait(**window)))
    assert ("violated" in kinds(RULE, timer(wait(**window)))) is (kind == "violated")


def test_the_ends_are_the_formula_at_the_corners() -> None:
    subject = timer(wait(at_least=0.1, at_most=100.0), (FIVE, TWENTY))
    low, high = both(subject)
    assert low == pytest.approx(seconds(0.95 * 47e3, 80e-6), rel=1e-9)
    assert high == pytest.approx(seconds(1.05 * 47e3, 120e-6), rel=1e-9)
    assert ends(subject)["<="].corner == "R1 +5 %, C1 +20 %"


def test_it_holds_at_nominal_values_and_fails_at_a_corner() -> None:
    finding = only_finding(timer(wait(target=seconds(), within=0.2), (FIVE, TWENTY)), RULE)
    assert value(finding, "t") == pytest.approx(seconds())
    assert value(finding, "t_max") == pytest.approx(seconds(1.05 * 47e3, 120e-6))
    assert finding.parts == ("C1",)
    assert finding.severity == "error"
    assert {o.corner for o in finding.occurrences} == {"R1 +5 %, C1 +20 %", "R1 -5 %, C1 -20 %"}


def test_the_capacitor_follows_the_temperature() -> None:
    """The drop falls too, by 2 mV per kelvin: both are in the time at the cold end."""
    cold = replace(BENCH, low=263.15)
    low, high = both(timer(wait(at_least=0.1, at_most=100.0), ambient=cold))
    drift = float(capacitance_drift("aluminium", 263.15))
    aim, inner = 9.0 * 122.0 / 169.0, 47e3 * 122.0 / 169.0
    at_cold = inner * 100e-6 * (1.0 + drift) * math.log(aim / (aim - (0.7 + 0.07) * 122.0 / 22.0))
    assert at_cold in (pytest.approx(low, rel=1e-9), pytest.approx(high, rel=1e-9))
    assert seconds() in (pytest.approx(low, rel=1e-9), pytest.approx(high, rel=1e-9))


def test_leakage_at_its_limit_lengthens_the_greatest_delay() -> None:
    """10 uA at 20 degC, 3**(5/40) times that at 25 degC."""
    leak = 10e-6 * 3.0 ** (5.0 / 40.0)
    low, high = both(timer(wait(at_least=0.1, at_most=100.0), leakage=Leakage(current=10e-6)))
    assert low == pytest.approx(seconds(), rel=1e-9)
    assert high == pytest.approx(seconds(leakage=leak), rel=1e-9)


def test_a_delay_that_leakage_keeps_from_ending_is_violated_and_not_mended_by_values() -> None:
    """55 uA charge it at the threshold, 80 uA may leak."""
    subject = timer(wait(target=seconds(), within=0.5), leakage=Leakage(current=80e-6))
    subject = replace(subject, stimuli=frozen_map({"close": press("S1", 1.0)[:1]}))
    finding = only_finding(subject, RULE)
    assert math.isinf(finding.test.left)
    assert "may never end" in finding.message
    assert "C1 never reaches 3.882 V" in finding.message
    assert causes(RULE, subject) == {identity("timing-leakage", ("C1",), (), "charging")}
    assert not [o for o in outcomes(RULE, subject) if o.proposals]
    assert any("does not help" in advice for advice in finding.advice)


def test_what_leakage_alone_takes_out_of_the_window_is_caused_by_it() -> None:
    leaky = Leakage(current=10e-6)
    late = timer(wait(at_most=seconds() * 1.01), leakage=leaky)
    assert causes(RULE, late) == {identity("timing-leakage", ("C1",), (), "charging")}
    assert causes(RULE, timer(wait(at_most=seconds() * 0.9), leakage=leaky)) == {None}


def test_a_leakage_that_nobody_knows_is_undecided_where_it_would_harm() -> None:
    subject = timer(wait(at_least=1.0, at_most=100.0), leakage=None)
    parts = {**subject.parts, "C1": capacitor("C1", "slow", "gnd", 100e-6)}
    found = outcomes(RULE, replace(subject, parts=parts))
    assert {o.kind for o in found} == {"satisfied", "undecided"}
    assert [o.reason for o in found if o.kind == "undecided"] == [
        "/parts/C1/voltage is missing: without it nobody knows what the capacitor may leak"
    ]


def tap(**window: float) -> Circuit:
    """A tap of half a second fills C1; Q1 stays on while C1 empties into its base, leaking besides."""
    wanted = (requirement("delay", stimulus="tap", state="lit", **window),)
    return replace(
        hold_on(stay=0.5, leakage=Leakage(current=2e-6)),
        assumptions=EXACT,
        ambient=BENCH,
        states=frozen_map({"lit": frozen_map({"Q1": "on"})}),
        requirements=wanted,
    )


def test_the_press_is_part_of_the_stay_and_leakage_shortens_it() -> None:
    """On from when C1 has passed 1.4 V, for 0.5 s and until (V - 0.7)/100k no longer covers 0.7/100k."""
    low, high = both(tap(at_least=0.1, at_most=100.0))
    full = 12.0 - (12.0 - 0.7) / (100.0 + 100e3) * 100.0
    inner = 100e3 * 100.0 / 100.1e3
    aim = (12.0 * 100e3 + 0.7 * 100.0) / 100.1e3
    filled = 12.0 * 200e3 / 200.1e3
    first = 100.0 * 200e3 / 200.1e3 * 220e-6 * math.log(filled / (filled - 1.4))
    held = aim - (aim - 1.4) * math.exp(-(0.5 - first) / (inner * 220e-6))
    falls = 100e3 * 220e-6 * math.log((held - 0.7) / 0.7)
    assert held == pytest.approx(full, abs=1e-6)
    assert high == pytest.approx(0.5 - first + falls, rel=1e-6)
    leak = 2e-6 * 3.0 ** (5.0 / 40.0) * 100e3
    leaking = 100e3 * 220e-6 * math.log((held - 0.7 + leak) / (0.7 + leak))
    assert low == pytest.approx(0.5 - first + leaking, rel=1e-3)


def test_a_state_that_is_never_entered_is_violated() -> None:
    subject = replace(timer(wait(at_most=10.0)), states={"waiting": {"Q1": "saturated", "Q2": "off"}})
    finding = only_finding(subject, RULE)
    assert finding.test.left == 0.0
    assert "never gets into" in finding.message


def test_a_state_that_is_not_entered_at_a_corner_is_violated_there() -> None:
    """Q2 needs a gain of 10.6 to saturate: named saturated, the wait is lost below that."""
    edge = (8.8 / 4.7e3) / (8.3 / 47e3)

    def with_least(gain: float) -> Circuit:
        subject = timer(wait(at_most=100.0))
        parts = {
            **subject.parts,
            "R4": resistor("R4", "feed", "up", 47e3),
            "Q2": npn("Q2", collector="sink", base="up", emitter="gnd", beta=Beta(gain, 100.0, 200.0)),
        }
        return replace(subject, parts=parts)

    assert kinds(RULE, with_least(edge * 1.01)) == {"satisfied"}
    finding = only_finding(with_least(edge * 0.99), RULE)
    assert finding.test.left == 0.0
    assert finding.corner == "beta min"


def test_the_stay_begins_with_the_stimulus() -> None:
    """Q1 is off before as well: the wait counts from the first action, at 3 s, not from the beginning."""
    subject = timer(wait(at_least=0.1, at_most=100.0))
    late = replace(subject, stimuli=frozen_map({"close": press("S1", 1000.0, start=3.0)}))
    dark = replace(late, states={"waiting": {"Q1": "off"}})
    assert both(dark)[1] == pytest.approx(seconds(), rel=1e-9)


@dataclass(frozen=True)
class _Interval:
    start: float
    end: float
    devices: dict[str, str]


@dataclass(frozen=True)
class _Run:
    intervals: tuple[_Interval, ...]
    verdict: str
    reason: str = ""


def test_a_stay_is_measured_from_its_intervals() -> None:
    on, off = {"Q1": "saturated"}, {"Q1": "off"}
    whole = (_Interval(0.0, 1.0, off), _Interval(1.0, 2.0, on), _Interval(2.0, 5.0, {"Q1": "active"}))
    run: Any = _Run((*whole, _Interval(5.0, math.inf, off)), "settles")
    assert stay_in(run, {"Q1": "on"}, 0.0) == Stay(1.0, 5.0)
    assert stay_in(run, {"Q1": "saturated"}, 0.0) == Stay(1.0, 2.0)
    assert stay_in(run, {"Q1": "on"}, 3.0) == Stay(3.0, 5.0)
    assert stay_in(run, {"Q1": "reverse"}, 0.0) is None
    stuck: Any = _Run((*whole, _Interval(5.0, math.inf, on)), "never-ends", "it leaks")
    assert stay_in(stuck, {"Q1": "on"}, 0.0) == Stay(1.0, math.inf, "it leaks")
    cut: Any = _Run(whole, "undecided", "cut off at 5 s")
    assert stay_in(cut, {"Q1": "on"}, 0.0) == "cut off at 5 s"


def freewheel(**window: float) -> Circuit:
    """A coil that its contact leaves to its diode: i falls from 100 mA against 0.7 V."""
    return exact(
        supply("V1", "rail", "gnd", 12.0),
        contact("S1", "low", "gnd", rest="closed"),
        coil("K1", "rail", "low", 120.0, inductance=0.5, tolerance=Tolerance(-0.1, 0.1)),
        diode("D1", "low", "rail"),
        states=frozen_map({"released": frozen_map({"D1": "on"})}),
        stimuli=frozen_map({"open": press("S1", 0.0)[1:]}),
        requirements=(requirement("delay", stimulus="open", state="released", **window),),
    )


def test_a_delay_without_a_capacitor_is_run_at_every_corner() -> None:
    """t = L/R * ln(1 + I_0*R/V_D) with I_0 = 12 V/R; least with the largest R."""

    def by_hand(ohms: float) -> float:
        return 0.5 / ohms * math.log(1.0 + 12.0 / 0.7)

    low, high = both(freewheel(at_least=1e-6, at_most=1.0))
    assert low == pytest.approx(by_hand(132.0), rel=1e-9)
    assert high == pytest.approx(by_hand(108.0), rel=1e-9)
    finding = only_finding(freewheel(at_most=by_hand(110.0)), RULE)
    assert finding.parts == ()
    assert any("no proof" in q.meaning for q in finding.evidence)


def test_no_run_at_a_random_point_lies_outside_the_range() -> None:
    """The garden light with its usual tolerances, run from the press to the end without leakage."""
    subject = garden_light(
        requirements=(requirement("delay", stimulus="press", state="lit", at_least=1.0),),
        leakage=Leakage(current=0.0),
    )
    subject = replace(subject, states={"lit": {"Q2": "saturated"}})
    study = Study(subject)
    ruler = Ruler(study, asked(subject, "delay")[0])
    found = ruler.stays()
    assert isinstance(found, Stays)
    generator = np.random.default_rng(5)
    every = parameters(study.resolved)
    lasted = []
    for k in range(24):
        ends_only = k % 2 == 0
        point = {
            p.key: float(generator.choice([p.low, p.high]) if ends_only else generator.uniform(p.low, p.high))
            for p in every
        }
        stay = ruler.at_point(point, "none")
        assert isinstance(stay, Stay)
        lasted.append(stay.seconds)
    assert min(lasted) >= found.low.dry * (1.0 - 1e-3)  # the press begins a few milliseconds earlier or later
    assert max(lasted) <= found.high.dry * (1.0 + 1e-3)
    assert max(lasted) - min(lasted) > 0.5 * (found.high.dry - found.low.dry)


def test_no_requirement_is_not_applicable() -> None:
    assert kinds(RULE, timer(())) == {"not-applicable"}


def test_resistor_and_capacitor_are_chosen_together_and_proven() -> None:
    (finding,) = reviewed(FAILING, RULE).findings
    assert finding.remedies
    for remedy in finding.remedies:
        assert remedy.proof.after is not None
        assert remedy.proof.after <= 1.35 < remedy.proof.before
    changed = [{op["path"] for op in r.patch if op["op"] == "replace"} for r in finding.remedies]
    assert {"/parts/R1/resistance"} in changed
    assert {"/parts/R1/resistance", "/parts/C1/capacitance"} in changed


def test_the_resistor_alone_is_the_one_of_the_formula() -> None:
    """Twice the time: the resistor whose formula gives it, as an E24 member within 4 %."""
    aim = 2.0 * seconds()
    subject = timer(wait(target=aim, within=0.1))
    made = [p for o in outcomes(RULE, subject) for p in o.proposals]
    alone = [p for p in made if {c.pointer for c in p.changes} == {"/parts/R1/resistance"}]
    assert len(alone) == 1
    ohms = {"68 kohm": 68e3, "75 kohm": 75e3, "82 kohm": 82e3}[alone[0].changes[0].new]
    assert seconds(ohms) == pytest.approx(aim, rel=0.1)


def lit(**window: float) -> Circuit:
    """The garden light, exact parts; its timing transistor has to take over the tail current."""
    subject = garden_light(
        requirements=(requirement("delay", stimulus="press", state="lit", **window),),
        leakage=Leakage(current=0.0),
    )
    return replace(subject, assumptions=EXACT, ambient=BENCH, states={"lit": {"Q2": "saturated"}})


def test_the_resistor_stays_within_what_steers_the_stage() -> None:
    """Eight times the time: 220k * 8 would be 1.8 M; three times the base current allow much less."""
    found = outcomes(RULE, lit(target=480.0, within=0.2))
    made = [p for o in found for p in o.proposals]
    assert made
    for proposal in made:
        new = {c.pointer: c.new for c in proposal.changes}
        assert "/parts/C1/capacitance" in new
        text = new.get("/parts/R6/resistance", "220 kohm")
        ohms = float(text.split()[0]) * {"kohm": 1e3, "Mohm": 1e6}[text.split()[1]]
        # about 0.9 mA steered at a gain of 200 take 4.5 uA, three times that 13.5 uA of (8.8 - 3.9) V
        assert ohms < 400e3


def test_a_range_wider_than_the_window_gets_closer_parts() -> None:
    subject = timer(wait(target=seconds(), within=0.15), (FIVE, TWENTY))
    found = outcomes(RULE, subject)
    made = [{c.pointer: c.new for c in p.changes} for o in found for p in o.proposals]
    assert any(new.get("/parts/C1/tolerance") == "10 %" for new in made)
    advice = [a for o in found if o.finding for a in o.finding.advice]
    assert any(a.startswith("exact resistors alone leave a factor of 1.5") for a in advice)


def test_the_tolerance_that_would_do_is_told_with_its_number() -> None:
    """A window of +/- 15 % is a factor of 1.353; R1 of 5 % takes 1.178 of it, C1 may have 6.9 %."""
    subject = timer(wait(target=seconds(), within=0.15), (FIVE, TWENTY))
    resistor_alone = seconds(1.05 * 47e3) / seconds(0.95 * 47e3)
    left = 1.15 / 0.85 / resistor_alone
    share = (left - 1.0) / (left + 1.0)
    advice = [a for o in outcomes(RULE, subject) if o.finding for a in o.finding.advice]
    (told,) = [a for a in advice if "a centred C1 of" in a]
    number = float(told.split("a centred C1 of ")[1].split(" %")[0])
    assert number <= 100.0 * share
    assert number == pytest.approx(100.0 * share, rel=0.05)


def test_a_window_that_no_part_can_meet_says_so() -> None:
    """The supply moves nothing here, the drops do: 0.65 V to 0.75 V at the threshold are too much for 1 %."""
    subject = timer(wait(target=seconds(), within=0.01), (FIVE, TWENTY))
    subject = replace(subject, assumptions={**EXACT, "junction_spread": 0.05})
    advice = [a for o in outcomes(RULE, subject) if o.finding for a in o.finding.advice]
    assert any(a.startswith("even exact parts leave a factor of") for a in advice)


@pytest.mark.parametrize("subject", [timer(wait(at_most=1.0), (FIVE, TWENTY)), tap(at_most=1.0)])
def test_renaming_order_and_mirroring_change_nothing(subject: Circuit) -> None:
    changed, names = renamed(subject)
    was, now = only_finding(subject, RULE), only_finding(changed, RULE)
    assert now.test.left == pytest.approx(was.test.left, rel=1e-9)
    assert now.parts == tuple(names[p] for p in was.parts)
    assert only_finding(mirrored(subject), RULE).test.left == pytest.approx(was.test.left, rel=1e-9)


def test_the_promise_behind_the_leakage_is_in_the_evidence() -> None:
    subject = timer(wait(at_most=1.0), leakage=Leakage(current=10e-6))
    promise = promise_of(Study(subject), "C1", highest_voltage(Study(subject), "C1"))
    assert not isinstance(promise, str)
    assert value(only_finding(subject, RULE), "I_L") == pytest.approx(promise.limit)


def test_film_capacitors_are_timed_as_well() -> None:
    subject = timer(wait(at_least=0.01, at_most=100.0))
    parts = {**subject.parts, "C1": film("C1", "slow", "gnd", 10e-6, voltage=63.0)}
    assert both(replace(subject, parts=parts))[0] == pytest.approx(seconds(c=10e-6), rel=1e-9)
