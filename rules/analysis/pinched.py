"""Nets that no path settles and that junctions leave one potential all the same.

The output of a push-pull pair that two diodes bias: no current flows there, but one transistor keeps it from
falling and the other from rising.  With equal drops the room between is a point; real junctions pass a small
current there and settle it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from rules.analysis.elements import SOURCES
from rules.analysis.floating import islands_of
from rules.analysis.states import State

ROOM = 1e-6  # V; less is rounding
_OFFSETS = (*SOURCES, "current-source")  # such an island is at several potentials


@dataclass(frozen=True, slots=True)
class Pinched:
    """An island held at ``volts`` (V) by the junctions of ``devices``, which stand just at their drops."""

    nets: tuple[str, ...]
    volts: float
    devices: frozenset[str]


def pinched(state: State) -> tuple[Pinched, ...]:
    """Every island of undefined nets that blocking junctions leave no room, sorted by its first net."""
    found = (_pinched(state, island.nets, island.parts) for island in islands_of(state))
    return tuple(one for one in found if one is not None)


def _pinched(state: State, nets: tuple[str, ...], parts: tuple[str, ...]) -> Pinched | None:
    network = state.mode.network
    if any(network.resolved.circuit.parts[name].kind in _OFFSETS for name in parts):
        return None
    lower, upper = [], []
    for junction in network.junctions:
        high, low = junction.sense
        if (high in nets) == (low in nets):
            continue
        other = state.nets[low if high in nets else high]
        if other is None:
            continue
        # a blocking junction has less than its drop across it
        if high in nets:
            upper.append((other + junction.drop, junction.device))
        else:
            lower.append((other - junction.drop, junction.device))
    least = max((volts for volts, _ in lower), default=-math.inf)
    most = min((volts for volts, _ in upper), default=math.inf)
    if not abs(most - least) <= ROOM:
        return None
    at = {device for volts, device in lower if volts >= least - ROOM}
    at |= {device for volts, device in upper if volts <= most + ROOM}
    return Pinched(nets, 0.5 * (least + most), frozenset(at))
