"""One mode at many points against the same mode eliminated point by point."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest

from rules.analysis.corners.context import context_of
from rules.analysis.corners.parameters import at, parameters
from rules.analysis.corners.single import solved_singly
from rules.analysis.corners.variants import Variants, variants
from rules.analysis.network import build_network
from rules.analysis.operating import operating_point
from rules.analysis.states import State
from schemas.circuit import Circuit
from tests.builders import circuit, npn, only_state, resistor, solve, supply
from tests.latch import LATCH
from tests.physics import complaints
from tests.random_circuits import mixed
from tests.tolerances import spread

POINTS = 6


def drawn(state: State, seed: int, count: int = POINTS) -> Variants:
    """The mode at the nominal point, then at random ones."""
    box = context_of(state).box
    shares = np.random.default_rng(seed).random((count - 1, box.size))
    points = np.vstack([box.nominal, box.low + shares * (box.high - box.low)])
    return variants(state, context_of(state).parameters, points)


def agrees(one: float | None, other: float | None, size: float) -> bool:
    if one is None or other is None:
        return one is other
    return abs(one - other) <= 1e-9 * max(abs(one), size)


def differences(one: State, other: State) -> list[str]:
    """Every voltage, current, power and gain that is not the same."""
    wrong = [f"V {net}" for net, volts in one.nets.items() if not agrees(volts, other.nets[net], 1.0)]
    for part, pins in one.currents.items():
        wrong += [
            f"I {part} {pin}" for pin, i in pins.items() if not agrees(i, other.currents[part][pin], 1e-6)
        ]
    wrong += [f"P {part}" for part, watts in one.power.items() if not agrees(watts, other.power[part], 1e-6)]
    return wrong + [
        f"beta {q}" for q, beta in one.mode.betas.items() if not agrees(beta, other.mode.betas[q], 1.0)
    ]


def states(found: Circuit) -> Sequence[State]:
    return solve(found).states[:3]


@pytest.mark.parametrize("start", range(0, 60, 10))
def test_variants_of_random_circuits_equal_single_solutions(start: int) -> None:
    for seed in range(start, start + 10):
        for state in states(spread(mixed(seed))):
            many = drawn(state, seed)
            for k in range(POINTS):
                resolved, betas = at(state.mode.network.resolved, many.point(k))
                network = build_network(resolved, state.mode.network.configuration)
                alone = solved_singly(network, betas, state.mode.solution.support)
                variant = many.state(k)
                assert (alone is None) == (variant is None), (seed, state.name, k)
                if alone is not None and variant is not None:
                    assert differences(alone[0], variant) == [], (seed, state.name, k)
                    assert variant.devices == state.devices


@pytest.mark.parametrize("seed", range(0, 60, 7))
def test_the_first_variant_is_the_state_itself(seed: int) -> None:
    for state in states(spread(mixed(seed))):
        variant = drawn(state, seed).state(0)
        assert variant is not None
        assert differences(state, variant) == []


@pytest.mark.parametrize("seed", range(0, 80, 8))
def test_a_variant_that_holds_obeys_the_laws_of_the_circuit_there(seed: int) -> None:
    for state in states(spread(mixed(seed))):
        many = drawn(state, seed)
        for k in np.flatnonzero(many.holds).tolist():
            variant = many.state(k)
            assert variant is not None
            network = variant.mode.network
            assert complaints(network.resolved, network.configuration, variant) == [], (seed, state.name, k)


@pytest.mark.parametrize("seed", range(0, 80, 8))
def test_holding_agrees_with_the_list_of_all_states(seed: int) -> None:
    """A mode holds at a point exactly where the enumeration there finds a state in that mode."""
    for state in states(spread(mixed(seed))):
        if not state.mode.solution.determined:
            continue
        many = drawn(state, seed)
        for k in range(POINTS):
            resolved, _ = at(state.mode.network.resolved, many.point(k))
            there = solve(resolved)
            same = any(s.mode.solution.support == state.mode.solution.support for s in there.states)
            assert same == bool(many.holds[k]), (seed, state.name, k)


def test_arithmetic_is_done_for_all_points_at_once_and_decisions_one_by_one() -> None:
    state = solve(spread(circuit(*LATCH))).states[2]
    many = drawn(state, 1, 40)
    asked: list[object] = []

    def plain(s: State) -> float | None:
        asked.append(s)
        point = operating_point(s, "Q1")
        return None if point is None else abs(point.vce) * point.collector + s.mode.betas["Q1"]

    def deciding(s: State) -> float:
        point = operating_point(s, "Q1")
        return (
            0.0 if point is None or point.vce < 0.0 else abs(point.vce) * point.collector + s.mode.betas["Q1"]
        )

    together = many.take(plain)
    assert len(asked) == 2  # all at once, and one to compare
    assert together == pytest.approx(many.take(deciding))


def test_what_is_undefined_is_never_a_number() -> None:
    state = only_state(
        circuit(
            supply("V1", "vp", "gnd", 5.0), resistor("R1", "vp", "c", 1e3), npn("Q1", "c", "b", "gnd", 100.0)
        )
    )
    many = drawn(state, 3)
    assert np.isnan(many.take(lambda s: s.nets["b"])).all()
    assert many.take(lambda s: s.nets["c"]) == pytest.approx(many.take(lambda s: s.nets["vp"]))
    assert many.holds.all()


def test_two_ideal_sources_in_parallel_move_together() -> None:
    """They would contradict each other at any corner but nominal: their tolerances are left out."""
    parallel = circuit(
        supply("V1", "vp", "gnd", 9.0, low=8.0, high=10.0),
        supply("V2", "vp", "gnd", 9.0, low=8.0, high=10.0),
        resistor("R1", "vp", "gnd", 1e3),
    )
    state = only_state(parallel)
    assert {p.part for p in parameters(state.mode.network.resolved)} == {"R1", "V1", "V2"}
    assert {p.part for p in context_of(state).parameters} == {"R1"}
    assert drawn(state, 0).take(lambda s: s.nets["vp"]) == pytest.approx(np.full(POINTS, 9.0))
