"""Strict intake, before any schema: bytes to plain data with positions.

Both readers (:mod:`schemas.json_text`, :mod:`schemas.yaml_text`) fill one
:class:`Intake`, which holds the limits and what was found on the way.
"""

from __future__ import annotations

import math
import re
from typing import Any

from schemas.positions import PositionMap
from schemas.problems import Complaint, Problem, ProblemSink, located, quoted

MAX_BYTES = 1 << 20
MAX_DEPTH = 20
"""Levels of nesting; a circuit document has at most six."""
MAX_NODES = 20_000
"""Values in one document, YAML aliases counted as often as they are used."""
MAX_NAME = 200
"""Longest member name in characters; longer ones would fill the pointers of every problem."""
MAX_DIGITS = 40
"""Longest number in characters."""

_BYTE_ORDER_MARKS = ((b"\xff\xfe\x00\x00", "UTF-32"), (b"\x00\x00\xfe\xff", "UTF-32"),
                     (b"\xff\xfe", "UTF-16"), (b"\xfe\xff", "UTF-16"))
_SURROGATE = re.compile("[\ud800-\udfff]")
_DIGIT_BEFORE_EXPONENT = re.compile(r"[^eE]*[1-9]")


class Unreadable(Exception):
    """The text cannot be read any further."""


class Intake:
    """What a reader has found: positions, and problems with their offsets."""

    def __init__(self, text: str) -> None:
        self.text = text
        self.values: dict[str, tuple[int, int]] = {}
        self.keys: dict[str, tuple[int, int]] = {}
        self.shared: set[str] = set()
        self.sink = ProblemSink()
        self.offsets: list[int] = []
        self.readable = True
        self._nodes = 0
        self._lines: PositionMap | None = None

    def complain(self, place: str, offset: int, complaint: Complaint) -> None:
        """Note a problem at a pointer and read on."""
        self.offsets.append(offset)
        self.sink.put(place, complaint)

    def stop(self, place: str, offset: int, complaint: Complaint) -> Unreadable:
        """Note a problem after which reading cannot go on; the caller raises the result."""
        self.complain(place, offset, complaint)
        self.readable = False
        return Unreadable()

    def enter(self, place: str, depth: int, offset: int) -> None:
        """Count one more value; raises ``Unreadable`` past a limit."""
        self._nodes += 1
        if self._nodes > MAX_NODES:
            raise self.too_many(offset)
        if depth > MAX_DEPTH:
            raise self.stop(place.rpartition("/")[0], offset,
                            Complaint("the document is nested too deeply", seen=f"over {MAX_DEPTH} levels",
                                      accepted=f"at most {MAX_DEPTH} levels"))

    def too_many(self, offset: int) -> Unreadable:
        return self.stop("", offset, Complaint("the document has too many values", seen=f"over {MAX_NODES}",
                                               accepted=f"at most {MAX_NODES}"))

    def number(self, literal: str, place: str, offset: int) -> int | float | None:
        """A finite number from a decimal literal; ``None`` after a complaint."""
        if len(literal) > MAX_DIGITS:
            self.complain(place, offset, Complaint("the number is too long", seen=quoted(literal),
                                                  accepted=f"at most {MAX_DIGITS} characters"))
            return None
        if literal.lstrip("+-").isdigit():
            return int(literal)
        value = float(literal)
        if math.isinf(value):
            self.complain(place, offset, Complaint("the number is too large", seen=literal,
                                                  accepted="a finite number"))
            return None
        if value == 0.0 and _DIGIT_BEFORE_EXPONENT.match(literal):
            self.complain(place, offset, Complaint("the number is too small to be told from zero",
                                                  seen=literal, accepted="a larger number, or 0"))
            return None
        return value

    def not_finite(self, literal: str, place: str, offset: int) -> None:
        self.complain(place, offset, Complaint("the number is not finite", seen=literal,
                                              accepted="a finite number"))

    def member(self, key: str, known: dict[str, Any], place: str, start: int, end: int) -> bool:
        """Note where a member name stands; false when the member has to be left out."""
        if len(key) > MAX_NAME:
            self.complain(place.rpartition("/")[0], start,
                          Complaint("a member name is too long", seen=quoted(key),
                                    accepted=f"at most {MAX_NAME} characters"))
            return False
        if not key.isascii() and _SURROGATE.search(key):
            self.complain(place, start, Complaint("the text holds half a character (an unpaired surrogate)",
                                                 seen=quoted(key), accepted="complete characters"))
        if key in known:
            line = self.line(self.keys[place][0])
            self.complain(place, start, Complaint(f"the member {quoted(key)} stands twice in one object; "
                                                  f"first in line {line}", seen=quoted(key),
                                                  accepted="each name once"))
            return False
        self.keys[place] = (start, end)
        return True

    def string(self, value: str, place: str, offset: int) -> str:
        if not value.isascii() and _SURROGATE.search(value):
            self.complain(place, offset, Complaint("the text holds half a character (an unpaired surrogate)",
                                                  seen=quoted(value), accepted="complete characters"))
        return value

    def positions(self) -> PositionMap:
        """The places of all that was read; where reading stopped, what was open ends with what it holds."""
        values = self.values
        if self.sink.problems:
            open_ones = {place for place, (start, end) in values.items() if start == end}
            for place, (_, end) in reversed(values.items()):
                upper = place.rpartition("/")[0]
                if upper in open_ones and upper != place:
                    start, known = values[upper]
                    values[upper] = (start, max(known, end))
        return PositionMap(self.text, values, self.keys, frozenset(self.shared))

    def line(self, offset: int) -> int:
        if self._lines is None:
            self._lines = PositionMap(self.text, {}, {})
        return self._lines.place(offset)[0]


class NotText(Complaint):
    """Bytes that are not the text of a document; ``place`` is line and column of the first that is none."""

    place: tuple[int, int] = (1, 1)


def decode(data: bytes) -> tuple[str, bool]:
    """The text of a document and whether a byte order mark stood before it.

    Raises :class:`NotText` for what is empty, not UTF-8 or too long.
    """
    if len(data) > MAX_BYTES:
        raise NotText("the document is too long", seen=f"{len(data)} bytes",
                      accepted=f"at most {MAX_BYTES} bytes")
    for mark, name in _BYTE_ORDER_MARKS:
        if data.startswith(mark):
            raise NotText(f"the document is written in {name}", seen=f"the byte order mark {mark.hex(' ')}",
                          accepted="UTF-8")
    marked = data.startswith(b"\xef\xbb\xbf")
    body = data[3:] if marked else data
    try:
        text = body.decode("utf-8")
    except UnicodeDecodeError as error:
        read = body[:error.start].decode("utf-8")
        place = PositionMap(read, {}, {}).place(len(read))
        found = NotText(f"the document is not UTF-8: byte {error.start + 3 * marked} in line {place[0]}",
                        seen=f"the byte {body[error.start]:#04x}", accepted="UTF-8")
        found.place = place
        raise found from None
    if not text.strip():
        raise NotText("the document is empty", seen="no text", accepted="a circuit document")
    return text, marked


def sniff(text: str, name: str = "") -> str:
    """``json`` or ``yaml``: by the ending of the file name, else by the first characters."""
    ending = name.lower().rpartition(".")[2] if "." in name else ""
    if ending in ("json", "yaml", "yml"):
        return "json" if ending == "json" else "yaml"
    return "json" if re.match(r'\s*(?:\{\s*["}]|\[\s*["{\]])', text) else "yaml"


def with_places(problems: list[Problem], offsets: list[int], positions: PositionMap) -> list[Problem]:
    """Problems of the readers with line and column."""
    return [located(problem, *positions.place(offset))
            for problem, offset in zip(problems, offsets, strict=True)]
