"""The bipartite graph of parts and nets."""

from __future__ import annotations

import networkx as nx

from rules.analysis.graph import bipartite, joined, loop_through, path_between
from tests.builders import capacitor, circuit, contact, npn, resistor, supply

BENCH = circuit(
    supply("V1", "rail", "gnd", 9.0),
    resistor("R1", "rail", "a", 1e3),
    resistor("R2", "a", "b", 1e3),
    resistor("R3", "b", "gnd", 1e3),
    contact("S1", "rail", "b"),
    capacitor("C1", "x", "gnd", 1e-6),
    npn("Q1", collector="a", base="a", emitter="gnd", beta=100.0),
)


def test_parts_and_nets_alternate_and_every_pin_is_an_edge() -> None:
    graph = bipartite(BENCH)
    assert nx.is_bipartite(graph)
    assert {frozenset((left[0], right[0])) for left, right in graph.edges} == {frozenset(("part", "net"))}
    pins = sum(len(data["pins"]) for _, _, data in graph.edges(data=True))
    assert pins == sum(len(part.pins) for part in BENCH.parts.values())
    assert graph.edges[("part", "Q1"), ("net", "a")]["pins"] == ("base", "collector")


def test_the_shortest_way_keeps_to_the_parts_it_may_use() -> None:
    resistors = ["R1", "R2", "R3"]
    assert path_between(BENCH, "rail", "gnd", resistors) == ("R1", "R2", "R3")
    assert path_between(BENCH, "rail", "gnd", [*resistors, "S1"]) == ("S1", "R3")
    assert path_between(BENCH, "rail", "x", resistors) is None
    assert path_between(BENCH, "a", "rail", ["R1"]) == ("R1",)


def test_a_loop_holds_the_part_that_closes_it() -> None:
    assert loop_through(BENCH, "S1", ["R1", "R2", "S1"]) == ("R1", "R2", "S1")
    assert loop_through(BENCH, "C1", ["R1"]) == ("C1",)


def test_nets_are_joined_only_inside_the_group() -> None:
    assert joined(BENCH, {"a", "b", "x"}, ["R1", "R2", "R3"]) == (("a", "b"), ("x",))
    assert joined(BENCH, {"a", "gnd"}, ["R2", "R3"]) == (("a",), ("gnd",))
