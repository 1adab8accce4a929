"""The tree and the regions that the tolerant readers fill.

A region says what stands, or could be typed, from its start to the start of
the next one: a member name, a value, an item of a list, or nothing.
"""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass, field
from typing import Literal, TypeAlias

Path: TypeAlias = tuple[str | int, ...]
Role: TypeAlias = Literal["key", "value", "item", "after", "none", "blank"]

MAX_DEPTH = 24
"""Levels that are read; a circuit document has at most six."""


@dataclass(frozen=True, slots=True)
class Token:
    """A scalar or member name: its span with quotes, and the quote it opens with."""

    start: int
    end: int
    quote: str = ""
    closed: bool = True

    @property
    def inner(self) -> tuple[int, int]:
        """The span without quotes."""
        return self.start + len(self.quote), self.end - (len(self.quote) if self.closed else 0)


@dataclass(slots=True)
class Node:
    """A value as far as it was read: ``map``, ``list``, ``scalar`` or ``alias`` (``text`` is its name)."""

    kind: Literal["map", "list", "scalar", "alias"]
    start: int
    end: int
    text: str = ""
    quote: str = ""
    members: list[Member] = field(default_factory=list)
    items: list[Node] = field(default_factory=list)

    def member(self, name: str) -> Member | None:
        """The first member of this name that has a value, else the first."""
        found = [member for member in self.members if member.name == name]
        return next((member for member in found if member.value is not None), found[0] if found else None)


@dataclass(slots=True)
class Member:
    """A member of a map; ``value`` is ``None`` as long as nothing stands there."""

    name: str
    token: Token
    value: Node | None = None


@dataclass(frozen=True, slots=True)
class Level:
    """One open block of YAML: the column its members begin in, and its path."""

    column: int
    path: Path
    is_list: bool
    count: int


@dataclass(slots=True)
class Region:
    start: int
    role: Role
    path: Path
    flow: bool
    token: Token | None = None
    levels: tuple[Level, ...] = ()
    open: tuple[int, Path] | None = None  # column and path of a name whose value may start on this line


class Regions:
    """Regions in the order of the text."""

    def __init__(self) -> None:
        self.every: list[Region] = []

    def add(self, start: int, role: Role, path: Path, flow: bool = True) -> Region:
        while self.every and self.every[-1].start > start:
            self.every.pop()  # read anew, as something else
        region = Region(start, role, path, flow)
        self.every.append(region)
        return region

    def at(self, offset: int) -> Region | None:
        index = bisect_right(self.every, offset, key=lambda region: region.start) - 1
        return self.every[index] if index >= 0 else None
