"""From a JSON Pointer to the token a reader should look at, in UTF-16 columns from 1."""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from schemas.problems import unescape

if TYPE_CHECKING:
    from clients.sources import Source
    from schemas.positions import Mark, PositionMap

Span = tuple[int, int]


@dataclass(frozen=True)
class Text:
    """A circuit text (no byte order mark), its plain data, and where each value stands."""

    text: str
    spelling: Any
    raw: Any
    positions: PositionMap

    def existing(self, pointer: str) -> str:
        """``pointer``, or the nearest ancestor that is in the text."""
        while pointer and pointer not in self.positions:
            pointer = pointer.rpartition("/")[0]
        return pointer

    def at(self, pointer: str) -> Any:
        """The plain value at a pointer that exists."""
        here = self.raw
        for token in pointer.split("/")[1:]:
            here = here[int(token)] if isinstance(here, list) else here[unescape(token)]
        return here

    def token(self, pointer: str) -> Span:
        """Offsets of the token to look at: a value itself, of a mapping or list its name.

        Of a member that is missing, the name of the nearest ancestor.  Never
        more than one line: a reader of a change shows a remark only where
        every line of it was changed.
        """
        found = self.existing(pointer)
        value = self._trimmed(self.positions.value(found))
        single = not isinstance(self.at(found), (dict, list)) and value[0] < value[1]
        if not single:
            with suppress(KeyError):  # the root or an item of a list: its first line
                value = self._trimmed(self.positions.key(found))
        return value[0], self._on_one_line(*value)

    def _trimmed(self, mark: Mark) -> Span:
        """Without the blanks that a block value ends with."""
        return mark.start, mark.start + len(self.text[mark.start:mark.end].rstrip())

    def _on_one_line(self, start: int, end: int) -> int:
        ends = [at for at in (self.text.find("\n", start, end), self.text.find("\r", start, end)) if at >= 0]
        return min(ends, default=end)

    def line(self, pointer: str) -> int:
        """The line (from 1) of the token to look at."""
        return self.positions.place(self.token(pointer)[0])[0]

    def utf16(self, offset: int) -> tuple[int, int]:
        """1-based line, and 1-based column in UTF-16 code units, of an offset in code points."""
        line, column = self.positions.place(offset)
        before = self.text[offset - column + 1:offset]
        return line, 1 + sum(2 if char > "\uffff" else 1 for char in before)

    def line_text(self, offset: int) -> str:
        """The whole line around an offset, without its line break."""
        start = offset - self.positions.place(offset)[1] + 1
        return self.text[start:self._on_one_line(start, len(self.text))]


def text_of(source: Source) -> Text | None:
    """The text of a source; ``None`` where it cannot be read as JSON or YAML."""
    from schemas.document import parse_text
    from schemas.intake import decode, sniff
    from schemas.problems import Complaint, DocumentProblems

    try:
        text, _ = decode(source.data)
        spelling = source.spelling or ("json" if sniff(text, source.name) == "json" else "yaml")
        raw, positions = parse_text(text, spelling)
    except (Complaint, DocumentProblems):
        return None
    return Text(text, spelling, raw, positions) if "" in positions else None
