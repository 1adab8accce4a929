"""Growing modes, against the closed condition, an argument count, and the stability of the hand model."""

from __future__ import annotations

import numpy as np
import pytest

from rules.analysis.elements import Array
from rules.analysis.junction.refine import Refined, refine
from rules.analysis.junction.small_signal import eigenvalues, small_signal
from schemas.circuit import Circuit
from tests.builders import capacitor, circuit, coil, film, inductor, npn, only_state, resistor, solve, supply
from tests.latch import LATCH
from tests.rules.analysis.test_stability import with_capacitors
from tests.timers import blinker, garden_light, one_shot


def cross_coupled(base: float, farads: float | None = 4.7e-6, beta: float = 200.0) -> Circuit:
    """Two stages with 1 k collectors at 9 V, each coupled to the other's base."""
    parts = [supply("V1", "vp", "gnd", 9.0)]
    for own, other in (("1", "2"), ("2", "1")):
        parts += [
            npn(f"Q{own}", f"c{own}", f"b{own}", "gnd", beta),
            resistor(f"RC{own}", "vp", f"c{own}", 1e3),
            resistor(f"RB{own}", "vp", f"b{own}", base),
        ]
        if farads is not None:
            parts.append(capacitor(f"C{own}", f"c{own}", f"b{other}", farads))
    return circuit(*parts)


def forced(refined: Refined) -> float:
    pins = refined.currents["Q1"]
    return pins["collector"] / pins["base"]


def test_a_saturated_pair_has_loop_gain_from_a_forced_gain_of_about_six() -> None:
    """Both transistors saturated at rest: stable at a forced gain of 5.98, two growing modes at 6.62.

    On paper a saturated stage amplifies nothing.  With exponential junctions the loop gain passes 1 where
    exp(-V_CE/V_T) = 1/(2 + 4/b_R), that is (1.25 + f/4)/(1 - f/150) = 3 at b_R 4: f = 6.48.
    """
    growing = {}
    for wanted in (5.98, 6.62, 8.0):
        # the base resistor that gives this forced gain, with 0.033 V and 0.73 V across Q1
        base = wanted * 1e3 * (9.0 - 0.7276) / (9.0 - 0.033)
        state = only_state(cross_coupled(base, beta=150.0))
        assert state.devices == {"Q1": "saturated", "Q2": "saturated"}
        refined = refine(state)
        assert refined.index == 1
        assert forced(refined) == pytest.approx(wanted, rel=2e-3)
        growing[wanted] = small_signal(refined).growing
    assert growing == {5.98: 0, 6.62: 2, 8.0: 2}


@pytest.mark.parametrize("farads", [1e-9, 4.7e-6, 1e-3])
@pytest.mark.parametrize("base", [47e3, 220e3, 1e6])
def test_an_astable_is_seen_to_oscillate(base: float, farads: float) -> None:
    """Its one state has index +1, saturated or active; only capacitors in the linearisation tell."""
    state = only_state(cross_coupled(base, farads, 100.0))
    refined = refine(state)
    assert (state.index, refined.index) == (1, 1)
    assert small_signal(refined).growing == 2
    assert not state.stable
    bare = only_state(cross_coupled(base, None, 100.0))
    assert small_signal(refine(bare)).stable
    assert bare.stable


def test_three_states_of_the_latch() -> None:
    growing = {s.devices["Q1"]: small_signal(refine(s)).growing for s in solve(circuit(*LATCH)).states}
    assert growing == {"off": 0, "active": 1, "saturated": 0}


def test_natural_modes_of_passive_circuits() -> None:
    """R C alone decays with 1/(R C); a coil through a resistor with R/L."""
    low_pass = circuit(
        supply("V1", "vp", "gnd", 5.0), resistor("R1", "vp", "a", 10e3), film("C1", "a", "gnd", 1e-6)
    )
    slowest = small_signal(refine(only_state(low_pass))).fastest_growth
    assert slowest == pytest.approx(-100.0, rel=1e-5)  # strays of 1 pF beside 1 uF
    winding = circuit(
        supply("V1", "vp", "gnd", 5.0),
        resistor("R1", "vp", "a", 200.0),
        coil("K1", "a", "gnd", 100.0, inductance=0.3),
    )
    assert small_signal(refine(only_state(winding))).fastest_growth == pytest.approx(-1000.0, rel=1e-4)
    ring = circuit(
        supply("V1", "vp", "gnd", 5.0),
        resistor("R1", "vp", "a", 1e6),
        inductor("X1", "a", "b", 1e-3, resistance=1.0),
        film("C1", "b", "gnd", 1e-6),
    )
    # nothing but 1 Mohm feeds the 1 uF behind the coil
    assert small_signal(refine(only_state(ring))).fastest_growth == pytest.approx(-1.0, rel=1e-3)


def right_half_plane(conductance: Array, capacitance: Array) -> int:
    """Growing modes by the argument principle: the phase of det(jw C + G) from w = 0 to far beyond all modes.

    A polynomial of degree n with p zeros to the right turns by (n - 2 p) quarter turns.
    """
    scale = 1.0 / np.abs(conductance).max(axis=1)
    omega = np.geomspace(1e-6, 1e22, 20_000)
    g, c = scale[:, None] * conductance, scale[:, None] * capacitance
    chunks = np.array_split(omega, 20)
    phase = [np.linalg.slogdet(1j * chunk[:, None, None] * c + g)[0] for chunk in chunks]
    turns = np.unwrap(np.angle(np.concatenate(phase)))
    degree = int(np.count_nonzero(np.any(capacitance != 0.0, axis=1)))
    quarter_turns = (turns[-1] - turns[0]) / (np.pi / 2.0)
    assert quarter_turns == pytest.approx(round(quarter_turns), abs=0.02)
    zeros = (degree - round(quarter_turns)) / 2
    assert zeros == int(zeros)
    return int(zeros)


def counted() -> list[tuple[str, Refined]]:
    subjects = [with_capacitors(seed) for seed in range(30)]
    subjects += [cross_coupled(base, 4.7e-6) for base in (4.5e3, 47e3, 470e3)]
    subjects += [circuit(*LATCH), blinker(), one_shot(), garden_light()]
    found = []
    for subject in subjects:
        for state in solve(subject).states:
            refined = refine(state)
            if refined.converged and not state.undefined_nets:
                found.append((f"{subject.name}: {state.name}", refined))
    return found


def test_growing_modes_against_the_argument_of_the_determinant() -> None:
    seen: dict[int, int] = {}
    for name, refined in counted():
        growing = small_signal(refined).growing
        _, conductance = refined.assembly.balance(refined.x)
        _, capacitance = refined.assembly.charge(refined.x)
        assert growing == right_half_plane(conductance, capacitance), name
        assert growing % 2 == (1 if refined.index == -1 else 0), name
        seen[growing] = seen.get(growing, 0) + 1
    assert seen[0] >= 20
    assert seen[1] >= 8
    assert seen[2] >= 3


def test_the_hand_model_judges_stability_as_the_junction_model_does() -> None:
    """On 120 random circuits with capacitors; where a blocking junction is within 0.2 V of conducting
    the hand model may miss a loop that closes through it."""
    different = []
    count = 0
    for seed in range(120):
        for state in solve(with_capacitors(seed)).states:
            refined = refine(state)
            if not refined.converged:
                continue
            count += 1
            if small_signal(refined).stable != state.stable:
                different.append(seed)
                assert dict(refined.devices) != dict(state.devices), seed
    assert count > 200
    assert len(different) <= 0.01 * count


def test_eigenvalues_over_twenty_decades() -> None:
    """A chain of stages that each drive the next one: triangular, so its modes are on the diagonal."""
    rates = np.array([1e-6, 3.0, -2e4, 5e9, 1e14])
    farads = np.array([1e-3, 1e-6, 1e-9, 1e-12, 1e-12])
    conductance = np.diag(rates * farads)
    for k in range(4):
        conductance[k + 1, k] = 0.3 * abs(conductance[k + 1, k + 1])
    found = np.sort(eigenvalues(conductance, np.diag(farads)).real)
    assert found == pytest.approx(np.sort(-rates), rel=1e-6)
