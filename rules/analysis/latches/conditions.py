"""One eliminated network under many conditions at once: gains, junction drops, source voltages, leakage.

The resistances stay, so nothing is eliminated again: a condition only changes
columns of the reduced matrix and its right side.  Arrays of conditions carry a
leading axis.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np

from rules.analysis.corners.parameters import (
    DROP_PER_KELVIN,
    GAIN_PER_KELVIN,
    HANDBOOK_TEMPERATURE,
    LEAST_DROP,
    LEAST_FACTOR,
    TEMPERATURE,
    Point,
)
from rules.analysis.elements import Array
from rules.analysis.formulas.cutoff import collector_base_leakage
from rules.analysis.network import Network
from rules.analysis.resolve import SUPPLIES, TRANSISTORS


@dataclass(frozen=True, eq=False)
class Conditions:
    """``gain`` and ``drops`` (V) per junction, ``source`` (A per net, then V per branch).

    The gain of a base-collector junction is the reverse gain, that of a diode infinite.
    """

    gain: Array
    drops: Array
    source: Array

    def at(self, k: int) -> Conditions:
        return Conditions(self.gain[k], self.drops[k], self.source[k])

    @property
    def alone(self) -> Conditions:
        """One condition as an array of one."""
        return Conditions(self.gain[None], self.drops[None], self.source[None])


def condition(network: Network, point: Point, gains: Mapping[str, float]) -> Conditions:
    """A network at one point of its supplies and temperature; ``gains`` are those at 25 degC."""
    resolved = network.resolved
    kelvin = point.get(TEMPERATURE, HANDBOOK_TEMPERATURE) - HANDBOOK_TEMPERATURE
    factor = max(1.0 + GAIN_PER_KELVIN * kelvin, LEAST_FACTOR)
    shift = DROP_PER_KELVIN * kelvin
    reverse, sat = resolved.assumptions["reverse_beta"], resolved.assumptions["vce_sat"]
    parts = resolved.circuit.parts
    gain, drops = [], []
    for junction in network.junctions:
        transistor, forward = parts[junction.device].kind in TRANSISTORS, junction.name == "forward"
        gain.append((gains[junction.device] * factor if forward else reverse) if transistor else np.inf)
        whole = junction.drop + (sat if transistor and not forward else 0.0)
        warm = whole if junction.name == "breakdown" else max(whole + shift, min(whole, LEAST_DROP))
        drops.append(junction.drop + warm - whole)
    source = network.source_vector()
    size = len(network.nets)
    for k, branch in enumerate(network.branches):
        if parts[branch.part].kind in SUPPLIES:
            source[size + k] = point.get((branch.part, "voltage"), branch.voltage)
    return Conditions(np.array(gain), np.array(drops), source)


def forward_of(network: Network, transistors: Iterable[str]) -> Array:
    """1 for the base-emitter junction of each of the transistors, else 0."""
    wanted = set(transistors)
    chosen = [j.device in wanted and j.name == "forward" for j in network.junctions]
    return np.array(chosen, dtype=np.float64)


def fed_by(network: Network) -> Array:
    """1 for the branch of each battery and supply, else 0, over nets and branches."""
    parts = network.resolved.circuit.parts
    kinds = [parts[branch.part].kind in SUPPLIES for branch in network.branches]
    return np.array([False] * len(network.nets) + kinds, dtype=np.float64)


def between(start: Conditions, end: Conditions, share: Array) -> Conditions:
    """From one condition to another, at each ``share`` of the way: gains by factor, all else straight."""
    along = share[:, None]
    ratio = np.where(np.isinf(start.gain), 1.0, end.gain / np.where(np.isinf(start.gain), 1.0, start.gain))
    return Conditions(
        start.gain * ratio**along,
        start.drops + (end.drops - start.drops) * along,
        start.source + (end.source - start.source) * along,
    )


def with_gain(base: Conditions, junctions: Array, factor: Array) -> Conditions:
    """The gains of ``junctions`` (0/1) times each of ``factor``."""
    count = len(factor)
    return Conditions(
        base.gain * np.where(junctions > 0.0, factor[:, None], 1.0),
        np.tile(base.drops, (count, 1)),
        np.tile(base.source, (count, 1)),
    )


def with_supply(base: Conditions, branches: Array, factor: Array) -> Conditions:
    """The voltages of ``branches`` (0/1) times each of ``factor``."""
    count = len(factor)
    return Conditions(
        np.tile(base.gain, (count, 1)),
        np.tile(base.drops, (count, 1)),
        base.source * np.where(branches > 0.0, factor[:, None], 1.0),
    )


def leaking(network: Network, base: Conditions, temperatures: Array, guarded: Array) -> Conditions:
    """Collector-base leakage of every transistor at each temperature (K), and the drops there.

    ``base`` is the condition at 25 degC.  The junctions ``guarded`` (0/1) have to stay below V_BE,off,
    the others conduct at their drop; every drop falls by 2 mV/K.
    """
    resolved = network.resolved
    index = {net: k for k, net in enumerate(network.nets)}
    pattern = np.zeros(len(base.source))
    for part in resolved.circuit.parts.values():
        if part.kind in TRANSISTORS:
            sign = resolved.value(part.name, "icbo") * (-1.0 if part.kind == "pnp" else 1.0)
            for pin, current in (("base", sign), ("collector", -sign)):
                k = index.get(part.pins[pin])
                if k is not None:
                    pattern[k] += current
    growth = np.array([collector_base_leakage(1.0, t) for t in temperatures.tolist()])
    at_room = np.where(guarded > 0.0, resolved.assumptions["vbe_off"], base.drops)
    shift = DROP_PER_KELVIN * (temperatures - HANDBOOK_TEMPERATURE)[:, None]
    silicon = np.array([junction.name != "breakdown" for junction in network.junctions])
    return Conditions(
        np.tile(base.gain, (len(temperatures), 1)),
        np.where(silicon, np.maximum(at_room + shift, LEAST_DROP), at_room),
        base.source + growth[:, None] * pattern,
    )
