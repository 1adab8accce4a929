"""Where in a JSON or YAML text a change goes, and how the new text is spelt.

All functions return edits: ``(start, end, new text)`` over character offsets
of the text they were given.  The caller re-reads the result, so a layout that
is not understood here can end in a refusal, never in a wrong file.
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal, TypeAlias

from schemas.intake import Intake, Unreadable
from schemas.json_text import read_json
from schemas.problems import Enough, escape, unescape

if TYPE_CHECKING:
    from schemas.positions import PositionMap

Spelling = Literal["json", "yaml"]
Edit: TypeAlias = tuple[int, int, str]

# Plain in every YAML position, flow mappings included; anything else is tried, then quoted.
_PLAIN = re.compile(r"[A-Za-z0-9_.+/-][A-Za-z0-9_.+/%() -]*(?<! )\Z", re.ASCII)


class CannotEdit(Exception):
    """The change cannot be put into the text without doubt; the message says why."""


@dataclass(frozen=True, slots=True)
class Splice:
    """A text with its data and the position of every value and key in it."""

    text: str
    spelling: Spelling
    raw: Any
    positions: PositionMap

    def at(self, pointer: str) -> Any:
        """The value at ``pointer``; raises :class:`CannotEdit` when there is none."""
        here = self.raw
        for token in tokens(pointer):
            try:
                here = here[int(token)] if isinstance(here, list) else here[token]
            except (KeyError, IndexError, ValueError, TypeError) as error:
                raise CannotEdit(f"{pointer} is not in the file") from error
        return here

    def is_member(self, pointer: str) -> bool:
        """Whether ``pointer`` names an existing member of a mapping, which ``add`` replaces."""
        parent, token = upper(pointer)
        holder = self.at(parent)
        return isinstance(holder, dict) and token in holder

    def span(self, pointer: str) -> tuple[int, int]:
        """Offsets of the value's own text, without the blanks that a block value ends with."""
        if self.positions.is_shared(pointer):
            raise CannotEdit(f"{pointer} is an alias: its value stands elsewhere in the file and is shared")
        try:
            mark = self.positions.value(pointer)
        except KeyError as error:
            raise CannotEdit(f"{pointer} is not in the file") from error
        end = mark.end
        while end > mark.start and self.text[end - 1].isspace():
            end -= 1
        return mark.start, end

    def key_span(self, pointer: str) -> tuple[int, int]:
        mark = self.positions.key(pointer)
        return mark.start, mark.end

    def flow(self, pointer: str) -> bool:
        """Whether the mapping or list is written in brackets (always so in JSON)."""
        return self.text[self.span(pointer)[0]] in "{["

    def line_start(self, at: int) -> int:
        return max(self.text.rfind("\n", 0, at), self.text.rfind("\r", 0, at)) + 1

    def line_end(self, at: int) -> int:
        """Offset of the line break at or after ``at``, or of the end of the text."""
        found = [place for place in (self.text.find("\r", at), self.text.find("\n", at)) if place >= 0]
        return min(found, default=len(self.text))

    def after_line(self, at: int) -> int:
        """Offset of the first character of the next line."""
        end = self.line_end(at)
        return end + 2 if self.text[end:end + 2] == "\r\n" else min(end + 1, len(self.text))

    def column(self, at: int) -> int:
        return at - self.line_start(at)

    @property
    def newline(self) -> str:
        return "\r\n" if "\r\n" in self.text else "\n"


def parse(text: str, spelling: Spelling) -> tuple[Any, PositionMap]:
    """The plain data and the positions of a text; raises :class:`CannotEdit` when it cannot be read."""
    intake = Intake(text)
    raw: Any = None
    try:
        if spelling == "json":
            raw = read_json(intake)
        else:
            from schemas.yaml_text import read_yaml

            raw = read_yaml(intake)
    except (Unreadable, Enough):
        pass  # the reader has noted why
    if intake.sink.problems:
        raise CannotEdit(f"the text cannot be read: {intake.sink.problems[0].message}")
    return raw, intake.positions()


def tokens(pointer: str) -> list[str]:
    if pointer and not pointer.startswith("/"):
        raise CannotEdit(f"{pointer!r} is not a JSON Pointer")
    return [unescape(token) for token in pointer.split("/")[1:]]


def upper(pointer: str) -> tuple[str, str]:
    """The pointer of the holder, and the last token."""
    if not pointer:
        raise CannotEdit("the whole document cannot be replaced")
    parent, _, token = pointer.rpartition("/")
    return parent, unescape(token)


def child(pointer: str, holder: dict[str, Any] | list[Any], which: int) -> str:
    """The pointer of the member of ``holder`` at position ``which``."""
    names = list(holder) if isinstance(holder, dict) else list(map(str, range(len(holder))))
    return f"{pointer}/{escape(names[which])}"


def replace_value(splice: Splice, pointer: str, value: Any) -> list[Edit]:
    """The edit that puts ``value`` where the old one stands, in the old one's quotes."""
    upper(pointer)
    splice.at(pointer)
    start, end = splice.span(pointer)
    old = splice.text[start:end]
    new = spelt(splice, value, quote=old[:1] if old[:1] in ("'", '"') else "", like=pointer)
    return _instead(splice, pointer, f" {new}" if not old else new)


def _instead(splice: Splice, pointer: str, new: str) -> list[Edit]:
    """``new`` in the place of a whole value; where that was a block, on the line of its name."""
    start, end = splice.span(pointer)
    old = splice.at(pointer)
    is_block = isinstance(old, (dict, list)) and bool(old) and not splice.flow(pointer)
    if is_block and pointer and isinstance(splice.at(upper(pointer)[0]), dict):
        colon = splice.text.index(":", splice.key_span(pointer)[1]) + 1
        return [(colon, colon, f" {new}"), (splice.line_end(colon), end, "")]
    return [(start, end, new)]


def add_member(splice: Splice, pointer: str, value: Any) -> list[Edit]:
    """The edits that put a new member behind the last one, or an item into a list."""
    parent, token = upper(pointer)
    holder = splice.at(parent)
    if isinstance(holder, list):
        return _add_item(splice, parent, holder, token, value)
    if not isinstance(holder, dict):
        raise CannotEdit(f"{parent} is a single value and has no members")
    key = spelt_key(splice, token, parent, holder)
    if not holder:
        start, end = splice.span(parent)
        return [(start, end, "{" + f"{key}: {spelt(splice, value)}" + "}")]
    last = child(parent, holder, -1)
    if splice.flow(parent):
        colon = splice.text[splice.key_span(last)[1]:splice.span(last)[0]]
        colon = colon if colon.strip() == ":" and "\n" not in colon else ": "
        return _behind(splice, parent, holder, key + colon + spelt(splice, value, like=last))
    indent = splice.column(splice.key_span(last)[0])
    gap = _gap(splice, parent, holder, key)
    lines = block(splice, f"{key}:", gap, value, indent, like=last)
    return [_new_lines(splice, splice.span(last)[1], indent, lines)]


def _add_item(splice: Splice, parent: str, holder: list[Any], token: str, value: Any) -> list[Edit]:
    at = len(holder) if token == "-" else int(token) if token.isdecimal() else -1
    if not 0 <= at <= len(holder):
        raise CannotEdit(f"{parent}/{token} is not a place in a list of {len(holder)}")
    if not holder:
        start, end = splice.span(parent)
        return [(start, end, f"[{spelt(splice, value)}]")]
    if splice.flow(parent):
        if at == len(holder):
            return _behind(splice, parent, holder, spelt(splice, value, like=child(parent, holder, -1)))
        start = splice.span(child(parent, holder, at))[0]
        return [(start, start, spelt(splice, value, like=child(parent, holder, at)) + ", ")]
    like = child(parent, holder, min(at, len(holder) - 1))
    indent = splice.column(splice.span(parent)[0])
    lines = block(splice, "-", " ", value, indent, like=like)
    if at == len(holder):
        return [_new_lines(splice, splice.span(like)[1], indent, lines)]
    start = splice.line_start(_dash(splice, like))
    if splice.column(_dash(splice, like)) != indent or splice.text[start:_dash(splice, like)].strip():
        raise CannotEdit(f"the layout of {parent} leaves no room for an item at {at}")
    return [(start, start, "".join(" " * indent + line + splice.newline for line in lines))]


def _behind(splice: Splice, parent: str, holder: dict[str, Any] | list[Any], new: str) -> list[Edit]:
    """A member behind the last one of a bracketed mapping or list, with the separator in use there."""
    last = child(parent, holder, -1)
    end = splice.span(last)[1]
    opening = splice.span(parent)[0] + 1
    first = _start(splice, child(parent, holder, 0), holder)
    if len(holder) > 1:
        start, stop = splice.span(child(parent, holder, -2))[1], _start(splice, last, holder)
    else:
        start, stop = opening, first
    between = splice.text[start:stop]
    if "\n" not in between and "\r" not in between:
        compact = len(holder) > 1 and between == ","
        if len(holder) == 1 and isinstance(holder, dict) and splice.spelling == "json":
            compact = splice.text[splice.key_span(last)[1]:splice.span(last)[0]] == ":"
        return [(end, end, ("," if compact else ", ") + new)]
    indent = " " * splice.column(stop)
    lead = splice.text[splice.line_start(stop):stop]
    lead = lead if not lead.strip() else indent
    # A comment behind the last member stays with it: the comma goes before, the new line behind.
    rest = splice.text[end:splice.line_end(end)]
    if rest.lstrip(" \t,").startswith("#"):
        at = splice.line_end(end)
        comma = [] if rest.lstrip().startswith(",") else [(end, end, ",")]
        return [*comma, (at, at, splice.newline + lead + new)]
    if rest.strip() == ",":
        at = end + len(rest.rstrip())
        return [(at, at, splice.newline + lead + new + ",")]
    return [(end, end, "," + splice.newline + lead + new)]


def _start(splice: Splice, pointer: str, holder: Mapping[str, Any] | list[Any]) -> int:
    """Where a member begins: at its key, or at the item itself."""
    return splice.key_span(pointer)[0] if isinstance(holder, dict) else splice.span(pointer)[0]


def _new_lines(splice: Splice, end: int, indent: int, lines: list[str]) -> Edit:
    """Lines behind the line in which ``end`` stands, so that a comment there keeps its place."""
    at = splice.line_end(end)
    return at, at, "".join(splice.newline + " " * indent + line for line in lines)


def _gap(splice: Splice, parent: str, holder: dict[str, Any], key: str) -> str:
    """The blanks between colon and value: one, or as many as line up with an aligned column."""
    columns, lengths = set(), set()
    for name in holder:
        pointer = f"{parent}/{escape(name)}"
        start, end = splice.key_span(pointer)
        value = splice.span(pointer)[0]
        if "\n" not in splice.text[end:value]:
            columns.add(value - start)
            lengths.add(end - start)
    aligned = len(columns) == 1 and len(lengths) > 1
    return " " * max(1, columns.pop() - len(key) - 1) if aligned else " "


def _dash(splice: Splice, pointer: str) -> int:
    """Offset of the dash before a block list item."""
    at = splice.span(pointer)[0] - 1
    while at >= 0 and splice.text[at] in " \t":
        at -= 1
    if at < 0 or splice.text[at] != "-":
        raise CannotEdit(f"{pointer} is not laid out as a list item on a line of its own")
    return at


def remove_member(splice: Splice, pointer: str) -> list[Edit]:
    """The edit that takes out a member or item, with the comment on its own line."""
    parent, token = upper(pointer)
    holder = splice.at(parent)
    splice.at(pointer)
    if not isinstance(holder, (dict, list)):
        raise CannotEdit(f"{parent} is a single value and has no members")
    names = list(holder) if isinstance(holder, dict) else list(map(str, range(len(holder))))
    at = names.index(token)
    if len(names) == 1:
        return _instead(splice, parent, "{}" if isinstance(holder, dict) else "[]")
    if splice.flow(parent):
        if at == len(names) - 1:
            return [(splice.span(child(parent, holder, at - 1))[1], splice.span(pointer)[1], "")]
        return [(_start(splice, pointer, holder), _start(splice, child(parent, holder, at + 1), holder), "")]
    start = splice.key_span(pointer)[0] if isinstance(holder, dict) else _dash(splice, pointer)
    line = splice.line_start(start)
    end = splice.span(pointer)[1]
    if splice.text[line:start].strip():
        # The member shares its line with a dash: the next member moves up to it.
        if at + 1 == len(names):
            raise CannotEdit(f"{pointer} is not laid out on a line of its own")
        return [(start, _start(splice, child(parent, holder, at + 1), holder), "")]
    stop = splice.after_line(end)
    if stop == len(splice.text) and splice.line_end(end) == stop and line:
        # Last line of a text without a final line break: take the break before it.
        line = splice.line_end(splice.span(child(parent, holder, at - 1))[1])
    return [(line, stop, "")]


def block(splice: Splice, lead: str, gap: str, value: Any, indent: int, like: str) -> list[str]:
    """The lines of one block member or item, the first without its indent, in the style of ``like``."""
    if lead != "-" and isinstance(value, list) and value and all(isinstance(v, dict) and v for v in value):
        return [lead, *(row for item in value for row in _item_rows(splice, item))]
    sibling = splice.at(like)
    nested = isinstance(value, dict) and bool(value) and isinstance(sibling, dict) and bool(sibling)
    if not nested or splice.flow(like):
        return [f"{lead}{gap}{spelt(splice, value)}"]
    start = splice.span(like)[0]
    step = max(1, splice.column(start) - indent)
    rows: list[str] = []
    for name, item in value.items():
        key = spelt_key(splice, str(name), like, sibling)
        rows.append(f"{key}: {spelt(splice, item)}")
    if lead == "-":
        return [f"- {' ' * (step - 2)}{rows[0]}", *(" " * step + row for row in rows[1:])]
    return [lead, *(" " * step + row for row in rows)]


def _item_rows(splice: Splice, item: Mapping[str, Any]) -> list[str]:
    """One object of a new block list, a member a line: a waiver in one line would run off the screen."""
    rows = [f"{spelt_key(splice, str(name), '', {})}: {spelt(splice, value)}" for name, value in item.items()]
    return [f"  - {rows[0]}", *(f"    {row}" for row in rows[1:])]


def spelt_key(splice: Splice, name: str, parent: str, holder: Mapping[str, Any]) -> str:
    """A member name, quoted as its neighbours are."""
    if splice.spelling == "json":
        return json.dumps(name, ensure_ascii=False)
    if holder:
        start, _ = splice.key_span(f"{parent}/{escape(list(holder)[-1])}")
        mark = splice.text[start]
        if mark in "'\"":
            return _quoted(name, mark)
    return _scalar(splice, name)


def spelt(splice: Splice, value: Any, quote: str = "", like: str | None = None) -> str:
    """``value`` on one line; ``like`` points to a neighbour whose spacing is taken over in JSON."""
    if splice.spelling == "json":
        marks = (",", ":") if like is not None and _is_tight(splice, like) else (", ", ": ")
        return json.dumps(_short_numbers(value), ensure_ascii=False, separators=marks)
    if isinstance(value, dict):
        return "{" + ", ".join(f"{_scalar(splice, str(key))}: {spelt(splice, item)}"
                               for key, item in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(spelt(splice, item) for item in value) + "]"
    if isinstance(value, str):
        return _quoted(value, quote) if quote else _scalar(splice, value)
    return json.dumps(_short_numbers(value))


def _is_tight(splice: Splice, pointer: str) -> bool:
    """Whether the JSON around ``pointer`` is written without blanks."""
    parent, _ = upper(pointer)
    if not isinstance(splice.at(parent), dict):
        return False
    return splice.text[splice.key_span(pointer)[1]:splice.span(pointer)[0]] == ":"


def _short_numbers(value: Any) -> Any:
    """4700.0 as 4700; the number stays the same."""
    if isinstance(value, dict):
        return {key: _short_numbers(item) for key, item in value.items()}
    if isinstance(value, list):
        return [_short_numbers(item) for item in value]
    return int(value) if isinstance(value, float) and value.is_integer() and abs(value) < 1e15 else value


def _quoted(text: str, quote: str) -> str:
    if quote == "'" and text.isprintable():
        return "'" + text.replace("'", "''") + "'"
    # YAML knows the escapes of JSON, but not its pairs of surrogates.
    return '"' + "".join(char if char.isprintable() and char not in '"\\' else
                         f"\\U{ord(char):08x}" if ord(char) > 0xFFFF else json.dumps(char)[1:-1]
                         for char in text) + '"'


def _scalar(splice: Splice, text: str) -> str:
    """A YAML text, bare where a reader would take it for exactly this text."""
    if _PLAIN.match(text):
        try:
            found, _ = parse(f"{{k: {text}}}", "yaml")
        except CannotEdit:
            found = None
        if found == {"k": text}:
            return text
    return _quoted(text, '"')
