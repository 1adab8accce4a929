"""What counts as new, worse or lost between two runs."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from typing import Any

import pytest

from schemas.circuit import Circuit
from schemas.finding import Finding, Outcome
from schemas.finding import Test as Inequality
from service.comparing import before_and_after, compare, is_worse, losses, shifted
from service.engine import Run, merge_findings, merge_outcomes
from service.states import Overview
from tests.service.fakes import satisfied, violated

TARGET = violated("target", Inequality.at_least(50.0, 100.0, "ohm"), ("R1",))
OTHER = violated("other", Inequality.at_most(6.0, 4.0, "V"), ("R2",))
STABLE, TIMED = {("min", ""): 2, ("max", ""): 2}, frozenset({("min", "", "C1")})
OVERVIEW = Overview((), (), STABLE, TIMED, {}, 0.0, True, ())


def _run(*outcomes: Outcome, **over: Any) -> Run:
    findings, proposals = merge_findings(outcomes)
    merged = merge_outcomes(outcomes)
    return Run(Circuit("c", "gnd", {}), findings, proposals, merged, replace(OVERVIEW, **over), (), (), ())


def _finding(outcome: Outcome) -> Finding:
    assert outcome.finding is not None
    return outcome.finding


def _compare(before: Iterable[Outcome], after: Iterable[Outcome], **over: Any) -> Any:
    return compare(_run(*before), _run(*after, **over), _finding(TARGET))


def test_a_clean_change_takes_the_target_away_and_leaves_the_rest() -> None:
    found = _compare([TARGET, OTHER], [OTHER])
    assert found.is_clean
    assert found.reason == ""


def test_another_finding_that_goes_too_is_noted() -> None:
    assert [finding.rule for finding in _compare([TARGET, OTHER], []).gone] == ["other"]


def test_a_target_that_stays_is_in_the_way() -> None:
    found = _compare([TARGET], [TARGET])
    assert not found.is_clean
    assert [finding.identity for finding in found.in_the_way] == [_finding(TARGET).identity]


def test_a_new_finding_is_in_the_way_and_named() -> None:
    found = _compare([TARGET], [OTHER])
    assert not found.is_clean
    assert found.reason == "it would cause other at R2: other: 6 is not <= 4 V"


@pytest.mark.parametrize(
    ("left", "severity", "worse"),
    [
        (6.0, "warning", False),
        (6.0 + 1e-9, "warning", False),
        (6.039, "warning", False),  # within a hundredth of the limit, 4 V
        (6.041, "warning", True),
        (5.0, "warning", False),
        (5.0, "error", True),
        (9.0, "note", False),
    ],
)
def test_worse_is_a_higher_severity_or_a_smaller_margin(left: float, severity: Any, worse: bool) -> None:
    after = violated("other", Inequality.at_most(left, 4.0, "V"), ("R2",), severity=severity)
    assert is_worse(_finding(OTHER), _finding(after)) is worse
    assert _compare([TARGET, OTHER], [after]).is_clean is not worse


@pytest.mark.parametrize(("target", "worse"), [("warning", False), ("error", False), ("note", True)])
def test_a_remark_may_pay_for_mending_more_than_a_remark(target: Any, worse: bool) -> None:
    mended = violated("target", Inequality.at_least(1.0, 2.0, "V"), ("R1",), severity=target)
    remark = violated("other", Inequality.at_most(6.0, 4.0, "V"), ("R2",), severity="note")
    paid = violated("other", Inequality.at_most(9.0, 4.0, "V"), ("R2",), severity="note")
    before, after = _run(mended, remark), _run(paid)
    assert bool(compare(before, after, _finding(mended)).worse) is worse
    assert bool(losses(before, after, [_finding(mended)])) is worse
    assert shifted(before, after, _finding(mended)) == (
        ("other at R2: 6 V before, 9 V after, limit 4 V", False),
    )


def test_a_margin_that_scales_with_its_limit_is_not_worse() -> None:
    # ten times the current against ten times the limit: the same shortfall in units of the limit
    small = violated("other", Inequality.at_most(1.1, 1.0, "A"), ("R2",))
    large = violated("other", Inequality.at_most(11.0, 10.0, "A"), ("R2",))
    assert not is_worse(_finding(small), _finding(large))


def test_numbers_are_told_with_the_digits_that_tell_them_apart() -> None:
    after = violated("other", Inequality.at_most(6.00012, 4.0, "V"), ("R2",), severity="error")
    text = before_and_after(_finding(OTHER), _finding(after))
    assert text == "warning to error, 6 V before, 6.00012 V after, limit 4 V"


@pytest.mark.parametrize(
    ("over", "reason"),
    [
        ({"complete": False}, "not every DC state of the changed circuit could be found"),
        ({"stable": {("min", ""): 1, ("max", ""): 2}}, "1 stable states instead of 2 at min beta"),
        ({"timed": frozenset()}, "the timed state that C1 holds would be gone at min beta"),
    ],
)
def test_states_must_not_be_lost(over: dict[str, Any], reason: str) -> None:
    found = _compare([TARGET], [], **over)
    assert not found.is_clean
    assert reason in found.reason


def test_states_may_be_gained() -> None:
    over = {"stable": {("min", ""): 3, ("max", ""): 2, ("min", "S1 open"): 1},
            "timed": frozenset({("min", "", "C1"), ("max", "", "C2")})}  # fmt: skip
    assert _compare([TARGET], [], **over).is_clean


def test_a_verdict_must_not_be_lost_elsewhere() -> None:
    fine = satisfied("third", Inequality.at_least(2.0, 1.0, "V"), ("Q1",))
    assert _compare([TARGET, fine], []).reason == "third at Q1 would not be judged any more"
    assert _compare([TARGET, fine], [fine]).is_clean


def test_the_targets_own_rule_may_stop_applying_to_it() -> None:
    fine = satisfied("target", Inequality.at_least(2.0, 1.0, "V"), ("R1", "R2"))
    assert _compare([TARGET, fine], []).is_clean
    elsewhere = satisfied("target", Inequality.at_least(2.0, 1.0, "V"), ("R7",))
    assert not _compare([TARGET, elsewhere], []).is_clean


def test_losses_over_several_steps_know_all_their_targets() -> None:
    fine = satisfied("target", Inequality.at_least(2.0, 1.0, "V"), ("R1",))
    before, after = _run(TARGET, OTHER, fine), _run()
    assert losses(before, after, [_finding(TARGET), _finding(OTHER)]) == ""
    assert losses(before, after, [_finding(OTHER)]) == "target at R1 would not be judged any more"
    assert losses(_run(TARGET), _run(OTHER), [_finding(TARGET)]).startswith("it would cause other at R2")
