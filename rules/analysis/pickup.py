"""What a current that strays into a wire does to the bases of the circuit, and what the wire itself loses."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from rules.analysis.elements import RESISTIVE, SOURCES, capacitor_pins, coil_pins, is_contact_closed
from rules.analysis.resolve import TRANSISTORS, Resolved
from rules.analysis.states import State

if TYPE_CHECKING:
    from rules.analysis.study import Situation, Study
    from schemas.circuit import Part

JOINT = 1e-3  # ohm of a source or a contact
CONDUCTING = 10.0  # ohm of a junction that conducts; that it may amplify is left out
AT_THE_END = ("battery", "supply", "contact", "load", "led", "coil")
OPEN = 1e-12  # siemens that stand for the insulation of a board


@dataclass(frozen=True, eq=False)
class Hum:
    """What the mains leaves at a base in one situation: ``ohms`` from the wire to it, in V per A.

    ``stray`` is what it sends into the wire, A.
    """

    transistor: str
    situation: Situation
    ohms: float
    stray: float

    @property
    def volts(self) -> float:
        return self.ohms * self.stray


def _impedance(
    state: State, hertz: float, values: Mapping[tuple[str, str], float]
) -> tuple[dict[str, int], NDArray[np.complex128]]:
    """Volts of every net per ampere into every net, ohm, and the row of each net but the reference.

    The mode of the state is kept, junctions that conduct are small resistors.  ``values`` stand in for
    resistances and capacitances of parts; 0 Hz is a steady current.
    """
    network = state.mode.network
    resolved, circuit = network.resolved, network.resolved.circuit
    index = {name: k for k, name in enumerate(n for n in circuit.net_names if n != circuit.ground)}
    matrix = np.diag(np.full(len(index), OPEN, dtype=complex))

    def add(a: str, b: str, siemens: complex) -> None:
        ends = [(index[n], sign) for n, sign in ((a, 1.0), (b, -1.0)) if n in index]
        for i, one in ends:
            for j, other in ends:
                matrix[i, j] += one * other * siemens

    for part in circuit.parts.values():
        for a, b, siemens in _admittance(resolved, part, state, hertz, values):
            add(a, b, siemens)
    for k in state.mode.solution.support:
        add(*network.junctions[k].sense, 1.0 / CONDUCTING)
    return index, np.linalg.inv(matrix).astype(np.complex128)


def transfer(
    state: State, net: str, hertz: float, values: Mapping[tuple[str, str], float]
) -> dict[str, float]:
    """Volts between base and emitter of each transistor that is off, per ampere (sine) into a net, ohm."""
    index, impedance = _impedance(state, hertz, values)
    if net not in index:
        return {}
    volts = {name: impedance[k, index[net]] for name, k in index.items()}
    return {
        p.name: float(abs(volts.get(p.pins["base"], 0j) - volts.get(p.pins["emitter"], 0j)))
        for p in state.mode.network.resolved.circuit.parts.values()
        if p.kind in TRANSISTORS and state.devices[p.name] == "off"
    }


def worst_hums(study: Study, net: str, stray: float, hertz: float) -> dict[str, Hum]:
    """The most that ``stray`` A into a wire leave at each base that is off while the wire is defined."""
    worst: dict[str, Hum] = {}
    loose = loosest(study)
    for situation in study.situations():
        state = situation.state
        if state.nets.get(net) is None and net != study.circuit.ground:
            continue
        for name, ohms in transfer(state, net, hertz, loose).items():
            hum = Hum(name, situation, ohms, stray)
            if _is_defined(state, name) and (name not in worst or hum.volts > worst[name].volts):
                worst[name] = hum
    return dict(sorted(worst.items()))


def _is_defined(state: State, transistor: str) -> bool:
    """False where nothing but leakage sets base or emitter: that is the matter of floating-base."""
    pins = state.mode.network.resolved.circuit.parts[transistor].pins
    return all(state.nets[pins[pin]] is not None for pin in ("base", "emitter"))


def node_resistances(state: State, values: Mapping[tuple[str, str], float]) -> dict[str, float]:
    """What a meter against the reference sees behind each net, ohm; the reference itself is left out."""
    index, impedance = _impedance(state, 0.0, values)
    return {name: float(abs(impedance[k, k])) for name, k in index.items()}


def _admittance(
    resolved: Resolved, part: Part, state: State, hertz: float, values: Mapping[tuple[str, str], float]
) -> Iterator[tuple[str, str, complex]]:
    """Two nets and the admittance (siemens) between them, for parts that are linear."""
    name, pins, omega = part.name, part.pins, 2.0 * math.pi * hertz

    def value(member: str) -> float:
        return values.get((name, member), resolved.value(name, member))

    if part.kind == "capacitor":
        first, second = capacitor_pins(part)
        yield pins[first], pins[second], 1j * omega * value("capacitance")
    elif part.kind in RESISTIVE or part.kind == "inductor":
        first, second = coil_pins(part)
        henry = resolved.known(name, "inductance")
        ohms = max(value("resistance"), JOINT) + 1j * omega * (0.0 if henry is None else henry.value)
        yield pins[first], pins[second], 1.0 / ohms
    elif part.kind in SOURCES:
        first, second = ("out", "reference") if part.kind == "driver" else ("plus", "minus")
        yield pins[first], pins[second], 1.0 / max(value("resistance"), JOINT)
    elif part.kind == "fuse":
        yield pins["a"], pins["b"], 1.0 / max(value("resistance"), JOINT)
    elif part.kind == "contact" and is_contact_closed(part, state.mode.network.configuration):
        yield pins["a"], pins["b"], 1.0 / JOINT


def loosest(study: Study) -> dict[tuple[str, str], float]:
    """Every resistor at its greatest and every capacitor at its least value: where most is picked up."""
    members = {"resistor": ("resistance", "tolerance_high"), "capacitor": ("capacitance", "tolerance_low")}
    return {
        (p.name, members[p.kind][0]): study.value(p.name, members[p.kind][0])
        * (1.0 + study.value(p.name, members[p.kind][1]))
        for p in study.circuit.parts.values()
        if p.kind in members
    }


def series_to_base(study: Study, net: str) -> dict[str, float]:
    """The least resistance (ohm) of resistors in series from a wire to each base that it leads to.

    Only ways through resistors, closed or open contacts and fuses count; a rail is no way.
    """
    parts, rails = study.circuit.parts, study.roles.rails
    if net in rails:
        return {}
    least = {net: 0.0}
    front = [net]
    while front:
        here = min(front, key=lambda n: (least[n], n))
        front.remove(here)
        for part in parts.values():
            if here not in part.pins.values() or part.kind not in ("resistor", "contact", "fuse"):
                continue
            ohms = study.value(part.name, "resistance") if part.kind == "resistor" else 0.0
            for other in sorted(set(part.pins.values()) - rails):
                if least[here] + ohms < least.get(other, math.inf):
                    least[other] = least[here] + ohms
                    front.append(other)
    found = {}
    for part in parts.values():
        if part.kind in TRANSISTORS and part.pins["base"] in least:
            found[part.name] = least[part.pins["base"]]
    return found


def carried(study: Study, net: str) -> tuple[float, str, str]:
    """The largest current (A) of a source, contact, load, LED or coil on a net in any state: of which, where.

    One of these is taken to stand at the far end of the wire.
    """
    found = [(0.0, "", "")]
    for part in study.circuit.parts.values():
        if part.kind not in AT_THE_END or net not in part.pins.values():
            continue
        pin = next(p for p, where in sorted(part.pins.items()) if where == net)
        for situation in study.situations():
            current = situation.state.currents[part.name][pin]
            if current is not None:
                found.append((abs(current), part.name, situation.label))
    return max(found, key=lambda item: (item[0], item[1]))
