"""Digits that rounding takes from a state, won back with a current for each pin.

Where a transistor saturates hard, two large junction currents leave a small pin
current only as their difference; at a net of megohms the digits lost are volts.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from rules.analysis.complementarity import SINGULAR, Solution
from rules.analysis.elements import Array
from rules.analysis.network import Network, pin_shares

STEPS = 4
MISFIT = 1e-10  # V, or of the largest voltage; a conducting junction further from its drop shows rounding

PinCurrents = dict[tuple[str, str], float]


def refined(
    network: Network, betas: Mapping[str, float], solution: Solution, point: Array
) -> tuple[Array, PinCurrents]:
    """Node voltages (V) and branch currents (A), and the current into each device pin (A).

    ``point`` is what the junction currents give.  It comes back as it is, with no
    pin currents, where every conducting junction stands at its drop.
    """
    size = len(network.nets)
    pins: PinCurrents = {}
    potential = solution.potential
    for _ in range(STEPS):
        misfit = _misfit(network, solution, point)
        largest = max(1.0, float(np.abs(point[:size]).max(initial=0.0)))
        if float(np.abs(misfit).max(initial=0.0)) <= MISFIT * largest:
            break
        if not pins:
            _add(network, betas, solution.current, pins)
        current, moved = _correction(network, betas, solution, misfit)
        _add(network, betas, current, pins)
        potential = potential + moved
        point = _answer(network, pins, potential)
    return point, pins


def _misfit(network: Network, solution: Solution, point: Array) -> Array:
    """How far each conducting junction is from its drop (V)."""
    chosen = list(solution.support)
    resistance = np.array([network.junctions[k].resistance for k in chosen])
    across = network.sense[chosen] @ point[: len(network.nets)]
    misfit: Array = across - network.drops()[chosen] - resistance * solution.current[chosen]
    return misfit


def _correction(
    network: Network, betas: Mapping[str, float], solution: Solution, misfit: Array
) -> tuple[Array, Array]:
    """Junction currents (A) and island potentials (V) that undo a misfit."""
    g, _ = network.equations(betas)
    count = len(network.junctions)
    keep = [*solution.support, *range(count, len(g))]
    matrix = g[np.ix_(keep, keep)]
    rows = 1.0 / np.maximum(np.abs(matrix).max(axis=1, initial=0.0), 1e-300)
    matrix = matrix * rows[:, None]
    columns = 1.0 / np.maximum(np.abs(matrix).max(axis=0, initial=0.0), 1e-300)
    right = rows * np.concatenate([misfit, np.zeros(len(network.islands))])
    step = np.zeros(len(g))
    # where something is left open the smallest correction will do
    cut = 1e-3 * SINGULAR if solution.determined else SINGULAR
    step[keep] = columns * np.linalg.lstsq(matrix * columns, right, rcond=cut)[0]
    return step[:count], step[count:]


def _add(network: Network, betas: Mapping[str, float], current: Array, pins: PinCurrents) -> None:
    for k, ampere in enumerate(current.tolist()):
        for pin, share in pin_shares(network, betas, k).items():
            key = (network.junctions[k].device, pin)
            pins[key] = pins.get(key, 0.0) + share * ampere


def _answer(network: Network, pins: PinCurrents, potential: Array) -> Array:
    """Node voltages and branch currents when these currents flow into the device pins."""
    parts = network.resolved.circuit.parts
    row = {net: k for k, net in enumerate(network.nets)}
    source = network.source_vector()
    for (device, pin), current in pins.items():
        k = row.get(parts[device].pins[pin])
        if k is not None:
            source[k] -= current
    point: Array = network.inverse @ source
    point[: len(row)] += network.island_map @ potential
    return point
