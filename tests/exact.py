"""Every DC state of a small circuit in exact rational arithmetic: each set of regions solved by elimination.

Written from the circuit description (Kirchhoff's current law at each net, the law of each part, the
Ebers-Moll junction currents); it shares nothing with the solver under test but the resolved values.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from fractions import Fraction

from rules.analysis.elements import Configuration
from rules.analysis.resolve import Resolved
from schemas.circuit import Part

TRANSISTORS = ("npn", "pnp")
CHOICES = {
    "npn": ("off", "active", "saturated", "reverse"), "pnp": ("off", "active", "saturated", "reverse"),
    "diode": ("off", "on"), "led": ("off", "on"), "zener": ("off", "on", "breakdown"),
}  # fmt: skip


@dataclass(frozen=True)
class Junction:
    """Conducts from ``plus`` to ``minus`` at ``drop``; ``shares`` is what enters each pin per ampere."""

    device: str
    regions: tuple[str, ...]  # regions in which it conducts
    plus: str
    minus: str
    drop: Fraction
    resistance: Fraction
    shares: Mapping[str, Fraction]


@dataclass(frozen=True)
class ExactState:
    devices: Mapping[str, str]
    nets: Mapping[str, Fraction]
    currents: Mapping[str, Fraction]  # of each junction, named device.index


class Singular(Exception):
    """A set of regions leaves something undetermined."""


def exact_states(resolved: Resolved, configuration: Configuration) -> list[ExactState]:
    """All states, fewest conducting devices first; raises :class:`Singular` when one is a continuum."""
    devices = [p for p in resolved.circuit.parts.values() if p.kind in CHOICES]
    junctions = [j for part in devices for j in _junctions(resolved, part)]
    found = []
    for regions in itertools.product(*(CHOICES[part.kind] for part in devices)):
        state = _solve(
            resolved,
            configuration,
            junctions,
            dict(zip((part.name for part in devices), regions, strict=True)),
        )
        if state is not None:
            found.append(state)
    return found


def _junctions(resolved: Resolved, part: Part) -> Iterator[Junction]:
    one, pins = Fraction(1), part.pins
    if part.kind not in TRANSISTORS:
        forward = Fraction(resolved.value(part.name, "forward"))
        yield Junction(
            part.name,
            ("on",),
            pins["anode"],
            pins["cathode"],
            forward,
            Fraction(0),
            {"anode": one, "cathode": -one},
        )
        if part.kind == "zener":
            yield Junction(
                part.name,
                ("breakdown",),
                pins["cathode"],
                pins["anode"],
                Fraction(resolved.value(part.name, "zener")),
                Fraction(resolved.value(part.name, "resistance")),
                {"anode": -one, "cathode": one},
            )
        return
    on, sat = (Fraction(resolved.assumptions[name]) for name in ("vbe_on", "vce_sat"))
    forward = Fraction(resolved.beta(part.name, "typical").value)
    reverse = Fraction(resolved.assumptions["reverse_beta"])
    sign = 1 if part.kind == "npn" else -1
    for near, far, gain, drop, regions in (
        ("emitter", "collector", forward, on, ("active", "saturated")),
        ("collector", "emitter", reverse, on - sat, ("saturated", "reverse")),
    ):
        plus, minus = (pins["base"], pins[near])[::sign]
        shares = {"base": sign / (1 + gain), far: sign * gain / (1 + gain), near: Fraction(-sign)}
        yield Junction(part.name, regions, plus, minus, drop, Fraction(0), shares)


def _solve(
    resolved: Resolved, configuration: Configuration, junctions: list[Junction], devices: Mapping[str, str]
) -> ExactState | None:
    circuit = resolved.circuit
    nets = [net for net in circuit.net_names if net != circuit.ground]
    unknown = {net: k for k, net in enumerate(nets)}
    rows: list[dict[int, Fraction]] = [{} for _ in nets]  # KCL, then the laws; column -1 is the right side

    def add(row: dict[int, Fraction], net: str, value: Fraction) -> None:
        if net in unknown:
            row[unknown[net]] = row.get(unknown[net], Fraction(0)) + value

    def branch(into: Mapping[str, Fraction], plus: str, minus: str, volts: Fraction, ohms: Fraction) -> None:
        column = len(rows)
        law: dict[int, Fraction] = {column: -ohms, -1: volts}
        add(law, plus, Fraction(1))
        add(law, minus, Fraction(-1))
        rows.append(law)
        for net, share in into.items():
            if net in unknown:
                row = rows[unknown[net]]
                row[column] = row.get(column, Fraction(0)) + share

    for part, (first, second), volts, ohms in _linear(resolved, configuration):
        a, b = part.pins[first], part.pins[second]
        if a == b:
            if ohms == 0:
                raise Singular(f"{part.name} is bridged")
            continue
        if part.kind == "current-source":
            for net, current in ((a, -volts), (b, volts)):  # volts is the current here
                if net in unknown:
                    rows[unknown[net]][-1] = rows[unknown[net]].get(-1, Fraction(0)) + current
            continue
        branch({a: Fraction(1), b: Fraction(-1)}, a, b, volts, ohms)
    conducting = {}
    for k, junction in enumerate(junctions):
        if devices[junction.device] in junction.regions:
            into: dict[str, Fraction] = {}
            for pin, share in junction.shares.items():
                net = circuit.parts[junction.device].pins[pin]
                into[net] = into.get(net, Fraction(0)) + share
            conducting[k] = len(rows)
            branch(into, junction.plus, junction.minus, junction.drop, junction.resistance)
    solution = eliminate(rows)
    if solution is None:
        return None
    volts_at = {circuit.ground: Fraction(0), **{net: solution[k] for net, k in unknown.items()}}
    currents = {f"{junctions[k].device}.{k}": solution[column] for k, column in conducting.items()}
    if any(current <= 0 for current in currents.values()):
        return None
    for k, junction in enumerate(junctions):
        if k not in conducting and volts_at[junction.plus] - volts_at[junction.minus] > junction.drop:
            return None
    return ExactState(dict(devices), volts_at, currents)


def _linear(
    resolved: Resolved, configuration: Configuration
) -> Iterator[tuple[Part, tuple[str, str], Fraction, Fraction]]:
    """(part, pins, its voltage or fixed current, its resistance)."""
    for part in resolved.circuit.parts.values():
        name, pins = part.name, ("plus", "minus") if "plus" in part.pins else ("a", "b")
        if part.kind in ("resistor", "coil", "load", "inductor"):
            yield part, pins, Fraction(0), Fraction(resolved.value(name, "resistance"))
        elif part.kind in ("battery", "supply"):
            yield (
                part,
                pins,
                Fraction(resolved.value(name, "voltage")),
                Fraction(resolved.value(name, "resistance")),
            )
        elif part.kind == "driver":
            level = Fraction(resolved.value(name, configuration.drivers[name]))
            yield part, ("out", "reference"), level, Fraction(resolved.value(name, "resistance"))
        elif part.kind == "contact" and configuration.contacts[name] == "closed":
            yield part, pins, Fraction(0), Fraction(0)
        elif part.kind == "current-source":
            yield part, ("from", "to"), Fraction(resolved.value(name, "current")), Fraction(0)


def eliminate(rows: list[dict[int, Fraction]]) -> list[Fraction] | None:
    """Solve sparse equations exactly; ``None`` when they contradict, Singular when some are missing."""
    pending = [dict(row) for row in rows]
    solved: list[tuple[int, dict[int, Fraction]]] = []
    while pending:
        pending.sort(key=len, reverse=True)
        row = {k: v for k, v in pending.pop().items() if v != 0}
        pivot = next((k for k in row if k != -1), None)
        if pivot is None:
            if row:
                return None
            continue
        row = {k: v / row[pivot] for k, v in row.items()}
        for other in pending:
            factor = other.pop(pivot, Fraction(0))
            if factor:
                for k, v in row.items():
                    if k != pivot:
                        other[k] = other.get(k, Fraction(0)) - factor * v
        solved.append((pivot, row))
    if len(solved) < len(rows):
        raise Singular("fewer equations than unknowns")
    values = [Fraction(0)] * len(rows)
    for pivot, row in reversed(solved):
        values[pivot] = row.get(-1, Fraction(0)) - sum(
            (v * values[k] for k, v in row.items() if k not in (-1, pivot)), Fraction(0)
        )
    return values
