"""States refined to the junction model, against an independent solver in transport form."""

from __future__ import annotations

import numpy as np
import pytest

from rules.analysis.junction.refine import NOTABLE, Refined, refine
from rules.analysis.states import State
from schemas.circuit import Circuit
from tests.builders import (
    battery,
    circuit,
    contact,
    current_source,
    diode,
    driver,
    inductor,
    led,
    npn,
    only_state,
    pnp,
    resistor,
    solve,
    supply,
    zener,
)
from tests.latch import LATCH
from tests.random_circuits import regenerative, soup
from tests.timers import garden_light, hold_on, one_shot
from tests.transport import Transport

COLD, WARM, HOT = 263.15, 298.15, 333.15


def volts(refined: Refined) -> dict[str, float]:
    return {net: value for net, value in refined.nets.items() if value is not None}


def agree(refined: Refined, oracle: Transport, within: float = 1e-6) -> None:
    """The independent solver, started at the refined voltages, finds the same point."""
    start = {net: value + 2e-3 for net, value in volts(refined).items()}
    expected = oracle.rest(start)
    for net, value in volts(refined).items():
        assert value == pytest.approx(expected[net], abs=within), net


@pytest.mark.parametrize("kelvin", [COLD, WARM, HOT])
def test_the_latch_at_three_temperatures(kelvin: float) -> None:
    """All three states stay on their branches; the saturated one does not slide to the unstable one."""
    states = {state.devices["Q1"]: refine(state, kelvin) for state in solve(circuit(*LATCH)).states}
    assert {name: refined.index for name, refined in states.items()} == {
        "off": 1,
        "active": -1,
        "saturated": 1,
    }
    for name, refined in states.items():
        assert refined.converged, refined.reason
        assert refined.devices == {"Q1": name, "Q2": name}
        agree(refined, Transport(circuit(*LATCH), kelvin))
    # computed with the independent solver of this test from 0.6 V less 2 mV/K across the junctions
    warmer = kelvin - WARM
    drop = 0.6 - 2e-3 * warmer
    start = {"out": 3.5 - 12e-3 * warmer, "b1": drop, "b2": 11.93 - drop, "c1": 10.5 + 5e-3 * warmer}
    middle = Transport(circuit(*LATCH), kelvin).rest(start)
    on = Transport(circuit(*LATCH), kelvin).rest({"out": 11.97, "b1": drop, "b2": 12.0 - drop, "c1": 0.04})
    assert volts(states["active"]) == pytest.approx(middle, abs=1e-6)
    assert volts(states["saturated"]) == pytest.approx(on, abs=1e-6)


def test_base_emitter_drops_fall_with_temperature() -> None:
    saturated = solve(circuit(*LATCH)).states[-1]
    b1 = [volts(refine(saturated, kelvin))["b1"] for kelvin in (COLD, WARM, HOT)]
    # slopes of about -1.7 mV/K for a base-emitter junction at milliamperes; common practice is -2 mV/K
    assert -2.1e-3 < (b1[1] - b1[0]) / 35.0 < -1.5e-3
    assert -2.1e-3 < (b1[2] - b1[1]) / 35.0 < -1.5e-3


def test_saturation_voltage_has_the_closed_form() -> None:
    """V_CE = V_T ln[(1/a_R + f/b_R)/(1 - f/b_F)] at a forced gain f (Ebers and Moll; from memory)."""
    for ohms in (2e3, 10e3, 40e3):
        stage = circuit(
            supply("V1", "vp", "gnd", 10.0),
            resistor("RB", "vp", "b", ohms),
            resistor("RC", "vp", "c", 1e3),
            npn("Q1", "c", "b", "gnd", 100.0),
        )
        refined = refine(only_state(stage))
        pins = refined.currents["Q1"]
        forced = pins["collector"] / pins["base"]
        expected = 0.02569258 * np.log((1.25 + forced / 4.0) / (1.0 - forced / 100.0))
        assert volts(refined)["c"] == pytest.approx(expected, abs=1e-6)


@pytest.mark.parametrize("held", [0.0, 2.0, 3.5])
def test_frozen_states_of_a_timed_latch(held: float) -> None:
    """The timed "on" of the garden light exists only while its capacitor holds a voltage."""
    found = solve(garden_light(), held={"C1": held})
    on = [state for state in found.stable if state.devices["Q2"] == "saturated"]
    assert len(on) == 1
    refined = refine(on[0])
    assert refined.converged
    assert refined.devices["Q2"] == "saturated"
    assert volts(refined)["tm"] == pytest.approx(held, abs=1e-9)
    agree(refined, Transport(garden_light(), held={"C1": held}))
    # the saturated PNP drops 0.05 V instead of 0.2 V
    assert 0.1 < volts(refined)["out"] - (on[0].nets["out"] or 0.0) < 0.2


def test_kirchhoff_for_every_part_kind() -> None:
    """The pin currents at each net add up to zero, whatever is connected there."""
    everything = circuit(
        battery("B1", "vb", "gnd", 9.0, 2.0),
        driver("U1", "u", "gnd", 0.0, 5.0, resistance=50.0, rest="high"),
        contact("S1", "vb", "sw", rest="closed"),
        contact("S2", "sw", "lone"),
        inductor("X1", "sw", "x", 1e-3, resistance=3.0),
        resistor("R1", "x", "z", 100.0),
        zener("Z1", "gnd", "z", 5.1, resistance=7.0),
        resistor("R2", "u", "b", 47e3),
        npn("Q1", "c", "b", "gnd", 120.0),
        led("L1", "z", "la", 1.9),
        resistor("R3", "la", "c", 220.0),
        resistor("R5", "lone", "gnd", 1e5),
        pnp("Q2", "p", "c", "z", 80.0),
        resistor("R4", "p", "gnd", 1e3),
        diode("D1", "gnd", "p"),
        current_source("I1", "gnd", "p", 1e-3),
    )
    refined = refine(only_state(everything))
    assert refined.converged
    sums: dict[str, float] = {}
    for name, part in everything.parts.items():
        for pin, net in part.pins.items():
            sums[net] = sums.get(net, 0.0) + refined.currents[name][pin]
    assert sums == pytest.approx(dict.fromkeys(sums, 0.0), abs=1e-12)
    assert refined.devices["Z1"] == "breakdown"
    # 5.1 V at 5 mA with 7 ohm: the hand model says 5.1 V + 7 ohm * i, the knee takes some of it back
    amperes = refined.currents["Z1"]["cathode"]
    expected = 5.1 + 7.0 * (amperes - 5e-3) + 0.05 * np.log(amperes / 5e-3)
    assert volts(refined)["z"] == pytest.approx(expected, abs=1e-6)


def test_diodes_held_against_each_other_by_voltages_share_as_junctions_do() -> None:
    """Iterating drops cannot settle here: two unequal junctions in parallel, nothing between them."""
    pair = circuit(
        supply("V1", "vp", "gnd", 5.0),
        resistor("R1", "vp", "a", 430.0),
        diode("D1", "a", "gnd", 0.7),
        diode("D2", "a", "gnd", 0.7),
    )
    refined = refine(only_state(pair))
    assert refined.converged
    one, two = (refined.currents[name]["anode"] for name in ("D1", "D2"))
    assert one == pytest.approx(two, rel=1e-9)
    assert one == pytest.approx(5e-3, rel=0.01)


def test_a_current_mirror_copies() -> None:
    """One base-emitter voltage holds both: I2 = I1 b/(b + 2) without Early effect; from memory."""
    mirror = circuit(
        supply("V1", "vp", "gnd", 10.0),
        resistor("R1", "vp", "b", 9.1e3),
        npn("Q1", "b", "b", "gnd", 100.0),
        npn("Q2", "c", "b", "gnd", 100.0),
        resistor("R2", "vp", "c", 2.2e3),
    )
    state = solve(mirror).states[0]
    refined = refine(state)
    assert refined.converged
    reference = (10.0 - volts(refined)["b"]) / 9.1e3
    assert refined.currents["Q2"]["collector"] == pytest.approx(reference * 100.0 / 102.0, rel=1e-6)


def test_disagreement_names_the_net_that_differs_most() -> None:
    middle = next(state for state in solve(circuit(*LATCH)).states if state.index == -1)
    refined = refine(middle)
    worst = refined.disagreement
    differences = {net: value - (middle.nets[net] or 0.0) for net, value in volts(refined).items()}
    assert worst.net == max(differences, key=lambda net: abs(differences[net])) == "out"
    assert worst.volts == pytest.approx(differences["out"])
    # 0.1 V less across each junction is 0.54 V less at the output of the fence between off and on
    assert worst.notable
    assert -0.6 < worst.volts < -NOTABLE
    on = refine(next(state for state in solve(circuit(*LATCH)).states if state.devices["Q1"] == "saturated"))
    assert not on.disagreement.notable


def test_an_undefined_net_stays_undefined() -> None:
    state = only_state(
        circuit(supply("V1", "vp", "gnd", 9.0), npn("Q1", "vp", "b", "gnd", 100.0), contact("S1", "b", "vp"))
    )
    assert state.nets["b"] is None
    assert refine(state).nets["b"] is None


def test_two_leds_behind_an_open_contact() -> None:
    """Their resistors round to more than the femtoamperes that decide where such nets stand."""
    subject = circuit(
        supply("V1", "vp", "gnd", 12.0),
        contact("S1", "vp", "fed"),
        resistor("R1", "fed", "x", 680.0),
        led("D1", "x", "gnd", 2.0),
        resistor("R2", "fed", "y", 5e3),
        led("D2", "y", "gnd", 2.0),
    )
    refined = refine(only_state(subject))
    assert refined.converged
    assert refined.nets["fed"] is None
    assert refined.devices == {"D1": "off", "D2": "off"}


def test_leakage_lifts_a_base() -> None:
    """I_CBO of 100 nA at 25 degC is 1.13 uA at 60 degC: across 100 k it is 0.113 V."""
    stage = circuit(
        supply("V1", "vp", "gnd", 9.0),
        resistor("RC", "vp", "c", 1e3),
        resistor("RB", "b", "gnd", 100e3),
        npn("Q1", "c", "b", "gnd", 100.0, icbo=100e-9),
    )
    state = only_state(stage)
    assert volts(refine(state, HOT, icbo="limit"))["b"] == pytest.approx(0.1131, abs=1e-4)
    assert abs(volts(refine(state, HOT))["b"]) < 1e-6


def test_a_state_that_only_the_hand_model_has_is_said_to_be_missing() -> None:
    """Held by 0.2 V of saturation: with 0.65 V drops the off state of the emitter-coupled pair is gone."""
    state = next(s for s in solve(regenerative(128)).states if s.stable and s.devices["Q03"] == "active")
    refined = refine(state)
    assert not refined.converged
    assert refined.reason.startswith("the junction model has no state near this one")


def random_states() -> list[tuple[str, Circuit, State]]:
    made = [(f"{make.__name__} {seed}", make(seed)) for make in (soup, regenerative) for seed in range(60)]
    return [(name, subject, state) for name, subject in made for state in solve(subject).states]


def test_random_circuits_are_refined_to_points_of_rest() -> None:
    """Nearly every state has its counterpart; the signs of the counterparts add up to one (degree theory)."""
    states = random_states()
    refined = {(name, k): refine(state) for k, (name, _, state) in enumerate(states)}
    missing = [key for key, found in refined.items() if not found.converged]
    assert len(missing) <= 0.02 * len(states), missing
    for (name, k), found in refined.items():
        state = states[k][2]
        if not found.converged or state.undefined_nets or state.index is None:
            continue
        assert found.index == state.index
        by_net: dict[str, float] = {}
        for part_name, part in found.assembly.resolved.circuit.parts.items():
            for pin, net in part.pins.items():
                by_net[net] = by_net.get(net, 0.0) + found.currents[part_name][pin]
        biggest = max(abs(a) for pins in found.currents.values() for a in pins.values())
        assert max(abs(a) for a in by_net.values()) <= 1e-9 * max(biggest, 1e-6), name
    for name in {name for name, _, _ in states}:
        found_here = [(found, states[k][2]) for (n, k), found in refined.items() if n == name]
        if all(f.converged and not s.undefined_nets and s.index is not None for f, s in found_here):
            distinct = {tuple(round(v, 6) for v in f.x.tolist()): f.index for f, _ in found_here}
            assert sum(distinct.values()) == 1, name


@pytest.mark.parametrize("subject", [hold_on(), one_shot()])
def test_timers_against_the_independent_solver(subject: Circuit) -> None:
    for state in solve(subject).states:
        refined = refine(state)
        assert refined.converged
        agree(refined, Transport(subject))
