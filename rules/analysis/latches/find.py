"""Which regenerative loops a circuit has, and where they rest.

A loop is a pair that the roles call regenerative, or the transistors that make
a state unstable: the smallest set whose principal minor of the reduced matrix
is negative.  It is a *latch* when it can rest in more than one place with the
contacts and drivers in the same position, be it only while a capacitor holds
its voltage (a latch that lets go of itself).
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from rules.analysis.elements import Array, Configuration
from rules.analysis.frozen import TimedState
from rules.analysis.network import Network
from rules.analysis.resolve import CORNERS
from rules.analysis.runs import positions
from rules.analysis.states import State, StateSet, collector_currents

if TYPE_CHECKING:
    from rules.analysis.study import Study

LARGEST_LOOP = 4  # transistors in one loop
LOADS = ("load", "coil", "led")
PASSING = (*LOADS, "resistor", "diode", "zener", "inductor", "contact", "fuse")
PREFERRED = ("typical", "min", "max")  # corner from which a resting place takes its name


@dataclass(frozen=True, slots=True)
class Rest:
    """A resting place of a latch: a name for it, and which members conduct there."""

    name: str
    conducting: frozenset[str]

    @property
    def is_off(self) -> bool:
        return not self.conducting


@dataclass(frozen=True, eq=False)
class Latch:
    """A loop that rests in more than one place, or is named to (``named``, when it does so nowhere).

    ``loaded`` are the members that drive something beside the loop.  ``rests``
    are in order of how many members conduct; ``sets`` are the DC states where it
    holds, by corner.  ``timed`` (by corner) is the state that a capacitor holds for
    a while, of a latch that lets go of itself; empty for any other.
    """

    members: tuple[str, ...]
    loaded: frozenset[str]
    rests: tuple[Rest, ...]
    sets: Mapping[str, StateSet]
    timed: Mapping[str, TimedState]
    named: bool
    kept: dict[object, object] = field(default_factory=dict, init=False, repr=False)
    """What was worked out about it before."""

    @cached_property
    def network(self) -> Network:
        """The network in which the latch is on: of the timed state where there is one."""
        for corner in PREFERRED:
            if corner in self.timed:
                return self.timed[corner].state.mode.network
        return self.sets["typical"].network

    def home(self, rest: Rest) -> Network:
        """The network in which a resting place is looked for: nothing times the off state."""
        return self.sets["typical"].network if rest.is_off else self.network

    @property
    def configuration(self) -> Configuration:
        return self.network.configuration

    @property
    def off(self) -> Rest | None:
        return next((rest for rest in self.rests if rest.is_off), None)

    @property
    def ons(self) -> tuple[Rest, ...]:
        """The resting places that some member holds."""
        return tuple(rest for rest in self.rests if not rest.is_off)

    def states(self, corner: str) -> tuple[State, ...]:
        """Every stable state at a corner of the gains, the timed one among them."""
        timed = (self.timed[corner].state,) if corner in self.timed else ()
        return (*self.sets[corner].stable, *timed)

    def state(self, rest: Rest, corner: str) -> State | None:
        """The stable state of a resting place at a corner of the gains."""
        return next((s for s in self.states(corner) if self.conducting(s) == rest.conducting), None)

    def conducting(self, state: State) -> frozenset[str]:
        return _conducting(self.members, state)

    def start(self, rest: Rest) -> State | None:
        """The state of a resting place at the least gain at which there is one."""
        return next((state for corner in CORNERS if (state := self.state(rest, corner)) is not None), None)

    @cached_property
    def outputs(self) -> Mapping[str, str]:
        """Per resting place (by name) the member that gives most current to what is outside the loop.

        That is its collector current less the base currents of the others; first among the loaded ones.
        """
        found = {}
        for rest in self.ons:
            state = self.start(rest)
            if state is None:
                continue
            collector = collector_currents(state.mode.network, state.mode.betas, state.mode.solution)
            base = {name: abs(state.currents[name]["base"] or 0.0) for name in self.members}
            given = {n: abs(collector[n]) - sum(base.values()) + base[n] for n in self.members}
            candidates = sorted(self.loaded & rest.conducting or rest.conducting)
            found[rest.name] = max(candidates, key=lambda name: (given[name], name))
        return found


def latches(study: Study) -> tuple[Latch, ...]:
    """Every latch of a circuit, in the order of its members' names."""
    return study.shared("latches", lambda: tuple(_latches(study)))


def why_none(study: Study) -> str:
    """Why a circuit has no latch to judge."""
    pairs = [pair.members for pair in study.roles.pairs if pair.kind == "regenerative"]
    if not pairs:
        return "no transistors hold each other on: there is no latch"
    names = " and ".join(pairs[0])
    return f"{names} feed each other, but rest in one place only, whatever is held: no latch is meant"


def _latches(study: Study) -> Iterator[Latch]:
    if len(study.roles.transistors) < 2:
        return
    for members in sorted(_loops(study)):
        made = _latch(study, members)
        if made is not None:
            yield made


def _loops(study: Study) -> set[tuple[str, ...]]:
    pairs = {tuple(sorted(p.members)) for p in study.roles.pairs if p.kind == "regenerative"}
    # an emitter-coupled trigger may rest in two places too, for some inputs: its input is to decide
    triggers = {tuple(sorted(p.members)) for p in study.roles.pairs if p.kind == "emitter-coupled"}
    found = set(pairs)
    for corner in study.corners:
        for sets in study.state_sets(corner):
            for state in sets.states:
                if state.index == -1:
                    loop = loop_of(state)
                    if loop and loop not in triggers and not any(set(loop) & set(pair) for pair in pairs):
                        found.add(loop)
    return found


def loop_of(state: State) -> tuple[str, ...]:
    """The transistors that make a state unstable: the smallest set with a negative principal minor."""
    network, support = state.mode.network, state.mode.solution.support
    g, _ = network.equations(state.mode.betas)
    size = len(network.junctions)
    forward = [k for k in support if network.junctions[k].name == "forward"]
    others = [*(k for k in support if k not in forward), *range(size, len(g))]
    sign = _sign(g, others)
    for count in range(2, LARGEST_LOOP + 1):
        for chosen in itertools.combinations(forward, count):
            if sign * _sign(g, sorted([*chosen, *others])) < 0.0:
                return tuple(sorted(network.junctions[k].device for k in chosen))
    return ()


def _sign(g: Array, rows: list[int]) -> float:
    return float(np.linalg.slogdet(g[np.ix_(rows, rows)])[0]) if rows else 1.0


def _latch(study: Study, members: tuple[str, ...]) -> Latch | None:
    sets = {corner: study.state_sets(corner) for corner in study.corners}
    configurations = [found.configuration for found in sets["typical"]]
    rest = positions(configurations[0])
    loaded = frozenset(name for name in members if _drives_load(study, members, name))
    moves = [sum(rest[name] != to for name, to in positions(c).items()) for c in configurations]
    for k in sorted(range(len(moves)), key=lambda k: (moves[k], k)):
        here = {corner: sets[corner][k] for corner in study.corners}
        for timed in ({}, _timed(study, members, configurations[k])):
            made = Latch(members, loaded, (), here, timed, False)
            rests = next((r for corner in PREFERRED if len(r := _rests(made, corner)) > 1), ())
            if rests:
                return replace(made, rests=rests)
    named = _named(study, members)
    if len(named) < 2 or not all(found[0].states for found in sets.values()):
        return None
    return Latch(members, loaded, named, {corner: found[0] for corner, found in sets.items()}, {}, True)


def _drives_load(study: Study, members: tuple[str, ...], name: str) -> bool:
    """True when a load, coil or LED hangs on the collector, not beyond a rail or the base of a member."""
    parts = study.circuit.parts
    ends = study.roles.rails | {parts[member].pins["base"] for member in members}
    reached, front = {parts[name].pins["collector"]}, [parts[name].pins["collector"]]
    for net in front:
        if net in ends:
            continue
        for part in parts.values():
            if net in part.pins.values() and part.kind in PASSING:
                if part.kind in LOADS:
                    return True
                front.extend(sorted(set(part.pins.values()) - reached))
                reached |= set(part.pins.values())
    return False


def _timed(study: Study, members: tuple[str, ...], configuration: Configuration) -> dict[str, TimedState]:
    """The timed state in which every member conducts, by corner: the capacitor holds the loop on."""
    if not any(p.kind == "regenerative" and set(p.members) == set(members) for p in study.roles.pairs):
        return {}
    found: dict[str, TimedState] = {}
    for corner in study.corners:
        for timed in study.timing(corner):
            conducts = _conducting(members, timed.state) == frozenset(members)
            if conducts and timed.configuration.key == configuration.key and timed.kind == "fold":
                found.setdefault(corner, timed)
    return found


def _conducting(members: tuple[str, ...], state: State) -> frozenset[str]:
    return frozenset(name for name in members if state.devices[name] != "off")


def _rests(latch: Latch, corner: str) -> tuple[Rest, ...]:
    """Every resting place of a loop at one corner, named after the first state there."""
    named: dict[frozenset[str], str] = {}
    for state in latch.states(corner):
        named.setdefault(latch.conducting(state), state.name)
    return _in_order(named)


def _in_order(named: Mapping[frozenset[str], str]) -> tuple[Rest, ...]:
    rests = [Rest(name, conducting) for conducting, name in named.items()]
    return tuple(sorted(rests, key=lambda rest: (len(rest.conducting), sorted(rest.conducting))))


def _named(study: Study, members: tuple[str, ...]) -> tuple[Rest, ...]:
    """Resting places that only the document names: a loop set and reset by contacts, not led by a driver."""
    kinds = {part.kind for part in study.circuit.parts.values()}
    if "contact" not in kinds or "driver" in kinds:
        return ()
    found: dict[frozenset[str], str] = {}
    for name, wanted in study.circuit.states.items():
        if all(member in wanted for member in members):
            found.setdefault(frozenset(m for m in members if wanted[m] != "off"), name)
    return _in_order(found)
