"""Bases that nothing ties to their emitter: what leaks through the transistor, and the bleed that ends it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from rules.analysis.elements import JOINTS, RESISTIVE, SOURCES, Configuration, is_contact_closed
from rules.analysis.floating import Island, islands_of
from rules.analysis.formulas.cutoff import (
    HOTTEST,
    bleed_at_most,
    collector_base_leakage,
    off_voltage,
    open_base_leakage,
)
from rules.analysis.hazards import greatest_draw
from rules.analysis.preferred import round_down
from schemas.finding import identity

if TYPE_CHECKING:
    from rules.analysis.states import State
    from rules.analysis.study import Study
    from schemas.circuit import Part

SLUG, ROLE = "floating-base", "open base"
USUAL_BLEED = 100e3  # ohm, the upper end of what is usually fitted against noise; common practice, no source
LIVE = 0.1  # V between collector and emitter, from which a leakage counts
_SERIES = ("resistor", "coil", "load", "led", "diode", "zener", "fuse", "contact", "inductor")


@dataclass(frozen=True, slots=True)
class OpenBase:
    """A floating base: what its transistor leaks and carries (A), and the bleed to fit (ohm).

    ``icbo`` is the collector-base leakage at the highest ambient temperature, ``leaks`` that times
    beta + 1; ``carries`` the largest collector current in any state.
    """

    transistor: str
    icbo: float
    beta: float
    leaks: float
    carries: float
    bleed: float
    regenerative: bool


def open_base(study: Study, transistor: str) -> OpenBase:
    """What an open base of this transistor amounts to; one and the same for every state."""
    return study.shared(("open base", transistor), lambda: _open_base(study, transistor))


def _open_base(study: Study, transistor: str) -> OpenBase:
    hot = min(study.resolved.ambient.high, HOTTEST)
    icbo = collector_base_leakage(study.value(transistor, "icbo"), hot)
    carries = greatest_draw(study, transistor, "collector")
    off = off_voltage(study.resolved.assumptions["vbe_off"], hot)
    bleed = USUAL_BLEED
    if icbo > 0.0:
        bleed = min(bleed, round_down(bleed_at_most(off, icbo), study.preferences.resistor, 0.05))
    beta = study.resolved.beta(transistor, "max").value
    loop = bool(study.roles.partners(transistor, "regenerative"))
    return OpenBase(transistor, icbo, beta, open_base_leakage(icbo, beta), carries, bleed, loop)


def finding_of(part: Part) -> str:
    """The identity of the finding about the base of this transistor."""
    return identity(SLUG, (part.name,), (part.pins["base"],), ROLE)


def floating_in(state: State) -> Iterator[tuple[str, Island]]:
    """Transistors whose base floats in a state while their collector is fed, with the island of the base."""
    for island in islands_of(state):
        for name in island.bases:
            if is_fed(state, name):
                yield name, island


def is_fed(state: State, name: str) -> bool:
    """True where something stands ready to drive a leakage: a known voltage behind the collector."""
    circuit = state.mode.network.resolved.circuit
    part = circuit.parts[name]
    emitter = state.nets[part.pins["emitter"]]
    for net in _reached(state, part.pins["collector"], name):
        volts = state.nets[net]
        if volts is None:
            continue
        ahead = volts - (0.0 if emitter is None else emitter)
        if (ahead if part.kind == "npn" else -ahead) > LIVE:
            return True
    return False


def _reached(state: State, start: str, but: str) -> tuple[str, ...]:
    """Nets from which a current could come to ``start``: not by a capacitor or an open contact."""
    network = state.mode.network
    seen, front = {start}, [start]
    for net in front:
        for part in network.resolved.circuit.parts.values():
            if part.name == but or net not in part.pins.values() or part.kind == "capacitor":
                continue
            if part.kind == "contact" and not is_contact_closed(part, network.configuration):
                continue
            fresh = set(part.pins.values()) - seen
            seen |= fresh
            front.extend(sorted(fresh))
    return tuple(front)


def resistance_to_emitter(study: Study, part: Part, configuration: Configuration) -> float:
    """Ohm from base to emitter of a transistor by way of everything but junctions; infinite without a way.

    Sources count as what they are for a leakage: their internal resistance.
    """
    base, emitter = part.pins["base"], part.pins["emitter"]
    if base == emitter:
        return 0.0
    ties: list[tuple[str, str, float]] = []
    for other in study.circuit.parts.values():
        ends = tuple(other.pins.values())
        if other.kind in (*RESISTIVE, *SOURCES, *JOINTS):
            if other.kind == "contact" and not is_contact_closed(other, configuration):
                continue
            known = study.known(other.name, "resistance")
            ties.append((ends[0], ends[1], 0.0 if known is None else known.value))
    group = {net: net for net in study.circuit.net_names}

    def find(net: str) -> str:
        while group[net] != net:
            net = group[net]
        return net

    for one, two, ohms in ties:
        if ohms == 0.0:
            group[find(two)] = find(one)
    start, goal = find(base), find(emitter)
    if start == goal:
        return 0.0
    joined = {start}
    for _ in ties:
        for one, two, _ohms in ties:
            if {find(one), find(two)} & joined:
                joined |= {find(one), find(two)}
    if goal not in joined:
        return np.inf
    places = {net: k for k, net in enumerate(sorted(joined - {goal}))}
    matrix = np.zeros((len(places), len(places)))
    for one, two, ohms in ties:
        a, b = find(one), find(two)
        if a == b or a not in joined:
            continue
        for net, other_net in ((a, b), (b, a)):
            if net in places:
                matrix[places[net], places[net]] += 1.0 / ohms
                if other_net in places:
                    matrix[places[net], places[other_net]] -= 1.0 / ohms
    source = np.zeros(len(places))
    source[places[start]] = 1.0
    return float(np.linalg.solve(matrix, source)[places[start]])


def in_series(study: Study, transistor: str) -> tuple[str, ...]:
    """Two-pin parts that the collector or emitter current of a transistor may pass, up to the rails."""
    circuit, rails = study.circuit, study.roles.rails
    pins = circuit.parts[transistor].pins
    found: set[str] = set()
    seen = {pins["collector"], pins["emitter"]} - rails
    front = sorted(seen)
    for net in front:
        for part in circuit.parts.values():
            if part.kind in _SERIES and net in part.pins.values() and part.name not in found:
                found.add(part.name)
                fresh = set(part.pins.values()) - seen - rails
                seen |= fresh
                front.extend(sorted(fresh))
    return tuple(sorted(found))
