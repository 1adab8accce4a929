"""JSON (RFC 8259) read strictly, with the place of every value and member name."""

from __future__ import annotations

import json
import re
from typing import Any

from schemas.intake import Intake, Unreadable
from schemas.problems import Complaint, escape, quoted

_BLANK = re.compile(r"[ \t\n\r]*")
_INNER = r'"[^"\\\x00-\x1f]*(?:\\(?:["\\/bfnrt]|u[0-9a-fA-F]{4})[^"\\\x00-\x1f]*)*'
_STRING = re.compile(_INNER + '"')
_UNCLOSED = re.compile(_INNER)
_NUMBER = re.compile(r"-?(?:0|[1-9][0-9]*)(?:\.[0-9]+)?(?:[eE][+-]?[0-9]+)?(?![0-9A-Za-z_.+])")
_WORD = re.compile(r"[-+]?[A-Za-z_][A-Za-z0-9_]*")
_JUNK = re.compile(r"[^\s,\[\]{}\"]{1,40}|.", re.DOTALL)
_CONSTANTS: dict[str, bool | None] = {"true": True, "false": False, "null": None}
_NOT_FINITE = frozenset({"NaN", "Infinity", "-Infinity", "+Infinity"})


def read_json(intake: Intake) -> Any:
    """The plain data of ``intake.text``.

    Notes duplicate names, numbers that are not finite and unpaired surrogates
    and reads on; raises ``Unreadable``, after noting why, where the text is
    no JSON.
    """
    reader = _Reader(intake)
    data, end = reader.value("", 0, reader.skip(0))
    end = reader.skip(end)
    if end < len(intake.text):
        raise reader.unexpected("", end, "the document goes on after its end", "nothing after the last brace")
    return data


class _Reader:
    def __init__(self, intake: Intake) -> None:
        self.intake = intake
        self.text = intake.text

    def skip(self, at: int) -> int:
        match = _BLANK.match(self.text, at)
        return match.end() if match else at

    def value(self, place: str, depth: int, at: int) -> tuple[Any, int]:
        """The value that starts at ``at``, and the offset after it."""
        intake, text = self.intake, self.text
        intake.enter(place, depth, at)
        intake.values[place] = (at, at)  # keeps document order; the end follows
        first = text[at:at + 1]
        data: Any
        if first == '"':
            data, end = self.string(place, at)
            intake.string(data, place, at)
        elif first == "{":
            data, end = self.object(place, depth, at)
        elif first == "[":
            data, end = self.list(place, depth, at)
        else:
            data, end = self.scalar(place, at)
        intake.values[place] = (at, end)
        return data, end

    def scalar(self, place: str, at: int) -> tuple[Any, int]:
        number = _NUMBER.match(self.text, at)
        if number:
            return self.intake.number(number.group(), place, at), number.end()
        word = _WORD.match(self.text, at)
        if word and word.group() in _CONSTANTS:
            return _CONSTANTS[word.group()], word.end()
        if word and word.group() in _NOT_FINITE:
            self.intake.not_finite(word.group(), place, at)
            return None, word.end()
        raise self.unexpected(place, at, "a value is expected",
                              "an object, a list, text in double quotes, a number, true, false or null")

    def string(self, place: str, at: int) -> tuple[str, int]:
        match = _STRING.match(self.text, at)
        if match is None:
            raise self.broken_string(place, at)
        raw = match.group()
        return (json.loads(raw) if "\\" in raw else raw[1:-1]), match.end()

    def broken_string(self, place: str, at: int) -> Unreadable:
        """Says where text in double quotes goes wrong."""
        body = _UNCLOSED.match(self.text, at)
        end = body.end() if body else at
        if end >= len(self.text):
            return self.intake.stop(place, at, Complaint(
                "the text is not closed", seen=quoted(self.text[at:at + 40]),
                accepted="a closing double quote"))
        if self.text[end] == "\\":
            return self.intake.stop(place, end, Complaint(
                "the escape is not known", seen=quoted(self.text[end:end + 2]),
                accepted='\\" \\\\ \\/ \\b \\f \\n \\r \\t and \\u with four hexadecimal digits'))
        return self.unexpected(place, end, "text in quotes holds a line break or control character",
                               "an escape such as \\n, or the closing quote before it")

    def object(self, place: str, depth: int, at: int) -> tuple[dict[str, Any], int]:
        members: dict[str, Any] = {}
        opened = at
        at = self.skip(at + 1)
        if self.text[at:at + 1] == "}":
            return members, at + 1
        while True:
            if self.text[at:at + 1] != '"':
                raise self.unexpected(place, at, "a member name is expected", "a name in double quotes")
            key, end = self.string(place, at)
            inner = f"{place}/{escape(key)}"
            new = self.intake.member(key, members, inner, at, end)
            colon = self.skip(end)
            if self.text[colon:colon + 1] != ":":
                raise self.unexpected(inner, colon, "the member name is not followed by a colon", ":")
            if new:
                members[key], at = self.value(inner, depth + 1, self.skip(colon + 1))
            else:
                at = self.again(inner, depth + 1, self.skip(colon + 1))
            at = self.skip(at)
            mark = self.text[at:at + 1]
            if mark == "}":
                return members, at + 1
            if mark != ",":
                raise self.unexpected(place, at, self.not_closed("object", opened, at), ", or }")
            at = self.skip(at + 1)

    def again(self, place: str, depth: int, at: int) -> int:
        """Read over the value of a member that is left out, keeping the places of others."""
        values, keys = self.intake.values, self.intake.keys
        self.intake.values, self.intake.keys = {}, {}
        try:
            return self.value(place, depth, at)[1]
        finally:
            self.intake.values, self.intake.keys = values, keys

    def list(self, place: str, depth: int, at: int) -> tuple[list[Any], int]:
        items: list[Any] = []
        opened = at
        at = self.skip(at + 1)
        if self.text[at:at + 1] == "]":
            return items, at + 1
        while True:
            item, at = self.value(f"{place}/{len(items)}", depth + 1, at)
            items.append(item)
            at = self.skip(at)
            mark = self.text[at:at + 1]
            if mark == "]":
                return items, at + 1
            if mark != ",":
                raise self.unexpected(place, at, self.not_closed("list", opened, at), ", or ]")
            at = self.skip(at + 1)

    def not_closed(self, what: str, opened: int, at: int) -> str:
        if at < len(self.text):
            return f"the {what} is not closed or a comma is missing"
        return f"the {what} that begins in line {self.intake.line(opened)} is not closed"

    def unexpected(self, place: str, at: int, detail: str, accepted: str) -> Unreadable:
        junk = _JUNK.match(self.text, at)
        seen = quoted(junk.group()) if junk else "the end of the text"
        if junk and junk.group().startswith(("//", "/*", "#")):
            detail += "; JSON has no comments"
        if junk and junk.group().startswith("\ufeff"):
            detail = "the text holds a byte order mark"
            accepted = "none, or one at the very start of a file"
        return self.intake.stop(place, at, Complaint(detail, seen=seen, accepted=accepted))
