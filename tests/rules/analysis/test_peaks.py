"""Greatest voltages along an interval: none missed, against dense samples and against the exact extremes."""

from __future__ import annotations

import math

import numpy as np
import pytest

from rules.analysis.study import Study
from rules.analysis.timeline.exponentials import Sums
from rules.analysis.timeline.peaks import CLOSE, greatest, highest
from rules.analysis.timeline.timelines import world_of
from schemas.circuit import Circuit
from tests.timers import blinker, garden_light, hold_on, one_shot

NOTHING = -np.inf


@pytest.mark.parametrize("subject", [garden_light(), blinker(), one_shot(), hold_on()], ids=lambda c: c.name)
def test_as_high_as_the_exact_extremes(subject: Circuit) -> None:
    timeline = Study(subject).timeline(next(iter(subject.stimuli), None))
    pairs = [
        (part.pins[a], part.pins[b])
        for part in subject.parts.values()
        if part.kind in ("npn", "pnp")
        for a, b in (("emitter", "base"), ("base", "emitter"), ("collector", "emitter"))
    ]
    for interval in timeline.intervals:
        values, times = highest(interval.course, pairs, interval.duration, np.full(len(pairs), NOTHING))
        for pair, value, at in zip(pairs, values.tolist(), times.tolist(), strict=True):
            most = interval.extremes(*pair)[1].value
            assert value == pytest.approx(most, abs=2.0 * CLOSE * max(1.0, abs(most)))
            if at > 0.0 and at < interval.duration:
                there = float(interval.voltage(*pair, [interval.start + at])[0])
                assert there == pytest.approx(value, abs=1e-9)


@pytest.mark.parametrize("seed", range(12))
def test_no_peak_between_two_times_is_missed(seed: int) -> None:
    rng = np.random.default_rng(seed)
    count = int(rng.integers(2, 6))
    exponents = -(10.0 ** rng.uniform(-2, 4, count))
    rates = rng.normal(size=(3, count)) * np.abs(exponents) * 5.0
    sums = Sums(rng.normal(size=3), rates.astype(complex), exponents.astype(complex))
    for duration in (0.003, 4.0, math.inf):
        values, _ = greatest(sums, duration, np.full(3, NOTHING))
        end = min(duration, 60.0 / float(np.abs(exponents).min()))
        dense = np.concatenate([[0.0], np.geomspace(1e-9, end, 40_000), np.linspace(0.0, end, 20_000)])
        seen = sums.at(dense).max(axis=1)
        assert np.all(values >= seen - CLOSE * np.maximum(1.0, np.abs(seen)))
        assert np.all(values <= seen + 1e-3 * np.maximum(1.0, np.abs(seen)))


def test_a_ringing_voltage_peaks_at_its_first_swing() -> None:
    """exp(-s t) sin(w t) is greatest at t = atan(w/s)/w."""
    decay, omega = 40.0, 900.0
    exponents = np.array([-decay + 1j * omega, -decay - 1j * omega])
    sums = Sums(np.zeros(1), np.array([[exponents[0] / 2j, -exponents[1] / 2j]]), exponents)
    when = math.atan(omega / decay) / omega
    (value,), (at,) = greatest(sums, math.inf, np.array([NOTHING]))
    assert value == pytest.approx(math.exp(-decay * when) * math.sin(omega * when), abs=2e-6)
    assert at == pytest.approx(when, rel=2e-3)


def test_what_does_not_exceed_the_known_is_told_as_nothing() -> None:
    sums = Sums(np.array([0.0]), np.array([[1.0 + 0j]]), np.array([-1.0 + 0j]))
    assert greatest(sums, math.inf, np.array([2.0]))[0] == [NOTHING]
    assert greatest(sums, math.inf, np.array([0.5]))[0][0] == pytest.approx(1.0, abs=1e-5)


def test_runs_at_one_corner_share_their_modes() -> None:
    study = Study(garden_light())
    assert world_of(study, "min") is world_of(study, "min")
    assert world_of(study, "min") is not world_of(study, "max")
    assert world_of(Study(garden_light()), "min") is not world_of(study, "min")
