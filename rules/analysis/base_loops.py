"""What flows into a base: at rest, at the first moment of every run, and where nothing limits it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from rules.analysis.elements import Fault
from rules.analysis.frozen import capacitor_voltage
from rules.analysis.loops import Potentials
from rules.analysis.network import Network
from rules.analysis.operating import sign_of
from rules.analysis.resolve import TRANSISTORS
from rules.analysis.runs import Episode, episodes, positions, unfinished
from rules.analysis.states import State, find_states
from rules.analysis.stress import moves, stress_corner
from rules.analysis.timeline.model import Interval

if TYPE_CHECKING:
    from rules.analysis.study import Study

CHARGED = 0.1  # V; a capacitor with less drives nothing


@dataclass(frozen=True, slots=True)
class Bare:
    """A base that an ideal voltage drives with nothing in the way.

    ``volts`` is what stands over the junction beyond its drop (``None`` where no single loop is to blame),
    ``what`` when that is, ``capacitor`` what drives it, where a capacitor does.
    """

    transistor: str
    volts: float | None
    what: str
    capacitor: str = ""


@dataclass(frozen=True, eq=False)
class Pulse:
    """The greatest base current (A) at the beginning of an interval of a run, and when (s)."""

    value: float
    at: float
    episode: Episode
    state: str
    capacitor: str


def base_current(state: State, name: str) -> float | None:
    """Into the base of an NPN, out of that of a PNP, A; plain arithmetic."""
    amperes = state.currents[name]["base"]
    return None if amperes is None else sign_of(state, name) * amperes


def bare_bases(study: Study) -> tuple[Bare, ...]:
    """Every transistor whose base nothing limits, at rest or when a charged capacitor is put onto it."""
    return study.shared("bare bases", lambda: tuple(_bare(study)))


def _bare(study: Study) -> Iterator[Bare]:
    told: set[str] = set()
    for found, fault in study.faults:
        where = f"with {found.configuration.key}" if found.configuration.key else "at rest"
        for name in _at_fault(study, fault):
            if name not in told:
                told.add(name)
                yield Bare(name, _left(study, found.network, name), where)
    if not moves(study) or not unfinished(episodes(study, stress_corner(study))):
        return
    for what, network, fault in _moved(study):
        for name in _at_fault(study, fault):
            if name not in told:
                told.add(name)
                yield Bare(name, _left(study, network, name), what, _nearest(network.held))


def _moved(study: Study) -> Iterator[tuple[str, Network, Fault]]:
    """Each contact and driver moved from each resting state, its capacitors as they are charged there."""
    capacitors = [p.name for p in study.circuit.parts.values() if p.kind == "capacitor"]
    for origin in study.state_sets():
        here = positions(origin.configuration)
        for state in origin.stable:
            held = {name: capacitor_voltage(study.resolved, state, name) for name in capacitors}
            known = {name: volts for name, volts in held.items() if volts is not None}
            for target in study.state_sets():
                there = positions(target.configuration)
                changed = [name for name in here if here[name] != there[name]]
                if len(changed) == 1:
                    found = find_states(
                        study.resolved, target.configuration, "typical", known, study.step_budget
                    )
                    what = f'after {changed[0]} {there[changed[0]]} from "{state.name}"'
                    yield from ((what, found.network, fault) for fault in found.faults)


def _at_fault(study: Study, fault: Fault) -> tuple[str, ...]:
    """The transistors of a fault whose base is driven, not those further on in a chain."""
    parts = study.circuit.parts
    return tuple(
        name
        for name in fault.parts
        if fault.kind == "supply-short"
        and parts[name].kind in TRANSISTORS
        and parts[name].pins["base"] in fault.nets
        and (len(fault.parts) > 1 or parts[name].pins["emitter"] in fault.nets)
    )


def _left(study: Study, network: Network, name: str) -> float | None:
    """Base against emitter by ideal sources alone, less the drop of the junction, V."""
    potentials = Potentials((study.circuit.ground, *network.nets))
    for branch in network.branches:
        if branch.resistance == 0.0:
            potentials.join(*branch.nets, branch.voltage)
    part = study.circuit.parts[name]
    (one, base), (other, emitter) = (potentials.find(part.pins[pin]) for pin in ("base", "emitter"))
    if one != other:
        return None
    volts = (base - emitter) if part.kind == "npn" else (emitter - base)
    left = volts - study.resolved.assumptions["vbe_on"]
    return left if left > 0.0 else None


def _nearest(held: Mapping[str, float]) -> str:
    """The capacitor that holds most; empty where none holds anything."""
    charged = [(abs(volts), part) for part, volts in held.items() if abs(volts) > CHARGED]
    return max(charged)[1] if charged else ""


def pulses(study: Study) -> Mapping[str, Pulse]:
    """The greatest first current into every base along the runs at the highest supply, by transistor."""
    return study.shared("base pulses", lambda: dict(_pulses(study)))


def _pulses(study: Study) -> Iterator[tuple[str, Pulse]]:
    if not moves(study):
        return
    best: dict[str, tuple[float, Episode, Interval]] = {}
    for episode in episodes(study, stress_corner(study)):
        for interval in episode.timeline.intervals:
            for name, amperes in _into_bases(interval.state).items():
                if name not in best or amperes > best[name][0] * (1.0 + 1e-9):
                    best[name] = amperes, episode, interval
    for name, (amperes, episode, interval) in sorted(best.items()):
        stored = {part: float(value[0]) for part, value in interval.stored([interval.start]).items()}
        held = {p: v for p, v in stored.items() if study.circuit.parts[p].kind == "capacitor"}
        yield name, Pulse(amperes, interval.start, episode, interval.name, _nearest(held))


def _into_bases(state: State) -> dict[str, float]:
    """:func:`base_current` of every conducting transistor, from its junctions: no table of the state."""
    network, solution = state.mode.network, state.mode.solution
    found: dict[str, float] = {}
    if solution.support:
        shares = network.shares(state.mode.betas)
        for k in solution.support:
            device = network.junctions[k].device
            if device in state.mode.betas:
                found[device] = found.get(device, 0.0) + float(shares[k] * solution.current[k])
    return found
