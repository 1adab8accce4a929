"""Why a circuit has no state: ideal junctions straight across an ideal voltage."""

from __future__ import annotations

from rules.analysis.elements import Fault
from rules.analysis.loops import Potentials
from rules.analysis.network import Network

_DEEPEST = 6  # junctions in series that are followed


def explain_no_state(network: Network) -> Fault:
    """Name the chain of junctions that nothing limits, or every device when no chain stands out."""
    circuit = network.resolved.circuit
    potentials = Potentials((circuit.ground, *network.nets))
    for branch in network.branches:
        if branch.resistance == 0.0:
            potentials.join(*branch.nets, branch.voltage)
    for junction in network.junctions:
        chain = _chain(network, potentials, junction.sense[0])
        if chain is not None:
            parts, volts, nets = chain
            return Fault(
                "supply-short",
                parts,
                nets,
                f"{', '.join(parts)}: {volts:.3g} V more than the junction drops stands across "
                "conducting junctions with no resistance in the way; nothing limits the current",
            )
    devices = tuple(sorted({junction.device for junction in network.junctions}))
    return Fault(
        "no-state",
        devices,
        network.nets,
        "no consistent DC state exists for this arrangement of ideal sources and junctions; "
        "add the resistance that the real parts have",
    )


def unlimited_current(network: Network, junctions: tuple[int, ...]) -> Fault:
    """A state beyond the finite ones: only their own resistance limits what these junctions carry."""
    parts = tuple(sorted({network.junctions[k].device for k in junctions}))
    nets = tuple(sorted({net for k in junctions for net in network.junctions[k].sense}))
    return Fault(
        "supply-short",
        parts,
        nets,
        f"{', '.join(parts)}: in one more state these conduct together straight across an ideal voltage; "
        "nothing limits the current",
    )


def _chain(
    network: Network, potentials: Potentials, start: str
) -> tuple[tuple[str, ...], float, tuple[str, ...]] | None:
    root, high = potentials.find(start)
    stack: list[tuple[str, float, tuple[str, ...]]] = [(start, 0.0, ())]
    while stack:
        net, used, parts = stack.pop()
        for junction in network.junctions:
            if junction.sense[0] != net or junction.device in parts or junction.resistance > 0.0:
                continue
            following, total = junction.sense[1], used + junction.drop
            chain = (*parts, junction.device)
            end_root, low = potentials.find(following)
            if end_root == root and high - low > total + 1e-9:
                return tuple(sorted(chain)), high - low - total, tuple(sorted({start, following}))
            if len(chain) < _DEEPEST:
                stack.append((following, total, chain))
    return None
