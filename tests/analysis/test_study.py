"""A study solves all corners and configurations in one batch: the states are those found one by one."""

from __future__ import annotations

import pytest

from rules.analysis.configurations import configurations
from rules.analysis.frozen import timed_states
from rules.analysis.resolve import CORNERS, resolve
from rules.analysis.states import StateSet, find_states
from rules.analysis.study import EQUAL_SHARING, FILTER_SHARE, Study
from tests.builders import circuit, diode, resistor, supply
from tests.random_circuits import mixed


def told(found: StateSet) -> list[object]:
    """Everything a reader sees of a set of states."""
    return [
        found.complete,
        found.reason,
        *((s.name, s.index, s.stable, dict(s.devices), dict(s.nets), dict(s.power)) for s in found.states),
    ]


@pytest.mark.parametrize("first", range(0, 200, 50))
def test_the_batch_finds_what_single_searches_find(first: int) -> None:
    sets = 0
    for seed in range(first, first + 50):
        study = Study(mixed(seed))
        for corner in CORNERS:
            for found in study.state_sets(corner):
                # a circuit resolved anew knows nothing of the batch
                alone = find_states(resolve(study.circuit), found.configuration, corner)
                assert not alone.network.solved
                assert told(found) == told(alone)
                sets += 1
    assert sets >= 150


def test_the_order_of_questions_changes_nothing() -> None:
    for seed in range(0, 100, 5):
        forward, backward = Study(mixed(seed)), Study(mixed(seed))
        answers = [[told(found) for found in forward.state_sets(corner)] for corner in CORNERS]
        again = [[told(found) for found in backward.state_sets(corner)] for corner in reversed(CORNERS)]
        assert answers == again[::-1]
        assert [found.configuration for found in forward.state_sets()] == list(
            configurations(forward.circuit)[0]
        )


def test_timed_states_do_not_depend_on_the_corner_asked_first() -> None:
    for seed in range(0, 60, 3):
        study = Study(mixed(seed))
        for corner in reversed(CORNERS):
            resolved = resolve(study.circuit)
            sets = tuple(find_states(resolved, c, corner) for c in configurations(study.circuit)[0])
            alone = timed_states(sets, resolved, corner, FILTER_SHARE)
            assert [(t.name, t.threshold, t.duration) for t in study.timing(corner)] == [
                (t.name, t.threshold, t.duration) for t in alone
            ]


def test_equal_sharing_is_listed_where_a_state_rests_on_it() -> None:
    """Two equal junctions across the same two nets: nothing but their likeness splits the current."""
    lamp = (supply("V1", "rail", "gnd", 9.0), resistor("R1", "rail", "n", 1e3), diode("D1", "n", "gnd"))
    alone, pair = Study(circuit(*lamp)), Study(circuit(*lamp, diode("D2", "n", "gnd")))
    assert EQUAL_SHARING not in alone.assumed
    assert EQUAL_SHARING in pair.assumed
    (state,) = pair.state_sets()[0].states
    assert state.currents["D1"]["anode"] == pytest.approx(4.15e-3, rel=1e-9)
    assert state.currents["D2"]["anode"] == pytest.approx(4.15e-3, rel=1e-9)
