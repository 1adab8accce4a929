"""The rules on wiring on random circuits: never a crash, and neither names nor polarity decide."""

from __future__ import annotations

from collections import Counter

import pytest

from rules.back_feed import RULE as BACK_FEED
from rules.dead_control import RULE as DEAD
from rules.floating_base import RULE as FLOATING
from rules.one_pin_net import RULE as ONE_PIN
from rules.reverse_battery import RULE as BATTERY
from rules.reversed_part import RULE as TURNED
from tests.at_random import verdicts
from tests.judged import judged, mirrored, renamed
from tests.random_circuits import mixed
from tests.random_timed import timed
from tests.timed_families import FAMILIES

RULES = (BACK_FEED, BATTERY, DEAD, FLOATING, ONE_PIN, TURNED)


def test_no_circuit_breaks_them() -> None:
    verdicts: Counter[tuple[str, str]] = Counter()
    for seed in range(300, 325):
        verdicts.update((outcome.rule, outcome.kind) for outcome in judged(mixed(seed), *RULES).outcomes)
    for rule in RULES:
        assert verdicts[rule.slug, "violated"] + verdicts[rule.slug, "satisfied"] > 0, rule.slug


CASES = [(family, 300 + k % 2) for k, family in enumerate(sorted(FAMILIES))]


@pytest.mark.parametrize(("family", "seed"), CASES)
def test_names_and_order_decide_nothing(family: str, seed: int) -> None:
    subject = timed(family, seed).circuit
    other, names = renamed(subject)
    assert verdicts(RULES, other) == verdicts(RULES, subject, names)


@pytest.mark.parametrize(("family", "seed"), CASES)
def test_polarity_decides_nothing(family: str, seed: int) -> None:
    subject = timed(family, seed).circuit
    assert verdicts(RULES, mirrored(subject)) == verdicts(RULES, subject)
