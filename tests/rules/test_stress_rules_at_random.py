"""The rules that follow runs on random circuits: never a crash, and neither names nor polarity decide."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping

import pytest

from rules.base_emitter_reverse import RULE as JUNCTION
from rules.flyback_path import RULE as FLYBACK
from rules.polarised_reversal import RULE as POLARITY
from rules.power_up import RULE as POWER_UP
from rules.retrigger_shortening import RULE as AGAIN
from rules.trigger import RULE as TRIGGER
from schemas.circuit import Circuit
from tests.judged import judged, mirrored, outcomes, renamed
from tests.random_circuits import mixed
from tests.random_timed import timed
from tests.timed_families import FAMILIES

RULES = (JUNCTION, FLYBACK, POLARITY, POWER_UP, AGAIN, TRIGGER)


@pytest.mark.parametrize("first", range(100, 160, 20))
def test_no_circuit_breaks_them(first: int) -> None:
    verdicts: Counter[str] = Counter()
    for seed in range(first, first + 20):
        verdicts.update(outcome.kind for outcome in judged(mixed(seed), *RULES).outcomes)
    assert verdicts["violated"] > 3
    assert verdicts["satisfied"] > 20


@pytest.mark.parametrize("family", sorted(FAMILIES))
def test_no_timed_circuit_breaks_them(family: str) -> None:
    for seed in range(100, 104):
        kinds = {outcome.kind for outcome in judged(timed(family, seed).circuit, *RULES).outcomes}
        assert kinds & {"satisfied", "violated", "not-applicable"}


def verdicts(subject: Circuit, names: Mapping[str, str] | None = None) -> Counter[tuple[object, ...]]:
    """What each rule says of each subject and with which number, names of stimuli aside."""
    found: Counter[tuple[object, ...]] = Counter()
    for rule in RULES:
        for outcome in outcomes(rule, subject):
            known = [name for name in outcome.subject if name in subject.parts]
            about = frozenset(names[name] if names else name for name in known)
            number = None if outcome.test is None else float(f"{outcome.test.left:.3g}")
            severity = None if outcome.finding is None else outcome.finding.severity
            found[rule.slug, outcome.kind, severity, about, number] += 1
    return found


CASES = [(family, seed) for family in sorted(FAMILIES) for seed in (200, 201)]


@pytest.mark.parametrize(("family", "seed"), CASES)
def test_names_and_order_decide_nothing(family: str, seed: int) -> None:
    subject = timed(family, seed).circuit
    other, names = renamed(subject)
    assert verdicts(other) == verdicts(subject, names)


@pytest.mark.parametrize(("family", "seed"), CASES)
def test_polarity_decides_nothing(family: str, seed: int) -> None:
    subject = timed(family, seed).circuit
    assert verdicts(mirrored(subject)) == verdicts(subject)
