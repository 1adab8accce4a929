"""Minimum gains read from the published tables: each state at the gains of its own collector currents."""

from __future__ import annotations

import random
from collections import Counter
from collections.abc import Iterator
from dataclasses import replace

import pytest

from rules.analysis.configurations import configurations
from rules.analysis.part_types import PART_TYPES, minimum_beta
from rules.analysis.resolve import resolve
from rules.analysis.states import StateSet, find_states
from schemas.circuit import Circuit, frozen_map
from tests.physics import kirchhoff, numbers, power_balance
from tests.random_circuits import mixed, regenerative

TYPES = {"npn": ("2N3904", "2N2222A", "BC547B"), "pnp": ("2N3906", "2N2907A", "BC557B")}


def published(seed: int) -> Circuit:
    """A random circuit whose transistors are of published types."""
    made, dice = (regenerative if seed % 2 else mixed)(seed), random.Random(seed)
    parts = {
        name: replace(part, values=frozen_map({"type": dice.choice(TYPES[part.kind])}))
        if part.kind in TYPES
        else part
        for name, part in made.parts.items()
    }
    return replace(made, parts=frozen_map(parts))


def troubles(found: StateSet, circuit: Circuit) -> Iterator[str]:
    resolved = found.network.resolved
    seen = set()
    for state in found.states:
        yield from (*numbers(state), *kirchhoff(resolved, state), *power_balance(resolved, state))
        point = tuple(None if volts is None else round(volts, 7) for volts in state.nets.values())
        if None not in point and point in seen:
            yield f"{state.name} twice"
        seen.add(point)
        for name, pins in state.currents.items():
            part = circuit.parts[name]
            if part.kind not in TYPES:
                continue
            collector, base = pins["collector"], pins["base"]
            if collector is None or base is None:
                yield f"{state.name}: currents of {name} undefined"
            elif state.devices[name] == "active":
                table = minimum_beta(PART_TYPES[str(part.text("type"))], abs(collector)).value
                if abs(collector / base / table - 1.0) > 1e-6:
                    yield f"{state.name}: {name} has gain {collector / base}, the table says {table}"
    if found.complete and len(found.states) % 2 == 0:
        yield f"complete with {[state.name for state in found.states]}"


@pytest.mark.parametrize("first", range(0, 2000, 400))
def test_states_at_their_own_gains(first: int) -> None:
    wrong: list[str] = []
    seen: Counter[str] = Counter()
    for seed in range(first, first + 400):
        circuit = published(seed)
        resolved = resolve(circuit)
        found = find_states(resolved, configurations(circuit)[0][0], "min")
        wrong += [f"seed {seed}, {text}" for text in troubles(found, circuit)]
        seen["complete"] += found.complete
        seen["not settled"] += not found.complete and not found.faults
        seen["several"] += len(found.states) > 1
        seen["active"] += any("active" in state.devices.values() for state in found.states)
    assert not wrong, "\n".join(wrong[:10])
    assert seen["complete"] >= 360, seen
    assert seen["several"] >= 60, seen
    assert seen["active"] >= 100, seen
    assert seen["not settled"] <= 2, seen  # says so, and is rare
