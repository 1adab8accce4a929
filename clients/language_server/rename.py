"""Every place of a name: rename, references, definition and highlights of parts, nets, states and stimuli.

``prepare(snapshot, offset) -> (range, name)`` and ``rename(snapshot, offset,
new) -> list[TextEdit]`` raise :class:`CannotRename` with the reason.
``references(snapshot, offset, declaration)``, ``definition(snapshot, offset)``
and ``highlights(snapshot, offset)`` give ranges, none where there is no name.

The places are those that :mod:`schemas.references` checks.  The edited text is
read again before it is handed out: it has to be the document with the name
changed and nothing else.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Literal, TypeAlias

from lsprotocol import types as lsp

from clients.language_server.names import spelt
from clients.language_server.snapshot import Snapshot
from schemas.document import parse_text
from schemas.problems import DocumentProblems, pointer
from schemas.values import NAME_WORDS, is_name

Sort: TypeAlias = Literal["part", "net", "state", "stimulus"]
Step: TypeAlias = str | int

NAME = "<name>"
"""In a pattern: the member name itself is the name.  ``*`` is any member or item."""
PLACES: Mapping[Sort, tuple[tuple[str, ...], ...]] = {
    "part": (("parts", NAME), ("states", "*", NAME), ("stimuli", "*", "*", "part"),
             ("waivers", "*", "parts", "*")),
    "net": (("nets", NAME), ("parts", "*", "pins", "*"), ("ground",), ("requirements", "*", "net"),
            ("waivers", "*", "nets", "*")),
    "state": (("states", NAME), ("requirements", "*", "state")),
    "stimulus": (("stimuli", NAME), ("requirements", "*", "stimulus")),
}
"""Where names stand, by what they name.  The first place of each is where it is defined (a net: noted)."""
_DEFINED = {"part": "parts", "state": "states", "stimulus": "stimuli", "net": "nets"}


class CannotRename(Exception):
    """The name cannot be changed; the message says why."""


@dataclass(frozen=True, slots=True)
class Place:
    """One place of a name: its path, whether it is the member name there, and its span in the text."""

    sort: Sort
    name: str
    path: tuple[Step, ...]
    is_key: bool
    start: int
    end: int

    @property
    def pointer(self) -> str:
        return pointer(self.path)


def _paths(data: Any, pattern: tuple[str, ...],
           done: tuple[Step, ...] = ()) -> Iterator[tuple[tuple[Step, ...], bool]]:
    """Every path of the data that fits a pattern, and whether it is a member name."""
    if not pattern:
        yield done, False
        return
    step, rest = pattern[0], pattern[1:]
    if step == NAME:
        if isinstance(data, dict):
            yield from (((*done, key), True) for key in data)
    elif step != "*":
        if isinstance(data, dict) and step in data:
            yield from _paths(data[step], rest, (*done, step))
    elif isinstance(data, dict):
        for key, item in data.items():
            yield from _paths(item, rest, (*done, key))
    elif isinstance(data, list):
        for index, item in enumerate(data):
            yield from _paths(item, rest, (*done, index))


def places(snapshot: Snapshot) -> tuple[Place, ...]:
    """Every place of every name, in the order of the text; none in a text that is not well-formed."""
    return tuple(sorted(_places(snapshot), key=lambda place: (place.start, place.end, place.pointer)))


def _places(snapshot: Snapshot) -> Iterator[Place]:
    raw, positions = snapshot.raw, snapshot.positions
    for sort, patterns in PLACES.items():
        for pattern in patterns:
            for path, is_key in _paths(raw, pattern):
                name = path[-1] if is_key else _at(raw, path)
                if not isinstance(name, str):
                    continue
                try:
                    mark = positions.key(pointer(path)) if is_key else positions.value(pointer(path))
                except KeyError:
                    continue
                yield Place(sort, name, path, is_key, mark.start, mark.end)


def _at(data: Any, path: tuple[Step, ...]) -> Any:
    for step in path:
        data = data[step]
    return data


def at(snapshot: Snapshot, offset: int) -> Place | None:
    """The name at an offset, its end included."""
    return next((place for place in places(snapshot) if place.start <= offset <= place.end), None)


def same(snapshot: Snapshot, target: Place) -> tuple[Place, ...]:
    """Every place of the same name, each span of the text once (an alias leads to where it was written)."""
    found: dict[tuple[int, int], Place] = {}
    for place in places(snapshot):
        if (place.sort, place.name) == (target.sort, target.name):
            found.setdefault((place.start, place.end), place)
    return tuple(found.values())


# --- rename ----------------------------------------------------------------------------------------------


def prepare(snapshot: Snapshot, offset: int) -> tuple[lsp.Range, str]:
    """The range of the name without its quotes, and the name.  Raises :class:`CannotRename`."""
    target = _target(snapshot, offset)
    start, end = _inner(snapshot.text, target)
    return snapshot.lines.range_of(start, end), target.name


def rename(snapshot: Snapshot, offset: int, new: str) -> list[lsp.TextEdit]:
    """The edits that give the part, net, state or stimulus at ``offset`` another name.

    In the order of the text, none where the name stays.  Raises
    :class:`CannotRename` for a name that is taken or not well formed, and
    where the text cannot be edited without changing something else.
    """
    target = _target(snapshot, offset)
    if new == target.name:
        return []
    if not is_name(new):
        raise CannotRename(f"{new!r} is not a name; a name has {NAME_WORDS}")
    every = places(snapshot)
    taken = next((place for place in every if (place.sort, place.name) == (target.sort, new)), None)
    if taken is not None:
        line = snapshot.lines.position(taken.start).line + 1
        raise CannotRename(f"there is a {target.sort} {new} already, in line {line}")
    edits = []
    for place in same(snapshot, target):
        old = snapshot.text[place.start:place.end]
        quote = old[:1] if old[:1] in ("'", '"') else ""
        edits.append((place.start, place.end, spelt(new, snapshot.spelling, quote)))
    _prove(snapshot, target, new, edits)
    return [lsp.TextEdit(snapshot.lines.range_of(start, end), text) for start, end, text in edits]


def _target(snapshot: Snapshot, offset: int) -> Place:
    if not snapshot.well_formed:
        raise CannotRename("the text cannot be read to its end, so that not every place of a name is known")
    if not snapshot.faithful:
        raise CannotRename("a member stands twice or cannot be read, so that not every place of a name is"
                           " known")
    found = at(snapshot, offset)
    if found is None:
        raise CannotRename("here is no name of a part, net, state or stimulus")
    return found


def _inner(text: str, place: Place) -> tuple[int, int]:
    quote = text[place.start:place.start + 1]
    quoted = place.end - place.start >= 2 and quote in ("'", '"') and text[place.end - 1] == quote
    return (place.start + 1, place.end - 1) if quoted else (place.start, place.end)


def _prove(snapshot: Snapshot, target: Place, new: str, edits: list[tuple[int, int, str]]) -> None:
    """Raises unless the edited text says the same with the name changed, and nothing else."""
    text = snapshot.text
    for start, end, put in sorted(edits, reverse=True):
        text = text[:start] + put + text[end:]
    try:
        found, _ = parse_text(text, snapshot.spelling)
    except DocumentProblems as refused:
        raise CannotRename(f"the text would no longer be read: {refused.problems[0]}") from None
    if not _alike(found, renamed(snapshot.raw, target.sort, target.name, new)):
        raise CannotRename(f"{target.name} shares its place in the text with something else (an anchor),"
                           " which would change with it")


def renamed(raw: Any, sort: Sort, old: str, new: str) -> Any:
    """The plain data with the name changed in all its places; the data that came in stays as it is."""
    keys = {path[:-1] for pattern in PLACES[sort] for path, is_key in _paths(raw, pattern)
            if is_key and path[-1] == old}
    values = {path for pattern in PLACES[sort] for path, is_key in _paths(raw, pattern)
              if not is_key and _at(raw, path) == old}

    def copied(data: Any, path: tuple[Step, ...]) -> Any:
        if isinstance(data, dict):
            here = path in keys
            return {new if here and key == old else key: copied(item, (*path, key))
                    for key, item in data.items()}
        if isinstance(data, list):
            return [copied(item, (*path, index)) for index, item in enumerate(data)]
        return new if path in values else data
    return copied(raw, ())


def _alike(one: Any, other: Any) -> bool:
    """Equal, the order of members and the sort of every number included."""
    if isinstance(one, dict) and isinstance(other, dict):
        return list(one) == list(other) and all(_alike(one[key], other[key]) for key in one)
    if isinstance(one, list) and isinstance(other, list):
        return len(one) == len(other) and all(map(_alike, one, other))
    return type(one) is type(other) and bool(one == other)


# --- references ------------------------------------------------------------------------------------------


def references(snapshot: Snapshot, offset: int, declaration: bool = True) -> list[lsp.Location]:
    """Every place of the name at ``offset``; without ``declaration`` but for where it is defined."""
    target = at(snapshot, offset)
    if target is None:
        return []
    return [lsp.Location(snapshot.uri, _range(snapshot, place)) for place in same(snapshot, target)
            if declaration or not _defines(place)]


def definition(snapshot: Snapshot, offset: int) -> lsp.Location | None:
    """Where the name at ``offset`` is defined; of a net that has no note its first pin."""
    target = at(snapshot, offset)
    if target is None:
        return None
    every = same(snapshot, target)
    pins = (place for place in every if place.path[0] == "parts")
    found = next((place for place in every if _defines(place)), None) or next(pins, None)
    return lsp.Location(snapshot.uri, _range(snapshot, found)) if found is not None else None


def highlights(snapshot: Snapshot, offset: int) -> list[lsp.DocumentHighlight]:
    """Every place of the name at ``offset``, the definition as the one that writes."""
    target = at(snapshot, offset)
    if target is None:
        return []
    kinds = lsp.DocumentHighlightKind
    return [lsp.DocumentHighlight(_range(snapshot, place), kinds.Write if _defines(place) else kinds.Read)
            for place in same(snapshot, target)]


def _range(snapshot: Snapshot, place: Place) -> lsp.Range:
    return snapshot.lines.range_of(*_inner(snapshot.text, place))


def _defines(place: Place) -> bool:
    return place.is_key and len(place.path) == 2 and place.path[0] == _DEFINED[place.sort]
