"""What is reported as undefined is exactly what Kirchhoff's laws and the part laws leave open.

The null space of an independently assembled system decides; see :func:`tests.physics.undetermined`.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator

import pytest

from rules.analysis.configurations import configurations
from rules.analysis.elements import Configuration
from rules.analysis.resolve import Resolved, resolve
from rules.analysis.states import State, find_states
from tests.physics import complaints, undetermined
from tests.random_circuits import mixed, regenerative


def disagreements(resolved: Resolved, configuration: Configuration, state: State) -> Iterator[str]:
    nets, parts = undetermined(resolved, configuration, state.devices)
    if set(state.undefined_nets) != nets:
        yield f"{state.name}: open nets {sorted(nets)}, reported {list(state.undefined_nets)}"
    reported = {part for part, pins in state.currents.items() if None in pins.values()}
    if reported != parts:
        yield f"{state.name}: open currents {sorted(parts)}, reported {sorted(reported)}"


@pytest.mark.parametrize("first", range(20_000, 22_500, 500))
def test_undefined_means_undetermined(first: int) -> None:
    wrong: list[str] = []
    seen: Counter[str] = Counter()
    for seed in range(first, first + 500):
        resolved = resolve(mixed(seed))
        rest = configurations(resolved.circuit)[0][0]
        for state in find_states(resolved, rest).states:
            wrong += [f"seed {seed}, {text}" for text in disagreements(resolved, rest, state)]
            open_currents = any(None in pins.values() for pins in state.currents.values())
            seen["states"] += 1
            seen["undefined nets"] += bool(state.undefined_nets)
            seen["undefined currents"] += open_currents
    assert not wrong, "\n".join(wrong[:10])
    assert seen["states"] >= 450, seen
    assert seen["undefined nets"] >= 20, seen
    assert seen["undefined currents"] >= 1, seen


@pytest.mark.parametrize(
    "seed",
    [
        # a junction in parallel that conducts only as long as the others have a resistance
        108_587,
        126_763,
        # nanoamperes shared: a hundredth of an ohm would drown in rounding
        145_272,
        # a junction that carries nothing in the end must not pin the net behind it
        102_992,
        # a circuit that floats: its nets are open, the current through its resistors is not
        115_994,
    ],
)
def test_borders_between_shared_currents(seed: int) -> None:
    resolved = resolve(mixed(seed))
    rest = configurations(resolved.circuit)[0][0]
    found = find_states(resolved, rest)
    assert found.complete
    assert sum(state.index or 0 for state in found.states) == 1
    for state in found.states:
        assert list(disagreements(resolved, rest, state)) == []
        assert complaints(resolved, rest, state) == []


def test_how_many_states_regenerative_circuits_have() -> None:
    """An odd number each, and every number up to the nine of two latches occurs."""
    counts: Counter[int] = Counter()
    for seed in range(30_000, 31_500):
        resolved = resolve(regenerative(seed))
        found = find_states(resolved, configurations(resolved.circuit)[0][0])
        if found.complete:
            counts[len(found.states)] += 1
            assert sum(state.index or 0 for state in found.states) == 1, seed
            assert sum(state.stable for state in found.states) <= (len(found.states) + 1) // 2, seed
    assert all(count % 2 for count in counts), counts
    assert counts[1] >= 400, counts
    assert counts[3] >= 300, counts
    assert counts[5] >= 1, counts
    assert counts[7] >= 1, counts
    assert counts[9] >= 25, counts
