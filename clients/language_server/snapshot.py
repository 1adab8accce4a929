"""One version of one open text, read once, for everything that asks about it.

``take(uri, version, full) -> Snapshot`` never raises, whatever the text is: a
text that is no circuit document has ``document`` ``None`` and ``problems``
with pointers, lines and columns.  ``text`` and all offsets are without a byte
order mark; ``lines`` turns them into positions of the client.  ``raw`` and
``positions`` are there for every text that is well-formed, a circuit or not;
``partial`` is what can be read of any text.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any
from urllib.parse import unquote, urlsplit

from clients.language_server.lines import Lines
from clients.language_server.partial import Partial, read_partial
from schemas.circuit import Circuit
from schemas.document import Document, Spelling
from schemas.intake import Intake, Unreadable, sniff
from schemas.positions import PositionMap
from schemas.problems import DocumentProblems, Enough, Problem
from service.documents import read_document


@dataclass(frozen=True)
class Snapshot:
    """A text as the client has it, and what it says.

    ``document`` is there exactly when ``problems`` is empty.  ``complete`` is
    false when checking stopped early, so that there may be more problems.
    """

    uri: str
    version: int | None
    text: str
    spelling: Spelling
    lines: Lines
    document: Document | None
    problems: tuple[Problem, ...]
    complete: bool = True

    @property
    def circuit(self) -> Circuit | None:
        return self.document.circuit if self.document is not None else None

    @cached_property
    def _taken_in(self) -> tuple[Any, PositionMap, bool, bool]:
        if self.document is not None:
            return self.document.raw, self.document.positions, True, True
        intake = Intake(self.text)
        try:
            raw = _read(intake, self.spelling)
        except (Unreadable, Enough):
            return None, intake.positions(), False, False
        return raw, intake.positions(), True, not intake.sink.problems

    @property
    def raw(self) -> Any:
        """The plain data of a well-formed text; ``None`` when it is not."""
        return self._taken_in[0]

    @property
    def positions(self) -> PositionMap:
        """Where each value stands; of a text that is not well-formed, up to where reading stopped."""
        return self._taken_in[1]

    @property
    def well_formed(self) -> bool:
        return self._taken_in[2]

    @property
    def faithful(self) -> bool:
        """Whether ``raw`` holds all that stands in the text: no name twice, no number left out."""
        return self._taken_in[3]

    @cached_property
    def partial(self) -> Partial:
        return read_partial(self.text, self.spelling, recover=not self.well_formed)


def take(uri: str, version: int | None, full: str, *, encoding: str = "utf-16",
         language: str = "") -> Snapshot:
    """Reads a text.  ``language`` is what the client calls it, used where the name has no known ending."""
    lines = Lines(full, encoding)
    spelling = spelling_of(lines.text, uri, language)
    try:
        document = read_document(full.encode("utf-8", "surrogatepass"), spelling)
    except DocumentProblems as refused:
        problems = tuple(_with_place(problem, lines.text) for problem in refused.problems)
        return Snapshot(uri, version, lines.text, spelling, lines, None, problems, refused.complete)
    return Snapshot(uri, version, lines.text, spelling, lines, document, ())


def spelling_of(text: str, uri: str, language: str = "") -> Spelling:
    """``json`` or ``yaml``: by the name's ending, else by the client's word, else by the text."""
    name = file_name(uri)
    if name.lower().rpartition(".")[2] not in ("json", "yaml", "yml"):
        if language.startswith("json"):
            return "json"
        if language == "yaml":
            return "yaml"
    return "json" if sniff(text, name) == "json" else "yaml"


def file_name(uri: str) -> str:
    """The last segment of a URI's path, its escapes undone; empty when there is none."""
    try:
        path = urlsplit(uri).path
    except ValueError:
        return ""
    return unquote(path).rpartition("/")[2]


def _read(intake: Intake, spelling: Spelling) -> Any:
    if spelling == "json":
        from schemas.json_text import read_json

        return read_json(intake)
    from schemas.yaml_text import read_yaml

    return read_yaml(intake)


def _with_place(problem: Problem, text: str) -> Problem:
    """A problem about the text as a whole stands at its start, half a character where it is."""
    if problem.line is not None:
        return problem
    at = next((at for at, char in enumerate(text) if "\ud800" <= char <= "\udfff"), 0)
    line, column = PositionMap(text, {}, {}).place(at)
    return replace(problem, line=line, column=column)
