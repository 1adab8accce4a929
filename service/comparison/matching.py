"""Which part of the head is which part of the base, found from how they are wired.

A name that both use is taken to mean the same part or net.  What is left is
matched by kind, values and pins against what is matched already, further and
further out; what could be one or the other is left unmatched, so that a
finding there reads as new rather than as known.

Where the names themselves were dealt out anew (a drawing annotated afresh, nets
numbered by a tool) that would go astray: so it is tried with the names of
parts, of nets, of both and of neither, and the pairing that leaves the fewest
differences counts; where two leave as few, the one that trusts more names.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType

from schemas.circuit import Circuit, Part

DEPTH = 4
"""How many parts far a place is looked at to tell it from another."""
MAX_ROUNDS = 2000  # of the refinement; a circuit has at most 1500 parts and nets
_ALIKE = frozenset({"a", "b"})

Pairs = Mapping[str, str]


@dataclass(frozen=True, slots=True)
class Matching:
    """Part and net of the head, by what the base calls it; what has no counterpart is left out."""

    parts: Pairs
    nets: Pairs

    @property
    def renamed(self) -> tuple[dict[str, str], dict[str, str]]:
        """The parts and the nets that have another name now."""
        parts, nets = ({a: b for a, b in sorted(m.items()) if a != b} for m in (self.parts, self.nets))
        return parts, nets


def match(base: Circuit, head: Circuit) -> Matching:
    """Pair the parts and nets of two versions of a circuit."""
    if _same_wiring(base, head):
        return _frozen({name: name for name in base.parts}, {net: net for net in base.net_names})
    best: tuple[tuple[bool, int], Matching] | None = None
    tried: list[tuple[bool, Pairs, Pairs]] = []
    for by_part, by_net in ((True, True), (True, False), (False, True), (False, False)):
        search = _Search(base, head, by_part, by_net)
        start = by_part, dict(search.parts), dict(search.nets)
        if start in tried:  # no net is called alike, so it makes no difference whether its name is trusted
            continue
        tried.append(start)
        found = search.run()
        score = _agreement(base, head, found)
        if best is None or score > best[0]:
            best = score, found
        if score[0]:
            break
    assert best is not None
    return best[1]


def _frozen(parts: dict[str, str], nets: dict[str, str]) -> Matching:
    return Matching(*(MappingProxyType(dict(sorted(pairs.items()))) for pairs in (parts, nets)))


def _same_wiring(base: Circuit, head: Circuit) -> bool:
    """The same names, and every part is of the same kind at the same nets."""
    return (
        base.ground == head.ground
        and base.parts.keys() == head.parts.keys()
        and all(
            part.kind == head.parts[name].kind and part.pins == head.parts[name].pins
            for name, part in base.parts.items()
        )
        and base.net_names == head.net_names
    )


def _agreement(base: Circuit, head: Circuit, found: Matching) -> tuple[bool, int]:
    """Is nothing changed but names?  And how many parts are wired alike, have like values, kept their name.

    Where something did change, a new name has to explain more than a changed value does: a resistor with
    another value beside a new one that has the old value is still the old resistor.
    """
    alike = kept = 0
    for name, other in found.parts.items():
        one, two = base.parts[name], head.parts[other]
        if one.kind == two.kind:
            there = Counter((pin, found.nets.get(net)) for pin, net in _pins(one))
            alike += (there == Counter(_pins(two))) + (dict(one.values) == dict(two.values))
        kept += name == other
    return alike == 2 * max(len(base.parts), len(head.parts)), alike + kept


def _pins(part: Part) -> list[tuple[str, str]]:
    """Pin and net; two pins that are alike carry one name, so that it does not matter how a part is drawn."""
    alike = part.pins.keys() == _ALIKE
    return [("a" if alike else pin, net) for pin, net in part.pins.items()]


def _told_of(circuit: Circuit) -> dict[tuple[str, str], list[object]]:
    """What states, stimuli and requirements say of a part or a net: it tells twins apart."""
    told: dict[tuple[str, str], list[object]] = {}
    for state, regions in sorted(circuit.states.items()):
        for name, region in sorted(regions.items()):
            told.setdefault(("part", name), []).append((state, region))
    for stimulus, actions in sorted(circuit.stimuli.items()):
        for action in actions:
            told.setdefault(("part", action.part), []).append((stimulus, action.at, action.to))
    for requirement in circuit.requirements:
        net = requirement.values.get("net")
        if isinstance(net, str):
            other = sorted((k, repr(v)) for k, v in requirement.values.items() if k != "net")
            told.setdefault(("net", net), []).append((requirement.kind, requirement.name, other))
    return told


class _Side:
    """One of the two circuits, as a graph of parts and nets."""

    def __init__(self, circuit: Circuit) -> None:
        self.parts = circuit.parts
        told = _told_of(circuit)
        self.values = {
            name: repr((sorted(part.values.items()), told.get(("part", name))))
            for name, part in circuit.parts.items()
        }
        self.notes = {net: repr((circuit.nets.get(net), told.get(("net", net)))) for net in circuit.net_names}
        self.pins = {name: _pins(part) for name, part in circuit.parts.items()}
        self.at: dict[str, list[tuple[str, str]]] = {net: [] for net in circuit.net_names}
        for name in sorted(self.pins):
            for pin, net in self.pins[name]:
                self.at[net].append((name, pin))


class _Search:
    """One attempt; ``by_part`` and ``by_net`` say whether common names are trusted."""

    def __init__(self, base: Circuit, head: Circuit, by_part: bool, by_net: bool) -> None:
        self.one, self.two = _Side(base), _Side(head)
        self.trusted = by_part, by_net
        self.parts: dict[str, str] = {}
        self.nets: dict[str, str] = {base.ground: head.ground}
        self.parts_back: dict[str, str] = {}
        self.nets_back: dict[str, str] = {head.ground: base.ground}
        if by_part:
            for name, part in base.parts.items():
                if name in head.parts and head.parts[name].kind == part.kind:
                    self.pair_part(name, name)
        if by_net:
            for net in base.net_names:
                if net in self.two.at and net not in self.nets and net not in self.nets_back:
                    self.pair_net(net, net)

    def pair_part(self, one: str, two: str) -> None:
        self.parts[one], self.parts_back[two] = two, one

    def pair_net(self, one: str, two: str) -> None:
        self.nets[one], self.nets_back[two] = two, one

    def run(self) -> Matching:
        for _ in range(MAX_ROUNDS):
            if not (self.vote() or self.refine(True) or self.refine(False)):
                break
        self.leftovers()
        return _frozen(self.parts, self.nets)

    def leftovers(self) -> None:
        """A name that is trusted and stayed free on both sides means the same, whatever was done to it."""
        by_part, by_net = self.trusted
        for name in sorted(self.one.parts.keys() - self.parts.keys()) if by_part else ():
            if name in self.two.parts and name not in self.parts_back:
                self.pair_part(name, name)
        for net in sorted(self.one.at.keys() - self.nets.keys()) if by_net else ():
            if net in self.two.at and net not in self.nets_back:
                self.pair_net(net, net)

    # nets by the parts that are matched already

    def vote(self) -> bool:
        """Pair nets on which most pins of matched parts agree, seen from either side."""
        ours: dict[str, Counter[str]] = {}
        theirs: dict[str, Counter[str]] = {}
        for name, other in sorted(self.parts.items()):
            for net, there in self._votes(name, other):
                ours.setdefault(net, Counter())[there] += 1
                theirs.setdefault(there, Counter())[net] += 1
        found = False
        for net in sorted(ours):
            likely = _winner(ours[net])
            if likely is not None and _winner(theirs[likely]) == net:
                self.pair_net(net, likely)
                found = True
        return found

    def _votes(self, name: str, other: str) -> list[tuple[str, str]]:
        """The unmatched nets that a matched part joins, pin by pin."""
        free: dict[str, list[str]] = {}
        for pin, net in self.one.pins[name]:
            if net not in self.nets:
                free.setdefault(pin, []).append(net)
        there: dict[str, list[str]] = {}
        for pin, net in self.two.pins[other]:
            if net not in self.nets_back:
                there.setdefault(pin, []).append(net)
        # two like pins that are both free could go either way round
        return [(free[p][0], there[p][0]) for p in sorted(free) if len(free[p]) == len(there.get(p, ())) == 1]

    # parts and nets by what is around them

    def refine(self, with_values: bool) -> bool:
        """Pair what looks the same on both sides and like nothing else; the farthest look first."""
        looks = _Looks(self, with_values)
        for depth in range(DEPTH, 0, -1):
            if self.pair_alike(looks, depth):
                return True
        # at last what hangs on nothing that is matched, such as a group of parts that stands for itself
        return with_values and (self.pair_twins(looks) or self.pair_alike(looks, DEPTH, apart=True))

    def pair_alike(self, looks: _Looks, depth: int, apart: bool = False) -> bool:
        found = False
        for kind, one, two in looks.classes(depth):
            if len(one) == len(two) == 1 and (
                apart or self.is_close(kind, one[0], depth, looks.with_values)
            ):
                (self.pair_part if kind == "part" else self.pair_net)(one[0], two[0])
                found = True
        return found

    def is_close(self, kind: str, name: str, depth: int, with_values: bool) -> bool:
        """Is there enough beside it that is matched?  A look at one place alone proves little."""
        if kind == "net":
            return any(part in self.parts for part, _ in self.one.at[name])
        matched = [net in self.nets for _, net in self.one.pins[name]]
        if all(matched) or not any(matched):
            return all(matched)
        return depth > (1 if with_values else 2) or (with_values and not self.trusted[0])

    def pair_twins(self, looks: _Looks) -> bool:
        """Parts (or nets) that nothing tells apart: which is which is of no account, so by name."""
        for kind, one, two in looks.classes(DEPTH):
            if len(one) != len(two):
                continue
            close = [name for name in one if self.is_close(kind, name, DEPTH, True)]
            if len(close) != len(one):
                continue
            if kind == "part" and all(net in self.nets for name in one for _, net in self.one.pins[name]):
                for name, other in zip(one, two, strict=True):  # nothing hangs on them: all at once
                    self.pair_part(name, other)
            else:
                (self.pair_part if kind == "part" else self.pair_net)(one[0], two[0])
            return True
        return False


def _winner(votes: Counter[str]) -> str | None:
    """Who has more votes than any other."""
    (first, most), *rest = sorted(votes.items(), key=lambda item: (-item[1], item[0]))
    return first if not rest or rest[0][1] < most else None


class _Looks:
    """What every part and net that is not matched yet looks like, from near by and from farther off.

    Looks are numbers: the same on both sides for the same surroundings.
    """

    def __init__(self, search: _Search, with_values: bool) -> None:
        self.search, self.with_values = search, with_values
        self._numbers: dict[object, int] = {}
        self.levels: list[tuple[dict[str, int], dict[str, int], dict[str, int], dict[str, int]]] = []
        one, two = search.one, search.two
        parts = [
            {name: self._first(side, name, known) for name in side.parts}
            for side, known in ((one, search.parts), (two, {n: n for n in search.parts_back}))
        ]
        nets = [
            {net: self._net(side, net, known) for net in side.at}
            for side, known in ((one, search.nets), (two, {n: n for n in search.nets_back}))
        ]
        for _ in range(DEPTH):
            parts, nets = self._farther(parts, nets)
            self.levels.append((parts[0], parts[1], nets[0], nets[1]))

    def _number(self, look: object) -> int:
        return self._numbers.setdefault(look, len(self._numbers))

    def _first(self, side: _Side, name: str, known: Mapping[str, str]) -> int:
        if name in known:
            return self._number(("part", known[name]))
        return self._number((side.parts[name].kind, side.values[name] if self.with_values else ""))

    def _net(self, side: _Side, net: str, known: Mapping[str, str]) -> int:
        if net in known:
            return self._number(("net", known[net]))
        return self._number(("net", "", side.notes[net] if self.with_values else ""))

    def _farther(
        self, parts: Sequence[Mapping[str, int]], nets: Sequence[Mapping[str, int]]
    ) -> tuple[list[dict[str, int]], list[dict[str, int]]]:
        """One step more; what is matched keeps its look, so that a difference does not spread past it."""
        search = self.search
        sides = ((search.one, search.parts, search.nets), (search.two, search.parts_back, search.nets_back))
        new_parts: list[dict[str, int]] = []
        new_nets: list[dict[str, int]] = []
        for (side, parts_known, nets_known), part, net in zip(sides, parts, nets, strict=True):
            new_parts.append({
                name: look if name in parts_known else self._number(
                    (look, tuple(sorted((pin, net[at]) for pin, at in side.pins[name]))))
                for name, look in part.items()
            })  # fmt: skip
            new_nets.append({
                name: look if name in nets_known else self._number(
                    (look, tuple(sorted((pin, part[at]) for at, pin in side.at[name]))))
                for name, look in net.items()
            })  # fmt: skip
        return new_parts, new_nets

    def classes(self, depth: int) -> list[tuple[str, list[str], list[str]]]:
        """The unmatched of one look, both sides sorted by name, where both sides have some."""
        search = self.search
        parts_one, parts_two, nets_one, nets_two = self.levels[depth - 1]
        found = []
        for kind, one, two, known, back in (
            ("part", parts_one, parts_two, search.parts, search.parts_back),
            ("net", nets_one, nets_two, search.nets, search.nets_back),
        ):
            groups: dict[int, tuple[list[str], list[str]]] = {}
            for name in sorted(one.keys() - known.keys()):
                groups.setdefault(one[name], ([], []))[0].append(name)
            for name in sorted(two.keys() - back.keys()):
                groups.setdefault(two[name], ([], []))[1].append(name)
            found += [(kind, ours, theirs) for ours, theirs in groups.values() if ours and theirs]
        return found
