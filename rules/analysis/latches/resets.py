"""Which contacts and drivers put a latch into a resting place, and how surely a reset takes a base away.

What a control does is read from the states that are left with it moved.  How
surely a reset works is read from the state it has to end: the loop still on,
but the base that the reset steers not conducting.  The voltage left at that
base must be one that is surely off, at the hottest, at the highest supply and
with every resistance at its worse end.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from rules.analysis.corners.labels import label
from rules.analysis.corners.parameters import TEMPERATURE, Key
from rules.analysis.elements import Configuration
from rules.analysis.frozen import TimedState
from rules.analysis.latches.conditions import Conditions, condition
from rules.analysis.latches.find import Latch, Rest
from rules.analysis.latches.margins import TOLD, Corner, gains, intervals
from rules.analysis.latches.path import Bench
from rules.analysis.network import Network, build_network
from rules.analysis.operating import operating_point
from rules.analysis.states import State, find_states, states_of

if TYPE_CHECKING:
    from rules.analysis.study import Study

PIVOTS = 30  # junctions of other devices that may change over
LESS = 0.95  # of its base current: a control that takes more than that away is meant to end the state


@dataclass(frozen=True, eq=False)
class Control:
    """A contact or driver, moved to ``position``; ``forces`` is the only resting place that is left then.

    ``opposes`` is true for one that leaves the on state, but takes base current away from it.
    """

    name: str
    position: str
    configuration: Configuration
    forces: Rest | None
    opposes: bool


@dataclass(frozen=True, eq=False)
class Steered:
    """The base a reset has to take away: V above its emitter (towards conducting) with the loop still on."""

    member: str
    volts: float
    corner: Corner
    slopes: Mapping[str, float]


def moved(latch: Latch, names: tuple[str, ...]) -> Configuration:
    """The configuration of a latch with some contacts and drivers in their other position."""
    other = {"open": "closed", "closed": "open", "low": "high", "high": "low"}
    here = latch.configuration
    contacts = {n: other[p] if n in names else p for n, p in here.contacts.items()}
    drivers = {n: other[p] if n in names else p for n, p in here.drivers.items()}
    return Configuration(contacts, drivers)


def states_with(study: Study, latch: Latch, configuration: Configuration, corner: str) -> tuple[State, ...]:
    """The stable states with contacts and drivers moved, those that a capacitor holds among them."""
    known = next((s for s in study.state_sets(corner) if s.configuration.key == configuration.key), None)
    found = known or find_states(study.resolved, configuration, corner, None, study.step_budget)
    if not latch.network.held:
        return found.stable
    held = build_network(study.resolved, configuration, latch.network.held)
    return (*found.stable, *states_of(held, corner, study.step_budget).stable)


def left(study: Study, latch: Latch, configuration: Configuration, corner: str) -> set[frozenset[str]]:
    """Which members conduct in each stable state with contacts and drivers moved."""
    return {latch.conducting(state) for state in states_with(study, latch, configuration, corner)}


def controls(study: Study, latch: Latch) -> tuple[Control, ...]:
    """What each contact and driver does to a latch, in name order."""
    here = latch.configuration
    found = []
    for name in sorted([*here.contacts, *here.drivers]):
        configuration = moved(latch, (name,))
        position = {**configuration.contacts, **configuration.drivers}[name]
        places = left(study, latch, configuration, "typical")
        forces = next((rest for rest in latch.rests if places == {rest.conducting}), None)
        opposes = forces is None and _opposes(study, latch, configuration)
        found.append(Control(name, position, configuration, forces, opposes))
    return tuple(found)


def _opposes(study: Study, latch: Latch, configuration: Configuration) -> bool:
    """True when a member that conducts in an on state loses base current, though the state stays."""
    for rest in latch.ons:
        before = latch.state(rest, "typical")
        there = states_with(study, latch, configuration, "typical")
        after = next((s for s in there if latch.conducting(s) == rest.conducting), None)
        if before is None or after is None:
            continue
        for name in sorted(rest.conducting):
            was, now = operating_point(before, name), operating_point(after, name)
            if was is not None and now is not None and now.base < LESS * was.base:
                return True
    return False


def steered(study: Study, latch: Latch, on: Rest, configuration: Configuration) -> Steered | None:
    """The base that a reset takes away from an on state, at its worst corner; ``None`` where none is told.

    Of all members the one left with the least voltage is the one that the reset acts on.
    """
    network = build_network(study.resolved, configuration, latch.network.held)
    if network.faults:
        return None
    ends = [_members(latch, on, network, _point(latch, end)) for end in (True, False)]
    # at each supply the least, of the supplies the most
    tops = [min(found, key=_volts) for found in ends if found]
    if len(tops) < len(ends):
        return None
    first = max(tops, key=_volts)
    resistances = {p.key: p for p in intervals(latch) if p.kind == "resistance"}
    strongest = max(map(abs, first.slopes.values()), default=0.0)
    worse: dict[Key, float] = {}
    for name, slope in first.slopes.items():
        p = resistances.get((name, "resistance"))
        if p is not None and abs(slope) > 1e-6 * strongest:
            worse[p.key] = p.high if slope < 0.0 else p.low
    if not worse:
        return first
    told = [key for key in worse if abs(first.slopes[key[0]]) > TOLD * strongest]
    return at_ends(study, latch, on, first, worse, told)


def at_ends(
    study: Study, latch: Latch, on: Rest, first: Steered, ends: Mapping[Key, float], told: list[Key]
) -> Steered | None:
    """The same base with other resistances; of those only ``told`` are named."""
    before = first.corner.network
    network = build_network(study.resolved.with_values(ends), before.configuration, before.held)
    point = {**first.corner.point, **ends}
    found = intervals(latch)
    matter = [p.key for p in found if p.kind != "resistance" or p.key in told]
    corner = Corner(label(point, found, matter), point, Bench(network))
    return _at(latch, on, corner, first.member)


def _volts(found: Steered) -> float:
    return found.volts


def _point(latch: Latch, high: bool) -> dict[Key, float]:
    """The hottest ambient, with the supplies at one end."""
    point: dict[Key, float] = {}
    for p in intervals(latch):
        if p.kind == "gain":
            point[p.key] = p.high
        elif p.kind == "supply":
            point[p.key] = p.high if high else p.low
        elif p.key == TEMPERATURE:
            point[p.key] = p.high
    return point


def _members(latch: Latch, on: Rest, network: Network, point: Mapping[Key, float]) -> list[Steered] | None:
    """One per member that conducts; ``None`` where one of them does not say what is left at its base."""
    corner = Corner(label(point, intervals(latch)), point, Bench(network))
    found = [_at(latch, on, corner, name) for name in sorted(on.conducting)]
    return None if None in found else [each for each in found if each is not None]


def _at(latch: Latch, on: Rest, corner: Corner, member: str) -> Steered | None:
    """The on state, but with one member not conducting: what is then at its base."""
    start = latch.start(on)
    if start is None:
        return None
    junctions = corner.network.junctions
    support = [k for k in start.mode.solution.support if junctions[k].device != member]
    conditions = condition(corner.network, corner.point, gains(latch, on, "max"))
    mode = _others(corner.bench, conditions, support, latch.members)
    if mode is None:
        return None
    forward = next(k for k, j in enumerate(junctions) if j.device == member and j.name == "forward")
    values, _, _ = corner.bench.mode(conditions.alone, mode)
    volts = float(conditions.drops[forward] - values[0, forward])
    return Steered(member, volts, corner, corner.bench.slopes(conditions, mode, forward))


def _others(
    bench: Bench, conditions: Conditions, support: Sequence[int], members: Sequence[str]
) -> tuple[int, ...] | None:
    """The mode in which the members stay as they are and every other device is where it has to be.

    ``None`` where that is not determined, or not found by changing one junction at a time.
    """
    free = [k for k, junction in enumerate(bench.network.junctions) if junction.device not in members]
    mode = set(support)
    for _ in range(PIVOTS):
        values, signs, _ = bench.mode(conditions.alone, sorted(mode))
        if signs[0] == 0.0:
            return None
        wrong = [k for k in free if values[0, k] < -1e-9]
        if not wrong:
            return tuple(sorted(mode))
        mode ^= {min(wrong, key=lambda k: (values[0, k], k))}
    return None


def released(study: Study, latch: Latch, timed: TimedState) -> tuple[State, ...]:
    """Every stable state at the capacitor voltage at which a timed state ceases to exist, but that one."""
    if timed.after and timed.outcome != "undecided":
        return (timed.after[0].start_state,)  # the only one that was possible
    before = dict(timed.phase.segments[-1].devices)
    held = {**timed.state.mode.network.held, timed.capacitor: timed.phase.end_voltage}
    network = build_network(study.resolved, timed.configuration, held)
    found = states_of(network, timed.corner, study.step_budget)
    return tuple(state for state in found.stable if dict(state.devices) != before)
