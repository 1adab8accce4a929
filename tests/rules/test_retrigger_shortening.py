"""retrigger-shortening: second periods by hand, both sides of the limit, and what has no second period."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from rules.analysis.second_period import Retimed, at_slowest, retimed, stimulated
from rules.analysis.study import Study
from rules.reset_path import RULE as RESET_PATH
from rules.retrigger_shortening import RULE
from schemas.circuit import Circuit, Requirement, frozen_map
from schemas.finding import Finding, identity
from tests.builders import press, resistor
from tests.judged import causes, document, judged, kinds, mirrored, only_finding, outcomes, renamed, value
from tests.timers import blinker, garden_light, hold_on, on_delay, one_shot, requirement


def the(subject: Circuit) -> Finding:
    return only_finding(subject, RULE)


def second(subject: Circuit, pause: float | None = None) -> Retimed:
    study = Study(subject)
    delay, stimulus = next(iter(stimulated(study)))
    found = retimed(study, delay, stimulus, pause)
    assert isinstance(found, Retimed)
    return found


def asking(subject: Circuit, *wanted: Requirement) -> Circuit:
    return replace(subject, requirements=wanted)


def test_the_lesson_circuits_fire_and_pass() -> None:
    assert "violated" in kinds(RULE, document(RULE.lesson.failing).circuit)
    assert kinds(RULE, document(RULE.lesson.passing).circuit) == {"satisfied"}


# tau of the garden light: R6*C1 = 103.4 s while it burns


@pytest.mark.parametrize(
    ("fitted", "pause", "seconds"),
    # own independent event runs: 4.7 s, 35 s and 48 s of 60.3 s
    [(False, 5.0, 4.7), (False, 60.0, 35.0), (True, 5.0, 48.0)],
)
def test_the_garden_light_a_second_time(fitted: bool, pause: float, seconds: float) -> None:
    found = second(garden_light(diode_fitted=fitted), pause)
    assert found.second / found.first == pytest.approx(seconds / 60.3, abs=0.01)
    assert found.first == pytest.approx(62.3, abs=0.1)


@pytest.mark.parametrize("pause", [5.0, 60.0, 200.0])
def test_the_second_period_is_what_the_charge_leaves_of_it(pause: float) -> None:
    """T - T' = tau*ln(V_inf/(V_inf - V_0)), V_inf 8.77 V, but for the 0.1 s of the press."""
    found = second(garden_light(diode_fitted=False), pause)
    gone = 103.4 * math.log(8.7735 / (8.7735 - found.left))
    assert found.first - found.second == pytest.approx(gone, abs=0.3)


def test_a_one_shot_by_hand() -> None:
    """C1 comes back through RC1 alone: from -0.5 V to 4.3 V with 47 ms; T = R1*C1*ln((5+V_0-0.2)/(5-0.7))."""
    for pause in (0.02, 0.05, 0.1):
        found = second(one_shot(), pause)
        left = 4.3 - 4.8 * math.exp(-pause / 47e-3)
        assert found.left == pytest.approx(left, rel=2e-2)
        assert found.second == pytest.approx(47e3 * 47e-6 * math.log((4.8 + found.left) / 4.3), rel=1e-4)


def test_without_a_requirement_one_period_is_the_pause() -> None:
    finding = the(garden_light(diode_fitted=False))
    assert finding.severity == "warning"
    assert value(finding, "t_pause") == pytest.approx(value(finding, "T"))
    assert value(finding, "T'") / value(finding, "T") == pytest.approx(0.597, abs=0.005)
    assert value(finding, "T'_0") < 0.2
    assert "(one period)" in finding.message


@pytest.mark.parametrize(("fraction", "fires"), [(0.99, True), (1.01, False)])
def test_both_sides_of_four_fifths(fraction: float, fires: bool) -> None:
    """The pause after which just four fifths are left, found by halving; no tolerances."""
    subject = garden_light(diode_fitted=False)
    study = Study(subject)
    ((delay, stimulus),) = stimulated(study)
    low, high = 60.0, 400.0
    for _ in range(20):
        middle = 0.5 * (low + high)
        found = retimed(study, delay, stimulus, middle)
        assert isinstance(found, Retimed)
        low, high = (middle, high) if found.ratio < 0.8 else (low, middle)
    exact = {"resistor_tolerance": 0.0, "film_tolerance": 0.0, "electrolytic_tolerance": 0.0}
    wanted = requirement("re-arm", stimulus="press", at_most=high * fraction)
    asked = asking(replace(subject, assumptions=exact), wanted)
    assert ("violated" in kinds(RULE, asked)) is fires


def test_tolerances_decide_near_the_limit() -> None:
    """A pause that is enough for nominal values; with C1 and R6 at their greatest more charge is left."""
    wanted = requirement("re-arm", stimulus="press", at_most=142.0)
    subject = asking(garden_light(diode_fitted=False), wanted)
    assert second(subject).ratio > 0.8
    finding = the(subject)
    assert finding.corner == "C and R at their greatest"
    assert finding.test.left < finding.test.right


def test_the_strictest_requirement_is_the_pause() -> None:
    wanted = (
        requirement("re-arm", stimulus="press", at_most=60.0),
        requirement("re-arm", stimulus="press", at_most=5.0),
    )
    subject = asking(garden_light(diode_fitted=False), *wanted)
    finding = the(subject)
    assert value(finding, "t_pause") == 5.0
    assert [q.pointer for q in finding.evidence if q.symbol == "t_pause"] == ["/requirements/1/at_most"]
    assert identity("required-re-arm", ("C1",), (), "re-arm 2") in causes(RULE, subject)


def test_it_is_told_as_what_comes_of_the_way_back() -> None:
    subject = garden_light(diode_fitted=False)
    both = {f.rule: f for f in judged(subject, RULE, RESET_PATH).findings}
    assert both["retrigger-shortening"].caused_by == both["reset-path"].identity


def test_a_stimulus_that_comes_too_soon_may_set_nothing_off() -> None:
    """Its timing capacitor still stands above the threshold that a weak trigger reaches."""
    subject = garden_light(diode_fitted=False)
    weak = {**subject.parts, "R8": resistor("R8", "sw", "b1", 82e3)}
    wanted = requirement("re-arm", stimulus="press", at_most=0.5)
    finding = the(asking(replace(subject, parts=frozen_map(weak)), wanted))
    assert finding.test.left == 0.0
    assert "sets nothing off" in finding.message


def test_a_delay_that_waits_for_its_stimulus() -> None:
    """On-delay: while the contact stays, C1 fills; released and closed again it starts from what is left."""
    subject = replace(on_delay(), stimuli=frozen_map({"hold": press("S1", 200.0)}))
    found = second(subject)
    assert found.second < found.first
    assert found.left > 0.0
    assert "violated" in kinds(RULE, subject)
    quick = replace(on_delay(bleed=1e3), stimuli=frozen_map({"hold": press("S1", 200.0)}))
    assert second(quick).ratio > second(subject).ratio


def test_the_stimulus_that_fills_the_capacitor_anew() -> None:
    assert second(hold_on(), 5.0).ratio == pytest.approx(1.0, abs=1e-6)
    assert kinds(RULE, hold_on()) == {"satisfied"}


def test_the_slowest_corner_scales_both_periods() -> None:
    """All C 20 % and all R 5 % more: both periods longer by 26 %, their ratio as it was."""
    study = Study(garden_light(diode_fitted=False))
    ((delay, stimulus),) = stimulated(study)
    slow, plain = at_slowest(study, delay, stimulus), retimed(study, delay, stimulus)
    assert isinstance(slow, Retimed)
    assert isinstance(plain, Retimed)
    assert slow.first == pytest.approx(1.26 * plain.first, rel=2e-3)
    assert slow.ratio == pytest.approx(plain.ratio, rel=2e-3)


@pytest.mark.parametrize(
    ("subject", "words"),
    [
        (on_delay(), "names no stimulus"),
        (blinker(), "names no stimulus"),
        (replace(on_delay(), stimuli=frozen_map({"on": press("S1", 1.0)[:1]})), "cannot come again"),
        (replace(on_delay(), stimuli=frozen_map({"tap": press("S1", 0.01)})), "sets a delay off"),
    ],
)
def test_nothing_to_judge(subject: Circuit, words: str) -> None:
    found = outcomes(RULE, subject)
    assert {o.kind for o in found} == {"not-applicable"}
    assert words in found[0].reason


@pytest.mark.parametrize(
    "subject",
    [
        garden_light(diode_fitted=False),
        asking(one_shot(), requirement("re-arm", stimulus="poke", at_most=0.02)),
    ],
    ids=lambda c: c.name,
)
def test_renaming_and_mirroring_change_nothing(subject: Circuit) -> None:
    changed, names = renamed(subject)
    was, now, turned = the(subject), the(changed), the(mirrored(subject))
    assert now.parts == tuple(names[p] for p in was.parts)
    assert now.test.left == pytest.approx(was.test.left, rel=1e-6)
    assert turned.test.left == pytest.approx(was.test.left, rel=1e-6)
