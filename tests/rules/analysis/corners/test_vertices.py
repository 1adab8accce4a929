"""The search over a box, on functions whose extremes are known."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from rules.analysis.corners.vertices import Box, Search
from rules.analysis.elements import Array


def box(*intervals: tuple[float, float, float], curved: tuple[int, ...] = ()) -> Box:
    low, nominal, high = (np.array(column, dtype=float) for column in zip(*intervals, strict=True))
    return Box(low, nominal, high, np.array([k in curved for k in range(len(intervals))]))


def both(search: Search) -> tuple[float, float]:
    return search.extreme(-1.0).value, search.extreme(1.0).value


def test_a_divider_has_its_extremes_at_corners() -> None:
    # divider 9 V within 10 %, 47 k over 10 k within 5 %, no load: 1.3076 ... 1.8849 V (8 corners by hand)
    search = Search(
        lambda x: x[:, 0] * x[:, 2] / (x[:, 1] + x[:, 2]),
        box((8.1, 9.0, 9.9), (44.65, 47.0, 49.35), (9.5, 10.0, 10.5)),
    )
    low, high = search.extreme(-1.0), search.extreme(1.0)
    assert (low.proven, high.proven, low.both, high.both) == (True, True, (), ())
    assert [low.value, high.value] == pytest.approx([1.3076, 1.8849], abs=5e-5)
    assert high.vertex.tolist() == [9.9, 44.65, 10.5]


def test_a_parameter_whose_better_end_depends_on_others_is_tried_both_ways() -> None:
    # x y around x = 0, y = 0: flat in both at the middle, largest where both have one sign
    search = Search(lambda x: x[:, 0] * x[:, 1] + 0.1 * x[:, 2], box((-1, 0, 2), (-3, 0, 1), (0, 1, 2)))
    low, high = search.extreme(-1.0), search.extreme(1.0)
    assert [low.value, high.value] == pytest.approx([-6.0, 3.2])
    assert high.both == (0, 1)
    assert high.proven


def test_an_inside_extreme_is_found_and_never_called_exact() -> None:
    # power of a resistor behind 1 k from 12 V: largest, 36 mW, where it equals the source (power transfer)
    search = Search(
        lambda x: 1e3 * x[:, 0] ** 2 * x[:, 1] / (1e3 + x[:, 1]) ** 2,
        box((11.0, 12.0, 12.0), (500.0, 900.0, 2000.0)),
    )
    high = search.extreme(1.0)
    assert high.value == pytest.approx(36.0, rel=1e-9)
    assert high.vertex[1] == pytest.approx(1e3, rel=1e-4)
    assert high.inside == (1,)
    assert not high.proven
    assert search.extreme(-1.0).value == pytest.approx(1e3 * 121.0 * 500.0 / 1500.0**2)


def test_a_curved_parameter_is_exact_only_while_it_is_monotone() -> None:
    rising = Search(lambda x: x[:, 0] * np.exp(x[:, 1]), box((1, 2, 3), (0, 1, 2), curved=(1,)))
    assert rising.extreme(1.0).proven
    humped = Search(lambda x: x[:, 0] - (x[:, 1] - 1.5) ** 2, box((1, 2, 3), (0, 1, 2), curved=(1,)))
    assert not humped.extreme(1.0).proven
    assert humped.extreme(1.0).value == pytest.approx(3.0)


def test_infinite_values_are_the_worst_and_undefined_ones_are_passed_over() -> None:
    def never(x: Array) -> Array:
        with np.errstate(all="ignore"):
            return np.where(x[:, 0] > 1.5, np.inf, np.where(x[:, 1] > 1.5, np.nan, x[:, 0] + x[:, 1]))

    search = Search(never, box((0, 1, 2), (0, 1, 2)))
    assert both(search) == (0.0, np.inf)


def test_a_constant_is_exact_and_stays_at_nominal() -> None:
    search = Search(lambda x: np.full(len(x), 0.2), box((0, 1, 2), (0, 1, 2)))
    low = search.extreme(-1.0)
    assert low.proven
    assert low.vertex.tolist() == [1.0, 1.0]


def test_a_thrifty_search_follows_the_nominal_signs_and_proves_nothing() -> None:
    calls = []

    def f(x: Array) -> Array:
        calls.append(len(x))
        return np.asarray(x[:, 0] - 2.0 * x[:, 1])

    high = Search(f, box((0, 1, 2), (0, 1, 2)), thrifty=True).extreme(1.0)
    assert (high.value, high.proven) == (2.0, False)
    assert sum(calls) == 6


@pytest.mark.parametrize("seed", range(40))
def test_random_homographic_functions_against_every_corner(seed: int) -> None:
    """(multi-affine)/(multi-affine positive): monotone in each parameter, so the corners decide."""
    dice = np.random.default_rng(seed)
    n = int(dice.integers(2, 6))
    powers = np.array(list(itertools.product((0, 1), repeat=n)))
    top, bottom = dice.normal(size=len(powers)), dice.uniform(0.0, 1.0, len(powers))

    def f(x: Array) -> Array:
        terms = np.prod(np.where(powers[None], x[:, None, :], 1.0), axis=2)
        return np.asarray((terms @ top) / (terms @ bottom))

    nominal = dice.uniform(0.5, 2.0, n)
    space = Box(nominal * 0.7, nominal, nominal * 1.3, np.zeros(n, dtype=bool))
    corners = np.array(list(itertools.product(*zip(space.low, space.high, strict=True))))
    values = f(corners)
    search = Search(f, space)
    low, high = search.extreme(-1.0), search.extreme(1.0)
    assert low.proven
    assert high.proven
    assert [low.value, high.value] == pytest.approx([values.min(), values.max()])
