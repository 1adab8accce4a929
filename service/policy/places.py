"""Where the members of a TOML text stand: line and column of every pointer.

The standard reader tells no places.  This one reads only texts that it has accepted, so it never has to
judge them; it follows keys, tables, strings and brackets, and nothing else.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from typing import TypeAlias

from schemas.problems import Path, pointer

Place: TypeAlias = tuple[int, int]

_BLANK = " \t\r\n"
_ENDS = ",]}#\r\n"


def places(text: str) -> Mapping[str, Place]:
    """Pointer (RFC 6901) -> line and column, from 1, of every table, key and member of a list."""
    return _Walk(text).whole()


def nearest_place(found: Mapping[str, Place], wanted: str) -> Place | None:
    """The place of ``wanted``, or of the closest thing around it that has one."""
    while wanted not in found:
        if not wanted:
            return None
        wanted = wanted.rpartition("/")[0]
    return found[wanted]


def _within(table: Path, counts: Mapping[Path, int]) -> Path:
    """The table itself, or the latest of an array of tables."""
    return (*table, counts[table]) if table in counts else table


class _Walk:
    def __init__(self, text: str) -> None:
        self.text, self.at = text, 0
        self.found: dict[str, Place] = {}

    def whole(self) -> Mapping[str, Place]:
        table: Path = ()
        counts: dict[Path, int] = {}
        while self._skip(_BLANK):
            start = self.at
            if self.text[start] == "[":
                many = self.text.startswith("[[", start)
                self.at += 2 if many else 1
                *upper, last = self._key(())
                self.at += 2 if many else 1
                table = ()
                for key in upper:
                    table = _within((*table, key), counts)
                    self._note(table, start)
                table = (*table, last)
                if many:
                    self._note(table, start)
                    counts[table] = counts.get(table, -1) + 1
                table = _within(table, counts)
                self._note(table, start)
            else:
                self._pair(table)
        return self.found

    def _pair(self, table: Path) -> None:
        start = self.at
        path = self._key(table)
        for depth in range(len(table) + 1, len(path) + 1):
            self._note(path[:depth], start)
        self.at += 1  # the sign =
        self._value(path)

    def _value(self, path: Path) -> None:
        self._skip(" \t")
        first = self.text[self.at]
        if first == "[":
            self.at += 1
            index = 0
            while self._skip(_BLANK + ",") and self.text[self.at] != "]":
                self._note((*path, index), self.at)
                self._value((*path, index))
                index += 1
            self.at += 1
        elif first == "{":
            self.at += 1
            while self._skip(_BLANK + ",") and self.text[self.at] != "}":
                self._pair(path)
            self.at += 1
        elif first in "\"'":
            self._string()
        else:
            while self.at < len(self.text) and self.text[self.at] not in _ENDS:
                self.at += 1

    def _key(self, table: Path) -> Path:
        """A dotted key below ``table``; stops before what follows it."""
        path = table
        while True:
            self._skip(" \t")
            start = self.at
            if self.text[start] in "\"'":
                self._string()
                path = (*path, tomllib.loads(f"k = {self.text[start : self.at]}")["k"])
            else:
                while self.text[self.at] not in " \t.=]":
                    self.at += 1
                path = (*path, self.text[start : self.at])
            self._skip(" \t")
            if self.text[self.at] != ".":
                return path
            self.at += 1

    def _string(self) -> None:
        quote = self.text[self.at]
        closing = quote * 3 if self.text.startswith(quote * 3, self.at) else quote
        self.at += len(closing)
        while not self.text.startswith(closing, self.at):
            self.at += 2 if quote == '"' and self.text[self.at] == "\\" else 1
        self.at += len(closing)
        while len(closing) == 3 and self.text.startswith(quote, self.at):
            self.at += 1  # up to two quotes may stand just before the closing ones

    def _skip(self, blanks: str) -> bool:
        """Past blanks and comments; false at the end of the text."""
        while self.at < len(self.text):
            character = self.text[self.at]
            if character == "#":
                end = self.text.find("\n", self.at)
                self.at = len(self.text) if end < 0 else end
                if "\n" not in blanks:
                    return self.at < len(self.text)
            elif character in blanks:
                self.at += 1
            else:
                return True
        return False

    def _note(self, path: Path, start: int) -> None:
        line = self.text.count("\n", 0, start) + 1
        column = start - self.text.rfind("\n", 0, start)
        self.found.setdefault(pointer(path), (line, column))
