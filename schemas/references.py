"""Names that one place of a document uses and another must define.

Works on raw data, so that these problems are found together with all others;
values of the wrong type are skipped, they have been complained about already.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import Any

from schemas.circuit import Circuit
from schemas.kinds import KINDS, REGIONS
from schemas.layout import MAX_NETS, PARTS_BY_KIND, REQUIREMENTS_BY_KIND
from schemas.problems import Complaint, Problem, listed, nearest_name, pointer, quoted, show
from schemas.values import is_name

POSITIONS: Mapping[str, tuple[str, ...]] = {"contact": ("open", "closed"), "driver": ("low", "high")}
"""What each kind of part that can be acted on can be set to."""


def references(raw: Mapping[str, Any], part_types: Mapping[str, str] | None = None) -> Iterator[Complaint]:
    """Every reference that leads nowhere, or to something of the wrong kind.

    ``part_types`` maps published part types to their kind; ``None`` leaves the
    types unchecked.
    """
    every = {name: part for name, part in _items(raw.get("parts")) if isinstance(part, Mapping)}
    nets = {net for part in every.values() for _, net in _items(part.get("pins")) if is_name(net)}
    parts = {name: part for name, part in every.items() if is_name(name)}
    kinds = {name: part.get("kind") for name, part in parts.items()}
    if every:
        yield from _nets(raw, nets)
    if part_types is not None:
        yield from _types(parts, part_types)
    yield from _states(raw, kinds)
    yield from _stimuli(raw, kinds)
    yield from _requirements(raw, nets)
    yield from _waivers(raw, parts, nets)


def part_type_problems(circuit: Circuit, part_types: Mapping[str, str]) -> tuple[Problem, ...]:
    """Parts whose ``type`` is not in ``part_types`` (name -> kind) or is of another kind."""
    parts = {name: {"kind": part.kind, "type": part.values["type"]}
             for name, part in circuit.parts.items() if "type" in part.values}
    return tuple(Problem.of(pointer(c.at), c) for c in _types(parts, part_types))


def _items(value: object) -> Iterator[tuple[str, Any]]:
    if isinstance(value, (dict, Mapping)):  # dict first: the usual case, and quick
        yield from ((key, item) for key, item in value.items() if isinstance(key, str))


def _names(value: object) -> list[str]:
    return [name for name, _ in _items(value) if is_name(name)]


def _listed_items(value: object) -> Iterator[tuple[int, Any]]:
    if isinstance(value, (list, tuple)):
        yield from enumerate(value)


def _nets(raw: Mapping[str, Any], nets: set[str]) -> Iterator[Complaint]:
    ground = raw.get("ground")
    if isinstance(ground, str) and ground not in nets:
        yield from _unknown("the ground is not a net that a pin uses", ground, nets, "ground")
    if len(nets) > MAX_NETS:
        yield Complaint("too many nets", seen=str(len(nets)), accepted=f"at most {MAX_NETS}", at=("parts",))
    for name, _ in _items(raw.get("nets")):
        if name not in nets:
            yield from _unknown("no pin uses this net", name, nets, "nets", name)


def _types(parts: Mapping[str, Mapping[str, Any]], part_types: Mapping[str, str]) -> Iterator[Complaint]:
    for name, part in parts.items():
        kind, type_ = part.get("kind"), part.get("type")
        if not (isinstance(kind, str) and kind in KINDS and isinstance(type_, str)):
            continue
        if KINDS[kind].parameter("type") is None:
            continue
        known = part_types.get(type_)
        same_kind = [t for t, k in part_types.items() if k == kind]
        if known is None:
            yield from _unknown("the part type is not known", type_, same_kind, "parts", name, "type")
        elif known != kind:
            yield Complaint(f"the part type is of kind {known}, the part of kind {kind}", seen=show(type_),
                            accepted=listed(sorted(same_kind)) or "no type of this kind is known",
                            at=("parts", name, "type"))


def _states(raw: Mapping[str, Any], kinds: Mapping[str, Any]) -> Iterator[Complaint]:
    devices = [name for name, kind in kinds.items() if isinstance(kind, str) and kind in REGIONS]
    for state, regions in _items(raw.get("states")):
        for device, region in _items(regions):
            at = ("states", state, device)
            kind = kinds.get(device)
            if device not in kinds:
                yield from _unknown("no part has this name", device, devices, *at)
            elif isinstance(kind, str) and kind in KINDS and kind not in REGIONS:
                yield Complaint(f"{PARTS_BY_KIND[kind].noun} has no regions", seen=show(device),
                                accepted=listed(sorted(devices)) or "a transistor or diode", at=at)
            elif isinstance(kind, str) and kind in REGIONS and isinstance(region, str):
                words = dict.fromkeys((*REGIONS[kind], "on"))
                if region not in words:
                    yield Complaint(f"{PARTS_BY_KIND[kind].noun} has no region {quoted(region)}",
                                    seen=quoted(region),
                                    accepted=listed(words), nearest=nearest_name(region, words), at=at)


def _stimuli(raw: Mapping[str, Any], kinds: Mapping[str, Any]) -> Iterator[Complaint]:
    movable = [name for name, kind in kinds.items() if isinstance(kind, str) and kind in POSITIONS]
    for stimulus, actions in _items(raw.get("stimuli")):
        for index, action in _listed_items(actions):
            if not isinstance(action, Mapping):
                continue
            part, to = action.get("part"), action.get("to")
            at = ("stimuli", stimulus, index)
            if not isinstance(part, str):
                continue
            kind = kinds.get(part)
            if part not in kinds:
                yield from _unknown("no part has this name", part, movable, *at, "part")
            elif isinstance(kind, str) and kind in KINDS and kind not in POSITIONS:
                yield Complaint(f"{PARTS_BY_KIND[kind].noun} cannot be acted on", seen=show(part),
                                accepted=listed(sorted(movable)) or "a contact or a driver", at=(*at, "part"))
            elif isinstance(kind, str) and kind in POSITIONS and isinstance(to, str):
                words = POSITIONS[kind]
                if to not in words and any(to in other for other in POSITIONS.values()):
                    yield Complaint(f"a {kind} does not go {to}", seen=show(to), accepted=listed(words),
                                    at=(*at, "to"))


def _requirements(raw: Mapping[str, Any], nets: set[str]) -> Iterator[Complaint]:
    known: Mapping[str, tuple[str, list[str]]] = {
        "net": ("no pin uses this net", sorted(nets)),
        "state": ("states has no state of this name", _names(raw.get("states"))),
        "stimulus": ("stimuli has none of this name", _names(raw.get("stimuli"))),
    }
    for index, requirement in _listed_items(raw.get("requirements")):
        if not isinstance(requirement, Mapping):
            continue
        kind = requirement.get("kind")
        shape = REQUIREMENTS_BY_KIND.get(kind) if isinstance(kind, str) else None
        for member, (detail, names) in known.items():
            word = requirement.get(member)
            if shape and member in shape.members and isinstance(word, str) and word not in names:
                yield from _unknown(detail, word, names, "requirements", index, member)


def _waivers(raw: Mapping[str, Any], parts: Mapping[str, Any], nets: set[str]) -> Iterator[Complaint]:
    for index, waiver in _listed_items(raw.get("waivers")):
        if not isinstance(waiver, Mapping):
            continue
        for member, detail, names in (("parts", "no part has this name", parts),
                                      ("nets", "no pin uses this net", nets)):
            for position, word in _listed_items(waiver.get(member)):
                if isinstance(word, str) and word not in names:
                    yield from _unknown(detail, word, names, "waivers", index, member, position)


def _unknown(detail: str, word: str, known: Iterable[str], *at: str | int) -> Iterator[Complaint]:
    """The complaint about an unknown name; none about what is no name (that has been said)."""
    if is_name(word):
        names = sorted(known)
        yield Complaint(detail, seen=show(word), accepted=listed(names) or "nothing of this sort is defined",
                        nearest=nearest_name(word, names), at=at)
