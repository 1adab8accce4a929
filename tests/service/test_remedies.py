"""A remedy is what a re-run proves; the rest is advice with its reason."""

from __future__ import annotations

from collections.abc import Iterable
from functools import partialmethod
from typing import Any

import pytest

from schemas.finding import Change, Finding, Outcome, Proposal
from schemas.finding import Test as Inequality
from service import remedies as module
from service.documents import load_circuit
from service.engine import review
from service.ruleset import Ruleset, of_rules
from tests.service.fakes import (
    FakeRule,
    document,
    least_resistance,
    most_in_all,
    resistances,
    satisfied,
    set_value,
    violated,
)


def _review(rules: Ruleset, raw: dict[str, Any]) -> tuple[Finding, ...]:
    return review(load_circuit(raw), rules, True, raw).findings


def test_a_proven_remedy_is_a_guarded_patch_with_the_numbers_before_and_after() -> None:
    (finding,) = _review(of_rules([least_resistance(100.0, "150 ohm")]), document(R1="47R", R2="1k0"))
    (remedy,) = finding.remedies
    assert remedy.patch == (
        {"op": "test", "path": "/parts/R1/kind", "value": "resistor"},
        {"op": "test", "path": "/parts/R1/resistance", "value": "47R"},
        {"op": "replace", "path": "/parts/R1/resistance", "value": "150 ohm"},
    )
    proof = remedy.proof
    assert (proof.proven, proof.before, proof.after, proof.limit, proof.unit) == (
        True,
        47.0,
        150.0,
        100.0,
        "ohm",
    )
    assert proof.corners == ("min", "typical", "max", "the worst corner of each rule")
    assert finding.advice == ()


def test_side_effects_on_the_sources_are_told() -> None:
    (finding,) = _review(of_rules([least_resistance(100.0, "150 ohm")]), document(R1="50 ohm"))
    (effect,) = finding.remedies[0].proof.effects
    # 5 V across 50 ohm, then across 150 ohm
    assert effect.symbol == "I_V1"
    assert effect.value == pytest.approx(5.0 / 150.0)
    assert "100 mA before" in effect.meaning


def test_a_remedy_that_breaks_another_rule_is_withdrawn_and_names_it() -> None:
    rules = of_rules([least_resistance(100.0, "150 ohm"), most_in_all(1040.0)])
    (finding,) = _review(rules, document(R1="30 ohm", R2="1k0"))
    assert finding.remedies == ()
    (advice,) = finding.advice
    assert advice.startswith("R1 resistance 150 ohm: withdrawn: it would cause most-in-all at R1, R2: ")
    assert "1150 is not <= 1040 ohm" in advice


def test_a_joint_change_is_proven_when_one_alone_would_break_another_rule() -> None:
    rules = of_rules([least_resistance(100.0, "150 ohm"), most_in_all(1040.0, {"R2": "820 ohm"})])
    (finding,) = _review(rules, document(R1="30 ohm", R2="1k0"))
    (remedy,) = finding.remedies
    edits = {op["path"]: op["value"] for op in remedy.patch if op["op"] == "replace"}
    assert edits == {"/parts/R1/resistance": "150 ohm", "/parts/R2/resistance": "820 ohm"}
    assert remedy.summary == "R1 resistance 150 ohm; together with: R2 resistance 820 ohm"
    assert (
        "joined with what most-in-all proposes, because alone it would cause most-in-all"
        in remedy.proof.reason
    )
    assert finding.advice == ()


MOVED = (least_resistance(100.0, "150 ohm"), most_in_all(1040.0, {"R2": "50 ohm"}))


def test_a_joint_change_may_take_three_steps() -> None:
    (finding,) = _review(of_rules(MOVED), document(R1="30 ohm", R2="1k0"))
    # R2 at 50 ohm breaks the first rule in turn, whose own proposal for it (150 ohm) completes the change
    (remedy,) = finding.remedies
    edits = {op["path"]: op["value"] for op in remedy.patch if op["op"] == "replace"}
    assert edits == {"/parts/R1/resistance": "150 ohm", "/parts/R2/resistance": "150 ohm"}


def test_a_joint_change_that_only_moves_the_trouble_is_withdrawn() -> None:
    (finding,) = _review(of_rules([*MOVED, _no_equal_pair()]), document(R1="30 ohm", R2="1k0"))
    assert finding.remedies == ()
    assert "it would cause most-in-all at R1, R2" in finding.advice[0]
    assert "no change joined with what that finding proposes could be proven" in finding.advice[0]


def _no_equal_pair() -> FakeRule:
    def judge(study: Any) -> Iterable[Outcome]:
        values = list(resistances(study).values())
        test = Inequality.at_most(float(len(values) - len(set(values))), 0.0, "")
        yield (
            satisfied("no-pair", test) if test.holds else violated("no-pair", test, tuple(resistances(study)))
        )

    return FakeRule("no-pair", judge)


def test_a_proposal_that_does_not_clear_its_target_says_how_far_it_gets() -> None:
    def judge(study: Any) -> Iterable[Outcome]:
        ohms = resistances(study)["R1"]
        test = Inequality.at_least(ohms, 100.0, "ohm")
        proposals = (set_value("R1", "resistance", ohms, "80 ohm"),) if ohms < 80.0 else ()
        severity = "error" if ohms < 50.0 else "warning"
        yield violated("low", test, ("R1",), proposals, severity=severity)

    (finding,) = _review(of_rules([FakeRule("low", judge)]), document(R1="30 ohm"))
    assert finding.remedies == ()
    assert finding.advice == (
        "R1 resistance 80 ohm: withdrawn: the finding stays: error to warning,"
        " 30 ohm before, 80 ohm after, limit 100 ohm",
    )


def test_a_remedy_must_not_worsen_what_is_already_wrong() -> None:
    rules = of_rules([least_resistance(100.0, "150 ohm"), most_in_all(500.0)])
    by_rule = {f.rule: f for f in _review(rules, document(R1="30 ohm", R2="1k0"))}
    assert by_rule["least-resistance"].remedies == ()
    assert (
        by_rule["least-resistance"]
        .advice[0]
        .endswith(
            "withdrawn: it would worsen most-in-all at R1, R2: 1030 ohm before, 1150 ohm after, limit 500 ohm"
        )
    )


def test_a_remedy_that_mends_two_findings_says_so() -> None:
    rules = of_rules(
        [least_resistance(100.0, "150 ohm"), least_resistance(120.0, "150 ohm", slug="more-resistance")]
    )
    findings = _review(rules, document(R1="30 ohm"))
    assert [f.rule for f in findings] == ["least-resistance", "more-resistance"]
    assert findings[0].remedies[0].proof.reason.endswith("also gone: more-resistance at R1")


def test_a_verdict_must_not_be_lost() -> None:
    def judge(study: Any) -> Iterable[Outcome]:
        if resistances(study)["R1"] < 100.0:
            yield satisfied("only-low", Inequality.at_least(1.0, 0.0, ""), ("R1",))
        else:
            yield Outcome("only-low", "not-applicable", ("R1",), "R1 is not low")

    (finding,) = _review(
        of_rules([least_resistance(100.0, "150 ohm"), FakeRule("only-low", judge)]), document(R1=30)
    )
    assert finding.remedies == ()
    assert finding.advice[0].endswith("withdrawn: only-low at R1 would not be judged any more")


@pytest.mark.parametrize("kind", ["undecided", "failed"])
def test_nothing_may_become_undecided_or_fail(kind: Any) -> None:
    def judge(study: Any) -> Iterable[Outcome]:
        if resistances(study)["R1"] < 100.0:
            yield Outcome("shy", "not-applicable", ())
        elif kind == "failed":
            raise RuntimeError("no")
        else:
            yield Outcome("shy", "undecided", (), "R1 has no rating")

    (finding,) = _review(
        of_rules([least_resistance(100.0, "150 ohm"), FakeRule("shy", judge)]), document(R1="30 ohm")
    )
    assert finding.advice[0].endswith(f"withdrawn: shy would become {kind}")


def test_a_document_that_would_be_refused_is_not_a_remedy() -> None:
    rule = least_resistance(100.0, "lots")
    (finding,) = _review(of_rules([rule]), document(R1="30 ohm"))
    assert finding.remedies == ()
    assert "the changed document would be refused at /parts/R1/resistance" in finding.advice[0]


def test_remedies_are_ranked_by_parts_changed_then_by_ratio() -> None:
    def judge(study: Any) -> Iterable[Outcome]:
        ohms = resistances(study)
        test = Inequality.at_least(ohms["R1"], 100.0, "ohm")
        if test.holds:
            yield satisfied("low", test, ("R1",))
            return
        far = set_value("R1", "resistance", None, "1k0", "far")
        near = set_value("R1", "resistance", None, "110 ohm", "near")
        two = Proposal(
            "two",
            (Change("/parts/R1/resistance", None, "105 ohm"), Change("/parts/R2/resistance", None, "11 ohm")),
        )
        yield violated("low", test, ("R1",), (two, far, near))

    (finding,) = _review(of_rules([FakeRule("low", judge)]), document(R1="90 ohm", R2="10 ohm"))
    assert [remedy.summary for remedy in finding.remedies] == ["near", "far", "two"]


def test_the_search_is_bounded(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "RUNS_PER_FINDING", dict.fromkeys(("error", "warning", "note"), 2))

    def judge(study: Any) -> Iterable[Outcome]:
        test = Inequality.at_least(1.0, 2.0, "")
        proposals = tuple(set_value("R1", "resistance", None, f"{100 + k} ohm") for k in range(5))
        yield violated("never", test, ("R1",), proposals)

    (finding,) = _review(of_rules([FakeRule("never", judge)]), document(R1="30 ohm"))
    assert finding.remedies == ()
    assert len(finding.advice) == 5
    assert "no proof within the budget of 2 re-runs" in finding.advice[-1]


def test_what_its_own_rule_refuses_is_not_shown_to_the_others() -> None:
    asked: list[str] = []

    def refuses(study: Any) -> Iterable[Outcome]:
        proposals = tuple(set_value("R1", "resistance", None, f"{100 + k} ohm") for k in range(30))
        yield violated("never", Inequality.at_least(1.0, 2.0, ""), ("R1",), proposals)

    def listens(study: Any) -> Iterable[Outcome]:
        asked.append("other")
        yield Outcome("other", "not-applicable", ())

    rules = of_rules([FakeRule("never", refuses), FakeRule("other", listens)])
    (finding,) = _review(rules, document(R1="30 ohm"))
    assert finding.remedies == ()
    assert len(asked) == 1  # of the document itself
    assert "the finding stays" in finding.advice[0]
    assert f"no proof within the budget of {module.TRIALS_PER_FINDING} trials" in finding.advice[-1]


def test_all_findings_share_one_budget(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module.Bench, "__init__", partialmethod(module.Bench.__init__, budget=2))
    raw = document(R1="10 ohm", R2="20 ohm", R3="30 ohm")
    findings = _review(of_rules([least_resistance(100.0, "150 ohm")]), raw)
    assert [len(finding.remedies) for finding in findings] == [1, 1, 0]
    assert "no proof within the budget of 2 re-runs" in findings[2].advice[0]


def test_the_canonical_form_stands_in_where_there_is_no_text() -> None:
    found = review(load_circuit(document(R1="47R")), of_rules([least_resistance(100.0, "150 ohm")]))
    assert found.findings[0].remedies[0].patch[1] == {
        "op": "test",
        "path": "/parts/R1/resistance",
        "value": 47.0,
    }
