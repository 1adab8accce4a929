"""Every built-in rule derives its formula, and every step of every derivation is proven.

What is proven here is proven by SymPy, a general-purpose library, and again by numbers at exact points.
"""

from __future__ import annotations

import pytest

from rules.derivations.proof import load, prove
from service.ruleset import LoadedRule, installed

ENTRIES = installed().rules
BUILT_IN = [entry for entry in ENTRIES if entry.distribution == "thumbrule"]


@pytest.mark.parametrize("entry", BUILT_IN, ids=lambda entry: entry.rule.slug)
def test_a_built_in_rule_derives_its_formula(entry: LoadedRule) -> None:
    assert entry.rule.lesson.derivation, f"{entry.rule.slug} has no derivation"


@pytest.mark.parametrize(
    "entry", [entry for entry in ENTRIES if entry.rule.lesson.derivation], ids=lambda entry: entry.rule.slug
)
def test_every_step_is_proven(entry: LoadedRule) -> None:
    derivation = load(entry.rule.lesson.derivation)
    assert derivation.slug == entry.rule.slug
    assert any(step.why == "derived" for step in derivation.steps)
    proof = prove(derivation)
    assert not proof.problems
    assert len(proof.steps) == len(derivation.steps)
    assert len(proof.plain) == len(derivation.plain)
