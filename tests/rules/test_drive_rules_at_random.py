"""The rules on drops, LEDs, zeners and bases on random circuits: no crash, no matter of names or polarity."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping

import pytest

from rules.base_bleed import RULE as BLEED
from rules.base_current_limit import RULE as CURRENT
from rules.drop_budget import RULE as BUDGET
from rules.led_current import RULE as LED
from rules.true_off import RULE as OFF
from rules.zener_bias import RULE as ZENER
from schemas.circuit import Circuit
from tests.judged import judged, mirrored, outcomes, renamed
from tests.random_circuits import mixed, regenerative

RULES = (BLEED, BUDGET, CURRENT, LED, OFF, ZENER)


@pytest.mark.parametrize("first", range(0, 60, 20))
def test_no_circuit_breaks_them(first: int) -> None:
    verdicts: Counter[str] = Counter()
    for seed in range(first, first + 20):
        # every outcome is checked by the engine; a rule that raised or gave something unsound fails here
        verdicts.update(outcome.kind for outcome in judged(mixed(seed), *RULES).outcomes)
    assert verdicts["violated"] > 5
    assert verdicts["satisfied"] > 5


def verdicts(subject: Circuit, names: Mapping[str, str] | None = None) -> Counter[tuple[object, ...]]:
    """What each rule says of each subject, and with which number."""
    found: Counter[tuple[object, ...]] = Counter()
    for rule in RULES:
        for outcome in outcomes(rule, subject):
            about = frozenset(names[name] if names else name for name in outcome.subject)
            number = None if outcome.test is None else float(f"{outcome.test.left:.5g}")
            severity = None if outcome.finding is None else outcome.finding.severity
            found[rule.slug, outcome.kind, severity, about, number] += 1
    return found


@pytest.mark.parametrize("seed", range(12))
def test_names_and_order_decide_nothing(seed: int) -> None:
    subject = regenerative(seed)
    other, names = renamed(subject)
    assert verdicts(other) == verdicts(subject, names)


@pytest.mark.parametrize("seed", range(12))
def test_polarity_decides_nothing(seed: int) -> None:
    subject = regenerative(seed)
    assert verdicts(mirrored(subject)) == verdicts(subject)
