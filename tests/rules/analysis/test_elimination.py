"""The eliminated linear network against exact rationals and against the ordinary inverse."""

from __future__ import annotations

import random
from fractions import Fraction

import numpy as np
import pytest

from rules.analysis.elimination import Ends, network_inverse, nodal_inverse, star_mesh_inverse
from tests.exact import eliminate

Network = tuple[int, list[int], list[tuple[Ends, float]], list[tuple[Ends, float]]]


def network(seed: int, decades: tuple[int, int]) -> Network:
    """A random network: two parts, the second floating and held at its first net, ideal branches in trees."""
    dice = random.Random(seed)
    first, second = dice.randint(2, 5), dice.choice((0, 0, 2, 3))
    size = first + second
    grounded, floating = [*range(first), size], list(range(first, size))

    def ohms() -> float:
        return float(f"{dice.choice((1.0, 1.5, 2.2, 3.3, 4.7, 6.8))}e{dice.randint(*decades)}")

    resistors: list[tuple[Ends, float]] = []
    branches: list[tuple[Ends, float]] = []
    for part in (grounded, floating):
        for k, net in enumerate(part[1:], start=1):  # a tree keeps the part together
            ends = (net, dice.choice(part[:k]))
            kind = dice.random()
            if kind < 0.25:
                branches.append((ends, 0.0))
            elif kind < 0.4:
                branches.append((ends, ohms()))
            else:
                resistors.append((ends, ohms()))
        if part:
            resistors += [((dice.choice(part), dice.choice(part)), ohms()) for _ in range(dice.randint(0, 4))]
    return size, floating[:1], resistors, branches


def exact_inverse(
    size: int,
    datums: list[int],
    resistors: list[tuple[Ends, float]],
    branches: list[tuple[Ends, float]],
) -> list[list[Fraction]]:
    """Kirchhoff's laws and the law of each branch, solved by rational elimination column by column."""
    count = size + len(branches)
    laws: list[dict[int, Fraction]] = [{} for _ in range(count)]

    def add(row: int, column: int, value: Fraction) -> None:
        laws[row][column] = laws[row].get(column, Fraction(0)) + value

    for (a, b), ohms in resistors:
        for here, there in ((a, b), (b, a)):
            if here != size:
                add(here, here, 1 / Fraction(ohms))
                if there != size:
                    add(here, there, -1 / Fraction(ohms))
    for k, ((a, b), ohms) in enumerate(branches, start=size):
        add(k, k, -Fraction(ohms))
        for net, sign in ((a, 1), (b, -1)):
            if net != size:
                add(net, k, Fraction(sign))
                add(k, net, Fraction(sign))
    for datum in datums:
        laws[datum] = {datum: Fraction(1)}
    columns = []
    for driven in range(count):
        solution = eliminate([{**law, -1: Fraction(row == driven)} for row, law in enumerate(laws)])
        assert solution is not None
        columns.append([Fraction(0)] * count if driven in datums else solution)
    return [list(row) for row in zip(*columns, strict=True)]


def error(found: np.ndarray, exact: list[list[Fraction]], size: int, count: int | None = None) -> float:
    """Largest error of the first ``count`` rows and columns, relative to the entry itself.

    Currents and voltage ratios, which may be small differences, are measured against one.
    """
    worst = 0.0
    for row, wanted in enumerate(exact[:count]):
        for column, value in enumerate(wanted[:count]):
            scale = abs(value) if row < size and column < size else max(abs(value), Fraction(1))
            gap = abs(Fraction(float(found[row, column])) - value)
            worst = max(worst, float(gap / scale if scale else gap))
    return worst


def test_milliohms_beside_hundreds_of_megohms_keep_their_digits() -> None:
    careful, ordinary, ratios = [], [], []
    for seed in range(150):
        made = network(seed, (-3, 8))
        size = made[0]
        exact = exact_inverse(*made)
        found, plain = network_inverse(*made), nodal_inverse(*made)
        careful.append(error(found, exact, size, size))
        ordinary.append(error(plain, exact, size, size))
        ratios.append(error(found, exact, size))
    assert max(careful) < 1e-10
    assert max(ordinary) > 1e4 * max(careful), "the ordinary inverse would have done"
    assert sorted(ratios)[len(ratios) * 9 // 10] < 1e-10


def test_a_small_resistance_on_a_floating_pair() -> None:
    """Closed form: two nets 1 mohm apart, 100 Mohm each to the reference."""
    shunt, leak = 1e-3, 1e8
    found = network_inverse(2, [], [((0, 1), shunt), ((0, 2), leak), ((1, 2), leak)], [])
    assert found[0, 0] == pytest.approx(leak * (leak + shunt) / (2 * leak + shunt), rel=1e-14)
    assert found[0, 1] == pytest.approx(leak * leak / (2 * leak + shunt), rel=1e-14)
    plain = nodal_inverse(2, [], [((0, 1), shunt), ((0, 2), leak), ((1, 2), leak)], [])
    assert abs(plain[0, 0] / found[0, 0] - 1.0) > 1e-7


@pytest.mark.parametrize("volts", [1.5, 9.0, 400.0])
def test_a_source_of_small_resistance_on_a_floating_pair(volts: float) -> None:
    """Each end takes half the voltage, and 50 nA per volt flow in a loop of 200 Mohm; sums by hand."""
    found = network_inverse(2, [], [((0, 2), 1e8), ((1, 2), 1e8)], [((0, 1), 1e-3)])
    assert found[0, 2] * volts == pytest.approx(volts / 2, rel=1e-9)
    assert found[1, 2] * volts == pytest.approx(-volts / 2, rel=1e-9)
    assert found[2, 2] * volts == pytest.approx(-volts / (2e8 + 1e-3), rel=1e-4)


@pytest.mark.parametrize("first", [0, 100, 200])
def test_both_ways_agree_where_resistances_lie_close_together(first: int) -> None:
    floating = 0
    for seed in range(first, first + 100):
        made = network(seed, (1, 4))
        one, other = star_mesh_inverse(*made), nodal_inverse(*made)
        one[:, made[1]] = other[:, made[1]] = 0.0
        np.testing.assert_allclose(one, other, rtol=1e-9, atol=1e-9 * np.abs(other).max(initial=1e-3))
        floating += bool(made[1])
    assert floating >= 30
