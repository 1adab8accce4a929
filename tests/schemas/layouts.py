"""Plain data written in many layouts, with the place of everything as the writer knows it.

No parser has a part in it: the spans are noted while the text is written.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from random import Random
from typing import Any

from schemas.intake import MAX_NAME
from schemas.problems import escape

TEXTS = (
    "", " ", "a", "two words here", "x/y~z", "~", "/", "#", "#note", "- x", "a: b", "a:b", "it's", 'say "hi"',
    "\\", "\u00b5F", "4.7 k\u03a9", "\U0001f600 bell", "tab\tin", "line\nbreak", "two\n\nbreaks\n", "end\n",
    "kept\n\n\n", "kept too \n\n", "  lead", "trail  ", "\x07", "\u2028", "a\u2028b", "\x85x", "\ufeff",
    "null", "true", "12", "1e5", "-", "?", "*a", "&a", "!t", "%d", "@x", "{", "}", "[a]", ",", "a, b", "|",
    ">", "=", "<<", "on", "...", "---", "long " * 60 + "end", "\u0e01\u0e33", "e\u0301", "\u2029",
    "\ud7ff\ue000", "word " * 12 + "fin",
)  # fmt: skip
_WORD = re.compile(
    r"[A-Za-z][A-Za-z0-9_/~\u00b5\u03a9\u2028\x85]*(?: [A-Za-z][A-Za-z0-9_/~\u00b5\u03a9]*)*\Z"
)
_MEANT = re.compile(r"(?:null|true|false)\Z", re.IGNORECASE)
_RAW = re.compile("[\t -~\x85\xa0-\ud7ff\ue000-\ufefe\uff00-\ufffd\U00010000-\U0010ffff]*\\Z")
_FOLD = re.compile(r"(?<=[^ \t\n]) (?=[^ \t\n])")


def plain_data(rng: Random, depth: int = 4) -> Any:
    """Random plain data; parts of it stand in it more than once."""
    made: list[Any] = []

    def value(depth: int) -> Any:
        if made and rng.random() < 0.12:
            return rng.choice(made)
        roll = rng.random()
        if depth and roll < 0.28:
            names = [text(rng)[:MAX_NAME] for _ in range(rng.randrange(4))]
            found: Any = {name: value(depth - 1) for name in names}
        elif depth and roll < 0.5:
            found = [value(depth - 1) for _ in range(rng.randrange(4))]
        else:
            return scalar(rng)
        made.append(found)
        return found

    return value(depth)


def text(rng: Random) -> str:
    return rng.choice(TEXTS) if rng.random() < 0.8 else f"n{rng.randrange(1000)}"


def scalar(rng: Random) -> Any:
    kinds: tuple[Callable[[], Any], ...] = (
        lambda: None,
        lambda: rng.random() < 0.5,
        lambda: rng.randrange(-(10**9), 10**9),
        lambda: rng.randrange(10**38),
        lambda: rng.uniform(-1, 1) * 10.0 ** rng.randrange(-20, 20),
        lambda: 0.0,
    )
    return rng.choice(kinds)() if rng.random() < 0.4 else text(rng)


@dataclass
class Writer:
    """The text so far, and the span of every value and name in it."""

    rng: Random
    newline: str = "\n"
    pieces: list[str] = field(default_factory=list)
    length: int = 0
    values: dict[str, tuple[int, int]] = field(default_factory=dict)
    keys: dict[str, tuple[int, int]] = field(default_factory=dict)
    shared: set[str] = field(default_factory=set)

    @property
    def text(self) -> str:
        return "".join(self.pieces)

    def put(self, piece: str) -> None:
        self.pieces.append(piece)
        self.length += len(piece)

    def maybe(self, chance: float) -> bool:
        return self.rng.random() < chance

    def written(self, piece: str) -> tuple[int, int]:
        start = self.length
        self.put(piece)
        return start, self.length

    def line(self) -> None:
        self.put(self.newline)


class JsonWriter(Writer):
    """JSON (RFC 8259) with any blanks, escapes and spellings of numbers."""

    def blanks(self) -> None:
        if self.maybe(0.5):
            self.put("".join(self.rng.choice(" \t\n\r") for _ in range(self.rng.randrange(4))))

    def document(self, data: Any) -> None:
        self.blanks()
        self.value(data, "")
        self.blanks()

    def quoted(self, value: str) -> str:
        def one(char: str) -> str:
            plain = json.dumps(char, ensure_ascii=False)[1:-1]
            if not self.maybe(0.1):
                return plain
            return json.dumps(char)[1:-1] if ord(char) > 0xFFFF else f"\\u{ord(char):04x}"

        return '"' + "".join(map(one, value)) + '"'

    def value(self, data: Any, place: str) -> None:
        start = self.length
        self.values[place] = (start, start)
        if isinstance(data, (dict, list)):
            names = list(data) if isinstance(data, dict) else range(len(data))
            self.put("{" if isinstance(data, dict) else "[")
            self.blanks()
            for at, name in enumerate(names):
                if at:
                    self.put(",")
                    self.blanks()
                inner = f"{place}/{escape(str(name))}"
                if isinstance(data, dict):
                    self.keys[inner] = self.written(self.quoted(name))
                    self.blanks()
                    self.put(":")
                    self.blanks()
                self.value(data[name], inner)
                self.blanks()
            self.put("}" if isinstance(data, dict) else "]")
        else:
            self.put(self.quoted(data) if isinstance(data, str) else number(self.rng, data))
        self.values[place] = (start, self.length)


def number(rng: Random, data: Any) -> str:
    """A spelling of a number, or of a constant."""
    spelt = json.dumps(data)
    if isinstance(data, float) and "e" in spelt and rng.random() < 0.5:
        return spelt.replace("e", "E")
    return spelt


def is_plain(value: str) -> bool:
    return bool(_WORD.match(value)) and not _MEANT.match(value)


def is_raw(value: str) -> bool:
    """Whether a text can stand in single quotes or a block as it is."""
    return bool(_RAW.match(value))


def fold(rng: Random, value: str, pad: str) -> str:
    """Some single spaces turned into a line break and an indentation, which reads the same."""
    return _FOLD.sub(lambda match: pad if rng.random() < 0.3 else match.group(), value)


def every(data: Any, place: str = "") -> Iterator[tuple[str, Any]]:
    """All values of plain data with their pointers, in document order."""
    yield place, data
    items = data.items() if isinstance(data, dict) else enumerate(data) if isinstance(data, list) else ()
    for name, value in items:
        yield from every(value, f"{place}/{escape(str(name))}")


def naive_place(text: str, offset: int) -> tuple[int, int]:
    """Line and column counted character by character, lines as editors end them."""
    line, column, at = 1, 1, 0
    while at < offset:
        if text[at] == "\r" and text[at + 1 : at + 2] == "\n" and at + 1 < offset:
            at += 2
            line, column = line + 1, 1
        elif text[at] in "\r\n" and not (text[at] == "\r" and text[at + 1 : at + 2] == "\n"):
            at += 1
            line, column = line + 1, 1
        else:
            at += 1
            column += 1
    return line, column
