"""Plain text within a fixed width: wrapping, tables, and harmless output of foreign text."""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable, Sequence
from typing import Literal

WIDTH = 80
Align = Literal["<", ">"]


def clean(text: str) -> str:
    """``text`` with control and format characters escaped, so that a name cannot steer a terminal."""
    if text.isascii() and text.isprintable():
        return text
    return "".join(char.encode("unicode_escape").decode() if unicodedata.category(char)[0] == "C" else char
                   for char in text)


def columns(text: str) -> int:
    """How many terminal columns ``text`` takes."""
    if text.isascii():
        return len(text)
    return sum(_char_columns(char) for char in text)


def _char_columns(char: str) -> int:
    if unicodedata.combining(char):
        return 0
    return 2 if unicodedata.east_asian_width(char) in ("W", "F") else 1


def _cut(word: str, room: int) -> tuple[str, str]:
    """Split ``word`` after as many characters as fit in ``room`` columns, but at least one."""
    used = 0
    for at, char in enumerate(word):
        used += _char_columns(char)
        if used > room and at:
            return word[:at], word[at:]
    return word, ""


def wrap(text: str, width: int = WIDTH, first: str = "", rest: str | None = None) -> list[str]:
    """Lines of at most ``width`` columns; ``first`` and ``rest`` are put before them.

    Words longer than a line are cut.  Line breaks in ``text`` are kept; an
    empty text gives the single line ``first``.
    """
    rest = " " * columns(first) if rest is None else rest
    lines: list[str] = []
    for paragraph in text.split("\n"):
        lead, line, used = (rest if lines else first), "", 0
        for word in clean(paragraph.replace("\t", " ")).split():
            room = max(1, width - columns(lead))
            if line and used + 1 + columns(word) > room:
                lines.append(lead + line)
                lead, line, used = rest, "", 0
                room = max(1, width - columns(lead))
            while columns(word) > room:
                head, word = _cut(word, room)
                lines.append(lead + head)
                lead = rest
                room = max(1, width - columns(lead))
            if word:
                line = f"{line} {word}" if line else word
                used = columns(line)
        if line or not lines or not paragraph.strip():
            lines.append((lead + line).rstrip())
    return lines


def pad(text: str, width: int, align: Align = "<") -> str:
    """``text`` filled up with blanks to ``width`` columns."""
    gap = " " * max(0, width - columns(text))
    return gap + text if align == ">" else text + gap


def table(
    rows: Sequence[Sequence[str]],
    *,
    head: Sequence[str] | None = None,
    align: Sequence[Align] = (),
    indent: str = "",
    width: int = WIDTH,
    gap: int = 2,
) -> list[str]:
    """An aligned table; when it is too wide, the widest columns wrap inside their cells."""
    if not rows:
        return []
    body = [[clean(cell) for cell in row] for row in (([head] if head else []) + list(rows))]
    count = max(len(row) for row in body)
    body = [row + [""] * (count - len(row)) for row in body]
    aligns: list[Align] = [align[at] if at < len(align) else "<" for at in range(count)]
    widths = _fit([max(columns(row[at]) for row in body) for at in range(count)],
                  width - columns(indent) - gap * (count - 1))
    lines = []
    for row in body:
        cells = [wrap(cell, room) for cell, room in zip(row, widths, strict=True)]
        for at in range(max(len(cell) for cell in cells)):
            parts = [pad(cell[at] if at < len(cell) else "", room, how)
                     for cell, room, how in zip(cells, widths, aligns, strict=True)]
            lines.append((indent + (" " * gap).join(parts)).rstrip())
    return lines


def _fit(widths: list[int], room: int) -> list[int]:
    """Shrink the widest columns until all fit; an empty column takes no room."""
    widths = list(widths)
    while sum(widths) > room and max(widths) > 1:
        widest = max(widths)
        second = max((width for width in widths if width < widest), default=1)
        wide = [at for at, width in enumerate(widths) if width == widest]
        excess = sum(widths) - room
        step = max(1, min(widest - max(second, 1), -(-excess // len(wide))))
        for at in wide:
            widths[at] -= step
    return widths


def grid(items: Iterable[tuple[str, str]], *, indent: str = "", width: int = WIDTH,
         gap: int = 3) -> list[str]:
    """Pairs of name and value set in as many equal columns as fit, filled downwards."""
    pairs = [(clean(name), clean(value)) for name, value in items]
    if not pairs:
        return []
    left = max(columns(name) for name, _ in pairs)
    right = max(columns(value) for _, value in pairs)
    room = width - columns(indent)
    if left + 2 + right > room:
        return table(pairs, indent=indent, width=width)
    across = max(1, (room + gap) // (left + 2 + right + gap))
    down = -(-len(pairs) // across)
    lines = []
    for row in range(down):
        cells = [f"{pad(name, left)}  {pad(value, right, '>')}" for name, value in pairs[row::down]]
        lines.append((indent + (" " * gap).join(cells)).rstrip())
    return lines
