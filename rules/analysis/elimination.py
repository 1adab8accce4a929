"""Elimination of the linear network without loss of digits.

Milliohms beside hundreds of megohms take all digits from an ordinary matrix
inverse: the sum of the conductances at a net forgets the small ones.  Nets tied
by ideal branches are merged first; what is left, a resistor network with every
floating part held at one net, is eliminated net by net in star-mesh form, which
only ever adds positive numbers (Grassmann, Taksar and Heyman, "Regenerative
analysis and steady state distributions", Operations Research 33, 1985; from memory).
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Ends = tuple[int, int]  # rows of the two nets


def network_inverse(
    size: int,
    datums: Sequence[int],
    resistors: Sequence[tuple[Ends, float]],
    branches: Sequence[tuple[Ends, float]],
) -> Array:
    """Node voltages and branch currents per unit of each injection and branch voltage.

    Nets are numbered 0 ... ``size``; number ``size`` is the reference.  ``resistors``
    and ``branches`` are (ends, ohms); a branch keeps v(first) - v(second) - ohms * j
    at its voltage, its current j flowing from its first net to its second; those of
    0 ohm form no loop.  Each net in ``datums`` stands for a floating part: it is held at
    0 V and what is injected there counts nowhere.  Result: (size + branches,) squared, the
    rows voltages (V) then currents (A), the columns injections (A) then voltages (V).
    """
    count = len(branches)
    fixed = [*datums, size]
    order, parents = _forest(size + 1, fixed, branches)
    offset, root = np.zeros((size + 1, count)), np.arange(size + 1)
    for net in order:
        if net in parents:
            parent, k, sign = parents[net]
            offset[net], root[net] = offset[parent], root[parent]
            offset[net, k] += sign
    elements = [(ends, 1.0 / ohms) for ends, ohms in resistors] + [
        (ends, 1.0 / ohms) for ends, ohms in branches if ohms > 0.0
    ]
    first, second = (np.array([ends[k] for ends, _ in elements], dtype=np.intp) for k in (0, 1))
    conductance = np.array([g for _, g in elements])
    # what drives each element besides its node voltages: offsets of merged nets, its own voltage
    drive = offset[first] - offset[second]
    for row, k in enumerate((k for k, (_, ohms) in enumerate(branches) if ohms > 0.0), start=len(resistors)):
        drive[row, k] -= 1.0
    roots = [net for net in range(size + 1) if root[net] == net and net not in fixed]
    place = np.full(size + 1, -1, dtype=np.intp)
    place[roots] = np.arange(len(roots))
    merged = place[root]
    right = np.zeros((len(roots) + 1, size + count))  # the last row gathers what meets a fixed net
    np.add.at(right, (merged[:size], np.arange(size)), 1.0)
    apart = root[first] != root[second]
    for ends, sign in ((first, -1.0), (second, 1.0)):
        np.add.at(right[:, size:], merged[ends[apart]], sign * conductance[apart, None] * drive[apart])
    potentials = np.vstack([_grounded(len(roots), merged[first], merged[second], conductance) @ right[:-1],
                            np.zeros((1, size + count))])
    voltages = potentials[merged]
    voltages[:, size:] += offset
    return np.vstack([voltages[:size],
                      _currents(size, voltages, branches, (order, parents), (first, second, conductance))])


def _forest(nets: int, fixed: Sequence[int], branches: Sequence[tuple[Ends, float]]
            ) -> tuple[list[int], dict[int, tuple[int, int, float]]]:
    """Every net, parents first, and its (parent, ideal branch, +1 when the net is the branch's first end)."""
    beside: dict[int, list[tuple[int, int, float]]] = {}
    for k, ((a, b), ohms) in enumerate(branches):
        if ohms == 0.0:
            beside.setdefault(b, []).append((a, k, 1.0))
            beside.setdefault(a, []).append((b, k, -1.0))
    parents: dict[int, tuple[int, int, float]] = {}
    order: list[int] = []
    seen: set[int] = set()
    for start in (*fixed, *range(nets)):
        queue = [] if start in seen else [start]
        seen.add(start)
        for net in queue:
            for other, k, sign in beside.get(net, []):
                if other not in seen:
                    seen.add(other)
                    parents[other] = (net, k, sign)
                    queue.append(other)
        order.extend(queue)
    return order, parents


def _grounded(size: int, first: NDArray[np.intp], second: NDArray[np.intp], conductance: Array) -> Array:
    """Inverse of the nodal matrix of resistors, net -1 grounded; each entry keeps its relative accuracy."""
    mutual = np.zeros((size + 1, size + 1))
    between = first != second
    np.add.at(mutual, (first[between], second[between]), conductance[between])
    mutual += mutual.T
    steps, total = np.zeros((size, size)), np.zeros(size)
    for k in range(size):
        row = mutual[k, k + 1:]  # the last column is ground
        total[k] = row.sum()
        ratio = row / total[k]
        steps[k, k + 1:] = ratio[:-1]
        mutual[k + 1:, k + 1:] += np.outer(row, ratio)
        np.fill_diagonal(mutual[k + 1:, k + 1:], 0.0)
    weights = np.eye(size)
    for k in range(size - 2, -1, -1):
        weights[k] += steps[k, k + 1:] @ weights[k + 1:]
    return (weights / total) @ weights.T


def _currents(size: int, voltages: Array, branches: Sequence[tuple[Ends, float]],
              forest: tuple[list[int], dict[int, tuple[int, int, float]]],
              elements: tuple[NDArray[np.intp], NDArray[np.intp], Array]) -> Array:
    """Branch currents: Ohm's law, and Kirchhoff's current law from the leaves of merged nets inwards."""
    first, second, conductance = elements
    count = len(branches)
    flow = conductance[:, None] * (voltages[first] - voltages[second])
    resistive = [k for k, (_, ohms) in enumerate(branches) if ohms > 0.0]
    rows = range(len(flow) - len(resistive), len(flow))
    for row, k in zip(rows, resistive, strict=True):
        flow[row, size + k] -= conductance[row]
    left = np.zeros((size + 1, size + count))  # injection not yet carried away
    left[np.arange(size), np.arange(size)] = 1.0
    np.subtract.at(left, first, flow)
    np.add.at(left, second, flow)
    currents = np.zeros((count, size + count))
    currents[resistive] = flow[len(flow) - len(resistive):]
    order, parents = forest
    for net in reversed(order):
        if net in parents:
            parent, k, sign = parents[net]
            currents[k] = sign * left[net]
            left[parent] += left[net]
    return currents
