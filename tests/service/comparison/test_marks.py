"""New, known, worsened, gone, eroded: by the numbers before and now."""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import replace
from typing import Any

import pytest

from schemas import finding as facts
from schemas.finding import Occurrence, Outcome
from service import facade
from service.comparison.marks import Before, before_of, mark, of_record
from service.margins import fall
from service.ruleset import Ruleset, of_rules
from tests.service.fakes import FakeRule, document, least_resistance, resistances, satisfied, violated

Json = dict[str, Any]
RULES = of_rules([least_resistance(100.0, "150 ohm")])


def read(raw: Json) -> Any:
    return facade.read(json.dumps(raw).encode(), "json")


def compare(base: Json | None, head: Json, ruleset: Ruleset = RULES, **options: Any) -> Json:
    before = None if base is None else read(base)
    return facade.compare(before, read(head), ruleset=ruleset, remedies=False, **options)


def marks(answer: Json) -> list[tuple[str, str, bool]]:
    return [(item["parts"][0], item["mark"], item["counts"]) for item in answer["findings"]]


def test_each_mark_with_its_numbers() -> None:
    base = document(R1="50 ohm", R2="60 ohm", R3="70 ohm", R4="200 ohm", R5="250 ohm", R6="400 ohm")
    head = document(R1="50 ohm", R2="40 ohm", R3="170 ohm", R4="20 ohm", R5="175 ohm", R6="300 ohm")
    answer = compare(base, head)
    assert marks(answer) == [("R1", "known", False), ("R2", "worsened", True), ("R4", "new", True)]
    known, worse, new = answer["findings"]
    assert known["why"] == "with the same numbers before"
    assert new["why"] == "the base has no such finding: there it held, 200 ohm against a limit of 100 ohm"
    assert worse["why"] == "the margin fell by 20 %: 60 ohm before, 40 ohm now, limit 100 ohm"
    assert worse["before"] == {
        "identity": worse["identity"], "severity": "warning", "left": 60.0, "right": 100.0, "margin": -0.4,
        "places": 1}  # fmt: skip
    assert (worse["margin"], worse["places"]) == (pytest.approx(-0.6), 1)
    assert new["before"] is None
    (gone,) = answer["gone"]
    assert (gone["parts"], gone["why"]) == (["R3"], "the head has no such finding")
    (eroded,) = answer["eroded"]
    assert (eroded["rule"], eroded["subject"]) == ("least-resistance", ["R5"])
    assert (eroded["before"]["left"], eroded["after"]["left"]) == (250.0, 175.0)
    assert eroded["fell"] == pytest.approx(0.5)  # margin 1.5 before, 0.75 now; R6 keeps 2, which is ample
    assert answer["base"] == {"findings": 3, "complete": True, "failed": []}
    assert answer["renamed"] == {"parts": {}, "nets": {}}
    assert answer["review"]["findings"][0]["identity"] == known["identity"]


@pytest.mark.parametrize(("ohms", "worse_by", "word"), [
    ("49.6 ohm", 0.01, "known"), ("48.9 ohm", 0.01, "worsened"), ("48.9 ohm", 0.02, "known"),
    ("51 ohm", 0.0, "known"), ("50 ohm", 0.0, "known"), ("49.999 ohm", 0.0, "worsened"),
])  # fmt: skip
def test_how_much_worse_is_worse(ohms: str, worse_by: float, word: str) -> None:
    answer = compare(document(R1="50 ohm"), document(R1=ohms), worse_by=worse_by)
    assert [item["mark"] for item in answer["findings"]] == [word]
    assert answer["worse_by"] == worse_by


def test_numbers_are_told_with_the_digits_that_set_them_apart() -> None:
    answer = compare(document(R1="50 ohm"), document(R1="49.99999 ohm"))
    assert answer["findings"][0]["mark"] == "known"
    answer = compare(document(R1="50 ohm"), document(R1="49.9996 ohm"), worse_by=0.0)
    assert answer["findings"][0]["why"].endswith("50 ohm before, 49.9996 ohm now, limit 100 ohm")


@pytest.mark.parametrize("worse_by", [-0.1, float("nan"), float("inf"), 11.0])
def test_a_share_that_is_none_is_refused(worse_by: float) -> None:
    with pytest.raises(facade.OptionRefused) as refused:
        compare(None, document(R1="50 ohm"), worse_by=worse_by)
    assert refused.value.option == "worse_by"


def test_without_a_base_everything_is_new() -> None:
    answer = compare(None, document(R1="50 ohm", R2="60 ohm"))
    assert [(item["mark"], item["counts"]) for item in answer["findings"]] == [("new", True)] * 2
    assert answer["base"] is None
    assert (answer["gone"], answer["eroded"]) == ([], [])


def test_what_is_known_from_a_baseline() -> None:
    head = document(R1="50 ohm", R2="60 ohm", R3="70 ohm")
    first = compare(None, head)
    known = [{"identity": f["identity"], "severity": "warning", "margin": margin, "places": 1}
             for f, margin in zip(first["findings"], (-0.5, -0.3), strict=False)]  # fmt: skip
    answer = compare(None, head, known=known)
    assert marks(answer) == [("R1", "known", False), ("R2", "worsened", True), ("R3", "new", True)]
    assert answer["findings"][1]["why"] == (
        "the margin fell by 10 %: margin -30 % before, -40 % now; 60 ohm now, limit 100 ohm")  # fmt: skip
    # many small steps down end at what was accepted, and a step back from a better base is one too
    answer = compare(head, head, known=known)
    assert [item["mark"] for item in answer["findings"]] == ["known", "worsened", "known"]
    answer = compare(document(R1="55 ohm", R2="60 ohm", R3="70 ohm"), head, known=known)
    assert [item["mark"] for item in answer["findings"]] == ["worsened", "worsened", "known"]


def test_a_baseline_follows_a_part_to_another_name() -> None:
    base, head = document(R1="50 ohm"), document(R7="48 ohm")
    (found,) = compare(None, base)["findings"]
    known = [{"identity": found["identity"], "severity": "warning", "margin": -0.5, "places": 1}]
    (finding,) = compare(base, head, known=known)["findings"]
    assert (finding["mark"], finding["before"]["identity"]) == ("worsened", found["identity"])


def graded(share: float, step: float = 100.0) -> FakeRule:
    """A warning below 100 ohm, an error below ``share`` of it; in as many states as there are steps in it."""

    def judge(study: Any) -> Iterable[Outcome]:
        for name, ohms in resistances(study).items():
            test = facts.Test.at_least(ohms, 100.0, "ohm")
            if test.holds:
                yield satisfied("graded", test, (name,))
                continue
            for k in range(max(1, int(ohms / step))):
                severity = "error" if ohms < 100.0 * share else "warning"
                yield violated("graded", test, (name,), severity=severity, state=f"state {k}")

    return FakeRule("graded", judge)


def test_a_higher_severity_is_worse_whatever_the_margin() -> None:
    rules = of_rules([graded(0.5)])
    answer = compare(document(R1="50.01 ohm"), document(R1="49.99 ohm"), rules, worse_by=0.5)
    (finding,) = answer["findings"]
    assert finding["mark"] == "worsened"
    assert finding["why"].startswith("warning before, error now; 50.01 ohm before, 49.99 ohm now")
    answer = compare(document(R1="49.99 ohm"), document(R1="50.01 ohm"), rules)
    assert answer["findings"][0]["mark"] == "known"


def test_seen_in_more_states_is_worse() -> None:
    rules = of_rules([graded(0.0, 10.0)])
    (finding,) = compare(document(R1="29.9 ohm"), document(R1="30 ohm"), rules)["findings"]
    assert (finding["mark"], finding["places"], finding["before"]["places"]) == ("worsened", 3, 2)
    assert finding["why"].startswith("seen in 3 states, 2 before")


def test_a_rule_that_could_not_be_run_makes_nothing_sure() -> None:
    def broken(when: float) -> Ruleset:
        def judge(study: Any) -> Iterable[Outcome]:
            if resistances(study)["R1"] == when:
                raise RuntimeError("no")
            yield from least_resistance(100.0, "150 ohm").check(study)

        return of_rules([FakeRule("least-resistance", judge)])

    answer = compare(document(R1="50 ohm"), document(R1="60 ohm"), broken(50.0))
    assert answer["base"]["failed"] == ["least-resistance"]
    assert answer["findings"][0]["why"] == (
        "the base has no such finding; but least-resistance could not be run on the base")  # fmt: skip
    answer = compare(document(R1="50 ohm"), document(R1="60 ohm"), broken(60.0))
    said = "least-resistance could not be run on the head, so it may still be there"
    assert [item["why"] for item in answer["gone"]] == [said]
    assert facade.exit_status(answer["review"]) == 2


def test_the_base_is_not_judged_again_where_only_words_changed() -> None:
    asked = []

    def judge(study: Any) -> Iterable[Outcome]:
        asked.append(study.circuit.name)
        yield from least_resistance(100.0, "150 ohm").check(study)

    rules = of_rules([FakeRule("least-resistance", judge)])
    base = document(R1="50 ohm")
    compare(base, base | {"name": "bench-two", "title": "another title"}, rules)
    assert asked == ["bench-two"]
    compare(base, document(R1="51 ohm"), rules)
    assert len(asked) == 3


def test_a_finding_that_names_parts_in_its_role_is_found_again() -> None:
    def judge(study: Any) -> Iterable[Outcome]:
        for name, ohms in resistances(study).items():
            test = facts.Test.at_least(ohms, 100.0, "ohm")
            yield violated("least-resistance", test, (name,), role=f"beside {name}")

    rules = of_rules([FakeRule("least-resistance", judge)])
    answer = compare(document(R1="50 ohm"), document(R7="50 ohm"), rules)
    assert answer["renamed"]["parts"] == {"R1": "R7"}
    assert [item["mark"] for item in answer["findings"]] == ["known"]
    assert answer["findings"][0]["before"]["identity"] != answer["findings"][0]["identity"]


INFINITE = float("inf")


@pytest.mark.parametrize(("before", "after", "fell"), [
    (-0.4, -0.6, 0.2), (-4.0, -5.0, 0.25), (2.0, 1.5, 0.25), (-0.5, -0.4, -0.1),
    (-INFINITE, -INFINITE, 0.0), (-0.5, -INFINITE, INFINITE), (-INFINITE, -0.5, -INFINITE),
    (INFINITE, 0.5, INFINITE),
])  # fmt: skip
def test_by_how_much_a_margin_fell(before: float, after: float, fell: float) -> None:
    assert fall(before, after) == pytest.approx(fell)


def test_what_a_baseline_leaves_out_is_no_reason_to_fail() -> None:
    (outcome,) = least_resistance(100.0, "150 ohm").check(_study(R1="50 ohm"))
    assert outcome.finding is not None
    finding = replace(outcome.finding, occurrences=(Occurrence(None, None, "warning", 50.0, -50.0),))
    before = before_of(finding)
    assert (before.margin, before.places, before.left) == (-0.5, 1, 50.0)
    bare = of_record({"identity": finding.identity, "severity": "warning", "margin": None})
    assert bare == Before(finding.identity, "warning", None, 1)
    assert mark(finding, bare, 0.01)[0] == "known"


def _study(**ohms: Any) -> Any:
    from rules.analysis.study import Study

    return Study(read(document(**ohms)).circuit)
