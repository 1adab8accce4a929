"""The place where a YAML parser gave up: what stands around it, and what was read before."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

import yaml

from schemas.problems import quoted
from schemas.yaml_events import Event
from schemas.yaml_spans import Span

BRACKETS = {"{": "brace", "[": "bracket"}
_CLOSING = {"{": "}", "[": "]"}
_GLUED = re.compile(r"(?:- +)*([A-Za-z_][\w-]*):([^\s:/,}\]][^\r\n]{0,40})")
"""A member name with a colon that no space follows."""
_LINE_END = re.compile(r"\r\n|\r|\n")
_TOKEN = re.compile(r'(?<=[\s,\[{:])(?:"(?:[^"\\]|\\.)*"|\'(?:[^\']|\'\')*\'|#[^\r\n]*)'
                    r"|[\[\]{}]|[\r\n](?P<indent> *)(?:[A-Za-z_][\w-]*:(?=\s)|- )", re.DOTALL)


@dataclass(frozen=True, slots=True)
class Scene:
    """``at`` is where the parser gave up, ``since`` where what it was reading began."""

    text: str
    problem: str
    context: str
    at: int
    since: int
    events: Sequence[Event]

    @classmethod
    def of(cls, text: str, error: yaml.MarkedYAMLError, events: Sequence[Event]) -> Scene:
        marks = [mark for mark in (error.problem_mark, error.context_mark) if mark is not None]
        at = min(marks[0].index, len(text)) if marks else 0
        since = min(marks[-1].index, len(text)) if marks else 0
        return cls(text, error.problem or "", error.context or "", at, since, events)

    def line(self, offset: int) -> Span:
        """Start and end of the line around an offset, its break left out."""
        start = max(self.text.rfind("\n", 0, offset), self.text.rfind("\r", 0, offset)) + 1
        end = _LINE_END.search(self.text, offset)
        return start, end.start() if end else len(self.text)

    def place(self, offset: int) -> tuple[int, int]:
        """Line and column, both from 1."""
        lines = len(_LINE_END.findall(self.text, 0, offset))
        return lines + 1, offset - self.line(offset)[0] + 1

    def rest(self, offset: int) -> str:
        return self.text[offset:self.line(offset)[1]]

    def seen(self, offset: int) -> str:
        rest = self.rest(offset)
        if rest:
            return quoted(rest.rstrip() or rest)
        return "the end of the text" if self.ends(offset) else "the end of the line"

    def ends(self, offset: int) -> bool:
        """Nothing but blanks and line breaks follows."""
        return not self.text[offset:offset + 200].strip() and not self.text[offset:].strip()

    def line_before(self, start: int) -> int | None:
        """The start of the last line before ``start`` that is not blank or a remark."""
        while start > 0:
            start = self.line(start - 1 - self.text.endswith("\r\n", 0, start))[0]
            content = self.rest(start).strip()
            if content and not content.startswith("#"):
                return start
        return None

    def indented(self, start: int) -> int:
        """The first character of a line that is no space."""
        rest = self.rest(start)
        return start + len(rest) - len(rest.lstrip(" "))

    def glued(self, offset: int) -> tuple[str, str] | None:
        """Name and value of ``name:value``, ``None`` when it is not that."""
        match = _GLUED.match(self.text, offset)
        if match is None or re.search(r":\s", match[0]):
            return None
        return match[1], match[2].strip()

    def last(self) -> Span | None:
        """The span of the last value or closing bracket that was read."""
        for event in reversed(self.events):
            if event.start < event.end <= self.at:
                return event.start, event.end
        return None

    def breaks(self, start: int, end: int) -> bool:
        return _LINE_END.search(self.text, start, end) is not None

    def closing(self, opening: int) -> str:
        return _CLOSING[self.text[opening]]

    def closed(self, opening: int) -> bool:
        return self.outside(opening) is None

    def outside(self, opening: int) -> int | None:
        """Where a bracket must have ended and has not; ``None`` when it is closed.

        A line that begins with a name, no further indented than the line
        that opens the bracket behind a name, cannot lie inside.
        """
        start, _ = self.line(opening)
        margin = self.indented(start) - start
        inline = bool(self.text[start:opening].strip())
        depth = 0
        for token in _TOKEN.finditer(self.text, opening):
            sign = token.group()
            if sign in _CLOSING:
                depth += 1
            elif sign in ("}", "]"):
                depth -= 1
                if depth == 0:
                    return None
            elif inline and token["indent"] is not None and len(token["indent"]) <= margin:
                return token.start()
        return len(self.text.rstrip())

    def _open(self) -> list[Event]:
        """The collections that were begun and not ended before this place."""
        found: list[Event] = []
        for event in self.events:
            if event.kind in ("MappingStart", "SequenceStart"):
                found.append(event)
            elif event.kind in ("MappingEnd", "SequenceEnd"):
                if event.end >= self.at:  # the line itself, which fits nowhere, has ended it
                    break
                found.pop()
        return found

    def open_bracket(self) -> int | None:
        """Where the innermost open bracket stands."""
        for event in reversed(self._open()):
            if event.flow:
                at = event.end - 1
                return at if self.text[at:at + 1] in _CLOSING else None
        return None

    def columns(self) -> list[int]:
        """How far the members of every open block are indented, in rising order."""
        starts = (event.end if event.start == event.end
                  else event.start for event in self._open() if not event.flow)
        return sorted({start - self.line(start)[0] for start in starts})
