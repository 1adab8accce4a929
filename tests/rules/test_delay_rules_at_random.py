"""The rules on delays on random timed circuits: never a crash; neither names nor polarity decide."""

from __future__ import annotations

from functools import partial

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
from tests.at_random import verdicts
from tests.judged import judged, mirrored, renamed
from tests.random_timed import timed
from tests.timed_families import FAMILIES

RULES = (LEAKAGE, STEER, SENSITIVITY, TOLERANCE, TEMPERATURE, SUPPLY)
said = partial(verdicts, RULES, figures=5)
SEEDS = range(3)


@pytest.mark.parametrize("family", sorted(FAMILIES))
def test_no_circuit_breaks_them(family: str) -> None:
    for seed in SEEDS:
        # every outcome is checked by the engine; a rule that raised or gave something unsound fails here
        found = judged(timed(family, seed).circuit, *RULES).outcomes
        assert {outcome.rule for outcome in found} == {rule.slug for rule in RULES}


TIMED = [(family, seed) for family in sorted(FAMILIES) for seed in SEEDS]
JUDGED = [(family, seed) for family, seed in TIMED if every_delay(Study(timed(family, seed).circuit))]


def test_there_are_enough_delays_among_them() -> None:
    assert len(JUDGED) > 8


@pytest.mark.parametrize(("family", "seed"), JUDGED)
def test_names_order_and_polarity_decide_nothing(family: str, seed: int) -> None:
    subject = timed(family, seed).circuit
    other, names = renamed(subject)
    was = said(subject)
    assert said(other, {new: old for old, new in names.items()}) == was
    assert said(mirrored(subject)) == was


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
