"""The rules on delays on random timed circuits: never a crash; neither names nor polarity decide."""

from __future__ import annotations

from collections import Counter

import numpy as np
import pytest

from rules.analysis.delay_corners import DelayCorners, every_delay
from rules.analysis.delay_starts import held_at
from rules.analysis.study import Study
from rules.delay_supply import RULE as SUPPLY
from rules.delay_temperature import RULE as TEMPERATURE
from rules.delay_tolerance import RULE as TOLERANCE
from rules.steer_current import RULE as STEER
from rules.threshold_sensitivity import RULE as SENSITIVITY
from rules.timing_leakage import RULE as LEAKAGE
from schemas.circuit import Circuit
from tests.judged import judged, mirrored, outcomes, renamed
from tests.random_timed import timed
from tests.timed_families import FAMILIES

RULES = (LEAKAGE, STEER, SENSITIVITY, TOLERANCE, TEMPERATURE, SUPPLY)
SEEDS = range(3)


@pytest.mark.parametrize("family", sorted(FAMILIES))
def test_no_circuit_breaks_them(family: str) -> None:
    for seed in SEEDS:
        # every outcome is checked by the engine; a rule that raised or gave something unsound fails here
        found = judged(timed(family, seed).circuit, *RULES).outcomes
        assert {outcome.rule for outcome in found} == {rule.slug for rule in RULES}


def verdicts(subject: Circuit) -> Counter[tuple[object, ...]]:
    """What each rule says, with which number; the name of a corner names parts."""
    found: Counter[tuple[object, ...]] = Counter()
    for rule in RULES:
        for outcome in outcomes(rule, subject):
            number = None if outcome.test is None else float(f"{outcome.test.left:.5g}")
            severity = None if outcome.finding is None else outcome.finding.severity
            found[rule.slug, outcome.kind, severity, number] += 1
    return found


TIMED = [(family, seed) for family in sorted(FAMILIES) for seed in SEEDS]
JUDGED = [(family, seed) for family, seed in TIMED if every_delay(Study(timed(family, seed).circuit))]


def test_there_are_enough_delays_among_them() -> None:
    assert len(JUDGED) > 8


@pytest.mark.parametrize(("family", "seed"), JUDGED)
def test_names_order_and_polarity_decide_nothing(family: str, seed: int) -> None:
    subject = timed(family, seed).circuit
    before = verdicts(subject)
    assert verdicts(renamed(subject)[0]) == before
    assert verdicts(mirrored(subject)) == before


@pytest.mark.parametrize(("family", "seed"), JUDGED)
def test_all_points_at_once_are_each_point_by_itself(family: str, seed: int) -> None:
    study = Study(timed(family, seed).circuit)
    for delay in every_delay(study):
        corners = DelayCorners(study, delay)
        box = corners.box
        points = box.low + (box.high - box.low) * np.random.default_rng(seed).random((6, box.size))
        together = corners.seconds(np.vstack([corners.nominal, points]))
        assert together[0] == pytest.approx(delay.duration, rel=1e-6)
        for row, value in zip(points, together[1:].tolist(), strict=True):
            held = {name: float(volts[0]) for name, volts in held_at(corners, row[None]).items()}
            alone = corners._alone(row, held)
            if alone is None:
                assert np.isnan(value)
                continue
            seconds = float(alone[0].times(corners.farads(row[None])).sum())
            assert seconds == pytest.approx(value, rel=1e-6)
