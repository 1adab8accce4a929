"""What is wrong with a document: problems with a place, what was seen, what is accepted."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from operator import eq
from typing import Any, TypeAlias

MAX_PROBLEMS = 200
"""Problems reported for one document; checking stops there."""
MAX_SEEN = 60
MAX_LISTED = 500
"""Characters of the names in one list; the rest is counted."""
_MAX_WORD = 64
_FAR = 8
"""More changes than this make another word, however long it is."""
_MAX_CANDIDATES = 24

Path: TypeAlias = tuple[str | int, ...]


class Complaint(ValueError):
    """One value is not acceptable.

    ``detail`` is a sentence, ``seen`` shows the value, ``accepted`` says what
    would be taken, ``nearest`` is the known name or text that was likely
    meant; ``at`` is the place below the value that was checked.
    """

    def __init__(self, detail: str, *, seen: str | None = None, accepted: str | None = None,
                 nearest: str | None = None, at: Path = ()) -> None:
        super().__init__(detail)
        self.at = at
        self.detail = detail
        self.seen = seen
        self.accepted = accepted
        self.nearest = nearest


@dataclass(frozen=True, slots=True)
class Problem:
    """A complaint with its place.

    ``pointer`` is a JSON Pointer (RFC 6901) into the document; for a missing
    member it is the pointer the member would have.  ``line`` and ``column``
    are 1-based, in code points, and ``None`` when no text was read.
    """

    pointer: str
    detail: str
    seen: str | None = None
    accepted: str | None = None
    nearest: str | None = None
    line: int | None = None
    column: int | None = None

    @classmethod
    def of(cls, place: str, c: Complaint, line: int | None = None, column: int | None = None) -> Problem:
        """A complaint at a place; what place it names itself does not count."""
        return cls(place, c.detail, c.seen, c.accepted, c.nearest, line, column)

    @property
    def message(self) -> str:
        """The whole problem in one line, without its place."""
        parts = [self.detail]
        if self.seen is not None:
            parts.append(f"seen: {self.seen}")
        if self.accepted is not None:
            parts.append(f"accepted: {self.accepted}")
        if self.nearest is not None:
            parts.append(f"nearest: {self.nearest}")
        return "; ".join(parts)

    def __str__(self) -> str:
        place = self.pointer or "(document)"
        if self.line is not None:
            place += f", line {self.line}, column {self.column}"
        return f"{place}: {self.message}"

    def as_dict(self) -> dict[str, Any]:
        """JSON-ready members, ``pointer`` and ``detail`` first; absent ones left out."""
        members = {"pointer": self.pointer, "detail": self.detail, "seen": self.seen,
                   "accepted": self.accepted, "nearest": self.nearest,
                   "line": self.line, "column": self.column}
        return {key: value for key, value in members.items() if value is not None}


class DocumentProblems(Exception):
    """A document was refused.

    ``problems`` is sorted by pointer; ``complete`` is false when checking
    stopped at ``MAX_PROBLEMS``.
    """

    malformed = False

    def __init__(self, problems: Iterable[Problem], complete: bool = True) -> None:
        self.problems: tuple[Problem, ...] = tuple(sorted(problems, key=lambda p: (p.pointer, p.detail)))
        self.complete = complete
        super().__init__(self.problems, complete)

    def __str__(self) -> str:
        more = "" if self.complete else "\nchecking stopped here; there may be more problems"
        return "\n".join(map(str, self.problems)) + more


class Malformed(DocumentProblems):
    """The bytes do not read as JSON or YAML text, so there is no document to check."""

    malformed = True


class Enough(Exception):
    """Raised by a full sink: so many problems were found that checking stops (bounded work)."""


class ProblemSink:
    """Collects complaints with their paths while a document is checked."""

    __slots__ = ("problems",)

    def __init__(self) -> None:
        self.problems: list[Problem] = []

    def add(self, path: Path, complaint: Complaint) -> None:
        """Raises :class:`Enough` with the last problem that is kept."""
        self.put(pointer(path), complaint)

    def put(self, place: str, complaint: Complaint) -> None:
        """As :meth:`add`, for a pointer."""
        self.problems.append(Problem.of(place + pointer(complaint.at), complaint))
        if len(self.problems) >= MAX_PROBLEMS:
            raise Enough


def escape(token: str) -> str:
    """One reference token of a JSON Pointer (RFC 6901 section 3).

    Unpaired surrogates, which no text encoding can hold, become ``?``.
    """
    if not token.isascii():
        token = token.encode("utf-8", "replace").decode()
    return token.replace("~", "~0").replace("/", "~1")


def unescape(token: str) -> str:
    return token.replace("~1", "/").replace("~0", "~")


def pointer(path: Sequence[str | int]) -> str:
    """The JSON Pointer for a path of member names and list indexes."""
    return "".join(f"/{escape(token) if isinstance(token, str) else token}" for token in path)


def covers(upper: str, lower: str) -> bool:
    """True when ``lower`` is the place ``upper`` or lies inside it."""
    return lower == upper or lower.startswith(upper + "/")


def located(problem: Problem, line: int, column: int) -> Problem:
    return replace(problem, line=line, column=column)


def show(value: object) -> str:
    """A short, printable, one-line picture of a raw value, in JSON notation."""
    if isinstance(value, Mapping):
        return "{}" if not value else f"an object with {len(value)} member{'s'[:len(value) != 1]}"
    if isinstance(value, (list, tuple)):
        return f"a list of {len(value)}" if value else "an empty list"
    if value is None:
        return "null"
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return quoted(value)
    if isinstance(value, int) and value.bit_length() > 200:
        return "a very large integer"
    text = repr(value)
    return text if len(text) <= MAX_SEEN else text[: MAX_SEEN - 3] + "..."


def quoted(text: str) -> str:
    """Text in JSON quotes, shortened, with every control and unpaired character escaped."""
    short = text if len(text) <= MAX_SEEN else text[: MAX_SEEN - 3] + "..."
    printable = all(c.isprintable() for c in short)
    return json.dumps(short, ensure_ascii=not printable)


def listed(names: Iterable[str], limit: int = 20) -> str:
    """Names joined by commas, the tail of a long list only counted; in quotes what does not print."""
    every = list(names)
    told: list[str] = []
    room = MAX_LISTED
    for name in every[:limit]:
        told.append(name if name.isprintable() and len(name) <= _MAX_WORD else quoted(name))
        room -= len(told[-1])
        if room < 0:
            break
    tail = f", and {len(every) - len(told)} more" if len(every) > len(told) else ""
    return ", ".join(told) + tail


def nearest_name(word: str, known: Iterable[str]) -> str | None:
    """The known name that ``word`` was most likely meant to be, or ``None``.

    Counts insertions, deletions, replacements and swaps of neighbours
    (optimal string alignment), letter case left aside.  Of names equally near
    the one with the same first letter wins, then the one of equal length, then
    the first in sorted order.  Of many names only those are compared that
    agree in the most places from either end.
    """
    if not word or len(word) > _MAX_WORD:
        return None
    low = word.lower()
    best: tuple[int, bool, int, str] | None = None
    for name, other, limit in _candidates(low, known):
        most = limit if best is None else min(limit, best[0])
        distance = 0 if low == other else edit_distance(low, other, most)
        rank = (distance, low[0] != other[0], abs(len(low) - len(other)), name)
        if distance <= limit and (best is None or rank < best):
            best = rank
    return best[3] if best else None


def _candidates(low: str, known: Iterable[str]) -> list[tuple[str, str, int]]:
    """Names that can be near, each in lower case as well and with the distance that is too far for it."""
    found = []
    for name in known:
        other = name.lower()
        limit = min(_FAR, max(1, min(len(low), len(other)) // 3 + (len(low) > 3)))
        if other and abs(len(low) - len(other)) <= limit:
            found.append((name, other, limit))
    if len(found) > _MAX_CANDIDATES:
        back = low[::-1]

        def alike(other: str) -> int:
            front: int = sum(map(eq, low, other))
            rear: int = front if len(other) == len(low) else sum(map(eq, back, other[::-1]))
            return front + rear

        found.sort(key=lambda one: (-alike(one[1]), one[0]))
    return found[:_MAX_CANDIDATES]


def edit_distance(a: str, b: str, most: int | None = None) -> int:
    """Optimal string alignment distance between two words; past ``most`` any greater number."""
    limit = max(len(a), len(b)) if most is None else most
    far = limit + 1
    before: list[int] = []
    row = [j if j <= limit else far for j in range(len(b) + 1)]
    for i, ca in enumerate(a, 1):
        before, last = row, before
        row = [far] * (len(b) + 1)
        row[0] = min(i, far)
        # Further from the diagonal than the limit, a cell cannot be within it.
        for j in range(max(1, i - limit), min(len(b), i + limit) + 1):
            cb = b[j - 1]
            cost = min(before[j] + 1, row[j - 1] + 1, before[j - 1] + (ca != cb))
            if i > 1 and j > 1 and ca == b[j - 2] and a[i - 2] == cb:
                cost = min(cost, last[j - 2] + 1)
            row[j] = cost
        if min(row) > limit and (not before or min(before) > limit):
            return far
    return row[-1]
