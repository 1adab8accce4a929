"""Offsets of code points <-> positions of the Language Server Protocol.

LSP 3.17, section "Position": lines are counted from 0 and end with LF, CR LF
or CR; ``character`` counts code units of the encoding that client and server
agreed on (UTF-16 when nothing was agreed), and one past the end of a line
means its end.  Everything else in this project counts code points.

``Lines(text, encoding)``; ``.offset(position)``, ``.position(offset)``,
``.range_of(start, end)``, ``.span_of(range)``, ``.offset_at(line, column)`` for
the 1-based places of problems; :func:`changed` applies the changes that a
client sends.
"""

from __future__ import annotations

import re
from bisect import bisect_right
from collections.abc import Iterable
from typing import Literal, TypeAlias

from lsprotocol import types as lsp

Encoding: TypeAlias = Literal["utf-16", "utf-8", "utf-32"]
BYTE_ORDER_MARK = "\ufeff"
_LINE_END = re.compile(r"\r\n|\n|\r")


def width(text: str, encoding: str = "utf-16") -> int:
    """Code units that ``text`` takes; an unpaired surrogate is one unit of UTF-16, three of UTF-8."""
    if encoding == "utf-32" or text.isascii():
        return len(text)
    if encoding == "utf-8":
        return len(text.encode("utf-8", "surrogatepass"))
    return len(text.encode("utf-16-le", "surrogatepass")) // 2


class Lines:
    """The lines of a text.

    ``full`` is the text as the client has it.  ``text`` is the same without a
    byte order mark, which is no part of the document: offsets count from
    behind it, positions count it, as the client does.  Raises ``ValueError``
    for an encoding that LSP 3.17 does not name.
    """

    __slots__ = ("_ends", "_lead", "_starts", "encoding", "full", "text")

    def __init__(self, full: str, encoding: str = "utf-16") -> None:
        if encoding not in ("utf-16", "utf-8", "utf-32"):
            raise ValueError(f"unknown position encoding {encoding!r}")
        self.encoding = encoding
        self.full = full
        self._lead = 1 if full.startswith(BYTE_ORDER_MARK) else 0
        self.text = full[self._lead:]
        self._starts, self._ends = [0], []
        for match in _LINE_END.finditer(full):
            self._ends.append(match.start())
            self._starts.append(match.end())
        self._ends.append(len(full))

    def __len__(self) -> int:
        """The number of lines; a text that ends with a line break has an empty one behind it."""
        return len(self._starts)

    def position(self, offset: int) -> lsp.Position:
        """The position of an offset, clamped to the text; between CR and LF it is the end of the line."""
        at = min(max(offset, 0) + self._lead, len(self.full))
        line = bisect_right(self._starts, at) - 1
        start = self._starts[line]
        return lsp.Position(line, width(self.full[start:min(at, self._ends[line])], self.encoding))

    def offset(self, position: lsp.Position) -> int:
        """The offset of a position, clamped to its line and to the text.

        A position inside a character (between two surrogates, or bytes) means the character's start.
        """
        return max(self._place(position) - self._lead, 0)

    def _place(self, position: lsp.Position) -> int:
        """Offset in ``full``."""
        if position.line < 0:
            return 0
        if position.line >= len(self._starts):
            return len(self.full)
        start, end = self._starts[position.line], self._ends[position.line]
        units = max(position.character, 0)
        line = self.full[start:end]
        # Mostly each character is one unit, and a line may be long: a whole document in JSON.
        if len(line) == width(line, self.encoding):
            return min(start + units, end)
        for at, char in enumerate(line, start):
            units -= width(char, self.encoding)
            if units < 0:
                return at
        return end

    def range_of(self, start: int, end: int) -> lsp.Range:
        return lsp.Range(self.position(start), self.position(end))

    def span_of(self, reach: lsp.Range) -> tuple[int, int]:
        """The offsets of a range, the smaller first."""
        start, end = self.offset(reach.start), self.offset(reach.end)
        return min(start, end), max(start, end)

    def offset_at(self, line: int, column: int) -> int:
        """The offset of a 1-based line and column in code points, as problems have them; clamped."""
        index = min(max(line, 1), len(self._starts)) - 1
        start = self._starts[index] - (self._lead if index else 0)
        end = self._ends[index] - self._lead
        return max(min(start + max(column, 1) - 1, end), 0)

    def line_of(self, offset: int) -> tuple[int, int]:
        """Where the line of an offset starts and ends, its line break left out."""
        at = min(max(offset, 0) + self._lead, len(self.full))
        line = bisect_right(self._starts, at) - 1
        return max(self._starts[line] - self._lead, 0), self._ends[line] - self._lead


def changed(full: str, changes: Iterable[lsp.TextDocumentContentChangeEvent],
            encoding: str = "utf-16") -> str:
    """The text after the changes of one notification, each applied to the outcome of the one before."""
    for change in changes:
        if isinstance(change, lsp.TextDocumentContentChangePartial):
            lines = Lines(full, encoding)
            start, end = sorted((lines._place(change.range.start), lines._place(change.range.end)))
            full = full[:start] + change.text + full[end:]
        else:
            full = change.text
    return full
