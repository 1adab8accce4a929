"""The rules that follow runs on random circuits: never a crash, and neither names nor polarity decide."""

from __future__ import annotations

import pytest

from rules.base_emitter_reverse import RULE as JUNCTION
from rules.flyback_path import RULE as FLYBACK
from rules.polarised_reversal import RULE as POLARITY
from rules.power_up import RULE as POWER_UP
from rules.retrigger_shortening import RULE as AGAIN
from rules.trigger import RULE as TRIGGER
from tests.at_random import counted, verdicts
from tests.judged import judged, mirrored, renamed
from tests.random_circuits import mixed
from tests.random_timed import timed
from tests.timed_families import FAMILIES

RULES = (JUNCTION, FLYBACK, POLARITY, POWER_UP, AGAIN, TRIGGER)


@pytest.mark.parametrize("first", range(100, 160, 20))
def test_no_circuit_breaks_them(first: int) -> None:
    found = counted(RULES, (mixed(seed) for seed in range(first, first + 20)))
    assert found["violated"] > 3
    assert found["satisfied"] > 20


@pytest.mark.parametrize("family", sorted(FAMILIES))
def test_no_timed_circuit_breaks_them(family: str) -> None:
    for seed in range(100, 104):
        kinds = {outcome.kind for outcome in judged(timed(family, seed).circuit, *RULES).outcomes}
        assert kinds & {"satisfied", "violated", "not-applicable"}


CASES = [(family, seed) for family in sorted(FAMILIES) for seed in (200, 201)]


@pytest.mark.parametrize(("family", "seed"), CASES)
def test_names_and_order_decide_nothing(family: str, seed: int) -> None:
    subject = timed(family, seed).circuit
    other, names = renamed(subject)
    assert verdicts(RULES, other) == verdicts(RULES, subject, names)


@pytest.mark.parametrize(("family", "seed"), CASES)
def test_polarity_decides_nothing(family: str, seed: int) -> None:
    subject = timed(family, seed).circuit
    assert verdicts(RULES, mirrored(subject)) == verdicts(RULES, subject)
