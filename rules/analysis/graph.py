"""The circuit as a bipartite graph: parts on one side, nets on the other, pins as edges.

networkx takes longer to import than a small circuit to solve, so it is loaded
only by the functions that need a path or a picture of the graph; the hot path
keeps to plain tables.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING, TypeAlias

from schemas.circuit import Circuit

if TYPE_CHECKING:
    import networkx

Node: TypeAlias = tuple[str, str]  # ("part", name) or ("net", name)


def bipartite(circuit: Circuit, parts: Iterable[str] | None = None) -> networkx.Graph[Node]:
    """Parts and nets joined by pins; an edge's ``pins`` lists the pins of that part on that net.

    ``parts`` limits the graph to some parts.  Nodes are added in name order, so
    that every walk over the graph is the same on every run.
    """
    import networkx as nx

    graph: networkx.Graph[Node] = nx.Graph()
    for name in sorted(circuit.parts if parts is None else parts):
        pins = circuit.parts[name].pins
        graph.add_node(("part", name), bipartite=0, kind=circuit.parts[name].kind)
        for pin, net in sorted(pins.items()):
            graph.add_node(("net", net), bipartite=1)
            before = graph.get_edge_data(("part", name), ("net", net), default={"pins": ()})["pins"]
            graph.add_edge(("part", name), ("net", net), pins=(*before, pin))
    return graph


def path_between(circuit: Circuit, start: str, goal: str, parts: Iterable[str]) -> tuple[str, ...] | None:
    """The parts on a shortest way between two nets through ``parts`` only, in order; ``None``: no way."""
    import networkx as nx

    graph = bipartite(circuit, parts)
    try:
        way = nx.shortest_path(graph, ("net", start), ("net", goal))
    except (nx.NetworkXNoPath, nx.NodeNotFound):
        return None
    return tuple(name for side, name in way if side == "part")


def loop_through(circuit: Circuit, part: str, parts: Iterable[str]) -> tuple[str, ...]:
    """The parts on the shortest loop that a two-pin ``part`` closes through ``parts``, with itself, sorted.

    Only the part itself where its pins share a net or nothing closes the loop.
    """
    first, second = sorted(circuit.parts[part].pins.values())
    if first == second:
        return (part,)
    others = path_between(circuit, first, second, [name for name in parts if name != part])
    return tuple(sorted({part, *(others or ())}))


def joined(circuit: Circuit, nets: Iterable[str], parts: Iterable[str]) -> tuple[tuple[str, ...], ...]:
    """Groups of ``nets`` that ``parts`` tie together without leaving those nets, sorted."""
    group = {net: {net} for net in nets}
    for name in parts:
        ends = [net for net in circuit.parts[name].pins.values() if net in group]
        for net in ends[1:]:
            both = group[ends[0]] | group[net]
            group.update(dict.fromkeys(both, both))
    return tuple(sorted({tuple(sorted(one)) for one in group.values()}))


def distances(circuit: Circuit, starts: Iterable[str]) -> dict[str, int]:
    """How many parts lie between each net and the nearest of ``starts``; ground is no way through.

    Nets that no part joins to them are missing.
    """
    import networkx as nx

    graph = bipartite(circuit)
    sources = [("net", net) for net in sorted(set(starts)) if ("net", net) in graph]
    live = [node for node in sources if node[1] != circuit.ground]
    if ("net", circuit.ground) in graph:
        graph.remove_node(("net", circuit.ground))
    found = nx.multi_source_dijkstra_path_length(graph, set(live)) if live else {}
    return {name: int(steps) // 2 for (side, name), steps in sorted(found.items()) if side == "net"}
