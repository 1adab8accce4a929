"""Where the text of a YAML value really begins and ends.

The events of the parser begin at an anchor or tag, and some end where the
next token starts: behind blank lines and remarks, or in the next line.
Offsets count code points; nothing here reads a text twice.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import TypeAlias

from schemas.problems import Complaint

Span: TypeAlias = tuple[int, int]

# Written without a repeat inside a repeat: one pass however long the text is.
_BEFORE = re.compile(r"(?:[&!](?:<[^>\s]*>)?[^\s,\[\]{}<]*|[ \t\r\n]|#[^\r\n]*)*")
_TAG = re.compile(r"!(?:<[^>\s]*>)?[^\s,\[\]{}]*")
_COLON = re.compile(r"(?:[ \t\r\n]|#[^\r\n]*)*:")
_BREAK = re.compile("[\x85\u2028\u2029]")
_PRIVATE = range(0xE000, 0xF900)
_CODE = re.compile(r"(?=([ef][0-9a-f]{3}))")
"""The code of a private character in an escape, wherever it begins."""


def one_to_one(text: str) -> tuple[str, Mapping[int, str]]:
    """The text for a YAML 1.1 parser, of the same length, and how to undo the change in its scalars.

    YAML 1.1 ends lines at U+0085, U+2028 and U+2029; YAML 1.2 (section 5.4)
    and editors do not, and a remark that holds one must not end there.  They
    are swapped for characters without a meaning that the text does not hold,
    not even as an escape.  Raises :class:`Complaint` when it holds them all.
    """
    found = sorted(set(_BREAK.findall(text)))
    if not found:
        return text, {}
    held, escaped = set(text), set(_CODE.findall(text.lower()))
    free = [chr(code) for code in _PRIVATE if chr(code) not in held and f"{code:x}" not in escaped]
    if len(free) < len(found):
        raise Complaint("the text holds every private character and a line break of YAML 1.1 beside them",
                        seen=f"U+{ord(found[0]):04X}", accepted="the break written as an escape, in quotes")
    there = {ord(old): new for old, new in zip(found, free, strict=False)}
    return text.translate(there), {ord(new): old for old, new in zip(found, free, strict=False)}


def after_properties(text: str, start: int, stop: int) -> int:
    """The offset of the value itself, behind its anchor and tag and the remarks between."""
    match = _BEFORE.match(text, start, stop)
    return match.end() if match else start


def tag_text(text: str, start: int, stop: int) -> str:
    match = _TAG.search(text, start, stop)
    return match.group() if match else "!"


def block_scalar_end(text: str, start: int, stop: int, value: str) -> int:
    """The end of the last line of a literal or folded scalar, its final line break left out.

    Blank lines after it belong to it only where the header keeps them (``+``).
    """
    body = text[start:stop]
    keeps = "+" in body[1:3]
    solid = value.rstrip("\n")
    bare = solid.rstrip(" \t")
    if keeps or (solid != bare and (not bare or bare.endswith("\n"))):
        return stop - _final_break(body)  # the last line is blank, or the blank lines count
    return start + len(body.rstrip(" \t\r\n")) + len(solid) - len(bare)


def _final_break(body: str) -> int:
    return 2 if body.endswith("\r\n") else 1 if body.endswith(("\r", "\n")) else 0


def missing_value(text: str, key_end: int, stop: int) -> int:
    """Where a value would stand that is not written: behind the colon, else behind the name."""
    match = _COLON.match(text, key_end, stop)
    return match.end() if match else key_end


def text_of(scalar: str, back: Mapping[int, str]) -> str:
    return scalar.translate(back) if back and not scalar.isascii() else scalar

