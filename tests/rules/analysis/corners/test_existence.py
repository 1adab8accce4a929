"""Where a state exists within the tolerances."""

from __future__ import annotations

import pytest

from rules.analysis.corners.existence import existence, stands_for, states_at
from rules.analysis.corners.parameters import Point
from rules.analysis.states import State
from schemas.circuit import Beta, Circuit, Tolerance
from tests.builders import battery, circuit, load, npn, only_state, pnp, resistor, solve, supply
from tests.latch import LATCH
from tests.tolerances import spread

FIVE = Tolerance(-0.05, 0.05)


def barrel(load_ohms: float, low: float = 8.0, **states: dict[str, str]) -> Circuit:
    """A water barrel lamp: a latch that its load resistor starves of holding current when it is small."""
    return circuit(
        battery("BT1", "vp", "gnd", 9.0, low=low, high=9.6),
        pnp("Q2", "out", "b2", "vp", Beta(80.0, 150.0, 300.0)),
        resistor("RB2", "vp", "b2", 4.7e3, tolerance=FIVE),
        resistor("R2", "b2", "c1", 4.7e3, tolerance=FIVE),
        npn("Q1", "c1", "b1", "gnd", Beta(60.0, 200.0, 450.0)),
        resistor("R3", "out", "b1", load_ohms, tolerance=FIVE),
        resistor("RB1", "b1", "gnd", 10e3, tolerance=FIVE),
        load("RL", "out", "gnd", 1e3),
        states=states,
    )


def lit(found: Circuit) -> State:
    return next(s for s in solve(found).stable if s.devices["Q2"] != "off")


def test_a_latch_with_margin_is_there_at_every_corner() -> None:
    found = existence(lit(barrel(33e3)))
    assert found.everywhere
    assert found.complete
    assert found.failures == ()


def test_a_latch_that_does_not_hold_at_one_corner_is_lost_there() -> None:
    # 0.7 V on 10 k need 70 uA: 100 k deliver 81 uA from 8.8 V (9 V less saturation), but 59 uA from 6.6 V
    state = lit(barrel(100e3, low=6.8))
    found = existence(state)
    assert found.complete
    assert not found.everywhere
    missing = found.missing[0]
    assert missing.instead is None
    assert "BT1 6.8 V" in missing.label
    assert [s.devices["Q1"] for s in missing.there.stable] == ["off"]


def test_a_region_that_changes_is_no_lost_state() -> None:
    found = existence(lit(barrel(68e3)))
    assert found.everywhere
    (failure,) = found.failures
    assert failure.label == "Q1 beta min, BT1 8 V, R2 -5 %, R3 +5 %, RB1 -5 %, V_BE 0.75 V, 0 degC"
    assert failure.instead is not None
    assert failure.instead.devices == {"Q1": "active", "Q2": "saturated"}


def test_a_switch_that_leaves_saturation_is_still_on() -> None:
    state = only_state(
        circuit(
            battery("BT1", "vp", "gnd", 9.0, low=6.0, high=9.6),
            resistor("RB", "vp", "b", 150e3, tolerance=FIVE),
            load("RL", "vp", "c", 1e3),
            npn("Q1", "c", "b", "gnd", Beta(60.0, 250.0, 400.0)),
        )
    )
    assert state.devices["Q1"] == "saturated"
    found = existence(state)
    assert found.everywhere
    (failure,) = found.failures
    assert (failure.device, failure.junction, failure.conducting) == ("Q1", "reverse", True)
    assert failure.label.startswith("beta min")
    assert failure.instead is not None
    assert failure.instead.devices["Q1"] == "active"
    assert failure.by > 0.0


def test_a_declared_name_may_ask_for_more_than_on() -> None:
    named = barrel(33e3, lit={"Q2": "saturated"}, dark={"Q2": "off"})
    state = lit(named)
    assert state.name == "lit"
    assert stands_for(state, state)
    dark = next(s for s in solve(named).stable if s.name == "dark")
    assert not stands_for(dark, state)


def test_all_states_at_a_point() -> None:
    network = solve(circuit(*LATCH)).network
    # a loop gain below one leaves only the off state: beta1 beta2 / (1 + R3/RL) <= 1
    weak: Point = {("Q1", "beta"): 6.0, ("Q2", "beta"): 6.0}
    assert len(states_at(network, {}).states) == 3
    only = states_at(network, weak)
    assert only.complete
    assert [s.name for s in only.states] == ["all off"]


@pytest.mark.parametrize("seed", range(3))
def test_corners_where_a_state_is_said_to_be_missing_have_none(seed: int) -> None:
    """Checked by the ordinary enumeration of a circuit built with those values."""
    found = existence(lit(spread(barrel(100e3 - 5e3 * seed, low=6.8), (0.8, 1.2))))
    assert found.missing
    for missing in found.missing:
        assert all(s.devices["Q2"] == "off" for s in missing.there.stable)


def test_a_circuit_without_transistors_compares_its_diodes() -> None:
    state = only_state(circuit(supply("V1", "vp", "gnd", 5.0), resistor("R1", "vp", "gnd", 1e3)))
    assert existence(state).everywhere
