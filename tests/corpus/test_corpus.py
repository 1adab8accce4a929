"""The golden corpus: every expected finding is there, and nothing else."""

from __future__ import annotations

from collections import Counter

import pytest

from service.ruleset import DISTRIBUTION, installed
from tests.corpus import Case, cases, unmatched
from tests.corpus.__main__ import judge


def slugs() -> set[str]:
    return {entry.slug for entry in installed().rules if entry.distribution == DISTRIBUTION}


@pytest.mark.parametrize("case", cases(), ids=lambda case: case.name)
def test_what_is_found_is_what_is_expected(case: Case) -> None:
    found, review = judge(case)
    assert [item for item in review["outcomes"] if item["kind"] == "failed"] == []
    assert review["complete"]
    assert found.missed == ()
    assert [f"{f['severity']} {f['rule']} {f['parts']} {f['message']}" for f in found.false_alarms] == []
    fired = {finding["rule"] for finding in review["findings"]}
    assert fired.isdisjoint(case.silent)


def test_every_circuit_has_its_expectation() -> None:
    assert unmatched() == ()


def test_the_corpus_is_large_enough() -> None:
    assert len(cases()) >= 60
    assert sum(case.is_clean for case in cases()) >= 15


def test_every_rule_has_two_firing_and_two_silent_circuits() -> None:
    fires = Counter(rule for case in cases() for rule in {expected.rule for expected in case.fires})
    quiet = Counter(rule for case in cases() for rule in case.silent)
    assert {rule: (fires[rule], quiet[rule]) for rule in slugs() if fires[rule] < 2 or quiet[rule] < 2} == {}


def test_only_rules_that_exist_are_expected() -> None:
    named = {rule for case in cases() for rule in (*case.silent, *(e.rule for e in case.fires))}
    assert named <= slugs()
