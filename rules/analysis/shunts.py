"""Zeners that hold a rail: what feeds them, and where nothing is left for them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from rules.analysis.roles import resistive_nets
from rules.analysis.states import State

if TYPE_CHECKING:
    from rules.analysis.study import Situation, Study
    from schemas.circuit import Part

QUIET = 1e-9  # A
SAME = 0.9  # of the voltage across feed and zener in breakdown: as much and it should break down
LEAST_CURRENT = "least current"  # role of a finding about a zener that is short of it


@dataclass(frozen=True, slots=True)
class Shunt:
    """A zener with one end on a rail, its other end (``net``) fed by the resistor ``feed`` from ``source``.

    ``volts`` is what stands from ``source`` to the rail in breakdown.
    """

    zener: str
    net: str
    rail: str
    feed: str
    source: str
    volts: float


def breakdown_current(state: State, name: str) -> float | None:
    """Into the cathode, A; plain arithmetic."""
    return state.currents[name]["cathode"]


def shunt_of(study: Study, part: Part, found: Sequence[Situation]) -> Shunt | None:
    """The zener as the keeper of a voltage; ``None`` where it lies in series with something."""
    rails, ends = study.roles.rails, part.pins
    on_rail = [pin for pin in ("anode", "cathode") if ends[pin] in rails]
    if len(on_rail) != 1:
        return None
    rail = ends[on_rail[0]]
    net = next(n for n in ends.values() if n != rail)
    into = -1.0 if on_rail[0] == "anode" else 1.0  # of a feed: out of it into the net, or the other way
    best: tuple[float, str, str, float] | None = None
    for situation in found:
        for arm in study.roles.arms.get(net, ()):
            amperes = into * _at(study, situation.state, arm.part, net)
            far, near = situation.state.nets[arm.other], situation.state.nets[rail]
            if amperes > QUIET and far is not None and near is not None and arm.other != rail:
                item = (amperes, arm.part, arm.other, abs(far - near))
                best = item if best is None else max(best, item)
    if best is None or study.circuit.parts[best[1]].kind != "resistor":
        return None
    return Shunt(part.name, net, rail, best[1], best[2], best[3])


def _at(study: Study, state: State, name: str, net: str) -> float:
    """Current in A from a net into a resistive part."""
    first, _ = resistive_nets(study.circuit.parts[name])
    values = list(state.currents[name].values())
    return (values[0] if net == first else values[1]) or 0.0


def feed_current(study: Study, state: State, shunt: Shunt) -> float:
    """What the feed brings, A."""
    return abs(_at(study, state, shunt.feed, shunt.net))


def starved(study: Study, part: Part, shunt: Shunt) -> tuple[Situation, ...]:
    """Resting situations in which it does not break down although its source stands as high as there."""
    found = []
    for situation in study.situations():
        state = situation.state
        if situation.timed is not None or state.devices[part.name] == "breakdown":
            continue
        far, near = state.nets[shunt.source], state.nets[shunt.rail]
        if far is not None and near is not None and abs(far - near) >= SAME * shunt.volts:
            found.append(situation)
    return tuple(found)
