"""What a contact has to switch: the voltage across it while open, the current as it closes and afterwards."""

from __future__ import annotations

import math
from contextlib import suppress
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from rules.analysis.configurations import configurations
from rules.analysis.corners.labels import NOMINAL
from rules.analysis.corners.worst import Sense, worst
from rules.analysis.elements import Configuration
from rules.analysis.frozen import capacitor_voltage
from rules.analysis.network import build_network
from rules.analysis.resolve import SUPPLIES, resolve
from rules.analysis.states import State, find_states, linear_state, states_of
from rules.analysis.stress import between
from schemas.circuit import Part, frozen_map

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from rules.analysis.study import Study

HAIR = 1e-6  # V or A; less is nothing
LEAK = 1e9  # ohm of an open contact: common practice, no source


@dataclass(frozen=True, slots=True)
class Number:
    """A magnitude (V or A) at a corner of all tolerances."""

    value: float
    corner: str


@dataclass(frozen=True, eq=False)
class Before:
    """How things stand while a contact is open: the state, what a reader calls it, and the positions."""

    state: State
    label: str
    configuration: Configuration
    volts: float


@dataclass(frozen=True, eq=False)
class Closing:
    """A contact in the state in which it has most to switch, each number at its lowest corner.

    ``volts`` stand across it while it is open in ``before``; ``first`` is the current at the moment of
    closing, every capacitor still charged and every transistor still on or off as before (infinite straight
    across a capacitor; ``None`` where it is not determined); ``steady`` is the least current of what it may
    settle to, ``None`` where nothing settles.
    """

    before: Before
    volts: Number
    first: Number | None
    steady: Number | None

    @property
    def wetting(self) -> Number | None:
        """The larger of the two currents."""
        both = [number for number in (self.steady, self.first) if number is not None]
        return max(both, key=lambda number: number.value, default=None)


def closing(study: Study, contact: str, volts_matter: bool = True) -> Closing | None:
    """The contact in the state in which most stands across it; ``None`` where nothing ever does.

    Where the voltage does not matter it is left at its nominal value.
    """
    found = _open(study, contact) or _leaking(study, contact)
    if not found:
        return None
    before = max(found, key=lambda each: round(each.volts, 6))  # the first of equal ones
    pins = study.circuit.parts[contact].pins
    volts = Number(before.volts, NOMINAL)
    if volts_matter:
        volts = _at_worst(before.state, lambda state: _across(state, pins), "min")
    steady = _steady(study, contact, before)
    return Closing(before, volts, _first(study, contact, before, volts, steady), steady)


def _open(study: Study, contact: str) -> list[Before]:
    """Every situation in which a voltage stands across the open contact."""
    pins = study.circuit.parts[contact].pins
    every = [(s, s.state.mode.network.configuration) for s in study.situations()]
    return [
        Before(s.state, s.label, configuration, volts)
        for s, configuration in every
        if configuration.contacts[contact] == "open"
        and (volts := _across(s.state, pins) or 0.0) > HAIR
    ]


def _leaking(study: Study, contact: str) -> list[Before]:
    """The same where nothing but the open contact itself could set one of its ends: it leaks a little."""
    circuit = study.circuit
    part = circuit.parts[contact]
    leak = Part(contact, "resistor", part.pins, frozen_map({"resistance": LEAK}))
    leaky = replace(circuit, parts=frozen_map({**circuit.parts, contact: leak}), stimuli=frozen_map({}))
    resolved = resolve(leaky)
    return [
        Before(state, state.name, configuration, volts)
        for configuration in configurations(leaky)[0]
        for state in find_states(resolved, configuration, "typical", None, study.step_budget).stable
        if (volts := _across(state, part.pins) or 0.0) > HAIR
    ]


def greatest_current(study: Study, contact: str) -> Number | None:
    """The largest steady current of a contact in any stable state, at its highest corner."""
    found = [
        _at_worst(state, lambda s: through(s, contact), "max")
        for sets in study.state_sets()
        if sets.configuration.contacts[contact] == "closed"
        for state in sets.stable
        if (through(state, contact) or 0.0) > HAIR
    ]
    return max(found, key=lambda number: number.value, default=None)


def _across(state: State, pins: Mapping[str, str]) -> float | None:
    volts = between(state, (pins["a"], pins["b"]))
    return None if volts is None else abs(volts)


def through(state: State, contact: str) -> float | None:
    """The size of the current of a contact, A; ``None`` where an ideal loop leaves it open."""
    current = state.currents[contact]["a"]
    return None if current is None else abs(current)


def _at_worst(state: State, quantity: Callable[[State], float | None], sense: Sense) -> Number:
    found = worst(state, quantity, sense)
    here = quantity(state) or 0.0
    if found is None or not (found.value < here if sense == "min" else found.value > here):
        return Number(here, NOMINAL)
    return Number(max(0.0, found.value), found.label or NOMINAL)


def closed(configuration: Configuration, contact: str) -> Configuration:
    """The same positions with the contact closed."""
    return Configuration({**configuration.contacts, contact: "closed"}, configuration.drivers)


def _first(
    study: Study, contact: str, before: Before, volts: Number, steady: Number | None
) -> Number | None:
    """The current at the moment of closing; at nominal values where it is no more than the settled one."""
    resolved, parts = study.resolved, study.circuit.parts.values()
    fed = [set(p.pins.values()) for p in parts if p.kind in SUPPLIES]
    stored = {
        p.name: capacitor_voltage(resolved, before.state, p.name)
        for p in parts
        if p.kind == "capacitor" and set(p.pins.values()) not in fed
    }
    held = {name: value for name, value in stored.items() if value is not None}
    network = build_network(resolved, closed(before.configuration, contact), held)
    if network.faults:
        return Number(math.inf, NOMINAL)
    # the transistors have not answered yet; those whose base the contact joins to the emitter are robbed
    ends, mode = set(study.circuit.parts[contact].pins.values()), before.state.mode
    robbed = {j.device for j in network.junctions if set(j.sense) <= ends}
    left = tuple(k for k in mode.solution.support if network.junctions[k].device not in robbed)
    found: list[State] = []
    with suppress(np.linalg.LinAlgError):
        found.append(linear_state(network, mode.betas, left))
    if not held:
        here = max((through(s, contact) or 0.0 for s in found), default=0.0)
        if steady is not None and here <= steady.value:
            return Number(here, NOMINAL)
        numbers = [_at_worst(s, lambda s: through(s, contact), "min") for s in found]
        return max(numbers, key=lambda number: number.value, default=None)
    found.extend(states_of(network, "typical", study.step_budget).states[:1])
    currents = [current for state in found if (current := through(state, contact)) is not None]
    # what the capacitors hold follows the corner, so that the current goes with the voltage
    share = volts.value / before.volts
    return Number(max(currents) * share, volts.corner) if currents else None


def _steady(study: Study, contact: str, before: Before) -> Number | None:
    key = closed(before.configuration, contact).key
    found = next((s for s in study.state_sets() if s.configuration.key == key), None)
    known = [] if found is None else [s for s in found.stable if through(s, contact) is not None]
    ends = [_at_worst(state, lambda s: through(s, contact), "min") for state in known]
    return min(ends, key=lambda number: number.value, default=None)
