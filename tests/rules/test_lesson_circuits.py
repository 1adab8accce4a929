"""The circuits of every lesson: one is silent, one fires; the dial leads from the first to a finding."""

from __future__ import annotations

import copy
import json
from typing import Any

import jsonpointer
import pytest

from rules.analysis.study import Study
from schemas.document import read
from service.ruleset import LoadedRule, installed
from tests.judged import document

ENTRIES = installed().rules
DIALLED = [entry for entry in ENTRIES if entry.rule.lesson.dial is not None]


def kinds_of(entry: LoadedRule, circuit: Any) -> set[str]:
    return {outcome.kind for outcome in entry.rule.check(Study(circuit))}


def test_every_lesson_circuit_does_what_the_lesson_says() -> None:
    wrong = []
    for entry in ENTRIES:
        passing = kinds_of(entry, document(entry.rule.lesson.passing).circuit)
        failing = kinds_of(entry, document(entry.rule.lesson.failing).circuit)
        if "violated" in passing or "satisfied" not in passing:
            wrong.append((entry.slug, "passing", sorted(passing)))
        if "violated" not in failing:
            wrong.append((entry.slug, "failing", sorted(failing)))
    assert wrong == []


def test_every_built_in_lesson_has_a_dial_or_says_why_not() -> None:
    for entry in ENTRIES:
        if entry.distribution == "thumbrule":
            assert (entry.rule.lesson.dial is None) == bool(entry.rule.lesson.undialled), entry.slug


@pytest.mark.parametrize("entry", DIALLED, ids=lambda entry: entry.rule.slug)
def test_the_dial_leads_from_silence_to_a_finding(entry: LoadedRule) -> None:
    dial = entry.rule.lesson.dial
    assert dial is not None
    found = {}
    for end in ("good", "bad"):
        raw = copy.deepcopy(document(entry.rule.lesson.passing).raw)
        jsonpointer.resolve_pointer(raw, dial.pointer)  # it is there already
        jsonpointer.set_pointer(raw, dial.pointer, getattr(dial, end))
        found[end] = kinds_of(entry, read(json.dumps(raw).encode(), "json").circuit)
    assert "violated" not in found["good"]
    assert "violated" in found["bad"]
