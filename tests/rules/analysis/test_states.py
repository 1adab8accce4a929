"""All DC states of known circuits: regenerative, floating, coupled, contradictory, extreme."""

from __future__ import annotations

from collections.abc import Mapping

import pytest

from rules.analysis.states import State
from schemas.circuit import Part
from tests.builders import (
    amperes,
    capacitor,
    circuit,
    coil,
    contact,
    current_source,
    diode,
    film,
    inductor,
    led,
    npn,
    only_state,
    pnp,
    resistor,
    solve,
    supply,
    volts,
    zener,
)
from tests.latch import LATCH, regions, sound, to_digits, without

# --- the PNP/NPN latch -------------------------------------------------------------------------------------

# Own computation (closed forms of each mode, checked by hand): nets in V, then I_B and I_C of Q1 and Q2 in A.
LATCH_STATES: Mapping[tuple[str, str], tuple[int, bool, tuple[str, ...]]] = {
    ("off", "off"): (1, True, ("0", "12", "12", "0", "0", "0", "0", "0")),
    ("active", "active"): (
        -1,
        False,
        ("4.031", "11.3", "10.47", "0.7", "8.814e-07", "0.0001763", "2.735e-05", "0.004102"),
    ),
    ("saturated", "saturated"): (
        1,
        True,
        ("11.8", "11.3", "0.2", "0.7", "0.0001662", "0.002362", "0.002213", "0.01204"),
    ),
}


def test_latch_has_exactly_three_states() -> None:
    found = sound(solve(circuit(*LATCH)))
    assert found.complete, found.reason
    by_region = regions(found)
    assert set(by_region) == set(LATCH_STATES)
    for key, (index, stable, numbers) in LATCH_STATES.items():
        state = by_region[key]
        seen = [volts(state, net) for net in ("out", "b2", "c1", "b1")]
        seen += [abs(amperes(state, q, pin)) for q in ("Q1", "Q2") for pin in ("base", "collector")]
        assert tuple(to_digits(value) for value in seen) == numbers
        assert (state.index, state.stable) == (index, stable)
    assert sum(state.index or 0 for state in found.states) == 1


def test_middle_state_of_the_latch_in_closed_form() -> None:
    """I_B1 (b1 b2 - 1 - R3/RL) = b2 V/RB2 + V/RL + (1 + R3/RL) V/RB1: own derivation from KCL."""
    middle = regions(solve(circuit(*LATCH)))["active", "active"]
    right = 150.0 * 0.7 / 4.7e3 + 0.7 / 1e3 + 48.0 * 0.7 / 10e3
    assert amperes(middle, "Q1", "base") == pytest.approx(right / (200.0 * 150.0 - 48.0), rel=1e-9)


@pytest.mark.parametrize(("gain", "count"), [(6.9, 1), (7.2, 1), (30.0, 3), (100.0, 3)])
def test_latch_needs_loop_gain(gain: float, count: int) -> None:
    """With beta1*beta2 <= 1 + R3/RL (gains of 6.93) nothing holds; just above, the rail is still too low."""
    parts = (
        *without(LATCH, "Q1", "Q2"),
        npn("Q1", "c1", "b1", "gnd", gain),
        pnp("Q2", "out", "b2", "vp", gain),
    )
    found = sound(solve(circuit(*parts)))
    assert found.complete
    assert len(found.states) == count
    assert sum(state.index or 0 for state in found.states) == 1


def test_latch_without_bleeds_has_undefined_nets() -> None:
    """Nothing defines the bases of an unfenced latch that is off: they are undefined, not some number."""
    found = sound(solve(circuit(*without(LATCH, "RB1", "RB2"))))
    assert found.complete
    off = regions(found)["off", "off"]
    assert off.undefined_nets == ("b2", "c1")
    assert off.nets["out"] == off.nets["b1"] == 0.0
    assert all(current == 0.0 for pins in off.currents.values() for current in pins.values())
    adrift = only_off(circuit_parts=without(LATCH, "RB1", "RB2", "RL"))
    assert set(adrift.undefined_nets) == {"b1", "b2", "c1", "out"}


def only_off(circuit_parts: tuple[Part, ...]) -> State:
    found = sound(solve(circuit(*circuit_parts)))
    (off,) = (state for state in found.states if set(state.devices.values()) == {"off"})
    return off


def test_floating_base_is_undefined() -> None:
    stage = (
        supply("V1", "vp", "gnd", 5.0),
        npn("Q1", "c", "b", "gnd", 100.0),
        resistor("RC", "vp", "c", 1e3),
    )
    for parts in (stage, (*stage, film("C1", "vp", "b", 1e-7))):
        state = only_state(circuit(*parts))
        assert state.devices == {"Q1": "off"}
        assert state.nets["b"] is None
        assert state.nets["c"] == 5.0
        assert amperes(state, "Q1", "collector") == 0.0


# --- regenerative pairs and coupled pairs ------------------------------------------------------------------


def cross_coupled(*, capacitors: bool) -> tuple[Part, ...]:
    """Coupled by 22 k resistors with bleeds, or by capacitors with 47 k from the supply to each base."""
    parts: list[Part] = [supply("V1", "vp", "gnd", 9.0)]
    for own, other in (("1", "2"), ("2", "1")):
        parts += [
            npn(f"Q{own}", f"c{own}", f"b{own}", "gnd", 100.0),
            resistor(f"RC{own}", "vp", f"c{own}", 1e3),
        ]
        if capacitors:
            parts += [resistor(f"RB{own}", "vp", f"b{own}", 47e3)]
            parts += [capacitor(f"C{own}", f"c{own}", f"b{other}", 10e-6)]
        else:
            parts += [resistor(f"RX{own}", f"c{own}", f"b{other}", 22e3)]
            parts += [resistor(f"RB{own}", f"b{own}", "gnd", 10e3)]
    return tuple(parts)


def test_cross_coupled_bistable() -> None:
    found = sound(solve(circuit(*cross_coupled(capacitors=False))))
    assert found.complete
    by_region = regions(found)
    assert set(by_region) == {("off", "saturated"), ("saturated", "off"), ("active", "active")}
    assert {key: state.stable for key, state in by_region.items()} == {
        ("off", "saturated"): True,
        ("saturated", "off"): True,
        ("active", "active"): False,
    }
    assert by_region["active", "active"].index == -1
    left, right = by_region["off", "saturated"], by_region["saturated", "off"]
    assert volts(left, "c1") == pytest.approx(volts(right, "c2"), rel=1e-12)
    # c1 of the off side: 9 V through 1 k and 22 k into a base at 0.7 V
    assert volts(left, "c1") == pytest.approx(9.0 - 8.3 / 23.0, rel=1e-9)


def test_astable_has_one_dc_state_that_is_not_stable() -> None:
    """The sign of the determinant is +1; only the eigenvalues with the capacitors show that it oscillates."""
    found = sound(solve(circuit(*cross_coupled(capacitors=True))))
    assert found.complete
    (state,) = found.states
    assert (state.index, state.stable) == (1, False)
    assert found.stable == ()
    assert state.name.endswith("(unstable)")


def test_equal_junctions_share_equally() -> None:
    pair = (
        supply("VP", "vp", "gnd", 15.0),
        supply("VN", "gnd", "vn", 15.0),
        npn("Q1", "c1", "gnd", "e", 100.0),
        npn("Q2", "c2", "gnd", "e", 100.0),
        resistor("RE", "e", "vn", 7.5e3),
        resistor("RC1", "vp", "c1", 5e3),
        resistor("RC2", "vp", "c2", 5e3),
    )
    found = sound(solve(circuit(*pair)))
    (state,) = found.states
    half = 14.3 / 7.5e3 / 2.0
    assert -amperes(state, "Q1", "emitter") == pytest.approx(half, rel=1e-9)
    assert -amperes(state, "Q2", "emitter") == pytest.approx(half, rel=1e-9)
    assert volts(state, "c1") == pytest.approx(15.0 - 5e3 * half * 100.0 / 101.0, rel=1e-9)


def test_current_mirror() -> None:
    """I_out = I_ref beta/(beta + 2): own derivation from equal base currents."""
    mirror = (
        supply("V1", "vp", "gnd", 5.0),
        resistor("R1", "vp", "r", 4.3e3),
        npn("Q1", "r", "r", "gnd", 100.0),
        npn("Q2", "o", "r", "gnd", 100.0),
        resistor("R2", "vp", "o", 1e3),
    )
    found = sound(solve(circuit(*mirror)))
    (state,) = found.states
    assert amperes(state, "Q2", "collector") == pytest.approx(1e-3 * 100.0 / 102.0, rel=1e-9)


def test_darlington() -> None:
    parts = (
        supply("V1", "vp", "gnd", 12.0),
        resistor("R1", "vp", "b1", 1e6),
        npn("Q1", "c", "b1", "b2", 100.0),
        npn("Q2", "c", "b2", "gnd", 50.0),
        resistor("RC", "vp", "c", 100.0),
    )
    found = sound(solve(circuit(*parts)))
    (state,) = found.states
    assert state.devices == {"Q1": "active", "Q2": "active"}
    base = (12.0 - 1.4) / 1e6
    collector = base * (100.0 + 50.0 * 101.0)
    assert -amperes(state, "RC", "b") == pytest.approx(collector, rel=1e-9)
    # less collector resistance leaves it active; more saturates the first transistor only: V_CE 0.9 V
    (deep,) = sound(solve(circuit(*without(parts, "RC"), resistor("RC", "vp", "c", 1e3)))).states
    assert deep.devices == {"Q1": "saturated", "Q2": "active"}
    assert volts(deep, "c") == pytest.approx(0.9, abs=1e-9)


# --- diodes ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("rail", "region", "at"),
    [(12.0, "breakdown", 5.1 + 6.9 / 1.02 * 0.02), (4.0, "off", 4.0), (-6.0, "on", -0.7)],
)
def test_zener(rail: float, region: str, at: float) -> None:
    """Breakdown behind its 20 ohm slope, off in between, forward like a diode."""
    parts = (
        supply("V1", "vp", "gnd", rail),
        resistor("R1", "vp", "z", 1e3),
        zener("Z1", "gnd", "z", 5.1, resistance=20.0),
    )
    (state,) = sound(solve(circuit(*parts))).states
    assert state.devices == {"Z1": region}
    assert volts(state, "z") == pytest.approx(at, rel=1e-9)


@pytest.mark.parametrize(("rail", "lit"), [(12.0, True), (5.0, False)])
def test_led_string(rail: float, lit: bool) -> None:
    """Three LEDs of 2 V: lit with 6 V to spare, dark below; between dark LEDs nothing defines the voltage."""
    parts = (
        supply("V1", "vp", "gnd", rail),
        resistor("R1", "vp", "a", 470.0),
        led("D1", "a", "b"),
        led("D2", "b", "c"),
        led("D3", "c", "gnd"),
    )
    (state,) = sound(solve(circuit(*parts))).states
    if lit:
        assert set(state.devices.values()) == {"on"}
        assert amperes(state, "D2", "anode") == pytest.approx(6.0 / 470.0, rel=1e-9)
    else:
        assert set(state.devices.values()) == {"off"}
        assert state.undefined_nets == ("b", "c")
        assert volts(state, "a") == 5.0


@pytest.mark.parametrize(("rail", "conducting"), [(12.0, {"D1", "D4"}), (-12.0, {"D2", "D3"}), (1.0, set())])
def test_bridge_rectifier(rail: float, conducting: set[str]) -> None:
    parts = (
        supply("V1", "p", "q", rail),
        diode("D1", "p", "u"),
        diode("D2", "q", "u"),
        diode("D3", "n", "p"),
        diode("D4", "n", "q"),
        resistor("RL", "u", "n", 1e3),
        resistor("RG", "n", "gnd", 1e6),
    )
    (state,) = sound(solve(circuit(*parts))).states
    assert {name for name, region in state.devices.items() if region == "on"} == conducting
    expected = max(0.0, abs(rail) - 1.4) / 1e3
    assert amperes(state, "RL", "a") == pytest.approx(expected, rel=1e-9)


# --- arrangements without an answer ------------------------------------------------------------------------


def fault(*parts: Part, **positions: str) -> tuple[str, tuple[str, ...]]:
    found = solve(circuit(*parts), **positions)
    assert found.states == ()
    assert not found.complete
    (one,) = found.faults
    assert found.reason == one.message
    return one.kind, one.parts


def test_ideal_diode_across_an_ideal_source() -> None:
    assert fault(supply("V1", "vp", "gnd", 5.0), diode("D1", "vp", "gnd")) == ("supply-short", ("D1",))
    # reversed it blocks; with source resistance the current is limited
    reversed_ = only_state(circuit(supply("V1", "vp", "gnd", 5.0), diode("D1", "gnd", "vp")))
    assert reversed_.devices == {"D1": "off"}
    limited = only_state(circuit(supply("V1", "vp", "gnd", 5.0, 1.0), diode("D1", "vp", "gnd")))
    assert amperes(limited, "D1", "anode") == pytest.approx(4.3, rel=1e-9)


def test_chain_of_ideal_junctions_across_an_ideal_source() -> None:
    kind, parts = fault(supply("V1", "vp", "gnd", 5.0), led("D1", "vp", "m"), diode("D2", "m", "gnd"))
    assert (kind, parts) == ("supply-short", ("D1", "D2"))


def test_supply_shorted_by_a_contact_only_where_it_is_closed() -> None:
    parts = (supply("V1", "vp", "gnd", 5.0), contact("S1", "vp", "gnd"), resistor("R1", "vp", "gnd", 1e3))
    state = only_state(circuit(*parts))
    assert amperes(state, "R1", "a") == pytest.approx(5e-3, rel=1e-12)
    assert fault(*parts, S1="closed") == ("supply-short", ("S1", "V1"))


def test_contradictory_sources() -> None:
    parts = (supply("V1", "vp", "gnd", 5.0), supply("V2", "vp", "gnd", 6.0), resistor("R1", "vp", "gnd", 1e3))
    assert fault(*parts) == ("source-loop", ("V1", "V2"))
    # three in a loop that does not add up
    loop = (
        supply("V1", "a", "gnd", 5.0),
        supply("V2", "b", "a", 3.0),
        supply("V3", "b", "gnd", 7.0),
        resistor("R1", "b", "gnd", 1e3),
    )
    assert fault(*loop) == ("source-loop", ("V1", "V2", "V3"))


def test_equal_sources_in_parallel_share_an_undefined_current() -> None:
    parts = (supply("V1", "vp", "gnd", 5.0), supply("V2", "vp", "gnd", 5.0), resistor("R1", "vp", "gnd", 1e3))
    state = only_state(circuit(*parts))
    assert volts(state, "vp") == 5.0
    assert state.currents["V1"]["plus"] is None
    assert state.currents["V2"]["plus"] is None
    assert state.power["V1"] is None


def test_nets_between_capacitors_are_undefined() -> None:
    parts = (supply("V1", "vp", "gnd", 5.0), film("C1", "vp", "x", 1e-6), film("C2", "x", "gnd", 1e-6))
    state = only_state(circuit(*parts))
    assert state.nets["x"] is None
    assert amperes(state, "C1", "a") == 0.0


def test_current_source_into_nothing() -> None:
    assert fault(current_source("I1", "gnd", "x", 1e-3), film("C1", "x", "gnd", 1e-6)) == (
        "no-dc-path",
        ("I1",),
    )


def test_current_source_against_a_blocking_diode() -> None:
    kind, parts = fault(current_source("I1", "gnd", "x", 1e-3), diode("D1", "gnd", "x"))
    assert kind == "no-state"
    assert parts == ("D1",)


def test_parallel_closed_contacts_share_an_undefined_current() -> None:
    parts = (
        supply("V1", "vp", "gnd", 5.0),
        contact("S1", "vp", "x", "closed"),
        contact("S2", "vp", "x", "closed"),
        resistor("R1", "x", "gnd", 1e3),
    )
    state = only_state(circuit(*parts))
    assert state.currents["S1"] == {"a": None, "b": None}
    assert state.currents["S2"] == {"a": None, "b": None}
    assert state.power["S1"] == 0.0
    assert amperes(state, "R1", "a") == pytest.approx(5e-3, rel=1e-12)
    alone = only_state(circuit(*parts), S2="open")
    assert amperes(alone, "S1", "a") == pytest.approx(5e-3, rel=1e-12)
    assert amperes(alone, "S2", "a") == 0.0


def test_coils_and_inductors_carry_dc() -> None:
    parts = (
        supply("V1", "vp", "gnd", 12.0),
        coil("K1", "vp", "c", 360.0, inductance=0.5),
        inductor("L1", "c", "m", 1e-3),
        resistor("R1", "m", "gnd", 240.0),
    )
    state = only_state(circuit(*parts))
    assert amperes(state, "K1", "plus") == pytest.approx(0.02, rel=1e-12)
    assert amperes(state, "L1", "a") == pytest.approx(0.02, rel=1e-12)
    assert volts(state, "c") == volts(state, "m")


def test_step_budget() -> None:
    """Too few steps: the states found so far, and said to be incomplete with the reason."""
    parts: list[Part] = [supply("V1", "vp", "gnd", 9.0, 1.0)]
    for k in range(8):  # too many junctions to try every mode
        parts += [npn(f"Q{k}", f"c{k}", f"b{k}", "gnd", 100.0), resistor(f"RC{k}", "vp", f"c{k}", 1e3)]
        parts += [resistor(f"RX{k}", f"c{k}", f"b{(k + 1) % 8}", 22e3)]
        parts += [resistor(f"RB{k}", f"b{k}", "gnd", 10e3)]
    small = solve(circuit(*parts), step_budget=2)
    assert not small.complete
    assert "2 steps" in small.reason
    whole = sound(solve(circuit(*parts)))
    assert whole.complete, whole.reason
    assert whole.reason == ""
    assert {tuple(s.devices.items()) for s in small.states} <= {
        tuple(s.devices.items()) for s in whole.states
    }
    assert sum(state.index or 0 for state in whole.states) == 1
