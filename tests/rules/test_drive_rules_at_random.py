"""The rules on drops, LEDs, zeners and bases on random circuits: no crash, no matter of names or polarity."""

from __future__ import annotations

from functools import partial

import pytest

from rules.base_bleed import RULE as BLEED
from rules.base_current_limit import RULE as CURRENT
from rules.drop_budget import RULE as BUDGET
from rules.led_current import RULE as LED
from rules.true_off import RULE as OFF
from rules.zener_bias import RULE as ZENER
from tests.at_random import counted, verdicts
from tests.judged import mirrored, renamed
from tests.random_circuits import mixed, regenerative

RULES = (BLEED, BUDGET, CURRENT, LED, OFF, ZENER)
said = partial(verdicts, RULES, figures=5)


@pytest.mark.parametrize("first", range(0, 60, 20))
def test_no_circuit_breaks_them(first: int) -> None:
    found = counted(RULES, (mixed(seed) for seed in range(first, first + 20)))
    assert found["violated"] > 5
    assert found["satisfied"] > 5


@pytest.mark.parametrize("seed", range(12))
def test_names_and_order_decide_nothing(seed: int) -> None:
    subject = regenerative(seed)
    other, names = renamed(subject)
    assert said(other) == said(subject, names)


@pytest.mark.parametrize("seed", range(12))
def test_polarity_decides_nothing(seed: int) -> None:
    subject = regenerative(seed)
    assert said(mirrored(subject)) == said(subject)
