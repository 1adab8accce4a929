"""The PNP/NPN latch, and how tests of states look at what was found."""

from __future__ import annotations

from rules.analysis.states import State, StateSet
from schemas.circuit import Part
from tests.builders import load, npn, pnp, resistor, supply
from tests.physics import complaints

LATCH = (
    supply("V1", "vp", "gnd", 12.0),
    pnp("Q2", "out", "b2", "vp", 150.0),
    resistor("RB2", "vp", "b2", 4.7e3),
    resistor("R2", "b2", "c1", 4.7e3),
    npn("Q1", "c1", "b1", "gnd", 200.0),
    resistor("R3", "out", "b1", 47e3),
    resistor("RB1", "b1", "gnd", 10e3),
    load("RL", "out", "gnd", 1e3),
)


def sound(found: StateSet) -> StateSet:
    """The same set, once every state of it obeys the laws of the circuit."""
    for state in found.states:
        wrong = complaints(found.network.resolved, found.configuration, state)
        assert not wrong, f"{state.name}: {wrong}"
    return found


def regions(found: StateSet) -> dict[tuple[str, ...], State]:
    """Regions of the devices in name order -> the state."""
    return {tuple(region for _, region in sorted(state.devices.items())): state for state in found.states}


def to_digits(value: float, digits: int = 4) -> str:
    return f"{value:.{digits}g}"


def without(parts: tuple[Part, ...], *names: str) -> tuple[Part, ...]:
    return tuple(item for item in parts if item.name not in names)
