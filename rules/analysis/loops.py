"""Nets that ideal branches or resistive parts tie together, and loops of ideal branches."""

from __future__ import annotations

from rules.analysis.elements import JOINTS, SOURCES, Branch, Fault
from rules.analysis.graph import loop_through
from rules.analysis.resolve import Resolved

_LOOP_TOLERANCE = 1e-9  # V; two ideal sources in parallel agree within this


class Potentials:
    """Union-find over nets that also tracks the ideal voltage between them."""

    def __init__(self, nets: tuple[str, ...]) -> None:
        self.parent = {net: net for net in nets}
        self.offset = dict.fromkeys(nets, 0.0)  # v(net) - v(parent)

    def find(self, net: str) -> tuple[str, float]:
        total = 0.0
        while self.parent[net] != net:
            total += self.offset[net]
            net = self.parent[net]
        return net, total

    def join(self, a: str, b: str, voltage: float) -> float | None:
        """Demand v(a) - v(b) = voltage; the contradiction in V, or ``None`` when newly joined."""
        (root_a, off_a), (root_b, off_b) = self.find(a), self.find(b)
        if root_a == root_b:
            return (off_a - off_b) - voltage
        first = min(root_a, root_b)
        # the smaller name stays the root, so that the outcome does not depend on order
        if first == root_b:
            self.parent[root_a], self.offset[root_a] = root_b, voltage + off_b - off_a
        else:
            self.parent[root_b], self.offset[root_b] = root_a, off_a - off_b - voltage
        return None


def independent(
    branches: tuple[Branch, ...], nets: tuple[str, ...], resolved: Resolved, faults: list[Fault]
) -> tuple[tuple[Branch, ...], tuple[Branch, ...], tuple[str, ...]]:
    """Split off ideal branches that close a loop of ideal branches; report contradictions."""
    potentials = Potentials(nets)
    kept: list[Branch] = []
    loose: list[Branch] = []
    in_loops: set[str] = set()
    for branch in branches:
        if branch.resistance > 0.0:
            kept.append(branch)
            continue
        gap = potentials.join(branch.nets[0], branch.nets[1], branch.voltage)
        if gap is None:
            kept.append(branch)
            continue
        ideal = [b.part for b in kept if b.resistance == 0.0]
        loop = loop_through(resolved.circuit, branch.part, ideal)
        in_loops.update(loop)
        if abs(gap) <= _LOOP_TOLERANCE:
            loose.append(branch)
        else:
            faults.append(_loop_fault(loop, branch, abs(gap), resolved))
    return tuple(kept), tuple(loose), tuple(sorted(in_loops))


def _loop_fault(loop: tuple[str, ...], branch: Branch, gap: float, resolved: Resolved) -> Fault:
    kinds = {resolved.circuit.parts[name].kind for name in loop}
    sources = [name for name in loop if resolved.circuit.parts[name].kind in SOURCES]
    nets = tuple(sorted(branch.nets))
    listed = ", ".join(loop)
    if (len(sources) == 1 and kinds & {*JOINTS, "inductor"}) or (len(sources) == 1 and len(loop) == 1):
        return Fault(
            "supply-short",
            loop,
            nets,
            f"{listed}: {gap:.3g} V stands across a loop with no resistance; the supply is shorted",
        )
    return Fault(
        "source-loop",
        loop,
        nets,
        f"{listed}: ideal voltages in one loop contradict each other by {gap:.3g} V; "
        "at least one of them needs a resistance",
    )


def components(nets: tuple[str, ...], edges: list[tuple[str, str]]) -> list[tuple[str, ...]]:
    parent = {net: net for net in nets}

    def find(net: str) -> str:
        while parent[net] != net:
            parent[net] = parent[parent[net]]
            net = parent[net]
        return net

    for a, b in edges:
        root_a, root_b = sorted((find(a), find(b)))
        parent[root_b] = root_a
    groups: dict[str, list[str]] = {}
    for net in nets:
        groups.setdefault(find(net), []).append(net)
    return sorted(tuple(sorted(group)) for group in groups.values())
