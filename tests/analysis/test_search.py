"""The depth-first search: equal to trying every mode, honest about its budget, complete on long chains."""

from __future__ import annotations

import random
from collections import Counter

import numpy as np
import pytest

from rules.analysis.complementarity import Problem, Solution, brute, merge, problem_of
from rules.analysis.configurations import configurations
from rules.analysis.enumeration import enumerate_all
from rules.analysis.network import build_network
from rules.analysis.resolve import resolve
from rules.analysis.search import depth_first
from rules.analysis.states import STEP_BUDGET, StateSet, start_betas
from schemas.circuit import Circuit, Part
from tests import builders as b
from tests.benchmarks.circuits import chain, latches
from tests.physics import complaints
from tests.random_circuits import Maker, regenerative, soup


def problem(circuit: Circuit) -> Problem | None:
    """The complementarity problem of a circuit at rest; ``None`` when its sources contradict each other."""
    resolved = resolve(circuit)
    network = build_network(resolved, configurations(circuit)[0][0])
    return None if network.faults else problem_of(network, start_betas(resolved, "typical"))


def same(one: Solution, other: Solution) -> bool:
    """Equal in what both determine; a continuum has no point of its own."""
    if one.support != other.support or one.index != other.index or one.null.shape != other.null.shape:
        return False
    if not one.determined:
        return True
    size = max(float(np.abs(one.current).max(initial=0.0)), 1e-6)
    return bool(np.allclose(one.current, other.current, rtol=0.0, atol=1e-7 * size)
                and np.allclose(one.potential, other.potential, rtol=0.0, atol=1e-6))


def sorted_by_support(solutions: list[Solution]) -> list[Solution]:
    return sorted(merge(solutions), key=lambda solution: solution.support)


def physics(circuit: Circuit, found: StateSet) -> list[str]:
    resolved = resolve(circuit)
    return [text for state in found.states for text in complaints(resolved, found.configuration, state)]


def several(seed: int) -> Circuit:
    """Five to seven transistors: soup, or latches and pairs that share a rail."""
    if seed % 2:
        return soup(500_000 + seed, (5, 5, 6))
    for attempt in range(1000):
        made = regenerative(1000 * (seed + 700_000) + attempt)
        if sum(part.kind in ("npn", "pnp") for part in made.parts.values()) >= 4:
            return made
    raise AssertionError("no regenerative circuit of this size")


@pytest.mark.parametrize("first", range(0, 200, 25))
def test_the_search_finds_what_trying_every_mode_finds(first: int) -> None:
    seen: Counter[str] = Counter()
    seed = first * 10
    while seen["compared"] < 25:
        seed += 1
        posed = problem(several(seed))
        if posed is None or posed.size < 8 or posed.size > 14:
            continue
        every = sorted_by_support(brute(posed))
        found, complete, reason = depth_first(posed, STEP_BUDGET)
        mine = sorted_by_support(found)
        assert complete, (seed, reason)
        assert reason == ""
        assert [solution.support for solution in mine] == [solution.support for solution in every], seed
        assert all(same(one, other) for one, other in zip(mine, every, strict=True)), seed
        seen["compared"] += 1
        seen["ten junctions or more"] += posed.size >= 10
        seen["several"] += len(every) > 1
    assert seen["ten junctions or more"] >= 10, seen
    assert seen["several"] >= 3, seen


def test_past_the_budget_nothing_is_claimed() -> None:
    posed = problem(latches(4))
    assert posed is not None
    whole, complete, _ = depth_first(posed, STEP_BUDGET)
    assert complete
    assert len(whole) == 81
    some, complete, reason = depth_first(posed, 150)
    assert not complete
    assert len(some) < 81
    assert "150" in reason
    assert f"{posed.size} junctions" in reason
    assert "further states may exist" in reason
    supports = {solution.support for solution in whole}
    assert {solution.support for solution in some} <= supports


def test_the_budget_reaches_the_answer() -> None:
    cut = b.solve(latches(4), step_budget=150)
    assert not cut.complete
    assert "further states may exist" in cut.reason
    assert cut.faults == ()
    assert physics(latches(4), cut) == []


def random_chain(seed: int, stages: int, inner: float | None) -> Circuit:
    """Common-emitter stages of random values, NPN and PNP by turns or all NPN, each driving the next."""
    make = Maker(random.Random(seed))
    mixed = make.dice.random() < 0.5
    make.parts.append(b.battery("B1", "vp", "gnd", make.dice.choice((5.0, 9.0, 12.0)), inner))
    make.resistor(make.dice.choice(("vp", "gnd")), "b0", 2, 3)
    for k in range(stages):
        kind = "pnp" if mixed and k % 2 else "npn"
        emitter, rail = ("vp", "gnd") if kind == "pnp" else ("gnd", "vp")
        make.transistor(kind, f"c{k}", f"b{k}", emitter)
        make.resistor(rail, f"c{k}", 1, 2)
        if k + 1 < stages:
            make.resistor(f"c{k}", f"b{k + 1}", 2, 3)
    return b.circuit(*make.parts, name=f"chain-{seed}")


@pytest.mark.parametrize("inner", [None, 2.0])
@pytest.mark.parametrize("seed", range(10))
def test_a_chain_of_twenty_has_one_state(seed: int, inner: float | None) -> None:
    subject = random_chain(seed, 20, inner)
    found = b.solve(subject, step_budget=1000)  # a twentieth of the usual budget has to do
    assert found.complete, found.reason
    assert [state.index for state in found.states] == [1]
    assert found.stable
    assert physics(subject, found) == []


def test_the_plain_chain_alternates() -> None:
    state = b.only_state(chain(20))
    # the first base is fed: on, off, on ...
    expected = {f"Q{k:02d}": "off" if k % 2 else "saturated" for k in range(20)}
    assert state.devices == expected


def ring(stages: int) -> Circuit:
    """Inverters in a ring on a battery with resistance."""
    parts: list[Part] = [b.battery("B1", "vp", "gnd", 5.0, 1.0)]
    for k in range(stages):
        parts += [b.npn(f"Q{k:02d}", f"c{k}", f"b{k}", "gnd", 100.0),
                  b.resistor(f"RC{k:02d}", "vp", f"c{k}", 1e3),
                  b.resistor(f"RB{k:02d}", f"c{k}", f"b{(k + 1) % stages}", 10e3)]
    return b.circuit(*parts, name=f"ring-{stages}")


@pytest.mark.parametrize("stages", [7, 9, 11, 13])
def test_an_odd_ring_has_only_its_middle_state(stages: int) -> None:
    """Odd: it cannot hold, its one state has all stages active (and oscillates)."""
    found = b.solve(ring(stages))
    assert found.complete, found.reason
    (state,) = found.states
    assert set(state.devices.values()) == {"active"}
    assert state.index == 1
    assert not state.stable
    assert physics(ring(stages), found) == []


@pytest.mark.parametrize("stages", [8, 10, 12])
def test_an_even_ring_holds_either_way(stages: int) -> None:
    """Even: two stable states, each the other shifted by one stage, and an unstable one between them."""
    found = b.solve(ring(stages))
    assert found.complete, found.reason
    assert sum(state.index or 0 for state in found.states) == 1
    assert len(found.states) == 3
    assert physics(ring(stages), found) == []
    held = {tuple(state.devices[f"Q{k:02d}"] for k in range(stages)) for state in found.stable}
    assert held == {("off", "saturated") * (stages // 2), ("saturated", "off") * (stages // 2)}


@pytest.mark.parametrize("inner", [0.0, 2.0])
def test_four_latches_have_eighty_one_states(inner: float) -> None:
    subject = latches(4, inner)
    found = b.solve(subject)
    assert found.complete, found.reason
    assert len(found.states) == 81
    assert Counter(state.index for state in found.states) == {1: 41, -1: 40}  # (1 + 1 - 1)**4 = 1
    assert len(found.stable) == 16
    assert physics(subject, found) == []


def test_blocks_or_not_the_states_are_the_same() -> None:
    """Latches on an ideal supply fall into blocks; solved as one block the list is the same."""
    posed = problem(latches(3, 0.0))
    assert posed is not None
    whole, complete, _ = depth_first(posed, STEP_BUDGET)
    composed = enumerate_all(posed, STEP_BUDGET)
    assert complete
    assert composed.complete
    assert {solution.support for solution in composed.solutions} == {solution.support for solution in whole}
    assert len(composed.solutions) == 27
