"""Stability of states: known circuits, and a generalised eigenproblem assembled independently."""

from __future__ import annotations

import random
from collections.abc import Iterator

import numpy as np
import pytest

from rules.analysis import stability
from rules.analysis.resolve import Resolved, resolve
from rules.analysis.states import State
from schemas.circuit import Circuit, Part
from tests.builders import (
    amperes,
    capacitor,
    circuit,
    coil,
    film,
    load,
    npn,
    only_state,
    pnp,
    resistor,
    solve,
    supply,
)
from tests.random_circuits import regenerative


def astable(farads: float | None) -> tuple[Part, ...]:
    """Two stages, each coupled to the other's base by a capacitor."""
    parts: list[Part] = [supply("V1", "vp", "gnd", 9.0)]
    for own, other in (("1", "2"), ("2", "1")):
        parts += [
            npn(f"Q{own}", f"c{own}", f"b{own}", "gnd", 100.0),
            resistor(f"RC{own}", "vp", f"c{own}", 1e3),
        ]
        parts += [resistor(f"RB{own}", "vp", f"b{own}", 220e3)]
        if farads is not None:
            parts += [capacitor(f"C{own}", f"c{own}", f"b{other}", farads)]
    return tuple(parts)


@pytest.mark.parametrize("farads", [1e-9, 4.7e-6, 1e-3])
def test_astable_does_not_rest(farads: float) -> None:
    state = only_state(circuit(*astable(farads)))
    assert state.devices == {"Q1": "active", "Q2": "active"}
    assert (state.index, state.stable) == (1, False)


def test_the_same_stages_without_their_coupling_rest() -> None:
    assert only_state(circuit(*astable(None))).stable


def test_one_capacitor_of_an_astable_is_not_enough() -> None:
    parts = tuple(item for item in astable(4.7e-6) if item.name != "C2")
    assert only_state(circuit(*parts)).stable


@pytest.mark.parametrize("farads", [None, 100e-12, 10e-6])
def test_a_single_stage_rests(farads: float | None) -> None:
    """A common-emitter stage with any capacitor from collector to base has one inversion and no growth."""
    parts = [
        supply("V1", "vp", "gnd", 12.0),
        resistor("R1", "vp", "b", 47e3),
        resistor("R2", "b", "gnd", 10e3),
        resistor("RC", "vp", "c", 4.7e3),
        resistor("RE", "e", "gnd", 1e3),
        npn("Q1", "c", "b", "e", 200.0),
    ]
    if farads is not None:
        parts += [film("C1", "c", "b", farads), capacitor("CE", "e", "gnd", 100e-6)]
    state = only_state(circuit(*parts))
    assert state.devices == {"Q1": "active"}
    assert state.stable


def test_follower_and_coil_rest() -> None:
    parts = (
        supply("V1", "vp", "gnd", 12.0),
        resistor("RB", "vp", "b", 47e3),
        npn("Q1", "c", "b", "gnd", 100.0),
        coil("K1", "vp", "c", 360.0, inductance=0.5),
    )
    state = only_state(circuit(*parts))
    assert state.devices == {"Q1": "active"}
    assert state.stable


def oscillator(load_ohms: float) -> tuple[Part, ...]:
    """NPN drives PNP; a capacitor returns the PNP's collector to the NPN's base."""
    return (
        supply("V1", "vp", "gnd", 3.0),
        resistor("R1", "vp", "b1", 10e6),
        npn("Q1", "c1", "b1", "gnd", 200.0),
        resistor("R2", "c1", "b2", 1e3),
        pnp("Q2", "out", "b2", "vp", 100.0),
        load("RL", "out", "gnd", load_ohms),
        resistor("RF", "out", "f", 1e3),
        film("C1", "f", "b1", 1e-6),
    )


def test_rc_oscillator_of_two_transistors() -> None:
    state = only_state(circuit(*oscillator(100.0)))
    assert state.devices == {"Q1": "active", "Q2": "active"}
    assert (state.index, state.stable) == (1, False)
    # without the way back, or with the output stage saturated at rest, it stays where it is
    cut = tuple(item for item in oscillator(100.0) if item.name != "C1")
    assert only_state(circuit(*cut)).stable
    # a load of next to nothing leaves no gain around the loop
    assert only_state(circuit(*oscillator(1e-3))).stable


def latch(*extra: Part) -> Circuit:
    return circuit(
        supply("V1", "vp", "gnd", 12.0),
        pnp("Q2", "out", "b2", "vp", 150.0),
        resistor("RB2", "vp", "b2", 4.7e3),
        resistor("R2", "b2", "c1", 4.7e3),
        npn("Q1", "c1", "b1", "gnd", 200.0),
        resistor("R3", "out", "b1", 47e3),
        resistor("RB1", "b1", "gnd", 10e3),
        load("RL", "out", "gnd", 1e3),
        *extra,
    )


@pytest.mark.parametrize("farads", [1e-9, 1e-6, 1e-3])
def test_capacitors_do_not_change_what_a_latch_holds(farads: float) -> None:
    """Off and on stay stable and the middle unstable, however large the capacitors at its nets."""
    extra = (
        capacitor("C1", "b1", "gnd", farads),
        capacitor("C2", "vp", "b2", farads),
        capacitor("C3", "out", "gnd", 10.0 * farads),
    )
    for subject in (latch(), latch(*extra)):
        found = solve(subject)
        assert {state.devices["Q2"]: state.stable for state in found.states} == {
            "off": True,
            "active": False,
            "saturated": True,
        }


# --- an independent assembly -------------------------------------------------------------------------------
# Modified nodal analysis C dx/dt + G x = 0 with the ideal sources as rows of their own, in mA, V, us, nF;
# the junction slopes come from the terminal currents reported for the state, not from the solver's unknowns.

MICROSECOND, MILLIAMPERE, NANOFARAD = 1e-6, 1e-3, 1e-9


def junction_currents(resolved: Resolved, state: State, part: Part) -> tuple[float, float]:
    """Forward and reverse junction current in A: I_B and I_E solved for i_F and i_R (Ebers and Moll)."""
    forward, reverse = resolved.beta(part.name, "typical").value, resolved.assumptions["reverse_beta"]
    sign = 1.0 if part.kind == "npn" else -1.0
    base, out = sign * amperes(state, part.name, "base"), -sign * amperes(state, part.name, "emitter")
    shares = np.array([[1.0 / (1.0 + forward), 1.0 / (1.0 + reverse)], [1.0, -reverse / (1.0 + reverse)]])
    i_forward, i_reverse = np.linalg.solve(shares, [base, out])
    return float(i_forward), float(i_reverse)


class Assembly:
    def __init__(self, resolved: Resolved, state: State) -> None:
        parts = resolved.circuit.parts.values()
        nets = [net for net in resolved.circuit.net_names if net != resolved.circuit.ground]
        sources = [part for part in parts if part.kind in ("supply", "battery", "contact")]
        self.row = {net: k for k, net in enumerate(nets)}
        size = len(nets) + len(sources)
        self.g, self.c = np.zeros((size, size)), np.zeros((size, size))
        for net in nets:
            self.c[self.row[net], self.row[net]] = stability.NODE_CAPACITANCE / NANOFARAD
        for part in parts:
            if part.kind in ("resistor", "load"):
                siemens = 1.0 / resolved.value(part.name, "resistance") / MILLIAMPERE
                self.flow(self.g, tuple(part.pins.values()), tuple(part.pins.values()), siemens)
            elif part.kind == "capacitor":
                farads = resolved.value(part.name, "capacitance")
                ends = tuple(part.pins.values())
                self.flow(self.c, ends, ends, farads / NANOFARAD)
            elif part.kind in ("npn", "pnp"):
                self.transistor(resolved, state, part)
        for k, part in enumerate(sources, start=len(nets)):
            first, second = ("a", "b") if part.kind == "contact" else ("plus", "minus")
            closed = part.kind != "contact" or part.text("rest") == "closed"
            for pin, sign in ((first, 1.0), (second, -1.0)):
                if part.pins[pin] in self.row:
                    self.g[self.row[part.pins[pin]], k] += sign
                    if closed:
                        self.g[k, self.row[part.pins[pin]]] += sign
            inner = resolved.value(part.name, "resistance") if part.kind != "contact" else 0.0
            self.g[k, k] = -inner * MILLIAMPERE if closed else 1.0

    def flow(self, matrix: np.ndarray, path: tuple[str, ...], sensed: tuple[str, ...], value: float) -> None:
        """A current value*(v(sensed0) - v(sensed1)) from path0 to path1."""
        for net, sign in ((path[0], 1.0), (path[1], -1.0)):
            for other, sensed_sign in ((sensed[0], 1.0), (sensed[1], -1.0)):
                if net in self.row and other in self.row:
                    matrix[self.row[net], self.row[other]] += sign * sensed_sign * value

    def transistor(self, resolved: Resolved, state: State, part: Part) -> None:
        """Hybrid model; a PNP has the same small-signal matrix as an NPN."""
        c, b, e = (part.pins[pin] for pin in ("collector", "base", "emitter"))
        forward, reverse = junction_currents(resolved, state, part)
        beta, back = resolved.beta(part.name, "typical").value, resolved.assumptions["reverse_beta"]
        for junction, gain, end, far, static, transit in (
            (forward, beta, e, c, stability.EMITTER_CAPACITANCE, stability.FORWARD_TRANSIT),
            (reverse, back, c, e, stability.COLLECTOR_CAPACITANCE, stability.REVERSE_TRANSIT),
        ):
            slope = max(junction, 0.0) / stability.THERMAL_VOLTAGE
            self.flow(self.g, (b, end), (b, end), slope / (1.0 + gain) / MILLIAMPERE)
            self.flow(self.g, (far, end), (b, end), slope * gain / (1.0 + gain) / MILLIAMPERE)
            self.flow(self.c, (b, end), (b, end), (static + transit * slope) / NANOFARAD)

    def growth(self) -> float:
        """The largest real part of the finite eigenvalues, per microsecond, relative to that eigenvalue."""
        from scipy.linalg import eig

        pairs = eig(-self.g, self.c, right=False, homogeneous_eigvals=True)
        alpha, beta = pairs
        finite = np.abs(beta) > 1e-13 * np.abs(alpha)
        values = alpha[finite] / beta[finite]
        largest = values[np.argmax(values.real)]
        return float(largest.real / abs(largest)) if abs(largest) > 0.0 else 0.0


def with_capacitors(seed: int) -> Circuit:
    """A regenerative circuit without diodes, with random capacitors between its nets."""
    dice = random.Random(seed)
    subject = regenerative(seed, extra=1)
    nets = sorted({net for part in subject.parts.values() for net in part.pins.values()})
    kept = [part for part in subject.parts.values() if part.kind not in ("diode", "led")]
    for k in range(dice.randint(0, 3)):
        a, b = dice.sample(nets, 2)
        kept.append(film(f"CX{k}", a, b, dice.choice((1e-10, 1e-9, 1e-7, 1e-6))))
    return circuit(*kept)


def cases() -> Iterator[tuple[str, Resolved, State]]:
    for seed in range(40):
        resolved = resolve(with_capacitors(seed))
        found = solve(resolved)
        for state in found.states:
            if not state.undefined_nets and state.index is not None:
                yield f"{seed}: {state.name}", resolved, state
    for subject in (
        *(circuit(*astable(farads)) for farads in (None, 1e-9, 4.7e-6)),
        *(circuit(*oscillator(ohms)) for ohms in (1e-3, 30.0, 100.0)),
        latch(),
    ):
        resolved = resolve(subject)
        for state in solve(resolved).states:
            yield state.name, resolved, state


def test_against_an_independent_eigenproblem() -> None:
    """The same verdict on every state, stable and unstable, index +1 and -1."""
    seen: dict[tuple[int | None, bool], int] = {}
    for name, resolved, state in cases():
        growth = Assembly(resolved, state).growth()
        assert abs(growth) > 1e-9, f"{name}: neither grows nor decays clearly"
        assert state.stable == (growth < 0.0), f"{name}: {growth}, index {state.index}"
        key = (state.index, state.stable)
        seen[key] = seen.get(key, 0) + 1
    assert sum(seen.values()) >= 50, seen
    assert seen[1, False] >= 3, seen
    assert seen[-1, False] >= 8, seen
    assert (-1, True) not in seen
