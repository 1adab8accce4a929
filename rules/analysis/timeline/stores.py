"""What keeps its value when a contact moves: capacitor voltages and coil currents, and which are free.

Capacitors and ideal sources in one loop bind each other: some voltages then
follow from the others.  The free ones are the state of the circuit; a bound
capacitor adds to their capacitance.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from rules.analysis.elements import COILS, Array, Configuration, branches_of, capacitor_pins
from rules.analysis.loops import Potentials
from rules.analysis.resolve import Resolved


@dataclass(frozen=True, eq=False)
class Stores:
    """The stores of one configuration.

    ``free`` are the names whose values w (V, A) are independent: capacitors,
    then coils.  All stores in the order of ``names`` have the values
    ``combine @ w + fixed``.  ``mass`` is the (free, free) matrix M with
    M dw/dt = current into each free capacitor branch (A), voltage across each coil (V).
    """

    names: tuple[str, ...]
    free: tuple[str, ...]
    capacitors: int  # how many of ``free`` are capacitors
    combine: Array
    fixed: Array
    mass: Array
    weight: Array  # capacitance (F) or inductance (H) of each of ``names``

    def values(self, w: Array) -> dict[str, float]:
        return dict(zip(self.names, (self.combine @ w + self.fixed).tolist(), strict=True))

    def settle(self, values: Mapping[str, float]) -> tuple[Array, float]:
        """The free values nearest to ``values``, and the largest change (V, A) of any store.

        The charge of every loop of capacitors stays.  Missing names count as zero.
        """
        wanted = np.array([values.get(name, 0.0) for name in self.names])
        if not self.free:
            w = np.zeros(0)
        else:
            charge = self.combine.T @ (self.weight * (wanted - self.fixed))
            w = np.asarray(np.linalg.solve(self.mass, charge), dtype=np.float64)
        change = self.combine @ w + self.fixed - wanted
        return w, float(np.abs(change).max(initial=0.0))


def store_names(resolved: Resolved) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """(capacitors, coils with a known inductance), each sorted."""
    parts = resolved.circuit.parts.values()
    capacitors = tuple(sorted(part.name for part in parts if part.kind == "capacitor"))
    coils = tuple(
        sorted(p.name for p in parts if p.kind in COILS and resolved.known(p.name, "inductance") is not None)
    )
    return capacitors, coils


def stores_of(resolved: Resolved, configuration: Configuration) -> Stores:
    """Which stores of a configuration are free, and how the others follow."""
    circuit = resolved.circuit
    capacitors, coils = store_names(resolved)
    potentials = Potentials(circuit.net_names)
    rigid: dict[str, float] = {}
    for branch in branches_of(resolved, configuration, dict.fromkeys(coils, 0.0)):
        if branch.resistance == 0.0 and potentials.join(*branch.nets, branch.voltage) is None:
            rigid[branch.part] = branch.voltage
    # the largest capacitor of a loop stays free: the others are small beside it
    by_size = sorted(capacitors, key=lambda name: (-resolved.value(name, "capacitance"), name))
    free: list[str] = []
    bound: list[str] = []
    for name in by_size:
        first, second = (circuit.parts[name].pins[pin] for pin in capacitor_pins(circuit.parts[name]))
        (free if potentials.join(first, second, 0.0) is None else bound).append(name)
    free.sort()
    names = (*capacitors, *coils)
    columns = (*free, *coils)
    combine, fixed = np.zeros((len(names), len(columns))), np.zeros(len(names))
    for k, name in enumerate(columns):
        combine[names.index(name), k] = 1.0
    for name in bound:
        row = names.index(name)
        for other, sign in _way_round(resolved, name, [*rigid, *free]):
            if other in rigid:
                fixed[row] += sign * rigid[other]
            else:
                combine[row, columns.index(other)] += sign
    members = [(n, "capacitance") for n in capacitors] + [(n, "inductance") for n in coils]
    weight = np.array([resolved.value(*member) for member in members])
    mass = combine.T @ (weight[:, None] * combine)
    return Stores(names, columns, len(free), combine, fixed, mass, weight)


def _way_round(resolved: Resolved, closing: str, tree: Sequence[str]) -> list[tuple[str, float]]:
    """The parts of the loop that ``closing`` makes with the tree, signed to add up to its voltage."""
    parts = resolved.circuit.parts
    start, goal = _ends(parts[closing].kind, parts[closing].pins)
    ends = [(name, *_ends(parts[name].kind, parts[name].pins)) for name in sorted(tree)]
    ways: dict[str, list[tuple[str, float]]] = {start: []}
    queue = [start]
    for net in queue:  # a tree has one way between two nets
        for name, a, b in ends:
            for here, there, sign in ((a, b, 1.0), (b, a, -1.0)):
                if here == net and there not in ways:
                    ways[there] = [*ways[net], (name, sign)]
                    queue.append(there)
    return ways.get(goal, [])


def _ends(kind: str, pins: Mapping[str, str]) -> tuple[str, str]:
    if kind == "driver":
        return pins["out"], pins["reference"]
    return (pins["plus"], pins["minus"]) if "plus" in pins else (pins["a"], pins["b"])
