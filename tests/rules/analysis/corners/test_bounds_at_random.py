"""No sample lies outside a claimed bound: 200 random circuits, 1,000 seeded samples of each state.

Samples are uniform in every interval, three of ten parameters of each pushed to an end.  A bound is claimed
where it is called exact; where it is not, the search still has to enclose nearly all samples.
"""

from __future__ import annotations

import numpy as np
import pytest

from rules.analysis.corners.context import Context, context_of
from rules.analysis.corners.variants import Quantity
from rules.analysis.corners.worst import bounds
from rules.analysis.elements import Array
from rules.analysis.states import State
from tests.builders import solve
from tests.random_circuits import mixed
from tests.tolerances import spread

SAMPLES = 1000
ROOM = 1e-8  # of the distance of the ends and of the largest value: rounding
POOR = 2e-3  # of the distance, where no bound is claimed


def sampled(context: Context, seed: int) -> Array:
    dice, box = np.random.default_rng(seed), context.box
    shares = dice.random((SAMPLES, box.size))
    pushed = dice.random(shares.shape) < 0.3
    points: Array = box.low + np.where(pushed, np.round(shares), shares) * (box.high - box.low)
    return points


def voltage(net: str) -> Quantity:
    return lambda s: s.nets[net]


def current(part: str, pin: str) -> Quantity:
    return lambda s: s.currents[part][pin]


def power(part: str) -> Quantity:
    return lambda s: s.power[part]


def quantities(state: State, dice: np.random.Generator) -> dict[str, Quantity]:
    """Two voltages, a current and a power that the state determines."""
    nets = sorted(net for net, volts in state.nets.items() if volts)
    parts = sorted(part for part, watts in state.power.items() if watts)
    chosen = {f"V {net}": voltage(net) for net in dice.permutation(nets)[:2].tolist()}
    for part in dice.permutation(parts)[:1].tolist():
        chosen[f"I {part}"] = current(part, sorted(state.currents[part])[0])
        chosen[f"P {part}"] = power(part)
    return chosen


@pytest.mark.parametrize("start", range(0, 200, 20))
def test_no_sample_is_outside_a_claimed_bound(start: int) -> None:
    outside, poor, exact, count = [], [], 0, 0
    for seed in range(start, start + 20):
        dice = np.random.default_rng(seed)
        for state in solve(spread(mixed(seed))).states[:2]:
            context = context_of(state)
            many = context.variants(sampled(context, seed))
            for name, quantity in quantities(state, dice).items():
                found = bounds(state, quantity)
                assert found is not None, (seed, state.name, name)
                values = many.take(quantity)
                low, high = float(np.nanmin(values)), float(np.nanmax(values))
                assert low < high or found.low.value == pytest.approx(found.high.value, rel=1e-9, abs=1e-9)
                width = found.high.value - found.low.value
                for worst, beyond in (
                    (found.low, found.low.value - low),
                    (found.high, high - found.high.value),
                ):
                    count += name[0] != "P"
                    exact += name[0] != "P" and worst.exact
                    if worst.exact and beyond > ROOM * (width + abs(high) + abs(low)) + 1e-12:
                        outside.append((seed, state.name, name, worst.sense, beyond, width))
                    if (
                        not worst.exact
                        and "no unique solution" not in worst.how
                        and beyond > POOR * width + 1e-9
                    ):
                        poor.append((seed, state.name, name, worst.sense, beyond, width))
    assert outside == []
    assert poor == []
    assert exact > 0.9 * count  # voltages and currents: claimed, not merely not refuted


def test_a_bound_is_reached() -> None:
    """The corner of a claimed bound gives just that value: no bound is wider than it has to be."""
    for seed in range(0, 60, 6):
        for state in solve(spread(mixed(seed))).states[:1]:
            for quantity in quantities(state, np.random.default_rng(seed)).values():
                found = bounds(state, quantity)
                assert found is not None
                for worst in (found.low, found.high):
                    context = context_of(state, worst.parameters)
                    vertex = np.array([worst.point[p.key] for p in worst.parameters])
                    assert context.variants(vertex[None]).take(quantity)[0] == pytest.approx(worst.value)
