"""Monotone curves through uneven samples."""

from __future__ import annotations

import numpy as np
import pytest

from rules.analysis.junction import curves


def test_a_smooth_curve_is_met_between_its_samples() -> None:
    times = np.sort(np.random.default_rng(3).uniform(0.0, 5.0, 80))
    wanted = np.linspace(times[0], times[-1], 400)
    assert curves.at(times, np.exp(-times), wanted) == pytest.approx(np.exp(-wanted), abs=2e-3)
    # half-way down, against the logarithm
    found, upwards = curves.crossings(times, np.exp(-times), 0.3)
    assert found == pytest.approx([-np.log(0.3)], abs=1e-3)
    assert not upwards[0]


def test_it_never_swings_beyond_its_samples() -> None:
    dice = np.random.default_rng(7)
    for _ in range(50):
        times = np.cumsum(dice.uniform(1e-6, 1.0, 12) ** 3)
        values = dice.normal(size=12)
        for k in range(11):
            inside = curves.at(times, values, np.linspace(times[k], times[k + 1], 40))
            low, high = sorted((values[k], values[k + 1]))
            assert low - 1e-12 <= inside.min()
            assert inside.max() <= high + 1e-12
            assert np.all(np.diff(inside) * (values[k + 1] - values[k]) >= -1e-12)


def test_straight_lines_and_ends() -> None:
    times = np.array([0.0, 1.0, 4.0])
    assert curves.at(times, 2.0 * times, np.array([-1.0, 0.5, 3.0, 9.0])) == pytest.approx(
        [0.0, 1.0, 6.0, 8.0]
    )
    assert curves.at(times[:1], np.array([5.0]), np.array([0.0, 1.0])) == pytest.approx([5.0, 5.0])
    found, upwards = curves.crossings(times, np.array([-1.0, 1.0, -3.0]), 0.0)
    assert upwards.tolist() == [True, False]
    assert found[0] == pytest.approx(0.5, abs=0.2)
    assert 1.0 < found[1] < 2.5
    assert not len(curves.crossings(times, times, 9.0)[0])
