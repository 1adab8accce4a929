"""What a steep edge on a rail does to a base of a latch that is off: what holds it, what filters it."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from rules.analysis.elements import RESISTIVE, SOURCES, is_contact_closed
from rules.analysis.latches.find import Latch
from rules.analysis.roles import resistive_nets
from rules.analysis.states import State

if TYPE_CHECKING:
    from rules.analysis.study import Study
    from schemas.circuit import Part

NEAR = 0.2  # V; a rail so close to the emitter is the one that the base is held against


@dataclass(frozen=True, eq=False)
class Base:
    """One base that is off in the off state.

    ``resistance`` (ohm, every resistor at its greatest) holds it; infinite where nothing does.  ``holding``
    are the resistors on it, ``filtered`` (F, at its least) and ``filters`` the capacitors to its emitter.
    """

    transistor: str
    state: State
    resistance: float
    holding: tuple[str, ...]
    filtered: float
    filters: tuple[str, ...]


def bases(study: Study, latch: Latch) -> Iterator[Base]:
    """The bases of a latch that are off in its off state; none where it has no such state."""
    off = latch.off
    state = None if off is None else latch.start(off)
    if state is None:
        return
    stiff = _joined(study, state)
    for name in latch.members:
        if state.devices[name] != "off":
            continue
        part = study.circuit.parts[name]
        filters = tuple(_filters(study, part, state, stiff))
        least = math.fsum(_least(study, c) for c in filters)
        ohms = _held(study, part.pins["base"], stiff)
        holding = tuple(arm.part for arm in study.roles.arms.get(part.pins["base"], ()))
        yield Base(name, state, ohms, holding, least, filters)


def _least(study: Study, capacitor: str) -> float:
    return study.value(capacitor, "capacitance") * (1.0 + study.value(capacitor, "tolerance_low"))


def _joined(study: Study, state: State) -> dict[str, str]:
    """Each net under the name of the group that contacts, sources and inductors tie it to.

    The group of ground has its name.  A net of an output counts as ground: its level does not move with the
    rail, and it has little resistance.
    """
    circuit, configuration = study.circuit, state.mode.network.configuration
    leader = {net: net for net in circuit.net_names}

    def root(net: str) -> str:
        while leader[net] != net:
            net = leader[net]
        return net

    for part in circuit.parts.values():
        closed = part.kind == "contact" and is_contact_closed(part, configuration)
        if closed or part.kind in (*SOURCES, "inductor", "fuse"):
            one, two = (root(net) for net in tuple(part.pins.values())[:2])
            if one != two:
                ground = root(circuit.ground)
                keep, other = (one, two) if one == ground or (two != ground and one < two) else (two, one)
                leader[other] = keep
    ground = root(circuit.ground)
    return {net: circuit.ground if root(net) == ground else root(net) for net in circuit.net_names}


def _held(study: Study, base: str, joined: dict[str, str]) -> float:
    """Resistance (ohm) from a net to all that is stiff, nothing conducting, each resistor at its greatest."""
    ground = study.circuit.ground
    if joined[base] == ground:
        return 0.0
    free = sorted({name for name in joined.values() if name != ground})
    row = {name: k for k, name in enumerate(free)}
    matrix = np.zeros((len(free), len(free)))
    for part in study.circuit.parts.values():
        if part.kind not in RESISTIVE:
            continue
        most = study.value(part.name, "resistance") * (1.0 + study.value(part.name, "tolerance_high"))
        if most <= 0.0:
            continue
        ends = [joined[net] for net in resistive_nets(part)]
        if ends[0] == ends[1]:
            continue
        rows = [row[end] for end in ends if end != ground]
        for k in rows:
            matrix[k, k] += 1.0 / most
        if len(rows) == 2:
            matrix[rows[0], rows[1]] -= 1.0 / most
            matrix[rows[1], rows[0]] -= 1.0 / most
    # only what hangs together with the base; islands beside it have no part in it
    reached, front = {row[joined[base]]}, [row[joined[base]]]
    for k in front:
        fresh = {int(j) for j in np.flatnonzero(matrix[k])} - reached
        reached |= fresh
        front.extend(sorted(fresh))
    kept = sorted(reached)
    inner = matrix[np.ix_(kept, kept)]
    if np.allclose(inner.sum(axis=1), 0.0, atol=1e-15):
        return math.inf
    unit = np.zeros(len(kept))
    unit[kept.index(row[joined[base]])] = 1.0
    return float(np.linalg.solve(inner, unit)[kept.index(row[joined[base]])])


def _filters(study: Study, part: Part, state: State, joined: dict[str, str]) -> Iterator[str]:
    """Capacitors from the base to the emitter, or to the rail on the side of the emitter."""
    base, emitter = part.pins["base"], part.pins["emitter"]
    there = state.nets[emitter]
    for other in study.circuit.parts.values():
        nets = set(other.pins.values())
        if other.kind != "capacitor" or base not in nets or len(nets) != 2:
            continue
        (far,) = nets - {base}
        level = state.nets[far]
        near = there is not None and level is not None and abs(level - there) < NEAR
        if far == emitter or (near and joined[far] == study.circuit.ground):
            yield other.name
