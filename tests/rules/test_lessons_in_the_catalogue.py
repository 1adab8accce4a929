"""Every circuit that a lesson shows as good is good in the eyes of the whole catalogue."""

from __future__ import annotations

from collections.abc import Mapping

import pytest

from service.engine import run
from service.ruleset import LoadedRule, installed
from tests.judged import document

RULES = installed()

# (rule of the lesson, rule that remarks something there): why the remark may stand; notes only
ACCEPTED: Mapping[tuple[str, str], str] = {}


def said_of(text: str) -> list[tuple[str, str, str]]:
    """What the catalogue finds in a circuit and what it could not judge: rule, severity or kind, words."""
    found = run(document(text).circuit, RULES, proposing=False)
    assert found.overview.complete
    return [
        *((finding.rule, finding.severity, finding.message) for finding in found.findings),
        *((o.rule, o.kind, o.reason) for o in found.outcomes if o.kind in ("failed", "undecided")),
    ]


@pytest.mark.parametrize("entry", RULES.rules, ids=lambda entry: entry.rule.slug)
def test_the_passing_circuit_of_every_lesson_is_clean(entry: LoadedRule) -> None:
    said = said_of(entry.rule.lesson.passing)
    assert [s for s in said if s[1] != "note" or (entry.slug, s[0]) not in ACCEPTED] == []


def test_what_is_accepted_is_said_and_has_a_reason() -> None:
    """An entry that nothing calls for any more is taken off the list."""
    for (lesson, rule), reason in ACCEPTED.items():
        (entry,) = (entry for entry in RULES.rules if entry.slug == lesson)
        assert (rule, "note") in {said[:2] for said in said_of(entry.rule.lesson.passing)}
        assert reason


def test_a_fault_would_be_seen() -> None:
    (entry,) = (entry for entry in RULES.rules if entry.slug == "floating-base")
    assert {"floating-base", "no-dc-path"} <= {said[0] for said in said_of(entry.rule.lesson.failing)}
