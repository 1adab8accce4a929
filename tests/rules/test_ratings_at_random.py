"""The rules on ratings on random circuits: never a crash, and neither names nor polarity decide."""

from __future__ import annotations

import pytest

from rules.capacitor_voltage import RULE as CAPACITOR
from rules.collector_current import RULE as CURRENT
from rules.collector_voltage import RULE as VOLTAGE
from rules.diode_ratings import RULE as DIODE
from rules.resistor_dissipation import RULE as RESISTOR
from rules.thermal_runaway import RULE as RUNAWAY
from rules.transistor_dissipation import RULE as HEAT
from tests.at_random import counted, verdicts
from tests.judged import mirrored, renamed
from tests.random_circuits import mixed
from tests.random_timed import timed
from tests.timed_families import FAMILIES

RULES = (CAPACITOR, CURRENT, VOLTAGE, DIODE, RESISTOR, RUNAWAY, HEAT)


@pytest.mark.parametrize("first", [300, 320])
def test_no_circuit_breaks_them(first: int) -> None:
    found = counted(RULES, (mixed(seed) for seed in range(first, first + 20)))
    assert found["violated"] > 3
    assert found["satisfied"] > 20


@pytest.mark.parametrize("family", sorted(FAMILIES))
def test_names_order_and_polarity_decide_nothing(family: str) -> None:
    subject = timed(family, 200).circuit
    other, names = renamed(subject)
    was = verdicts(RULES, subject)
    assert verdicts(RULES, other, {new: old for old, new in names.items()}) == was
    assert verdicts(RULES, mirrored(subject)) == was
