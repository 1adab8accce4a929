"""Where the values of a network go in its nodal matrix."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from rules.analysis.elements import RESISTIVE, Array
from rules.analysis.network import Network


@dataclass(frozen=True, eq=False)
class Layout:
    """Where the values of a network go in its nodal matrix (nets and branches, without the reference)."""

    network: Network
    resistors: tuple[str, ...]
    ends: tuple[tuple[int, int], ...]  # of each resistor; the number of nets stands for the reference
    stamps: Array  # (resistors, s, s) per siemens
    ties: tuple[tuple[int, int], ...]
    tie_stamps: Array  # (branches, s, s) per ohm
    fixed: Array  # (s, s)
    datums: tuple[int, ...]

    @cached_property
    def junction_ends(self) -> tuple[list[int], list[int]]:
        """Rows of both ends of each junction; the number of nets stands for the reference."""
        rows = {net: k for k, net in enumerate(self.network.nets)}
        ends = [junction.sense for junction in self.network.junctions]
        return [rows.get(a, len(rows)) for a, _ in ends], [rows.get(b, len(rows)) for _, b in ends]


def layout_of(network: Network) -> Layout:
    """The places of the values of one network."""
    circuit, nets = network.resolved.circuit, network.nets
    index = {net: k for k, net in enumerate((*nets, circuit.ground))}
    count, size = len(network.branches), len(nets)
    datums = _datums(network)
    total = size + 1 + count
    resistors = tuple(
        p.name for p in circuit.parts.values() if p.kind in RESISTIVE and p.name not in network.held
    )
    ends = tuple((index[a], index[b]) for a, b in (circuit.parts[name].pins.values() for name in resistors))
    stamps = np.zeros((len(resistors), total, total))
    for k, (a, b) in enumerate(ends):
        stamps[k, a, a] += 1.0
        stamps[k, b, b] += 1.0
        stamps[k, a, b] -= 1.0
        stamps[k, b, a] -= 1.0
    fixed, tie_stamps = np.zeros((total, total)), np.zeros((count, total, total))
    ties = tuple((index[branch.nets[0]], index[branch.nets[1]]) for branch in network.branches)
    for k, (a, b) in enumerate(ties):
        row = size + 1 + k
        for net, sign in ((a, 1.0), (b, -1.0)):
            fixed[net, row] += sign
            fixed[row, net] += sign
        tie_stamps[k, row, row] = -1.0
    for datum in datums:
        stamps[:, datum, :] = 0.0
        fixed[datum, :] = 0.0
        fixed[datum, datum] = 1.0
    keep = np.arange(total) != size
    return Layout(
        network,
        resistors,
        ends,
        stamps[:, keep][:, :, keep],
        ties,
        tie_stamps[:, keep][:, :, keep],
        fixed[np.ix_(keep, keep)],
        datums,
    )


def _datums(network: Network) -> tuple[int, ...]:
    """Rows of the nets at which floating parts are held: their injections count nowhere."""
    size = len(network.nets)
    return tuple(k for k in range(size) if not network.inverse[:, k].any())
