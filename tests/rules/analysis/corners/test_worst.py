"""Worst values of states: published spreads, every corner the slow way, powers, gains of published types."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest

from rules.analysis.corners.context import context_of
from rules.analysis.corners.parameters import Point, parameters
from rules.analysis.corners.worst import Bounds, Worst, bounds, bounds_scalar, worst, worst_scalar
from rules.analysis.operating import operating_point
from rules.analysis.part_types import minimum_beta
from rules.analysis.resolve import resolve
from rules.analysis.states import State
from schemas.circuit import Ambient, Beta, Part, Tolerance
from tests.builders import battery, circuit, contact, film, npn, only_state, resistor, solve, supply
from tests.latch import LATCH
from tests.tolerances import chosen, every_corner, moved, spread, without_temperature

FIVE = Tolerance(-0.05, 0.05)


def divider() -> State:
    return only_state(
        circuit(
            battery("BT1", "vp", "gnd", 9.0, low=8.1, high=9.9),
            resistor("R1", "vp", "mid", 47e3, tolerance=FIVE),
            resistor("R2", "mid", "gnd", 10e3, tolerance=FIVE),
        )
    )


def stage(*more: Part, **assumptions: float) -> State:
    """D. A. Bell, Electronic Devices and Circuits, ex. 5.8: 33 k over 12 k, 1.2 k and 1 k at 18 V."""
    return only_state(
        circuit(
            supply("PS1", "vp", "gnd", 18.0, low=17.1, high=18.9),
            resistor("R1", "vp", "b", 33e3, tolerance=FIVE),
            resistor("R2", "b", "gnd", 12e3, tolerance=FIVE),
            resistor("RC", "vp", "c", 1.2e3, tolerance=FIVE),
            resistor("RE", "e", "gnd", 1e3, tolerance=FIVE),
            npn("Q1", "c", "b", "e", Beta(50.0, 100.0, 200.0)),
            *more,
            assumptions=assumptions,
        )
    )


def both(state: State, quantity: Callable[[State], float | None], *names: str) -> Bounds:
    listed = context_of(state).parameters
    found = bounds(state, quantity, chosen(listed, *names) if names else listed)
    assert found is not None
    return found


def test_a_divider_at_its_eight_corners() -> None:
    # extreme values of 9 V within 10 %, 47 k and 10 k within 5 %: 1.3076 ... 1.8849 V, nominal 1.5789 V; one
    # parameter alone moves it by 0.1579, -0.0652 and 0.0651 V (eight corners by hand)
    found = both(divider(), lambda s: s.nets["mid"])
    assert [found.low.value, found.nominal, found.high.value] == pytest.approx(
        [1.3076, 1.5789, 1.8849], abs=5e-5
    )
    assert (found.low.exact, found.high.exact) == (True, True)
    assert found.high.label == "BT1 9.9 V, R1 -5 %, R2 +5 %"
    halves = {s.parameter.part: 0.5 * s.change for s in found.low.sensitivities}
    assert [halves["BT1"], halves["R1"], halves["R2"]] == pytest.approx([0.1579, -0.0652, 0.0651], abs=5e-5)
    relative = {s.parameter.part: s.relative for s in found.low.sensitivities}
    # S of V R2/(R1 + R2): 1, -R1/(R1 + R2), R1/(R1 + R2), as central differences over the intervals
    assert [relative["BT1"], relative["R1"], relative["R2"]] == pytest.approx([1.0, -0.825, 0.825], abs=2e-3)


def test_a_biased_stage_at_its_corners() -> None:
    # the same stage with all five within 5 %, gain 50 to 200 and V_BE 0.6 to 0.8 V: I_C 2.763 ... 4.820 mA,
    # V_CE 7.568 ... 11.998 V (all corners by the exact divider formula, computed for this test)
    state = stage(junction_spread=0.1)
    listed = without_temperature(state.mode.network.resolved, parameters(state.mode.network.resolved))
    current = bounds(state, lambda s: s.currents["Q1"]["collector"], listed)
    assert current is not None
    assert [current.low.value * 1e3, current.high.value * 1e3] == pytest.approx([2.763, 4.820], abs=5e-4)
    point = bounds(state, lambda s: None if (p := operating_point(s, "Q1")) is None else p.vce, listed)
    assert point is not None
    assert [point.low.value, point.high.value] == pytest.approx([7.568, 11.998], abs=5e-4)
    assert (point.low.holds, point.high.holds, point.low.exact) == (True, True, True)
    assert point.low.label == "beta max, PS1 17.1 V, R1 -5 %, R2 +5 %, RC +5 %, RE -5 %, V_BE 0.6 V"


@pytest.mark.parametrize("seed", range(6))
def test_the_search_equals_every_corner(seed: int) -> None:
    """All 2**n corners of the latch, each eliminated and solved on its own."""
    dice = np.random.default_rng(seed)
    latch = spread(circuit(*LATCH))
    state = solve(latch).states[int(dice.integers(0, 3))]
    names = ("Q1", "Q2", "V1", "RB2", "R2", "R3", "RB1", "RL", "vbe_on")
    listed = chosen(context_of(state).parameters, *dice.permutation(names)[:6].tolist())
    for quantity in (lambda s: s.nets["b1"], lambda s: s.currents["Q2"]["base"], lambda s: s.nets["out"]):
        found = bounds(state, quantity, listed)
        assert found is not None
        low, high = every_corner(state, listed, quantity)
        room = 1e-9 * max(high - low, abs(high), abs(low))
        assert found.low.value == pytest.approx(low, abs=room)
        assert found.high.value == pytest.approx(high, abs=room)


def test_the_variant_at_the_corner_is_the_circuit_there() -> None:
    state = stage()
    found = worst(state, lambda s: s.power["Q1"], "max")
    assert found is not None
    assert found.state is not None
    there = moved(state, dict(found.point))
    assert found.value == pytest.approx(there.power["Q1"])
    assert found.state.nets == pytest.approx(there.nets)


def test_a_power_with_its_largest_value_inside_is_found_and_not_called_exact() -> None:
    # behind 1 k the power in a resistor is largest at 1 k (maximum power transfer): 12 V gives 36 mW
    state = only_state(
        circuit(
            supply("PS1", "vp", "gnd", 12.0),
            resistor("RS", "vp", "out", 1e3, tolerance=Tolerance(-0.0, 0.0)),
            resistor("RL", "out", "gnd", 900.0, tolerance=Tolerance(-0.5, 1.0)),
        )
    )
    found = both(state, lambda s: s.power["RL"])
    assert found.high.value == pytest.approx(36e-3, rel=1e-9)
    assert not found.high.exact
    assert "inside the interval of RL resistance; not homographic in RL resistance" in found.high.how
    assert found.high.label == "RL +11.1 %"
    # ends: 450 ohm 30.8 mW, 1800 ohm 33.1 mW
    assert found.low.value == pytest.approx(144 * 450 / 1450**2, rel=1e-9)
    assert not found.low.exact


def test_a_quantity_that_decides_by_values_gives_the_same_as_plain_arithmetic() -> None:
    state = stage()
    plain = both(state, lambda s: s.nets["c"])
    deciding = both(state, lambda s: None if (v := s.nets["c"]) is None else max(float(v), -1.0))
    assert (deciding.low.value, deciding.high.value) == (plain.low.value, plain.high.value)
    assert deciding.low.label == plain.low.label


def test_a_quantity_may_ask_for_part_values_and_gains_at_the_point() -> None:
    state = stage()

    def overdrive(s: State) -> float | None:
        voltage = s.nets["b"]
        return (
            None
            if voltage is None
            else voltage / s.mode.network.resolved.value("R2", "resistance") * s.mode.betas["Q1"]
        )

    found = both(state, overdrive)
    there = moved(state, dict(found.high.point))
    assert found.high.value == pytest.approx(overdrive(there))
    assert found.high.label.startswith("beta max")
    assert not found.high.exact  # a product of a voltage and a gain


def test_an_undefined_quantity_has_no_worst_value() -> None:
    floating = circuit(
        supply("PS1", "vp", "gnd", 5.0),
        resistor("R1", "vp", "c", 1e3),
        npn("Q1", "c", "b", "gnd", 100.0),
        contact("S1", "b", "c"),
    )
    state = next(s for s in solve(floating).states if s.nets["b"] is None)
    assert worst(state, lambda s: s.nets["b"], "max") is None
    collector = worst(state, lambda s: s.nets["c"], "max")
    assert collector is not None
    assert collector.value == pytest.approx(5.0)
    assert collector.holds


def test_a_mode_that_ends_before_the_corner_says_so() -> None:
    # biased to the middle at nominal values; at the largest gain and supply the stage saturates
    state = only_state(
        circuit(
            battery("BT1", "vp", "gnd", 6.0, low=4.5, high=6.5),
            resistor("RB", "vp", "b", 220e3, tolerance=FIVE),
            resistor("RC", "vp", "c", 1e3, tolerance=FIVE),
            npn("Q1", "c", "b", "gnd", Beta(60.0, 120.0, 400.0)),
        )
    )
    found = both(state, lambda s: s.nets["c"])
    assert (found.low.holds, found.high.holds) == (False, True)
    assert found.low.value < 0.0  # the straight line of the active region, past its end


def test_the_least_gain_of_a_published_type_is_that_at_the_corner() -> None:
    state = only_state(
        circuit(
            battery("BT1", "vp", "gnd", 9.0, low=6.0, high=9.6),
            resistor("RB", "vp", "b", 1e6, tolerance=FIVE),
            resistor("RC", "vp", "c", 4.7e3, tolerance=FIVE),
            npn("Q1", "c", "b", "gnd", type="2N3904"),
            ambient=Ambient(298.15, 298.15, 298.15),
        )
    )
    found = worst(state, lambda s: s.currents["Q1"]["collector"], "min")
    assert found is not None
    assert found.point["Q1", "beta"] == pytest.approx(minimum_beta("2N3904", found.value).value, rel=1e-5)
    assert found.value == pytest.approx(found.point["Q1", "beta"] * (6.0 - 0.75) / 1.05e6, rel=1e-6)


def test_the_inside_of_bounds() -> None:
    found = both(divider(), lambda s: s.nets["mid"])
    assert found.holds_inside(1.5)
    assert not found.holds_inside(1.9)


# times and other black boxes


def charging(point: Point) -> float:
    """Seconds until 100 k and 100 uF reach 4.5 V; never where the supply is too low."""
    r, c, v = point["R1", "resistance"], point["C1", "capacitance"], point["PS1", "voltage"]
    return math.inf if v <= 4.5 else r * c * math.log(v / (v - 4.5))


def times(low: float) -> tuple[Worst, ...]:
    resolved = resolve(
        circuit(
            supply("PS1", "vp", "gnd", 9.0, low=low, high=10.0),
            resistor("R1", "vp", "t", 100e3, tolerance=FIVE),
            film("C1", "t", "gnd", 100e-6, tolerance=Tolerance(-0.2, 0.2)),
        )
    )
    found = bounds_scalar(charging, parameters(resolved))
    assert found is not None
    return found


def test_a_time_is_searched_as_a_black_box() -> None:
    low, high = times(6.0)
    assert low.value == pytest.approx(95e3 * 80e-6 * math.log(10.0 / 5.5))
    assert high.value == pytest.approx(105e3 * 120e-6 * math.log(6.0 / 1.5))
    assert high.label == "PS1 6 V, R1 +5 %, C1 +20 %"
    assert (low.exact, high.exact, high.state) == (False, False, None)  # a logarithm of the supply


def test_a_time_that_never_ends_is_the_longest() -> None:
    low, high = times(4.4)
    assert math.isinf(high.value)
    assert low.value == pytest.approx(95e3 * 80e-6 * math.log(10.0 / 5.5))


def test_a_black_box_that_is_undefined_at_nominal_values_has_no_worst() -> None:
    listed = parameters(resolve(circuit(*LATCH)))
    assert worst_scalar(lambda point: None, listed, "max") is None


def test_a_thrifty_search_costs_two_calls_for_each_parameter() -> None:
    listed = parameters(resolve(circuit(*LATCH)))
    calls = []

    def f(point: Point) -> float:
        calls.append(point)
        return sum(point.values())

    found = worst_scalar(f, listed, "max", thrifty=True)
    assert found is not None
    assert found.value == pytest.approx(sum(p.high for p in listed))
    assert len(calls) <= 2 * len(listed) + 2
