"""The linear part of a circuit in one configuration, eliminated once.

Nodes joined by resistive parts or sources form islands; an island without the
reference net has a free potential, which stays an unknown of its own (never an
artificial leak).  What is left for the search is the mixed problem

    s = q + M i + W y,   0 = c + S i,   0 <= i  perpendicular to  s >= 0

with one ``i`` (A) and ``s`` (V) per ideal junction and one ``y`` (V) per island.
Formulation: complementarity form of the piecewise-linear Ebers-Moll transistor.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import numpy as np

from rules.analysis.elements import (
    COILS,
    RESISTIVE,
    TERMINALS,
    Array,
    Branch,
    Configuration,
    Fault,
    Junction,
    branches_of,
    coil_pins,
    junction_terminal_currents,
    junctions_of,
)
from rules.analysis.elimination import network_inverse
from rules.analysis.loops import components, independent
from rules.analysis.resolve import TRANSISTORS, Resolved


@dataclass(frozen=True, eq=False)
class Network:
    """The eliminated linear network; arrays are ordered by ``nets``, ``branches`` and ``junctions``.

    ``inverse`` maps injections (A per net, V per branch) to node voltages (V)
    and branch currents (A), each island seen from its own datum net.
    """

    resolved: Resolved
    configuration: Configuration
    held: Mapping[str, float]
    nets: tuple[str, ...]  # without the reference net
    branches: tuple[Branch, ...]
    loose: tuple[Branch, ...]  # redundant ideal branches: their own current is not determined
    loop_parts: tuple[str, ...]  # every part whose current a redundant loop leaves open
    junctions: tuple[Junction, ...]
    islands: tuple[tuple[str, ...], ...]  # islands that a junction reaches
    adrift: tuple[str, ...]  # nets that nothing but capacitors or a single pin reaches
    inverse: Array
    injection: Array  # fixed current sources, A per net
    sense: Array  # (junctions, nets)
    faults: tuple[Fault, ...]
    problems: dict[object, object] = field(default_factory=dict, init=False, repr=False)
    """The last few complementarity problems of it, by gains."""
    solved: dict[object, tuple[Any, ...]] = field(default_factory=dict, init=False, repr=False)
    """Solutions found in a batch with other networks, by gains (:mod:`rules.analysis.complementarity`)."""

    def source_vector(self) -> Array:
        """Right side of the nodal equations: injections (A), then branch voltages (V)."""
        return np.concatenate([self.injection, np.array([b.voltage for b in self.branches])])

    def drops(self) -> Array:
        return np.array([junction.drop for junction in self.junctions])

    @cached_property
    def places(self) -> tuple[tuple[str, Mapping[str, int]], ...]:
        """Each device, sorted, with the numbers of its junctions by name."""
        found: dict[str, dict[str, int]] = {}
        for k, junction in enumerate(self.junctions):
            found.setdefault(junction.device, {})[junction.name] = k
        return tuple(sorted(found.items()))

    @cached_property
    def island_map(self) -> Array:
        """(nets, islands) 0/1: which net floats with which island."""
        index = {net: k for k, net in enumerate(self.nets)}
        result = np.zeros((len(self.nets), len(self.islands)))
        for k, island in enumerate(self.islands):
            result[[index[net] for net in island], k] = 1.0
        return result

    @cached_property
    def injection_parts(self) -> tuple[Array, Array]:
        """Injections as ``fixed + varying * r`` with r = 1/(1+gain) of each junction (nets, junctions).

        Ebers-Moll in junction currents: I_B = (1-aF) iF + (1-aR) iR,
        I_C = aF iF - iR, I_E = iF - aR iR.
        """
        index = {net: k for k, net in enumerate(self.nets)}
        fixed, varying = np.zeros(self.sense.shape[::-1]), np.zeros(self.sense.shape[::-1])
        parts = self.resolved.circuit.parts
        for column, junction in enumerate(self.junctions):
            part = parts[junction.device]
            if part.kind not in TRANSISTORS:
                for net, current in zip(junction.sense, (-1.0, 1.0), strict=True):
                    if net in index:
                        fixed[index[net], column] += current
                continue
            sign = -1.0 if part.kind == "pnp" else 1.0
            for pin, (constant, share) in TERMINALS[junction.name].items():
                net = part.pins[pin]
                if net in index:
                    fixed[index[net], column] -= sign * constant
                    varying[index[net], column] -= sign * share
        return fixed, varying

    @cached_property
    def reduced(self) -> tuple[Array, Array, Array, Array]:
        """(rest, q, M of the fixed part, M of the varying part); see :meth:`injection_parts`."""
        size = len(self.nets)
        rest = self.inverse @ self.source_vector()
        seen = self.sense @ self.inverse[:size, :size]
        fixed, varying = self.injection_parts
        resistance = np.array([junction.resistance for junction in self.junctions])
        return (
            rest,
            self.drops() - self.sense @ rest[:size],
            np.diag(resistance) - self._response(seen, fixed),
            -self._response(seen, varying),
        )

    @cached_property
    def _magnitudes(self) -> tuple[Array, float]:
        """What each junction sees per injection if nothing cancelled, and the largest response of all."""
        size = len(self.nets)
        inverse = np.abs(self.inverse[:size, :size])
        return np.abs(self.sense) @ inverse, float(inverse.max(initial=0.0))

    def _response(self, seen: Array, injected: Array) -> Array:
        """seen @ injected (V per A), with what is only rounding set to zero.

        A junction bridged by an ideal branch sees nothing; left as rounding it would pass for a tiny
        resistance and carry absurd currents.
        """
        magnitudes, largest = self._magnitudes
        product = seen @ injected
        terms = magnitudes @ np.abs(injected)
        return np.where(np.abs(product) <= 1e-13 * terms + 1e-16 * largest, 0.0, product)

    @cached_property
    def reach(self) -> Array:
        """How far apart, in V, the two ends of a blocking junction can ever be, plus its drop.

        The highest net of a circuit without current sources can only be fed by a
        source: every resistor and junction takes current from it, but for the
        reverse region of the hand model, which may lift a net by vce_sat.  So no net
        lies further from the reference than the sum of all source voltages plus
        vce_sat for each transistor.  Floating nets have no such bound.
        """
        if np.any(self.injection != 0.0):
            return np.full(len(self.junctions), np.inf)
        transistors = sum(junction.name == "forward" for junction in self.junctions)
        span = sum(abs(branch.voltage) for branch in self.branches)
        span += abs(self.resolved.assumptions["vce_sat"]) * transistors
        floating = {net for island in self.islands for net in island}
        return np.array(
            [
                np.inf if floating & set(junction.sense) else junction.drop + 2.0 * span
                for junction in self.junctions
            ]
        )

    def equations(self, betas: Mapping[str, float]) -> tuple[Array, Array]:
        """The whole mixed problem as (G, h): rows s = G z + h of the junctions, then the islands."""
        _, q, fixed, varying = self.reduced
        shares = self.shares(betas)
        m = fixed + varying * shares
        if not self.islands:
            return m, q
        islands, (constant, changing) = self.island_map, self.injection_parts
        balance = islands.T @ (constant + changing * shares)
        empty = np.zeros((len(self.islands), len(self.islands)))
        g = np.block([[m, -self.sense @ islands], [balance, empty]])
        return g, np.concatenate([q, islands.T @ self.injection])

    def shares(self, betas: Mapping[str, float]) -> Array:
        """1/(1+gain) of each junction: the forward gain, the reverse gain, or 0 for a diode."""
        reverse = 1.0 / (1.0 + self.resolved.assumptions["reverse_beta"])
        return np.array(
            [
                0.0
                if junction.device not in betas
                else 1.0 / (1.0 + betas[junction.device])
                if junction.name == "forward"
                else reverse
                for junction in self.junctions
            ]
        )


def pin_shares(network: Network, betas: Mapping[str, float], k: int) -> dict[str, float]:
    """Current into each pin of its device per ampere of junction ``k``."""
    junction = network.junctions[k]
    part = network.resolved.circuit.parts[junction.device]
    if part.kind not in TRANSISTORS:
        return {"anode": 1.0, "cathode": -1.0} if junction.name == "on" else {"anode": -1.0, "cathode": 1.0}
    reverse = network.resolved.assumptions["reverse_beta"]
    shares = junction_terminal_currents(junction.name, betas[part.name], reverse)
    return shares if part.kind == "npn" else {pin: -share for pin, share in shares.items()}


def injections(network: Network, betas: Mapping[str, float]) -> Array:
    """Current that each conducting junction puts into each net, per ampere of junction current.

    Shape (nets, junctions).
    """
    fixed, varying = network.injection_parts
    return fixed + varying * network.shares(betas)


def build_network(
    resolved: Resolved, configuration: Configuration, held: Mapping[str, float] | None = None
) -> Network:
    """Eliminate the linear network of one configuration; the same question gets the same object.

    ``held`` maps capacitors to the voltage (V) they still hold, the others are open; and inductors or
    coils to the current (A, into their first pin) that they keep, the others are at rest.
    Contradictory source loops and undriven current sources become faults.
    """
    key = (configuration.key, tuple(sorted((held or {}).items())))
    made = resolved.networks.get(key)
    if not isinstance(made, Network):
        made = resolved.networks[key] = _eliminate(resolved, configuration, dict(key[1]))
    return made


def _eliminate(resolved: Resolved, configuration: Configuration, held: Mapping[str, float]) -> Network:
    circuit = resolved.circuit
    nets = tuple(net for net in circuit.net_names if net != circuit.ground)
    everything = (circuit.ground, *nets)
    faults: list[Fault] = []
    branches, loose, loop_parts = independent(
        branches_of(resolved, configuration, held), everything, resolved, faults
    )
    conductive = [
        (part.pins["plus"], part.pins["minus"]) if "plus" in part.pins else (part.pins["a"], part.pins["b"])
        for part in circuit.parts.values()
        if part.kind in RESISTIVE and part.name not in held
    ]
    groups = components(everything, [*conductive, *(branch.nets for branch in branches)])
    junctions = junctions_of(resolved)
    devices = {*(junction.device for junction in junctions), *coils_in(resolved, held)}
    touched = {net for device in devices for net in circuit.parts[device].pins.values()}
    floating = [group for group in groups if circuit.ground not in group]
    islands = tuple(group for group in floating if touched & set(group))
    adrift = tuple(sorted(net for group in floating if not touched & set(group) for net in group))
    injection = _fixed_injection(resolved, held, nets, floating, touched, faults)
    inverse = _invert(resolved, held, nets, branches, floating)
    sense = _sense(junctions, nets)
    return Network(
        resolved,
        configuration,
        held,
        nets,
        branches,
        loose,
        loop_parts,
        junctions,
        islands,
        adrift,
        inverse,
        injection,
        sense,
        tuple(faults),
    )


def coils_in(resolved: Resolved, held: Mapping[str, float]) -> tuple[str, ...]:
    """The inductors and coils among the held parts, sorted."""
    parts = resolved.circuit.parts
    return tuple(sorted(name for name in held if parts[name].kind in COILS))


def _fixed_injection(
    resolved: Resolved,
    held: Mapping[str, float],
    nets: tuple[str, ...],
    floating: list[tuple[str, ...]],
    touched: set[str],
    faults: list[Fault],
) -> Array:
    index = {net: k for k, net in enumerate(nets)}
    vector = np.zeros(len(nets))
    names: dict[str, list[str]] = {}
    for part in resolved.circuit.parts.values():
        if part.kind != "current-source":
            continue
        current = resolved.value(part.name, "current")
        for pin, sign in (("from", -1.0), ("to", 1.0)):
            net = part.pins[pin]
            if net in index:
                vector[index[net]] += sign * current
            names.setdefault(net, []).append(part.name)
    for name in coils_in(resolved, held):
        part = resolved.circuit.parts[name]
        for pin, sign in zip(coil_pins(part), (-1.0, 1.0), strict=True):
            if part.pins[pin] in index:
                vector[index[part.pins[pin]]] += sign * held[name]
    for group in floating:
        into = sum(vector[index[net]] for net in group)
        if not touched & set(group) and abs(into) > 0.0:
            parts = tuple(sorted({name for net in group for name in names.get(net, [])}))
            faults.append(
                Fault(
                    "no-dc-path",
                    parts,
                    group,
                    f"{', '.join(parts)} drives {into:.3g} A into {', '.join(group)}, "
                    "which has no path to carry it",
                )
            )
    return vector


def _invert(
    resolved: Resolved,
    held: Mapping[str, float],
    nets: tuple[str, ...],
    branches: tuple[Branch, ...],
    floating: list[tuple[str, ...]],
) -> Array:
    """Inverse of the nodal matrix, every floating island held at 0 V in its first net."""
    index = {net: k for k, net in enumerate((*nets, resolved.circuit.ground))}
    resistors = []
    for part in resolved.circuit.parts.values():
        if part.kind in RESISTIVE and part.name not in held:
            a, b = part.pins.values()
            resistors.append(((index[a], index[b]), resolved.value(part.name, "resistance")))
    ties = [((index[branch.nets[0]], index[branch.nets[1]]), branch.resistance) for branch in branches]
    return network_inverse(len(nets), [index[group[0]] for group in floating], resistors, ties)


def _sense(junctions: tuple[Junction, ...], nets: tuple[str, ...]) -> Array:
    index = {net: k for k, net in enumerate(nets)}
    sense = np.zeros((len(junctions), len(nets)))
    for row, junction in enumerate(junctions):
        for net, sign in zip(junction.sense, (1.0, -1.0), strict=True):
            k = index.get(net)
            if k is not None:
                sense[row, k] += sign
    return sense
