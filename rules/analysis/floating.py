"""Islands of nets whose potential a state leaves open."""

from __future__ import annotations

from dataclasses import dataclass

from rules.analysis.elements import RESISTIVE, SOURCES, is_contact_closed
from rules.analysis.graph import joined
from rules.analysis.resolve import TRANSISTORS
from rules.analysis.states import State

_TYING = (*RESISTIVE, *SOURCES, "fuse", "inductor")


@dataclass(frozen=True, slots=True)
class Island:
    """Undefined nets that move together.

    ``pins`` are written ``Q1.base``; ``bases`` are transistors whose base is on
    it while nothing ties it to their own emitter; ``others`` are parts on it
    that are no capacitors.
    """

    nets: tuple[str, ...]
    parts: tuple[str, ...]
    pins: tuple[str, ...]
    bases: tuple[str, ...]
    capacitors: tuple[str, ...]
    others: tuple[str, ...]


def islands_of(state: State) -> tuple[Island, ...]:
    """The islands of a state, sorted by their first net."""
    circuit = state.mode.network.resolved.circuit
    configuration = state.mode.network.configuration
    open_nets = set(state.undefined_nets)
    if not open_nets:
        return ()
    tying = [
        part.name
        for part in circuit.parts.values()
        if part.kind in _TYING
        or (part.kind == "contact" and is_contact_closed(part, configuration))
    ]
    return tuple(_island(state, nets) for nets in joined(circuit, open_nets, tying))


def _island(state: State, nets: tuple[str, ...]) -> Island:
    parts = state.mode.network.resolved.circuit.parts
    on = [part for part in parts.values() if set(part.pins.values()) & set(nets)]
    pins = [f"{part.name}.{pin}" for part in on for pin, net in part.pins.items() if net in nets]
    bases = [
        part.name
        for part in on
        if part.kind in TRANSISTORS and part.pins["base"] in nets and part.pins["emitter"] not in nets
    ]
    capacitors = tuple(part.name for part in on if part.kind == "capacitor")
    others = tuple(part.name for part in on if part.kind != "capacitor")
    return Island(nets, tuple(part.name for part in on), tuple(pins), tuple(bases), capacitors, others)
