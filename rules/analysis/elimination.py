"""Elimination of the linear network, without loss of digits where resistances lie far apart.

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


WIDE = 1e6  # ratio of the largest to the smallest resistance from which an ordinary inverse loses digits


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
    ohms = [value for _, value in (*resistors, *branches) if value > 0.0]
    wide = max(ohms, default=1.0) > WIDE * min(ohms, default=1.0)
    inverse = (star_mesh_inverse if wide else nodal_inverse)(size, datums, resistors, branches)
    inverse[:, datums] = 0.0
    return inverse


def nodal_inverse(
    size: int,
    datums: Sequence[int],
    resistors: Sequence[tuple[Ends, float]],
    branches: Sequence[tuple[Ends, float]],
) -> Array:
    """The ordinary way: fast, and accurate while resistances lie close together."""
    total = size + 1 + len(branches)
    matrix = np.zeros((total, total))
    for (a, b), ohms in resistors:
        conductance = 1.0 / ohms
        matrix[a, a] += conductance
        matrix[b, b] += conductance
        matrix[a, b] -= conductance
        matrix[b, a] -= conductance
    for row, ((a, b), ohms) in enumerate(branches, start=size + 1):
        for net, sign in ((a, 1.0), (b, -1.0)):
            matrix[net, row] += sign
            matrix[row, net] += sign
        matrix[row, row] -= ohms
    for datum in datums:
        # the datum's own balance is the island's constraint; here its voltage is 0
        matrix[datum, :] = 0.0
        matrix[datum, datum] = 1.0
    keep = np.arange(total) != size
    inverse: Array = np.linalg.inv(matrix[np.ix_(keep, keep)]).astype(np.float64, copy=False)
    return inverse


def star_mesh_inverse(
    size: int,
    datums: Sequence[int],
    resistors: Sequence[tuple[Ends, float]],
    branches: Sequence[tuple[Ends, float]],
) -> Array:
    """The careful way: resistances may lie eleven decades apart."""
    inverse: Array = star_mesh_inverses(
        size,
        datums,
        [ends for ends, _ in resistors],
        [ends for ends, _ in branches],
        np.array([ohms for _, ohms in resistors]).reshape(1, -1),
        np.array([ohms for _, ohms in branches]).reshape(1, -1),
    )[0]
    return inverse


def star_mesh_inverses(
    size: int,
    datums: Sequence[int],
    resistors: Sequence[Ends],
    branches: Sequence[Ends],
    ohms: Array,
    branch_ohms: Array,
) -> Array:
    """The careful way for N networks of one shape, which differ in their resistances only.

    ``ohms`` is (N, resistors), ``branch_ohms`` (N, branches); a branch of 0 ohm is so in all of them.
    Result (N, size + branches, size + branches).
    """
    many, count = len(ohms), len(branches)
    fixed = [*datums, size]
    resistive = [k for k in range(count) if branch_ohms[0, k] > 0.0]
    order, parents = _forest(size + 1, fixed, [(branches[k], k) for k in range(count) if k not in resistive])
    offset, root = np.zeros((size + 1, count)), np.arange(size + 1)
    for net in order:
        if net in parents:
            parent, k, sign = parents[net]
            offset[net], root[net] = offset[parent], root[parent]
            offset[net, k] += sign
    offset += _shifts(size + 1, fixed, root, offset, [(branches[k], k) for k in resistive])[root]
    elements = [*resistors, *(branches[k] for k in resistive)]
    first, second = (np.array([ends[k] for ends in elements], dtype=np.intp) for k in (0, 1))
    conductance = 1.0 / np.hstack([ohms, branch_ohms[:, resistive]])
    # what drives each element besides the potentials of its nets
    drive = np.zeros((len(elements), size + count))
    drive[:, size:] = offset[first] - offset[second]
    drive[range(len(resistors), len(elements)), [size + k for k in resistive]] -= 1.0
    roots = [net for net in range(size + 1) if root[net] == net and net not in fixed]
    place = np.full(size + 1, len(roots), dtype=np.intp)  # the last place stands for every fixed net
    place[roots] = np.arange(len(roots))
    merged = place[root]
    gather = np.zeros((len(roots) + 1, size + 1))
    gather[merged, np.arange(size + 1)] = 1.0
    incidence = np.zeros((len(elements), size + 1))
    incidence[np.arange(len(elements)), first] += 1.0
    incidence[np.arange(len(elements)), second] -= 1.0
    right = -np.matmul(gather @ incidence.T, conductance[:, :, None] * drive)
    right[:, :, :size] += gather[:, :size]
    potentials = np.zeros((many, len(roots) + 1, size + count))
    potentials[:, :-1] = np.matmul(
        _grounded(len(roots), merged[first], merged[second], conductance), right[:, :-1]
    )
    potentials = potentials[:, merged]
    # Ohm's law element by element, so that small currents do not drown at busy nets
    flow = conductance[:, :, None] * (potentials[:, first] - potentials[:, second] + drive)
    currents = np.zeros((many, count, size + count))
    currents[:, resistive] = flow[:, len(resistors) :]
    # Kirchhoff's current law from the leaves of the merged nets inwards
    left = -np.matmul(incidence.T, flow)
    left[:, np.arange(size), np.arange(size)] += 1.0
    for net in reversed(order):
        if net in parents:
            parent, k, sign = parents[net]
            currents[:, k] = sign * left[:, net]
            left[:, parent] += left[:, net]
    potentials[:, :, size:] += offset
    return np.concatenate([potentials[:, :size], currents], axis=1)


def _forest(
    nets: int, starts: Sequence[int], edges: Sequence[tuple[Ends, int]]
) -> tuple[list[int], dict[int, tuple[int, int, float]]]:
    """Every net, parents first, and its (parent, edge, +1 when the net is the edge's first end)."""
    beside: dict[int, list[tuple[int, int, float]]] = {}
    for (a, b), k in edges:
        beside.setdefault(b, []).append((a, k, 1.0))
        beside.setdefault(a, []).append((b, k, -1.0))
    parents: dict[int, tuple[int, int, float]] = {}
    order: list[int] = []
    seen: set[int] = set(starts)
    for start in (*starts, *(net for net in range(nets) if net not in starts)):
        queue = [start] if start in starts or start not in seen else []
        seen.add(start)
        for net in queue:
            for other, k, sign in beside.get(net, []):
                if other not in seen:
                    seen.add(other)
                    parents[other] = (net, k, sign)
                    queue.append(other)
        order.extend(queue)
    return order, parents


def _shifts(
    nets: int,
    fixed: Sequence[int],
    root: NDArray[np.intp],
    offset: Array,
    sources: Sequence[tuple[Ends, int]],
) -> Array:
    """Potentials to count from, so that a source with resistance drives nothing of its own.

    Counted from zero, its small resistance would turn its voltage into a large current, most of which
    comes back another way: the difference is what is left of it.
    """
    order, parents = _forest(nets, fixed, [((int(root[a]), int(root[b])), k) for (a, b), k in sources])
    ends = {k: pair for pair, k in sources}
    shift = np.zeros_like(offset)
    for net in order:
        if net in parents:
            parent, k, sign = parents[net]
            a, b = ends[k]
            shift[net] = shift[parent] - sign * (offset[a] - offset[b])
            shift[net, k] += sign
    return shift


def _grounded(size: int, first: NDArray[np.intp], second: NDArray[np.intp], conductance: Array) -> Array:
    """Inverses of nodal matrices of resistors, net ``size`` grounded, by adding positive numbers only.

    ``conductance`` is (N, resistors), the result (N, size, size).
    """
    many = len(conductance)
    mutual = np.zeros((many, size + 1, size + 1))
    for k, (a, b) in enumerate(zip(first.tolist(), second.tolist(), strict=True)):
        mutual[:, a, b] += conductance[:, k]
        if a != b:
            mutual[:, b, a] += conductance[:, k]  # the diagonal is never looked at
    steps, total = np.zeros((many, size, size)), np.zeros((many, size))
    for k in range(size):
        row = mutual[:, k, k + 1 :]
        total[:, k] = row.sum(axis=1)
        ratio = row / total[:, k, None]
        steps[:, k, k + 1 :] = ratio[:, :-1]
        mutual[:, k + 1 :, k + 1 :] += row[:, :, None] * ratio[:, None, :]
    weights = np.broadcast_to(np.eye(size), (many, size, size)).copy()
    for k in range(size - 2, -1, -1):
        weights[:, k] += np.matmul(steps[:, None, k, k + 1 :], weights[:, k + 1 :])[:, 0]
    result: Array = np.matmul(weights / total[:, None, :], np.swapaxes(weights, 1, 2))
    return result
