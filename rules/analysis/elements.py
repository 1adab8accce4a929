"""The elements of a network: ideal junctions, voltage-type branches, contact positions, faults."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from rules.analysis.resolve import SUPPLIES, TRANSISTORS, Resolved
from schemas.circuit import Part

Array: TypeAlias = NDArray[np.float64]
RESISTIVE = ("resistor", "coil", "load")
JOINTS = ("contact", "fuse")  # what may join two nets without any resistance
COILS = ("inductor", "coil")  # what keeps a current when it is held
SOURCES = (*SUPPLIES, "driver")
# current into each pin of an NPN per ampere of junction current: (constant, times 1/(1+gain))
TERMINALS: Mapping[str, Mapping[str, tuple[float, float]]] = {
    "forward": {"collector": (1.0, -1.0), "base": (0.0, 1.0), "emitter": (-1.0, 0.0)},
    "reverse": {"collector": (-1.0, 0.0), "base": (0.0, 1.0), "emitter": (1.0, -1.0)},
}


@dataclass(frozen=True)
class Configuration:
    """One position of every contact and level of every driver; ``reached_by`` names who gets there."""

    contacts: Mapping[str, str]
    drivers: Mapping[str, str]
    reached_by: tuple[str, ...] = ()

    @cached_property
    def key(self) -> str:
        items = [*sorted(self.contacts.items()), *sorted(self.drivers.items())]
        return ", ".join(f"{name} {position}" for name, position in items)


@dataclass(frozen=True, slots=True)
class Fault:
    """Why a configuration has no (complete) answer: a trade term, the parts, the nets, a sentence."""

    kind: str
    parts: tuple[str, ...]
    nets: tuple[str, ...]
    message: str


@dataclass(frozen=True, slots=True)
class Junction:
    """One ideal junction: conducts from ``sense[0]`` to ``sense[1]`` at ``drop`` V plus ``resistance``."""

    device: str
    name: str  # "forward", "reverse" (transistor); "on", "breakdown" (diodes)
    sense: tuple[str, str]
    drop: float
    resistance: float = 0.0


@dataclass(frozen=True, slots=True)
class Branch:
    """A voltage-type branch: v(a) - v(b) - resistance * j = voltage, j into the part at ``a``."""

    part: str
    pins: tuple[str, str]
    nets: tuple[str, str]
    voltage: float
    resistance: float


def is_contact_closed(part: Part, configuration: Configuration) -> bool:
    return configuration.contacts.get(part.name, part.text("rest")) == "closed"


def junctions_of(resolved: Resolved) -> tuple[Junction, ...]:
    """Every ideal junction, device by device in name order."""
    on = resolved.assumptions["vbe_on"]
    reverse = on - resolved.assumptions["vce_sat"]
    found: list[Junction] = []
    for part in resolved.circuit.parts.values():
        pins = part.pins
        if part.kind in TRANSISTORS:
            base, emitter, collector = pins["base"], pins["emitter"], pins["collector"]
            flip = part.kind == "pnp"
            for name, other, drop in (("forward", emitter, on), ("reverse", collector, reverse)):
                found.append(Junction(part.name, name, (other, base) if flip else (base, other), drop))
        elif part.kind in ("diode", "led", "zener"):
            anode, cathode = pins["anode"], pins["cathode"]
            found.append(Junction(part.name, "on", (anode, cathode), resolved.value(part.name, "forward")))
            if part.kind == "zener":
                slope = resolved.value(part.name, "resistance")
                found.append(
                    Junction(
                        part.name, "breakdown", (cathode, anode), resolved.value(part.name, "zener"), slope
                    )
                )
    return tuple(found)


def branches_of(
    resolved: Resolved, configuration: Configuration, held: Mapping[str, float]
) -> tuple[Branch, ...]:
    """Sources, closed contacts, fuses, inductors, and last the capacitors held at a voltage.

    An inductor that is itself held (at a current) is no branch: it injects its current.
    """
    found: list[Branch] = []
    capacitors: list[Branch] = []
    for part in resolved.circuit.parts.values():
        name, pins = part.name, part.pins
        if part.kind in SUPPLIES:
            ends, voltage, r = (
                ("plus", "minus"),
                resolved.value(name, "voltage"),
                resolved.value(name, "resistance"),
            )
        elif part.kind == "driver":
            level = configuration.drivers.get(name, part.text("rest") or "low")
            ends, voltage, r = (
                ("out", "reference"),
                resolved.value(name, level),
                resolved.value(name, "resistance"),
            )
        elif part.kind == "contact" and is_contact_closed(part, configuration):
            ends, voltage, r = ("a", "b"), 0.0, 0.0
        elif part.kind == "fuse" or (part.kind == "inductor" and name not in held):
            ends, voltage, r = ("a", "b"), 0.0, resolved.value(name, "resistance")
        elif part.kind == "capacitor" and name in held:
            first, second = capacitor_pins(part)
            capacitors.append(Branch(name, (first, second), (pins[first], pins[second]), held[name], 0.0))
            continue
        else:
            continue
        found.append(Branch(name, ends, (pins[ends[0]], pins[ends[1]]), voltage, r))
    return (*found, *capacitors)


def coil_pins(part: Part) -> tuple[str, str]:
    """The pin into which an inductor's current is counted, and the other one."""
    return ("plus", "minus") if "plus" in part.pins else ("a", "b")


def capacitor_pins(part: Part) -> tuple[str, str]:
    return ("plus", "minus") if "plus" in part.pins else ("a", "b")


def junction_terminal_currents(junction: str, beta: float, reverse_beta: float) -> dict[str, float]:
    """Terminal currents of an NPN (into collector, base, emitter) per ampere of one junction's current."""
    # 1/(1+beta) rather than 1-alpha keeps the base current exact at large gain
    share = 1.0 / (1.0 + (beta if junction == "forward" else reverse_beta))
    return {pin: constant + varying * share for pin, (constant, varying) in TERMINALS[junction].items()}
