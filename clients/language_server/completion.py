"""Completion of a circuit document while it is typed.

``complete(snapshot, offset, *, good, snippets, rules) -> CompletionList``:
``good`` is the circuit of the last text that was one, ``snippets`` says that
the client takes them, ``rules`` maps rule slugs to titles.  Works in any text;
every edit replaces the word around the cursor, in one line.
``TRIGGERS`` are the characters after which a client should ask by itself.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace

from lsprotocol import types as lsp

from clients.language_server.completion_words import (
    Word,
    kinds,
    leaf_values,
    members,
    part_body,
    part_types,
    requirement_kinds,
    shape_at,
    whole_parts,
)
from clients.language_server.names import quoted_as, spelt
from clients.language_server.partial import Known, Partial, Path, Spot, known
from clients.language_server.snapshot import Snapshot
from schemas.circuit import Circuit
from schemas.kinds import KINDS, REGIONS
from schemas.references import POSITIONS
from schemas.shapes import Choice, Leaf, ListOf, MapOf, Object, Shape

TRIGGERS = ('"', "'", ":", " ", "{", "[", ",", ".")
_COLON_NEXT = re.compile(r"[\"']?[ \t]*:")
_SORTS = {"member": lsp.CompletionItemKind.Property, "kind": lsp.CompletionItemKind.Class,
          "type": lsp.CompletionItemKind.Constant, "value": lsp.CompletionItemKind.Value,
          "unit": lsp.CompletionItemKind.Unit, "part": lsp.CompletionItemKind.Snippet,
          "net": lsp.CompletionItemKind.Variable, "name": lsp.CompletionItemKind.Reference}


def complete(snapshot: Snapshot, offset: int, *, good: Circuit | None = None, snippets: bool = False,
             rules: Mapping[str, str] | None = None) -> lsp.CompletionList:
    """What could stand at the cursor, in the order in which it should be offered."""
    partial = snapshot.partial
    spot = partial.at(offset)
    names = known(partial, None if snapshot.well_formed else good)
    shape = shape_at(partial, spot.path)
    items: list[lsp.CompletionItem] = []
    if spot.role == "key":
        own = snapshot.text[spot.start:spot.end]
        words = list(_keys(partial, spot.path, shape, names, snapshot.spelling, own))
        items = [_key_item(snapshot, spot, word, index, snippets) for index, word in enumerate(words)]
    elif spot.role in ("value", "item"):
        path: Path = (*spot.path, _count(partial, spot.path)) if spot.role == "item" else spot.path
        shape = shape_at(partial, path) if spot.role == "item" else shape
        words = list(_values(partial, path, shape, names, spot.before, snapshot.spelling, rules or {}))
        items = [_value_item(snapshot, spot, word, index, snippets) for index, word in enumerate(words)
                 if word.text or snippets]
        if not spot.flow and spot.role == "value" and isinstance(path[-1] if path else None, int):
            keys = _keys(partial, path, shape, names, snapshot.spelling, "")
            items += [_key_item(snapshot, spot, word, len(items) + index, snippets)
                      for index, word in enumerate(keys)]
    counted = isinstance(shape, Leaf) and any(char.isdigit() for char in spot.before)
    return lsp.CompletionList(is_incomplete=counted, items=items)


def _count(partial: Partial, path: Path) -> int:
    node = partial.node(path)
    return len(node.items) if node is not None else 0


# --- what could stand there ------------------------------------------------------------------------------


def _keys(partial: Partial, path: Path, shape: Shape | None, names: Known, spelling: str,
          own: str) -> Iterator[Word]:
    """Member names; ``own`` is the one that is being typed, which is not there yet."""
    every = list(partial.names(path))
    if own in every:
        every.remove(own)
    given = set(every)
    if path == ("parts",):
        yield from whole_parts(set(names.parts) - ({own} - given), spelling)
    elif path == ("nets",):
        yield from (Word(net, "net", "", "net") for net in names.nets if net not in given)
    elif path[:1] == ("states",) and len(path) == 2:
        yield from (Word(name, kind, "", "name") for name, kind in names.parts.items()
                    if kind in REGIONS and name not in given)
    elif not isinstance(shape, (MapOf, ListOf, Leaf)):
        yield from members(partial, path, shape, given)


def _values(partial: Partial, path: Path, shape: Shape | None, names: Known, typed: str, spelling: str,
            rules: Mapping[str, str]) -> Iterator[Word]:
    last = path[-1] if path else ""
    holder = path[:-1]
    kind = partial.text_at((*holder, "kind")) or ""
    if path[:1] == ("parts",) and len(path) == 3 and last == "kind":
        yield from kinds()
    elif path[:1] == ("requirements",) and last == "kind":
        yield from requirement_kinds()
    elif path[:1] == ("parts",) and last == "type":
        yield from part_types(kind)
    elif _is_net(path):
        yield from _nets(partial, path, names)
    elif path[:1] == ("states",) and len(path) == 3:
        regions = REGIONS.get(names.parts.get(str(last), ""), ())
        yield from (Word(word, "region", "", "value") for word in dict.fromkeys((*regions, "on")))
    elif path[:1] == ("stimuli",) and last == "part":
        yield from (Word(name, part, "", "name") for name, part in names.parts.items() if part in POSITIONS)
    elif path[:1] == ("stimuli",) and last == "to":
        acted = names.parts.get(partial.text_at((*holder, "part")) or "", "")
        words = POSITIONS.get(acted) or dict.fromkeys(word for words in POSITIONS.values() for word in words)
        yield from (Word(word, acted, "", "value") for word in words)
    elif path[:1] == ("requirements",) and last in ("state", "stimulus"):
        found = names.states if last == "state" else names.stimuli
        yield from (Word(name, str(last), "", "name") for name in found)
    elif path[:1] == ("waivers",) and last == "rule":
        yield from (Word(slug, "rule", rules[slug], "value") for slug in sorted(rules))
    elif path[:1] == ("waivers",) and len(path) == 4 and path[2] == "parts":
        listed = _items(partial, holder)
        yield from (Word(name, part, "", "name") for name, part in names.parts.items() if name not in listed)
    else:
        yield from _by_shape(partial, path, shape, typed, spelling, kind)


def _by_shape(partial: Partial, path: Path, shape: Shape | None, typed: str, spelling: str,
              kind: str) -> Iterator[Word]:
    if isinstance(shape, Leaf):
        dielectric = partial.text_at((*path[:-1], "dielectric")) or ""
        yield from leaf_values(shape, typed, dielectric, kind)
    if typed.strip():
        return
    if path[:1] == ("parts",) and len(path) == 2:
        for name in KINDS:
            yield Word("", name, KINDS[name].meaning, "part", part_body(name, spelling), filter=name)
    elif isinstance(shape, Object) and (path == ("ambient",)
                                        or (path[:1] == ("parts",) and path[2:] == ("pins",))):
        yield from _fields(shape.members, spelling)
    elif path[:1] == ("requirements",) and len(path) == 2 and isinstance(shape, Choice):
        for option in shape.options:
            if isinstance(option, Object):
                word = next(iter(_choices(option)))
                yield from _fields(option.required, spelling, word)


def _choices(option: Object) -> tuple[str, ...]:
    kind = option.members["kind"].shape
    return kind.choices if isinstance(kind, Leaf) else ("",)


def _fields(names: Iterable[str], spelling: str, kind: str = "") -> Iterator[Word]:
    """An object in brackets with a field for each member."""
    q = '"' if spelling == "json" else ""
    rows = [f"{q}kind{q}: {q}{kind}{q}"] if kind else []
    rows += [f"{q}{name}{q}: {q}${{{at}}}{q}" for at, name in
             enumerate((name for name in names if name != "kind"), 1)]
    body = f"{{{', '.join(rows)}\\}}"
    yield Word("", kind or "object", "", "part", body, filter=kind or "object")


def _is_net(path: Path) -> bool:
    return (path == ("ground",) or (path[:1] == ("parts",) and len(path) == 4 and path[2] == "pins")
            or (path[:1] == ("requirements",) and len(path) == 3 and path[2] == "net")
            or (path[:1] == ("waivers",) and len(path) == 4 and path[2] == "nets"))


def _items(partial: Partial, path: Path) -> set[str]:
    node = partial.node(path)
    return {item.text for item in node.items} if node is not None else set()


def _nets(partial: Partial, path: Path, names: Known) -> Iterator[Word]:
    """The nets in use, the ground first, each with the pins on it."""
    listed = _items(partial, path[:-1]) if path[0] == "waivers" else set()
    on: dict[str, list[str]] = {}
    for part in partial.parts.values():
        for pin, net in part.pins.items():
            on.setdefault(net, []).append(f"{part.name}.{pin}")
    own = partial.text_at(path)
    for net in names.nets:
        pins = sorted(on.get(net, ()))
        mine = path[0] == "parts" and pins == [f"{path[1]}.{path[3]}"] and net == own
        if net not in listed and not mine:  # what is being typed is no net yet
            more = f" and {len(pins) - 6} more" if len(pins) > 6 else ""
            yield Word(net, "net", ", ".join(pins[:6]) + more, "net")


# --- how it is put in ------------------------------------------------------------------------------------


def _edit(snapshot: Snapshot, spot: Spot, text: str) -> lsp.TextEdit:
    return lsp.TextEdit(snapshot.lines.range_of(spot.start, spot.end), text)


def _lead(snapshot: Snapshot, spot: Spot) -> str:
    """A blank where YAML needs one: behind a colon, a dash or a comma."""
    before = snapshot.text[spot.start - 1:spot.start]
    if spot.quote:
        return ""
    return " " if before in (":", "-", ",") and before else ""


def _key_item(snapshot: Snapshot, spot: Spot, word: Word, index: int, snippets: bool) -> lsp.CompletionItem:
    follows = _COLON_NEXT.match(snapshot.text, spot.end) is not None
    body = word.snippet if snippets and not follows else ""
    name = _named(snapshot, spot, word.text)
    if spot.quote and spot.closed and not follows:
        # The closing quote is there: it is replaced too, so that the colon stands behind it.
        name, spot = name + spot.quote, replace(spot, end=spot.end + len(spot.quote))
    text = name if follows else f"{name}: "
    if snapshot.spelling == "yaml" and snapshot.text[spot.start - 1:spot.start] == ",":
        text = " " + text
    if body:
        text = _escaped(text) + body
    return _item(snapshot, spot, word, index, text, bool(body), label=word.filter or word.text)


def _named(snapshot: Snapshot, spot: Spot, text: str) -> str:
    """A text with the quotes that are still missing."""
    if spot.quote:
        inner = quoted_as(text, spot.quote)[1:-1]
        return inner if spot.closed else inner + spot.quote
    return spelt(text, snapshot.spelling)


def _value_item(snapshot: Snapshot, spot: Spot, word: Word, index: int, snippets: bool) -> lsp.CompletionItem:
    body = word.snippet if snippets and not spot.quote else ""
    dash = "- " if spot.role == "item" else ""
    lead = _lead(snapshot, spot) if snapshot.spelling == "yaml" or spot.role == "item" else ""
    text = body or (word.text if word.raw else _named(snapshot, spot, word.text))
    return _item(snapshot, spot, word, index, lead + dash + text, bool(body), label=word.text or word.detail)


def _item(snapshot: Snapshot, spot: Spot, word: Word, index: int, text: str, snippet: bool,
          label: str) -> lsp.CompletionItem:
    return lsp.CompletionItem(
        label=label, kind=_SORTS[word.sort], detail=word.detail or None,
        documentation=word.meaning or None, sort_text=f"{index:04d}", filter_text=word.filter or None,
        insert_text_format=lsp.InsertTextFormat.Snippet if snippet else lsp.InsertTextFormat.PlainText,
        text_edit=_edit(snapshot, spot, text))


def _escaped(text: str) -> str:
    """Text inside a snippet (LSP 3.17, section "Snippet Syntax": ``$``, ``}`` and backslash are escaped)."""
    return re.sub(r"([\\$}])", r"\\\1", text)
