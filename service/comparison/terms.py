"""What the circuit is judged by, where a change gives it other terms.

A requirement that is dropped or eased, or a milder ambient, makes findings go away without mending anything.
That may be right; so it is told beside them and left to whoever decides.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from schemas.circuit import Circuit, Requirement
from service.comparison.translation import Translation

Json = dict[str, Any]
_WHO = ("name", "stimulus", "state", "net")
"""Members that say which requirement it is, the most telling first."""


def changed_terms(base: Circuit, head: Circuit, base_raw: Mapping[str, Any], head_raw: Mapping[str, Any],
                  names: Translation) -> list[Json]:  # fmt: skip
    """Requirements, ambient, assumptions, use and stimuli that are others than before.

    Compared by value, so another spelling of one value is no change; told in the words of the documents.
    Each has ``what``, ``name``, ``before``, ``after`` (``None`` where there is none) and ``pointer``, which
    leads into the head, or into the base for what the head no longer has.
    """
    told: list[Json] = []
    if base.use != head.use:
        told.append(_told("use", "", base.use, head.use, "/use"))
    told += _ambient(base, head, base_raw, head_raw)
    told += _by_name("assumption", "assumptions", base.assumptions, head.assumptions, base_raw, head_raw)
    told += _stimuli(base, head, base_raw, head_raw, names)
    told += _requirements(base, head, base_raw, head_raw, names)
    return told


def _told(what: str, name: str, before: Any, after: Any, pointer: str) -> Json:
    return {"what": what, "name": name, "before": _text(before), "after": _text(after), "pointer": pointer}


def _text(value: Any) -> str | None:
    """A value of a document on one line."""
    if value is None:
        return None
    if isinstance(value, Mapping):
        return ", ".join(f"{key} {_text(item)}" for key, item in value.items())
    if isinstance(value, (list, tuple)):
        return "; ".join(str(_text(item)) for item in value)
    return str(value)


def _ambient(base: Circuit, head: Circuit, base_raw: Mapping[str, Any],
             head_raw: Mapping[str, Any]) -> list[Json]:  # fmt: skip
    if base.ambient == head.ambient:
        return []
    return [_told("ambient", "", base_raw.get("ambient"), head_raw.get("ambient"), "/ambient")]


def _by_name(what: str, section: str, base: Mapping[str, Any], head: Mapping[str, Any],
             base_raw: Mapping[str, Any], head_raw: Mapping[str, Any]) -> list[Json]:  # fmt: skip
    before, after = base_raw.get(section) or {}, head_raw.get(section) or {}
    return [
        _told(what, name, before.get(name), after.get(name), f"/{section}/{name}")
        for name in sorted(base.keys() | head.keys())
        if base.get(name) != head.get(name)
    ]


def _stimuli(base: Circuit, head: Circuit, base_raw: Mapping[str, Any], head_raw: Mapping[str, Any],
             names: Translation) -> list[Json]:  # fmt: skip
    def plain(circuit: Circuit, translate: bool) -> dict[str, Any]:
        return {
            name: [(a.at, names.parts((a.part,))[0] if translate else a.part, a.to) for a in actions]
            for name, actions in circuit.stimuli.items()
        }

    return _by_name("stimulus", "stimuli", plain(base, True), plain(head, False), base_raw, head_raw)


def _requirements(base: Circuit, head: Circuit, base_raw: Mapping[str, Any], head_raw: Mapping[str, Any],
                  names: Translation) -> list[Json]:  # fmt: skip
    """Each requirement of the base beside what became of it: the same, another, or none."""
    before, after = _indexed(base.requirements), _indexed(head.requirements)
    translated = {index: _translated(item, names) for index, item in before.items()}
    pairs: dict[int, int] = {}
    for telling in range(len(_WHO), -1, -1):
        # first those of which everything but the number agrees, at last those of which only the kind does
        for index, item in translated.items():
            who, taken = _who(item, telling), set(pairs.values())
            free = [there for there in after if there not in taken and _who(after[there], telling) == who]
            if index not in pairs and free:
                pairs[index] = free[0]
    old, new = base_raw.get("requirements") or [], head_raw.get("requirements") or []
    told = []
    for index, item in before.items():
        there = pairs.get(index)
        if there is None:
            place = f"/requirements/{index}"
            told.append(_told("requirement", _called(item), _bounds(old[index]), None, place))
        elif translated[index].values != after[there].values:
            told.append(_told("requirement", _called(after[there]), _bounds(old[index]), _bounds(new[there]),
                              f"/requirements/{there}"))  # fmt: skip
    told += [
        _told("requirement", _called(item), None, _bounds(new[index]), f"/requirements/{index}")
        for index, item in after.items()
        if index not in pairs.values()
    ]
    return told


def _indexed(items: Sequence[Requirement]) -> dict[int, Requirement]:
    return dict(enumerate(items))


def _translated(item: Requirement, names: Translation) -> Requirement:
    net = item.values.get("net")
    if not isinstance(net, str):
        return item
    return Requirement(item.kind, item.name, {**item.values, "net": names.nets((net,))[0]})


def _who(item: Requirement, telling: int) -> tuple[Any, ...]:
    """What a requirement is about, by its kind and as many of its telling members as are asked for."""
    members = {"name": item.name, **item.values}
    return (item.kind, *(members.get(key) for key in _WHO[:telling]))


def _called(item: Requirement) -> str:
    members = {"name": item.name, **item.values}
    about = next((str(members[key]) for key in _WHO if members.get(key) is not None), "")
    return f"{item.kind} {about}".rstrip()


def _bounds(raw: Mapping[str, Any]) -> Mapping[str, Any]:
    """A requirement without what its name tells already, unless nothing else is left."""
    return {key: value for key, value in raw.items() if key not in ("kind", "name")} or raw
