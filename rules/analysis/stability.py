"""Small-signal stability of a state.

The index of a state (sign of a determinant) settles it when it is -1.  When it
is +1 the state may still oscillate, so the eigenvalues of

    C dv/dt = -G v

are looked at, with the circuit's own capacitors and inductors, the junction
and diffusion capacitances and 1 pF at every node.  Junction conductances are
I/V_T of the Ebers-Moll model at the currents of the hand model.  Only the
signs of the eigenvalues are used.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from rules.analysis.elements import RESISTIVE, Array, capacitor_pins
from rules.analysis.network import Network
from rules.analysis.resolve import TRANSISTORS

THERMAL_VOLTAGE = 0.02569  # V at 25 degC, kT/q
NODE_CAPACITANCE = 1e-12  # F, strays of a hand-wired node
EMITTER_CAPACITANCE, COLLECTOR_CAPACITANCE, DIODE_CAPACITANCE = 10e-12, 4e-12, 4e-12  # F
FORWARD_TRANSIT, REVERSE_TRANSIT, DIODE_TRANSIT = 4e-10, 2e-8, 5e-9  # s
LEAK = 1e-12  # S; keeps an undefined node from making the matrix singular, signs only
GROWING = 1e-10  # of the largest eigenvalue: smaller growth is rounding


def is_stable(network: Network, inject: Array, currents: Array) -> bool:
    """True when every natural mode of the linearised circuit decays.

    ``inject`` is (nets, junctions) from :func:`network.injections`, ``currents``
    the junction currents in A.
    """
    parts = network.resolved.circuit.parts
    conducting = [j for j, current in zip(network.junctions, currents, strict=True) if current > 0.0]
    if not any(parts[junction.device].kind in TRANSISTORS for junction in conducting):
        return True  # nothing amplifies: resistors, capacitors, inductors and diodes only settle
    conductance, capacitance = _matrices(network, inject, currents)
    if conductance.size == 0:
        return True
    fast = np.linalg.eigvals(-np.linalg.solve(capacitance, conductance))
    if np.any(fast.real > GROWING * np.abs(fast).max()):
        return False
    # slow modes drown in the rounding of the fast ones; their inverses do not
    slow = np.linalg.eigvals(-np.linalg.solve(conductance, capacitance))
    size = np.abs(slow)
    clear = size > GROWING * size.max()
    return not bool(np.any(slow.real[clear] > 1e-9 * size[clear]))


def _matrices(network: Network, inject: Array, currents: Array) -> tuple[Array, Array]:
    """G and C over [independent node voltages, inductor currents]."""
    parts = network.resolved.circuit.parts
    nets = network.nets
    index = {net: k for k, net in enumerate(nets)}
    size = len(nets)
    g, c = np.eye(size) * LEAK, np.eye(size) * NODE_CAPACITANCE
    inductors: list[tuple[str, str, float, float]] = []
    tied: list[tuple[str, str]] = []

    def stamp(matrix: Array, a: str, b: str, value: float) -> None:
        ka, kb = index.get(a), index.get(b)
        for k, other in ((ka, kb), (kb, ka)):
            if k is not None:
                matrix[k, k] += value
                if other is not None:
                    matrix[k, other] -= value

    for part in parts.values():
        if part.kind in RESISTIVE and part.name not in network.held:
            ends = ("plus", "minus") if "plus" in part.pins else ("a", "b")
            a, b = part.pins[ends[0]], part.pins[ends[1]]
            resistance = network.resolved.value(part.name, "resistance")
            inductance = network.resolved.known(part.name, "inductance")
            if part.kind == "coil" and inductance is not None:
                inductors.append((a, b, inductance.value, resistance))
            else:
                stamp(g, a, b, 1.0 / resistance)
        elif part.kind == "capacitor" and part.name not in network.held:
            first, second = capacitor_pins(part)
            stamp(c, part.pins[first], part.pins[second], network.resolved.value(part.name, "capacitance"))
    for branch in (*network.branches, *network.loose):
        part = parts[branch.part]
        if part.kind == "inductor":
            inductors.append(
                (*branch.nets, network.resolved.value(part.name, "inductance"), branch.resistance)
            )
        elif branch.resistance > 0.0:
            stamp(g, *branch.nets, 1.0 / branch.resistance)
        else:
            tied.append(branch.nets)
    _junctions(network, inject, currents, g, lambda a, b, value: stamp(c, a, b, value))
    keep = _contraction(nets, network.resolved.circuit.ground, tied)
    g, c = keep.T @ g @ keep, keep.T @ c @ keep
    return _with_inductors(g, c, keep, index, inductors)


def _junctions(
    network: Network, inject: Array, currents: Array, g: Array, stamp_c: Callable[[str, str, float], None]
) -> None:
    parts = network.resolved.circuit.parts
    slopes = np.zeros(len(network.junctions))
    for k, junction in enumerate(network.junctions):
        current = float(currents[k])
        if current > 0.0:
            slopes[k] = 1.0 / (junction.resistance + THERMAL_VOLTAGE / current)
        if parts[junction.device].kind not in TRANSISTORS:
            static, transit = DIODE_CAPACITANCE, DIODE_TRANSIT
        elif junction.name == "forward":
            static, transit = EMITTER_CAPACITANCE, FORWARD_TRANSIT
        else:
            static, transit = COLLECTOR_CAPACITANCE, REVERSE_TRANSIT
        stamp_c(*junction.sense, static + transit * slopes[k])
    g -= (inject * slopes) @ network.sense


def _contraction(nets: tuple[str, ...], ground: str, tied: list[tuple[str, str]]) -> Array:
    """(nets, independent nets) 0/1: nets tied by ideal branches move together, those on ground not at all."""
    leader = {net: net for net in (*nets, ground)}

    def find(net: str) -> str:
        while leader[net] != net:
            net = leader[net]
        return net

    for a, b in tied:
        root_a, root_b = find(a), find(b)
        if root_a != root_b:
            keep, drop = (
                (root_a, root_b)
                if root_a == ground or (root_b != ground and root_a < root_b)
                else (root_b, root_a)
            )
            leader[drop] = keep
    roots = sorted({find(net) for net in nets} - {find(ground)})
    column = {root: k for k, root in enumerate(roots)}
    result = np.zeros((len(nets), len(roots)))
    for row, net in enumerate(nets):
        k = column.get(find(net))
        if k is not None:
            result[row, k] = 1.0
    return result


def _with_inductors(
    g: Array, c: Array, keep: Array, index: dict[str, int], inductors: list[tuple[str, str, float, float]]
) -> tuple[Array, Array]:
    count = len(inductors)
    if count == 0:
        return g, c
    size = g.shape[0]
    incidence = np.zeros((keep.shape[0], count))
    for k, (a, b, _, _) in enumerate(inductors):
        for net, sign in ((a, 1.0), (b, -1.0)):
            if net in index:
                incidence[index[net], k] += sign
    tied = keep.T @ incidence
    big_g, big_c = np.zeros((size + count, size + count)), np.zeros((size + count, size + count))
    big_g[:size, :size], big_c[:size, :size] = g, c
    big_g[:size, size:], big_g[size:, :size] = tied, -tied.T
    for k, (_, _, inductance, resistance) in enumerate(inductors):
        big_g[size + k, size + k], big_c[size + k, size + k] = max(resistance, 1e-9), inductance
    return big_g, big_c
