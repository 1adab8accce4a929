"""The rules on ratings on random circuits: never a crash, and neither names nor polarity decide."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping

import pytest

from rules.analysis.study import Study
from rules.capacitor_voltage import RULE as CAPACITOR
from rules.collector_current import RULE as CURRENT
from rules.collector_voltage import RULE as VOLTAGE
from rules.diode_ratings import RULE as DIODE
from rules.resistor_dissipation import RULE as RESISTOR
from rules.thermal_runaway import RULE as RUNAWAY
from rules.transistor_dissipation import RULE as HEAT
from schemas.circuit import Circuit
from tests.judged import judged, mirrored, renamed
from tests.random_circuits import mixed
from tests.random_timed import timed
from tests.timed_families import FAMILIES

RULES = (CAPACITOR, CURRENT, VOLTAGE, DIODE, RESISTOR, RUNAWAY, HEAT)


@pytest.mark.parametrize("first", [300, 320])
def test_no_circuit_breaks_them(first: int) -> None:
    verdicts: Counter[str] = Counter()
    for seed in range(first, first + 20):
        verdicts.update(outcome.kind for outcome in judged(mixed(seed), *RULES).outcomes)
    assert verdicts["violated"] > 3
    assert verdicts["satisfied"] > 20


Said = tuple[str, str, str | None, tuple[str, ...], float | None]
"""Rule, kind, severity, subject, number."""


def verdicts(subject: Circuit, names: Mapping[str, str] | None = None) -> Counter[Said]:
    """What each rule says of each subject and with which number; names as they are in ``names``."""
    found: Counter[Said] = Counter()
    study = Study(subject)
    for rule in RULES:
        for outcome in rule.check(study):
            about = tuple(sorted(names[name] if names else name for name in outcome.subject))
            number = None if outcome.test is None else float(f"{outcome.test.left:.3g}")
            severity = None if outcome.finding is None else outcome.finding.severity
            found[rule.slug, outcome.kind, severity, about, number] += 1
    return found


@pytest.mark.parametrize("family", sorted(FAMILIES))
def test_names_order_and_polarity_decide_nothing(family: str) -> None:
    subject = timed(family, 200).circuit
    other, names = renamed(subject)
    back = {new: old for old, new in names.items()}
    was = verdicts(subject)
    assert verdicts(other, back) == was
    assert verdicts(mirrored(subject)) == was
