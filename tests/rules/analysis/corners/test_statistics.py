"""Root-sum-square, Monte Carlo and yield."""

from __future__ import annotations

import math

import numpy as np
import pytest

from rules.analysis.corners.draws import drawn
from rules.analysis.corners.parameters import Parameter, Point, parameters
from rules.analysis.corners.statistics import (
    MonteCarlo,
    monte_carlo,
    monte_carlo_scalar,
    root_sum_square,
    yield_of,
)
from rules.analysis.corners.worst import bounds
from rules.analysis.resolve import resolve
from rules.analysis.states import State
from schemas.circuit import Tolerance
from tests.builders import battery, circuit, only_state, resistor, solve, supply
from tests.latch import LATCH
from tests.tolerances import spread

FIVE = Tolerance(-0.05, 0.05)


def divider() -> State:
    """9 V within 10 %, 47 k over 10 k within 5 %, no load."""
    return only_state(
        circuit(
            battery("BT1", "vp", "gnd", 9.0, low=8.1, high=9.9),
            resistor("R1", "vp", "mid", 47e3, tolerance=FIVE),
            resistor("R2", "mid", "gnd", 10e3, tolerance=FIVE),
        )
    )


def middle(state: State) -> float | None:
    return state.nets["mid"]


def test_root_sum_square_of_a_divider_lies_inside_its_extreme_values() -> None:
    # sqrt(0.1579**2 + 0.0652**2 + 0.0651**2) = 0.1828: 1.3961 ... 1.7618 V inside 1.3076 ... 1.8849 V
    found = bounds(divider(), middle)
    assert found is not None
    rss = root_sum_square(found.nominal, found.high.sensitivities)
    assert rss.half_width == pytest.approx(0.1828, abs=5e-5)
    assert [rss.low, rss.high] == pytest.approx([1.3961, 1.7618], abs=1e-4)
    assert found.low.value < rss.low < rss.high < found.high.value
    assert found.nominal - found.low.value != pytest.approx(found.high.value - found.nominal, rel=0.05)


@pytest.mark.parametrize(
    ("distribution", "deviation"),
    # uniform 0.1056 V; normal with the tolerance at three sigma 0.0610 V, times 0.9866 when cut off there
    [("uniform", 0.1056), ("normal", 0.0602)],
)
def test_monte_carlo_of_a_divider(distribution: str, deviation: float) -> None:
    found = monte_carlo(divider(), middle, 40_000, 7, distribution)  # type: ignore[arg-type]
    assert (found.done, found.missing, found.complete) == (40_000, 0, True)
    assert found.distribution.startswith(distribution)
    assert found.mean == pytest.approx(1.5797, abs=2e-3)
    assert found.deviation == pytest.approx(deviation, rel=0.015)
    extremes = bounds(divider(), middle)
    assert extremes is not None
    assert extremes.low.value <= found.defined.min() <= found.defined.max() <= extremes.high.value
    low, half, high = (found.percentiles[share] for share in (0.5, 50.0, 99.5))
    assert low < half < high
    assert half == pytest.approx(1.5789, abs=5e-3)


def test_root_sum_square_of_uniform_parts_is_root_three_of_their_deviation() -> None:
    found, sampled = bounds(divider(), middle), monte_carlo(divider(), middle, 40_000, 3)
    assert found is not None
    rss = root_sum_square(found.nominal, found.high.sensitivities)
    assert rss.half_width / math.sqrt(3.0) == pytest.approx(sampled.deviation, rel=0.02)


def test_the_same_seed_gives_the_same_numbers_and_a_longer_run_the_same_first_ones() -> None:
    one, again, other = (monte_carlo(divider(), middle, 200, seed) for seed in (5, 5, 6))
    assert one.values.tolist() == again.values.tolist()
    assert one.values.tolist() != other.values.tolist()
    assert monte_carlo(divider(), middle, 500, 5).values[:200].tolist() == one.values.tolist()


def test_normal_draws_stay_inside_and_lean_to_the_nominal_value() -> None:
    resolved = resolve(
        circuit(
            supply("V1", "vp", "gnd", 5.0), resistor("R1", "vp", "gnd", 1e3, tolerance=Tolerance(-0.2, 0.5))
        )
    )
    listed = parameters(resolved)
    points = drawn(listed, 5000, 1, "normal")[:, 0]
    assert points.min() >= 800.0
    assert points.max() <= 1500.0
    assert np.median(points) == pytest.approx(1000.0, rel=0.02)
    assert np.std(points) < np.std(drawn(listed, 5000, 1)[:, 0])


def test_an_unknown_distribution_is_refused() -> None:
    with pytest.raises(ValueError, match="uniform, normal"):
        drawn((), 1, 1, "triangular")  # type: ignore[arg-type]


def latch_edge() -> State:
    edge = circuit(
        *(part for part in LATCH if part.name not in ("R3", "V1")),
        resistor("R3", "out", "b1", 68e3),
        supply("V1", "vp", "gnd", 9.0),
    )
    return next(s for s in solve(spread(edge, (0.5, 2.0), 0.3)).stable if s.devices["Q1"] != "off")


def test_a_state_that_is_missing_in_a_sample_has_no_value_and_fails_the_yield() -> None:
    found = monte_carlo(latch_edge(), lambda s: s.nets["out"], 2000, 11)
    assert 0 < found.missing < 2000
    share = found.within(0.0, 100.0)
    assert share.passed == 2000 - found.missing
    assert share.low < share.share < share.high


def test_a_region_that_changes_within_the_samples_is_still_the_same_state() -> None:
    found = monte_carlo(latch_edge(), lambda s: s.currents["Q1"]["collector"], 500, 11)
    assert np.isnan(found.values).sum() == found.missing < 250


# yield


@pytest.mark.parametrize(
    ("passed", "count", "low", "high"),
    # the score interval at 95 %: tabulated values, from memory
    [(0, 10, 0.0, 0.2775), (5, 10, 0.2366, 0.7634), (10, 10, 0.7225, 1.0), (81, 263, 0.2553, 0.3662)],
)
def test_score_interval(passed: int, count: int, low: float, high: float) -> None:
    found = yield_of(passed, count)
    assert [found.low, found.high] == pytest.approx([low, high], abs=5e-5)
    assert found.share == passed / count


def test_score_interval_ends_where_the_observed_share_is_just_z_deviations_away() -> None:
    # Wilson's definition: the shares p0 with |p - p0| = z sqrt(p0 (1 - p0)/n)
    found = yield_of(37, 50, 0.99)
    for end in (found.low, found.high):
        assert abs(0.74 - end) / math.sqrt(end * (1 - end) / 50) == pytest.approx(2.5758293, rel=1e-6)


@pytest.mark.parametrize(("passed", "count", "confidence"), [(0, 0, 0.95), (3, 2, 0.95), (1, 2, 1.0)])
def test_an_impossible_yield_is_refused(passed: int, count: int, confidence: float) -> None:
    with pytest.raises(ValueError, match=r"share|confidence"):
        yield_of(passed, count, confidence)


# black boxes, budgets


def sheet() -> tuple[Parameter, ...]:
    return parameters(resolve(circuit(*LATCH)))


def test_a_black_box_may_be_infinite_or_undefined() -> None:
    listed = sheet()
    answers = iter([1.0, None, math.inf, 3.0, 2.0])
    found = monte_carlo_scalar(lambda point: next(answers), listed, 5)
    assert found.missing == 1
    assert found.percentile(99.5) == math.inf
    assert found.percentile(50.0) == 2.0
    assert found.within(0.0, 2.5).passed == 2


def test_a_budget_gives_an_honest_part() -> None:
    def f(point: Point) -> float:
        return sum(point.values())

    whole = monte_carlo_scalar(f, sheet(), 20, seed=2)
    part = monte_carlo_scalar(f, sheet(), 20, seed=2, budget=8)
    assert part.values.tolist() == whole.values[:8].tolist()
    assert (part.complete, part.reason, whole.complete) == (False, "8 of 20 samples done", True)
    stopped = monte_carlo_scalar(f, sheet(), 20, progress=lambda done, asked: done < 5)
    assert (stopped.done, stopped.complete) == (5, False)
    some = monte_carlo(divider(), middle, 300, budget=100)
    assert (some.done, some.asked, some.complete) == (100, 300, False)


def test_nothing_done_has_no_numbers() -> None:
    nothing = MonteCarlo(np.zeros(0), 10, 1, "uniform", False, "0 of 10 samples done")
    assert math.isnan(nothing.mean)
    assert math.isnan(nothing.deviation)
    assert all(math.isnan(value) for value in nothing.percentiles.values())
