"""Stages of a review as they are told: what is known soon, what is kept from before, what is shown of it."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator
from datetime import date
from typing import Any

import pytest
from lsprotocol import types as lsp

from clients.language_server.diagnostics import Abilities, Teller
from clients.language_server.reviewing import FIRST_ANSWER, Judgement, Memory, Reviewer, Reviews
from clients.language_server.schedule import Rest, Token
from clients.language_server.snapshot import Snapshot, take
from schemas.finding import Outcome
from service.ruleset import Ruleset, of_rules
from service.stages import Cancelled
from tests.clients.language_server.editing import codes, marked
from tests.service.fakes import FakeRule, document, least_resistance

EVERYTHING = Abilities(True, True, True, True, True)
TODAY = date(2027, 3, 1)


class Clock:
    """A clock that rules push on."""

    def __init__(self) -> None:
        self.now = 0.0

    def __call__(self) -> float:
        return self.now


class Bench:
    """A reviewer of texts by rules of our own."""

    def __init__(self, *rules: FakeRule, remedies: bool = True, clock: Clock | None = None) -> None:
        self.memory, self.reviews, self.token = Memory(), Reviews(), Token()
        self.ruleset = of_rules(rules)
        self.reviewer = Reviewer(lambda: self.ruleset, lambda: TODAY, remedies, clock=clock or Clock())
        self.version = 0

    def steps(self, text: str) -> Iterator[Judgement | Rest]:
        self.version += 1
        snapshot = take("file:///bench.json", self.version, text)
        return self.reviewer.stages(lambda: snapshot, self.memory, self.reviews, self.token)

    def judged(self, text: str) -> list[Judgement]:
        return [step for step in self.steps(text) if isinstance(step, Judgement)]


def written(waivers: Any = None, **ohms: Any) -> str:
    raw = document(**ohms)
    return json.dumps(raw if waivers is None else {**raw, "waivers": waivers}, indent=1)


def shown(judgement: Judgement, abilities: Abilities = EVERYTHING) -> list[lsp.Diagnostic]:
    return Teller(abilities, "http://localhost:1").diagnostics(judgement)


def slow(slug: str, seconds: float, clock: Clock, least: float = 100.0) -> FakeRule:
    """A rule that takes its time."""
    inner = least_resistance(least, "150 ohm", slug)

    def judge(study: Any) -> Iterable[Outcome]:
        clock.now += seconds
        return inner.judge(study)

    return FakeRule(slug, judge)


def test_verdicts_first_then_a_rest_then_remedies_one_by_one() -> None:
    bench = Bench(least_resistance(100.0, "150 ohm"))
    steps = list(bench.steps(written(R1=10, R2=20)))
    assert [type(step).__name__ if isinstance(step, Rest) else step.stage for step in steps] == [
        "verdicts", "Rest", "verdicts", "remedies"]  # fmt: skip
    judged = [step for step in steps if isinstance(step, Judgement)]
    assert [len(step.proven) for step in judged] == [0, 1, 2]
    assert [sum(bool(finding.remedies) for finding in step.findings) for step in judged] == [0, 1, 2]
    assert {step.version for step in judged} == {1}
    assert judged[-1].is_settled
    assert shown(judged[0]) == shown(judged[1]) == shown(judged[2]), "nothing to publish twice"


def test_no_rest_and_no_search_where_nothing_was_found_or_remedies_are_off() -> None:
    bench = Bench(least_resistance(1.0, "150 ohm"))
    assert [step.stage for step in bench.steps(written(R1=10)) if isinstance(step, Judgement)] == [
        "verdicts", "remedies"]  # fmt: skip
    off = Bench(least_resistance(100.0, "150 ohm"), remedies=False)
    assert [getattr(step, "stage", "Rest") for step in off.steps(written(R1=10))] == ["verdicts"]


def test_what_is_known_already_is_told_at_once_with_its_remedies() -> None:
    bench = Bench(least_resistance(100.0, "150 ohm"))
    bench.judged(written(R1=10))
    steps = list(bench.steps(written(R1=10) + "\n\n"))
    assert not any(isinstance(step, Rest) for step in steps)
    first = steps[0]
    assert isinstance(first, Judgement)
    assert first.version == 2
    assert first.findings[0].remedies


def test_cheap_rules_are_asked_first_and_findings_of_the_others_stay_in_place() -> None:
    clock = Clock()
    bench = Bench(slow("a-slow", 1.0, clock), slow("b-slow", 0.5, clock), slow("c-fast", 0.07, clock),
                  remedies=False, clock=clock)
    assert [step.stage for step in bench.judged(written(R1=10))] == ["verdicts"], "no cost is known yet"
    assert bench.memory.costs == pytest.approx({"a-slow": 1.0, "b-slow": 0.5, "c-fast": 0.07})
    part, whole = bench.judged(written(R1=200, R2=20))
    assert part.stage == "part"
    assert [(f.rule, f.parts) for f in part.findings] == [("c-fast", ("R2",))]
    assert [(f.rule, f.parts) for f in part.earlier] == [("a-slow", ("R1",)), ("b-slow", ("R1",))]
    assert sorted(codes(shown(part))) == ["a-slow", "b-slow", "c-fast"]
    assert bench.memory.took == pytest.approx(0.07)
    assert FIRST_ANSWER < 0.07
    assert whole.earlier == ()
    assert {(f.rule, f.parts) for f in whole.findings} == {(rule, ("R2",)) for rule in bench.memory.costs}
    part, whole = bench.judged(written(R3=20))
    assert part.earlier == (), "what names a part that is gone is not kept"


def test_a_job_that_is_not_wanted_ends_between_rules_and_leaves_no_trace() -> None:
    bench = Bench(least_resistance(100.0, "150 ohm"))
    bench.judged(written(R1=10))
    last = bench.memory.last
    cancelled: list[str] = []

    def stop(study: Any) -> Iterable[Outcome]:
        bench.token.cancelled = True
        cancelled.append("asked")
        return least_resistance(100.0, "150 ohm", "a-stop").judge(study)

    bench.ruleset = of_rules((FakeRule("a-stop", stop), least_resistance(100.0, "150 ohm")))
    with pytest.raises(Cancelled):
        bench.judged(written(R1=11))
    assert cancelled == ["asked"]
    assert bench.memory.last is last


def test_an_unreadable_text_has_its_problems_and_nothing_else() -> None:
    bench = Bench(least_resistance(100.0, "150 ohm"))
    bench.judged(written(R1=10))
    (only,) = bench.judged('{"format": "thumbrule/1", ')
    assert only.stage == "unreadable"
    assert set(codes(shown(only))) == {"document"}
    assert bench.memory.last is not None, "for when it can be read again"


def test_a_rule_that_fails_is_an_error_at_the_head_and_one_that_cannot_decide_a_hint_at_its_part() -> None:
    def raises(study: Any) -> Iterable[Outcome]:
        raise RuntimeError("out of ideas")

    def undecided(study: Any) -> Iterable[Outcome]:
        yield Outcome("open-question", "undecided", ("R1",), "needs the rated power")

    bench = Bench(FakeRule("broken-rule", raises), FakeRule("open-question", undecided), remedies=False)
    text = written(R1=10)
    (judgement,) = bench.judged(text)
    failed, question = shown(judgement)
    assert failed.severity == lsp.DiagnosticSeverity.Error
    assert failed.code == "broken-rule"
    assert failed.range.start == lsp.Position(0, 0)
    assert "out of ideas" in failed.message
    assert question.severity == lsp.DiagnosticSeverity.Hint
    assert marked(text, question.range) == '"R1"'


WAIVER = {"rule": "least-resistance", "parts": ["R1"], "reason": "a test load", "owner": "bench",
          "expires": "2027-12-31"}  # fmt: skip


@pytest.mark.parametrize(("change", "severity", "told"), [
    ({}, lsp.DiagnosticSeverity.Hint, None),
    ({"expires": "2027-02-28"}, lsp.DiagnosticSeverity.Warning, ("expires", "2027-02-28")),
    ({"accepted": 12}, lsp.DiagnosticSeverity.Warning, ("accepted", "12")),
    ({"accepted": 10}, lsp.DiagnosticSeverity.Hint, None),
    ({"expires": "soon"}, lsp.DiagnosticSeverity.Warning, ("", "{")),
])  # fmt: skip
def test_waivers_in_force_make_hints_and_others_are_told(
    change: dict[str, Any], severity: lsp.DiagnosticSeverity, told: tuple[str, str] | None
) -> None:
    bench = Bench(least_resistance(100.0, "150 ohm"), remedies=False)
    text = written([{**WAIVER, **change}], R1=10)
    (judgement,) = bench.judged(text)
    found = shown(judgement)
    finding = next(item for item in found if item.code == "least-resistance")
    assert finding.severity == severity
    assert (finding.tags == [lsp.DiagnosticTag.Unnecessary]) == (severity == lsp.DiagnosticSeverity.Hint)
    others = [item for item in found if item.code == "waiver"]
    assert len(others) == (told is not None)
    assert "document" not in codes(found), "a waiver that cannot be read does not hide the circuit"
    if told is not None:
        assert marked(text, others[0].range).strip('"') == told[1]


def test_what_the_client_cannot_show_is_left_out() -> None:
    bench = Bench(least_resistance(100.0, "150 ohm"), remedies=False)
    (judgement,) = bench.judged(written([WAIVER], R1=10, R2=20))
    for item in shown(judgement, Abilities()):
        assert (item.related_information, item.tags, item.code_description, item.data) == (None,) * 4
    full = shown(judgement)
    assert all(item.code_description and item.data for item in full if item.code == "least-resistance")


def test_a_policy_that_cannot_be_used_is_not_caught_here() -> None:
    def refuse() -> Ruleset:
        raise LookupError("no such policy")

    reviewer = Reviewer(refuse)
    snapshot: Snapshot = take("file:///bench.json", 1, written(R1=10))
    with pytest.raises(LookupError):
        list(reviewer.stages(lambda: snapshot, Memory(), Reviews(), Token()))
