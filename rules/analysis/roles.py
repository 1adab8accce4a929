"""What each part does, read from the graph and the states, never from names.

Rails, base networks, dividers, bleeds, switches, linear stages, followers,
emitter-coupled (current-steering) pairs and regenerative pairs.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cached_property

from rules.analysis.elements import JOINTS, RESISTIVE
from rules.analysis.resolve import SUPPLIES, TRANSISTORS
from rules.analysis.states import State
from schemas.circuit import Circuit, Part


@dataclass(frozen=True, slots=True)
class Arm:
    """A resistive part seen from one net: the part and the net at its other end."""

    part: str
    other: str


@dataclass(frozen=True, slots=True)
class Stage:
    """One transistor and what surrounds it.

    ``intent`` is ``switch``, ``linear``, ``follower``, ``steering`` or
    ``unstated``; ``why`` says what it was read from.
    """

    transistor: str
    kind: str
    intent: str
    why: str
    base: str
    collector: str
    emitter: str
    emitter_on_rail: bool
    collector_on_rail: bool
    bleeds: tuple[str, ...]
    feeds: tuple[Arm, ...]
    emitter_arms: tuple[Arm, ...]
    collector_arms: tuple[Arm, ...]


@dataclass(frozen=True, slots=True)
class Divider:
    """Resistors that set the potential of a base net in a given state.

    ``upper`` arms carry current towards the tap from the more positive side,
    ``lower`` arms away from it.
    """

    transistor: str
    tap: str
    upper: tuple[Arm, ...]
    lower: tuple[Arm, ...]


@dataclass(frozen=True, slots=True)
class Pair:
    """Two transistors that act on each other, or as one.

    ``regenerative``, ``emitter-coupled``, ``darlington`` (one kind, collectors
    joined) or ``complementary-feedback`` (two kinds); of the last two the first
    member is the one with the input, the second carries the load current.
    """

    kind: str
    members: tuple[str, str]


class Roles:
    """Roles of the parts of one circuit, given the states it can be in."""

    def __init__(self, circuit: Circuit, states: Iterable[State]) -> None:
        self.circuit = circuit
        self.states = tuple(states)

    @cached_property
    def rails(self) -> frozenset[str]:
        """Ground, every net that batteries and supplies tie to it, and what lies behind a power switch.

        A contact, fuse, inductor or diode in a supply line carries the rail on, as
        long as it is the only way from the net behind it to that rail.
        """
        found = {self.circuit.ground}
        parts = self.circuit.parts.values()
        passing = [p for p in parts if p.kind in (*JOINTS, "inductor", "diode")]
        while True:
            before = len(found)
            for part in parts:
                if part.kind in SUPPLIES and found & set(part.pins.values()):
                    found |= set(part.pins.values())
            for part in passing:
                for near, far in itertools.permutations(part.pins.values(), 2):
                    if near in found and far not in found and self._only_way(part, near, far):
                        found.add(far)
            if len(found) == before:
                return frozenset(found)

    def _only_way(self, part: Part, near: str, far: str) -> bool:
        """True when ``part`` is all that joins ``far`` to the rail ``near``, ground left out."""
        others = [p for p in self.circuit.parts.values() if p.name != part.name]
        if all(p.kind in (*SUPPLIES, *JOINTS) for p in others if far in p.pins.values()):
            return any(far in p.pins.values() for p in others)
        if near == self.circuit.ground:
            return False
        reached, front = {far}, [far]
        for net in front:
            for other in others:
                pins = set(other.pins.values())
                if net in pins:
                    fresh = pins - reached - {self.circuit.ground}
                    reached |= fresh
                    front.extend(sorted(fresh))
        return near not in reached

    @cached_property
    def arms(self) -> Mapping[str, tuple[Arm, ...]]:
        """Resistive parts on each net, in name order."""
        found: dict[str, list[Arm]] = {}
        for part in self.circuit.parts.values():
            if part.kind in RESISTIVE:
                first, second = resistive_nets(part)
                if first != second:
                    found.setdefault(first, []).append(Arm(part.name, second))
                    found.setdefault(second, []).append(Arm(part.name, first))
        return {net: tuple(arms) for net, arms in found.items()}

    @cached_property
    def transistors(self) -> tuple[Part, ...]:
        return tuple(p for p in self.circuit.parts.values() if p.kind in TRANSISTORS)

    @cached_property
    def pairs(self) -> tuple[Pair, ...]:
        found: list[Pair] = []
        for i, a in enumerate(self.transistors):
            for b in self.transistors[i + 1 :]:
                shared = a.pins["emitter"] == b.pins["emitter"] and a.pins["emitter"] not in self.rails
                if shared and a.kind == b.kind:
                    found.append(Pair("emitter-coupled", (a.name, b.name)))
                if self.drives(a, b) and self.drives(b, a):
                    found.append(Pair("regenerative", (a.name, b.name)))
        for first, second in itertools.permutations(self.transistors, 2):
            one, two = first.pins, second.pins
            if first.kind == second.kind:
                if one["emitter"] == two["base"] and one["collector"] == two["collector"]:
                    found.append(Pair("darlington", (first.name, second.name)))
            elif self._feeds_back(first, second):
                found.append(Pair("complementary-feedback", (first.name, second.name)))
        return tuple(found)

    def _feeds_back(self, first: Part, second: Part) -> bool:
        """Two kinds as one: the collector of the first is all that drives the second, whose collector is at
        the emitter of the first."""
        one, two = first.pins, second.pins
        if one["collector"] != two["base"] or one["emitter"] != two["collector"]:
            return False
        if one["emitter"] not in self.rails:
            return True
        # with the output on a rail it takes more to tell a pair from two stages that share a rail
        joint = one["collector"]
        beside = [
            p for p in self.circuit.parts.values() if p not in (first, second) and joint in p.pins.values()
        ]
        return all(p.kind in RESISTIVE and two["emitter"] in p.pins.values() for p in beside)

    def limits(self, part: Part) -> Part | None:
        """The transistor whose emitter current ``part`` holds by taking from its base, if it does."""
        base = {part.pins["base"]}
        near = base | {arm.other for arm in self.arms.get(part.pins["base"], ())} - self.rails
        for other in self.transistors:
            if other.name == part.name or other.kind != part.kind or part.pins["emitter"] not in self.rails:
                continue
            if other.pins["collector"] == part.pins["collector"]:
                continue  # a Darlington pair
            if other.pins["emitter"] in near - self.rails and self.drives(part, other):
                return other
        return None

    def drives(self, a: Part, b: Part) -> bool:
        """The collector of ``a`` reaches the base of ``b`` directly or through one resistor."""
        collector, base = a.pins["collector"], b.pins["base"]
        if collector in self.rails:
            return False
        return collector == base or any(arm.other == base for arm in self.arms.get(collector, ()))

    def partners(self, transistor: str, kind: str) -> tuple[str, ...]:
        return tuple(
            sorted(
                name
                for pair in self.pairs
                if pair.kind == kind and transistor in pair.members
                for name in pair.members
                if name != transistor
            )
        )

    @cached_property
    def stages(self) -> Mapping[str, Stage]:
        return {part.name: self._stage(part) for part in self.transistors}

    def _stage(self, part: Part) -> Stage:
        base, collector, emitter = part.pins["base"], part.pins["collector"], part.pins["emitter"]
        base_arms = self.arms.get(base, ())
        intent, why = self._intent(part)
        return Stage(
            part.name,
            part.kind,
            intent,
            why,
            base,
            collector,
            emitter,
            emitter in self.rails,
            collector in self.rails,
            tuple(arm.part for arm in base_arms if arm.other == emitter),
            tuple(arm for arm in base_arms if arm.other != emitter),
            self.arms.get(emitter, ()),
            self.arms.get(collector, ()),
        )

    def seen(self, transistor: str) -> frozenset[str]:
        """Every region the transistor takes in the given states."""
        return frozenset(state.devices[transistor] for state in self.states)

    def _intent(self, part: Part) -> tuple[str, str]:
        declared = {wanted[part.name] for wanted in self.circuit.states.values() if part.name in wanted}
        seen = self.seen(part.name)
        conducting = seen - {"off"}
        on_rail, emitter = part.pins["emitter"] in self.rails, "its emitter"
        for pair in self.pairs:
            if pair.kind == "darlington" and pair.members[0] == part.name:
                on_rail = self.circuit.parts[pair.members[1]].pins["emitter"] in self.rails
                emitter = "the emitter of its Darlington pair"
            if pair.kind == "complementary-feedback" and part.name in pair.members:
                return "follower", "it is one of a complementary feedback pair: the output follows the input"
        limited = self.limits(part)
        if limited is not None and not declared & {"saturated", "active"}:
            return "follower", f"it limits the current of {limited.name} and takes what its base can spare"
        if "saturated" in declared:
            return "switch", "named saturated in the states of the document"
        if "active" in declared:
            return "linear", "named active in the states of the document"
        if part.pins["collector"] in self.rails and not on_rail:
            return "follower", "its collector is on a rail and its emitter is not"
        if self.partners(part.name, "emitter-coupled"):
            return "steering", "it shares its emitter current with another transistor"
        coupled = self._signal_coupled(part)
        if on_rail:
            if coupled and "off" not in seen:
                return "linear", "a signal capacitor joins its base and it never rests off"
            if any(arm.other == part.pins["collector"] for arm in self.arms.get(part.pins["base"], ())):
                return "linear", "its base is fed back from its own collector"
            if "off" in seen and conducting:
                return "switch", f"{emitter} is on a rail and it rests both off and on"
            if "saturated" in conducting:
                return "switch", f"{emitter} is on a rail and it rests saturated"
            if self.partners(part.name, "regenerative"):
                return "switch", "it is one half of a regenerative pair with its emitter on a rail"
            return "unstated", "it rests in one region only and nothing tells a switch from an amplifier"
        if coupled or (conducting == {"active"} and "off" not in seen):
            return "linear", "it has an emitter resistor and rests active"
        if "off" in seen and conducting:
            if conducting == {"saturated"}:
                return "switch", "it rests both off and saturated"
            return "steering", "it has an emitter resistor and is switched between off and active"
        return "unstated", "it rests in one region only and nothing tells a switch from an amplifier"

    def _signal_coupled(self, part: Part) -> bool:
        """A capacitor joins base, collector or emitter to something other than a pin of the stage."""
        wanted = {part.pins["base"], part.pins["collector"]} - self.rails
        for other in self.circuit.parts.values():
            if other.kind == "capacitor":
                ends = set(other.pins.values())
                if ends & wanted and not ends & self.rails and not ends <= set(part.pins.values()):
                    return True
                if ends & {part.pins["emitter"]} - self.rails and ends & self.rails:
                    return True
        return False

    def divider(self, transistor: str, state: State) -> Divider | None:
        """The divider at a base in one state, or ``None`` when the base is not fed by one.

        Resistors from the base to its own emitter are bleeds, and resistors
        without current in that state do not count.
        """
        stage = self.stages[transistor]
        tap = state.nets[stage.base]
        if tap is None:
            return None
        upper: list[Arm] = []
        lower: list[Arm] = []
        for arm in stage.feeds:
            other = state.nets[arm.other]
            current = state.currents[arm.part]
            carried = next(iter(current.values()))
            if other is None or carried is None or abs(carried) < 1e-12:
                continue
            (upper if other > tap else lower).append(arm)
        return Divider(transistor, stage.base, tuple(upper), tuple(lower)) if upper and lower else None


def resistive_nets(part: Part) -> tuple[str, str]:
    ends = ("plus", "minus") if "plus" in part.pins else ("a", "b")
    return part.pins[ends[0]], part.pins[ends[1]]
