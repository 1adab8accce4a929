"""Where each value of a document stands in its text.

Offsets and columns count code points.  Lines end with LF, CR LF or CR, as
editors count them.
"""

from __future__ import annotations

import re
from bisect import bisect_right
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

_LINE_END = re.compile(r"\r\n|\n|\r")


@dataclass(frozen=True, slots=True)
class Mark:
    """A span of text: 1-based lines and columns, 0-based offsets, the end exclusive."""

    line: int
    column: int
    end_line: int
    end_column: int
    start: int
    end: int


class PositionMap:
    """JSON Pointer -> place of the value and of its member name.

    ``shared`` holds the pointers of YAML aliases: their value stands
    elsewhere in the text, so that writing to it changes two places.
    """

    __slots__ = ("_keys", "_lines", "_values", "shared")

    def __init__(self, text: str, values: Mapping[str, tuple[int, int]], keys: Mapping[str, tuple[int, int]],
                 shared: frozenset[str] = frozenset()) -> None:
        self._lines = [0, *(match.end() for match in _LINE_END.finditer(text))]
        self._values = values
        self._keys = keys
        self.shared = shared

    def place(self, offset: int) -> tuple[int, int]:
        """1-based line and column of an offset."""
        line = bisect_right(self._lines, offset)
        return line, offset - self._lines[line - 1] + 1

    def mark(self, start: int, end: int) -> Mark:
        return Mark(*self.place(start), *self.place(end), start, end)

    def value(self, pointer: str) -> Mark:
        """The value at ``pointer``; ``KeyError`` when the document has none."""
        return self.mark(*self._values[pointer])

    def key(self, pointer: str) -> Mark:
        """The member name at ``pointer``; ``KeyError`` for list items and the root."""
        return self.mark(*self._keys[pointer])

    def nearest(self, pointer: str) -> Mark:
        """The value at ``pointer``, else that of its nearest ancestor."""
        return self.value(self._existing(pointer))

    def nearest_key(self, pointer: str) -> Mark:
        """Where a person looks for ``pointer``: its member name, else the nearest ancestor's."""
        found = self._existing(pointer)
        return self.mark(*self._keys.get(found, self._values[found]))

    def is_shared(self, pointer: str) -> bool:
        """True when the value stands under a YAML alias."""
        while pointer not in self.shared:
            if not pointer or not self.shared:
                return False
            pointer = pointer.rpartition("/")[0]
        return True

    def below(self, root: str, text: str) -> PositionMap:
        """The places of the document at the pointer ``root`` of a larger one, whose text is ``text``."""
        def kept(places: Mapping[str, tuple[int, int]]) -> dict[str, tuple[int, int]]:
            return {pointer[len(root):]: place for pointer, place in places.items()
                    if pointer == root or pointer.startswith(root + "/")}
        shared = frozenset(pointer[len(root):] for pointer in self.shared if pointer.startswith(root + "/"))
        return PositionMap(text, kept(self._values), kept(self._keys),
                           frozenset({""}) if self.is_shared(root) else shared)

    def _existing(self, pointer: str) -> str:
        while pointer not in self._values:
            if not pointer:
                raise KeyError(pointer)
            pointer = pointer.rpartition("/")[0]
        return pointer

    def __contains__(self, pointer: object) -> bool:
        return pointer in self._values

    def __iter__(self) -> Iterator[str]:
        """Every pointer, in document order."""
        return iter(self._values)

    def __len__(self) -> int:
        return len(self._values)
