"""The score interval of a share: by its defining equation, and over all counts."""

from __future__ import annotations

import math
from statistics import NormalDist

import pytest

from rules.analysis.proportions import share_interval


@pytest.mark.parametrize(("passed", "count"), [(1, 10), (5, 10), (9, 10), (3, 1000), (998, 1000), (1, 1)])
@pytest.mark.parametrize("confidence", [0.8, 0.95, 0.99])
def test_the_ends_lie_z_deviations_from_the_share(passed: int, count: int, confidence: float) -> None:
    # by definition: |p - x/n| = z sqrt(p (1 - p) / n) at both ends p
    z = NormalDist().inv_cdf(0.5 + confidence / 2)
    low, high = share_interval(passed, count, confidence)
    for end in (low, high):
        if 0.0 < end < 1.0:
            away = abs(end - passed / count)
            assert away == pytest.approx(z * math.sqrt(end * (1 - end) / count), rel=1e-9)
    assert low < passed / count <= high


def test_all_and_none_leave_room_on_one_side_only() -> None:
    low, high = share_interval(1000, 1000)
    assert high == 1.0
    # z^2 / (n + z^2), the lower end where all passed
    assert low == pytest.approx(1000 / (1000 + 1.959964**2), rel=1e-6)
    assert share_interval(0, 1000) == (0.0, pytest.approx(1.0 - low, rel=1e-9))
    assert share_interval(0, 0) == (0.0, 1.0)


def test_it_covers_the_true_share_about_as_often_as_it_says() -> None:
    # exact over all outcomes of 60 samples; between 92 % and 98 % for a middling share
    for true in (0.3, 0.5, 0.8):
        covered = sum(
            math.comb(60, k) * true**k * (1 - true) ** (60 - k)
            for k in range(61)
            if share_interval(k, 60)[0] <= true <= share_interval(k, 60)[1]
        )
        assert 0.92 < covered < 0.98


@pytest.mark.parametrize(
    ("passed", "count", "confidence"), [(-1, 5, 0.95), (6, 5, 0.95), (1, 5, 1.0), (1, 5, 0.0)]
)
def test_what_cannot_be_is_refused(passed: int, count: int, confidence: float) -> None:
    with pytest.raises(ValueError, match=r"cannot have passed|between 0 and 1"):
        share_interval(passed, count, confidence)
