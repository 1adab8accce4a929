"""The equations of a circuit with exponential junctions, in one form for rest, small signals and time.

Unknowns x: the node voltages (V) without the reference net, the inner ends of
zener slope resistances, then the currents (A) of sources, contacts, inductive
parts and held capacitors.  The circuit obeys

    d/dt [C x + S' (transit * i(S x))] + G x + A i(S x) + leaks(x) = b

(modified nodal analysis; Ho, Ruehli and Brennan, IEEE Trans. CAS-22 (1975), from
memory).  Rows of nodes are sums of currents that leave, in A; the others are in V.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np

from rules.analysis.elements import (
    JOINTS,
    RESISTIVE,
    SOURCES,
    Array,
    Configuration,
    Junction,
    capacitor_pins,
    coil_pins,
    is_contact_closed,
    junction_terminal_currents,
    junctions_of,
)
from rules.analysis.junction.model import (
    REFERENCE_TEMPERATURE,
    WINDING_CAPACITANCE,
    Laws,
    collector_leakage,
    gains_at,
    laws_of,
    thermal_voltage,
)
from rules.analysis.junction.stamps import Ends, Stamps
from rules.analysis.resolve import TRANSISTORS, Resolved
from rules.analysis.timeline.plant import Leak
from schemas.circuit import Part

CONTACT_RESISTANCE = 1e-3  # ohm of a closed contact
SOURCE_RESISTANCE = 1e-6  # ohm of an ideal source, so that two of them in parallel share
LEAK_KNEE = 0.05  # V over which a constant leakage current of a capacitor dies away towards 0 V

IcboChoice = Literal["none", "limit"]


@dataclass(frozen=True, eq=False)
class Assembly:
    """The matrices; ``size`` unknowns, of which the first ``nodes`` are voltages.

    ``carry`` (size, junctions) is the current that leaves each node per ampere of
    junction current, ``sense`` (junctions, size) gives junction voltages.
    ``leak_nets`` (size, leaks) is +1 where a bounded leakage leaves, -1 where it
    enters; it is ``leak_current * tanh(v / leak_knee)``.
    """

    resolved: Resolved
    temperature: float
    betas: Mapping[str, float]  # gains at ``temperature``
    nets: tuple[str, ...]
    nodes: int
    branches: tuple[str, ...]  # parts whose current is an unknown, in order after the nodes
    junctions: tuple[Junction, ...]
    laws: Laws
    conductance: Array
    capacitance: Array
    carry: Array
    sense: Array
    leak_nets: Array
    leak_current: Array
    leak_knee: Array
    source: Array

    @property
    def size(self) -> int:
        return len(self.conductance)

    def row(self, branch: str) -> int:
        """Where the current of a part stands in x; raises ``ValueError`` for a part without one."""
        if branch not in self.branches:
            raise ValueError(
                f"the current of {branch} is no unknown; those of {', '.join(self.branches)} are"
            )
        return self.nodes + self.branches.index(branch)

    def balance(self, x: Array) -> tuple[Array, Array]:
        """What is left over in each row at rest, and its Jacobian."""
        i, slope = self.laws.current_and_slope(self.sense @ x)
        left = self.conductance @ x + self.carry @ i - self.source
        jacobian = self.conductance + (self.carry * slope) @ self.sense
        if len(self.leak_current):
            bend = np.tanh((x @ self.leak_nets) / self.leak_knee)
            left += self.leak_nets @ (self.leak_current * bend)
            steep = self.leak_current / self.leak_knee * (1.0 - bend * bend)
            jacobian += (self.leak_nets * steep) @ self.leak_nets.T
        return left, jacobian

    def charge(self, x: Array) -> tuple[Array, Array]:
        """Charges (C; flux linkages in the rows of coils) and their Jacobian."""
        i, slope = self.laws.current_and_slope(self.sense @ x)
        stored = self.capacitance @ x + self.sense.T @ (self.laws.transit * i)
        return stored, self.capacitance + (self.sense.T * (self.laws.transit * slope)) @ self.sense

    def terms(self, x: Array) -> Array:
        """Sum of magnitudes in each row: what a remainder of :meth:`balance` is compared with."""
        i = np.abs(self.laws.current(self.sense @ x))
        size: Array = np.abs(self.conductance) @ np.abs(x) + np.abs(self.carry) @ i + np.abs(self.source)
        return size


def assemble(
    resolved: Resolved,
    configuration: Configuration,
    betas: Mapping[str, float],
    *,
    held: Mapping[str, float] | None = None,
    temperature: float = REFERENCE_TEMPERATURE,
    icbo: IcboChoice = "none",
    leaks: Mapping[str, Leak] | None = None,
) -> Assembly:
    """The equations in one configuration.

    ``betas`` are the forward gains at 25 degC.  ``held`` capacitors (V) are
    voltage sources, held coils (A) current sources.  ``icbo`` "limit" adds the
    collector-base leakage of each transistor at its greatest value.  ``leaks`` are
    leakages of capacitors.
    Raises ``ValueError`` for a temperature where the model does not hold.
    """
    held, leaks = held or {}, leaks or {}
    parts = resolved.circuit.parts
    nets = tuple(net for net in resolved.circuit.net_names if net != resolved.circuit.ground)
    junctions = junctions_of(resolved)
    gains = gains_at(betas, temperature)
    inner = [k for k, junction in enumerate(junctions) if junction.resistance > 0.0]
    branches = tuple(p.name for p in parts.values() if _is_branch(resolved, p, held))
    made = Stamps(nets, len(inner), len(branches))
    for part in parts.values():
        _linear(made, resolved, part, held, leaks)
    for row, name in enumerate(branches, start=made.nodes):
        _branch(made, resolved, configuration, parts[name], row, held)
    size, laws = len(made.source), laws_of(resolved, gains, temperature)
    carry, sense = np.zeros((size, len(junctions))), np.zeros((len(junctions), size))
    for k, junction in enumerate(junctions):
        far = len(nets) + inner.index(k) if k in inner else None
        _junction(made, resolved, gains, junction, k, carry, sense, far)
        ends = made.index.get(junction.sense[0]), made.index.get(junction.sense[1])
        made.two(made.capacitance, ends, float(laws.static[k]))
    bounded = _bounded(made, resolved, temperature, icbo, leaks)
    columns = np.zeros((size, len(bounded)))
    for k, (path, _, _) in enumerate(bounded):
        for end, sign in zip(path, (1.0, -1.0), strict=True):
            if end is not None:
                columns[end, k] += sign
    return Assembly(
        resolved,
        temperature,
        gains,
        nets,
        made.nodes,
        branches,
        junctions,
        laws,
        made.conductance,
        made.capacitance,
        carry,
        sense,
        columns,
        np.array([current for _, current, _ in bounded]),
        np.array([knee for _, _, knee in bounded]),
        made.source,
    )


def _is_branch(resolved: Resolved, part: Part, held: Mapping[str, float]) -> bool:
    inductive = part.kind == "coil" and resolved.known(part.name, "inductance") is not None
    known = part.kind in (*SOURCES, *JOINTS, "inductor")
    return known or inductive or part.name in held


def _ends(made: Stamps, part: Part, pins: tuple[str, str]) -> Ends:
    return made.index.get(part.pins[pins[0]]), made.index.get(part.pins[pins[1]])


def _linear(
    made: Stamps, resolved: Resolved, part: Part, held: Mapping[str, float], leaks: Mapping[str, Leak]
) -> None:
    """Resistors, capacitors that are free, current sources."""
    name = part.name
    if part.kind == "capacitor":
        ends = _ends(made, part, capacitor_pins(part))
        if name not in held:
            made.two(made.capacitance, ends, resolved.value(name, "capacitance"))
        if name in leaks:
            made.two(made.conductance, ends, leaks[name].conductance)
    elif part.kind == "current-source":
        for end, sign in zip(_ends(made, part, ("from", "to")), (-1.0, 1.0), strict=True):
            if end is not None:
                made.source[end] += sign * resolved.value(name, "current")
    elif part.kind in RESISTIVE and not _is_branch(resolved, part, held):
        pins = ("plus", "minus") if "plus" in part.pins else ("a", "b")
        made.two(made.conductance, _ends(made, part, pins), 1.0 / resolved.value(name, "resistance"))


def _branch(
    made: Stamps,
    resolved: Resolved,
    configuration: Configuration,
    part: Part,
    row: int,
    held: Mapping[str, float],
) -> None:
    name = part.name
    if part.kind in SOURCES:
        pins = ("out", "reference") if part.kind == "driver" else ("plus", "minus")
        level = configuration.drivers.get(name, part.text("rest") or "low")
        resistance = max(resolved.value(name, "resistance"), SOURCE_RESISTANCE)
        made.branch(row, _ends(made, part, pins), resistance)
        made.source[row] = resolved.value(name, level if part.kind == "driver" else "voltage")
    elif part.kind == "contact":
        if is_contact_closed(part, configuration):
            made.branch(row, _ends(made, part, ("a", "b")), CONTACT_RESISTANCE)
        else:
            made.inject(row, (None, None), 0.0)
    elif part.kind == "fuse":
        ohms = max(resolved.value(name, "resistance"), CONTACT_RESISTANCE)
        made.branch(row, _ends(made, part, ("a", "b")), ohms)
    elif part.kind == "capacitor":
        made.branch(row, _ends(made, part, capacitor_pins(part)), SOURCE_RESISTANCE)
        made.source[row] = held[name]
    elif name in held:
        made.inject(row, _ends(made, part, coil_pins(part)), held[name])
    else:
        ends = _ends(made, part, coil_pins(part))
        made.branch(row, ends, max(resolved.value(name, "resistance"), SOURCE_RESISTANCE))
        made.capacitance[row, row] = -resolved.value(name, "inductance")
        made.two(made.capacitance, ends, WINDING_CAPACITANCE)


def _junction(
    made: Stamps,
    resolved: Resolved,
    gains: Mapping[str, float],
    junction: Junction,
    k: int,
    carry: Array,
    sense: Array,
    inner: int | None,
) -> None:
    """One junction's column of ``carry`` and row of ``sense``, and what it stores."""
    part = resolved.circuit.parts[junction.device]
    high, low = (made.index.get(net) for net in junction.sense)
    if inner is not None:
        made.two(made.conductance, (inner, low), 1.0 / junction.resistance)
        low = inner
    for end, sign in ((high, 1.0), (low, -1.0)):
        if end is not None:
            sense[k, end] += sign
    if part.kind in TRANSISTORS:
        reverse = resolved.assumptions["reverse_beta"]
        flip = -1.0 if part.kind == "pnp" else 1.0
        shares = junction_terminal_currents(junction.name, gains[part.name], reverse)
        for pin, share in sorted(shares.items()):
            end = made.index.get(part.pins[pin])
            if end is not None:
                carry[end, k] += flip * share
    else:
        carry[:, k] = sense[k]


def _bounded(
    made: Stamps,
    resolved: Resolved,
    temperature: float,
    icbo: IcboChoice,
    leaks: Mapping[str, Leak],
) -> list[tuple[Ends, float, float]]:
    """(where it leaves and enters, A, V) of every bounded leakage.

    Collector-base leakage saturates within a few V_T and is nothing at 0 V, so that
    a circuit without supply stays at rest.
    """
    found = []
    for part in resolved.circuit.parts.values():
        if part.kind in TRANSISTORS and icbo == "limit":
            pins = ("collector", "base") if part.kind == "npn" else ("base", "collector")
            amperes = collector_leakage(resolved.value(part.name, "icbo"), temperature)
            found.append((_ends(made, part, pins), amperes, 2.0 * thermal_voltage(temperature)))
        elif part.name in leaks and leaks[part.name].current > 0.0:
            ends = _ends(made, part, capacitor_pins(part))
            found.append((ends, leaks[part.name].current, LEAK_KNEE))
    return found
