"""What must hold of any text whatever, checked on one of them."""

from __future__ import annotations

import re
from collections.abc import Iterable
from random import Random

from lsprotocol import types as lsp

from clients.language_server.completion import complete
from clients.language_server.diagnostics import Abilities, Teller
from clients.language_server.lines import Lines
from clients.language_server.reviewing import Judgement, readable
from clients.language_server.snapshot import Snapshot, take
from clients.language_server.symbols import document_symbols, flat_symbols
from schemas.document import Document, load
from schemas.positions import PositionMap
from schemas.problems import DocumentProblems, Malformed, Problem
from service.documents import read_document, read_leniently, type_kinds

POINTER = re.compile(r"(?:/(?:[^~/]|~[01])*)*\Z")
"""RFC 6901, section 3."""
LINE_END = re.compile(r"\r\n|\r|\n")
TELLER = Teller(Abilities(related=True, unnecessary=True, links=True, data=True, versions=True), "http://host/")


class Broken(AssertionError):
    """Something that must hold of any text does not."""


def hold(condition: bool, *what: object) -> None:
    """An assertion that stays one in an optimised run, too."""
    if not condition:
        raise Broken(*what)


def intake(data: bytes, name: str = "") -> str:
    """Reads a document as every client does; what became of it.  Raises :class:`Broken`."""
    try:
        document = read_document(data, None, name)
    except DocumentProblems as refused:
        sound(refused, data)
        leniently(data, name, refused)
        return "malformed" if isinstance(refused, Malformed) else "refused"
    places(document.text, document.positions)
    whole(document)
    return "read"


def whole(document: Document) -> None:
    """The plain data alone make the same circuit."""
    hold(load(document.raw, part_types=type_kinds()) == document.circuit)


def leniently(data: bytes, name: str, refused: DocumentProblems) -> None:
    """Only what is wrong with waivers may be left aside."""
    try:
        _, malformed = read_leniently(data, None, name)
    except DocumentProblems as still:
        sound(still, data)
        return
    hold(bool(malformed))
    hold(all(problem.pointer.startswith("/waivers") for problem in refused.problems), str(refused))


def sound(refused: DocumentProblems, data: bytes) -> None:
    body = data.removeprefix(b"\xef\xbb\xbf")
    try:
        text = body.decode()
    except UnicodeDecodeError as error:
        text = body[: error.start].decode() + "?"
    lengths = [len(line) for line in LINE_END.split(text)]
    hold(bool(refused.problems), "refused without a reason")
    for problem in refused.problems:
        told(problem, lengths)


def told(problem: Problem, lengths: list[int]) -> None:
    """A pointer that is one, a place inside of the text, and words that fit a line."""
    hold(POINTER.match(problem.pointer) is not None, "pointer", problem)
    hold(problem.line is not None and 1 <= problem.line <= len(lengths), "line", problem)
    assert problem.line is not None
    hold(problem.column is not None, "column", problem)
    assert problem.column is not None
    # A place right behind CR of a CR LF is one column further than the line is long.
    hold(1 <= problem.column <= lengths[problem.line - 1] + 2, "column", problem)
    hold(problem.message.isprintable() and len(problem.message) < 900, "message", problem)
    hold(problem.seen is not None, "seen", problem)
    problem.message.encode()
    problem.pointer.encode()


def places(text: str, positions: PositionMap) -> None:
    for pointer in positions:
        mark = positions.value(pointer)
        hold(0 <= mark.start <= mark.end <= len(text), "span", pointer, mark)
        parent = pointer.rpartition("/")[0]
        if pointer and parent in positions and not positions.is_shared(pointer):
            upper = positions.value(parent)
            hold(upper.start <= mark.start and mark.end <= upper.end, "outside of its parent", pointer, mark)


def editor(text: str, name: str, seed: int, offsets: Iterable[int] = ()) -> str:
    """What an editor asks about a text that is being typed; what became of it.  Raises :class:`Broken`."""
    snapshot = take(f"file:///garden/{name or 'text'}", seed, text)
    hold((snapshot.document is None) == bool(snapshot.problems), "a reason for having no document")
    lines = snapshot.lines
    lengths = [len(line) for line in LINE_END.split(snapshot.text)]
    for problem in snapshot.problems:
        told(problem, lengths)
    places(snapshot.text, snapshot.positions)
    document, malformed = readable(snapshot)
    hold(document is not None or not malformed)
    for diagnostic in TELLER.diagnostics(Judgement(snapshot, "unreadable", document)):
        inside(diagnostic.range, lines)
    for symbol in document_symbols(snapshot):
        nested(symbol, lines)
    for flat in flat_symbols(snapshot):
        inside(flat.location.range, lines)
    rng = Random(seed)
    for offset in (*offsets, rng.randrange(len(snapshot.text) + 1)):
        offered(snapshot, offset)
    return "read" if snapshot.document is not None else "refused" if snapshot.well_formed else "malformed"


def offered(snapshot: Snapshot, offset: int) -> None:
    found = complete(snapshot, offset, snippets=True)
    for item in found.items:
        edit = item.text_edit
        if isinstance(edit, lsp.TextEdit):
            inside(edit.range, snapshot.lines)
            hold(edit.range.start.line == edit.range.end.line, "a completion spans lines", item.label)


def inside(reach: lsp.Range, lines: Lines) -> None:
    ends = [(end.line, end.character) for end in (reach.start, reach.end)]
    hold(ends == sorted(ends), "range", reach)
    for end in (reach.start, reach.end):
        hold(lines.position(lines.offset(end)) == end, "a position that is none of the text", reach)


def nested(symbol: lsp.DocumentSymbol, lines: Lines) -> None:
    inside(symbol.range, lines)
    inside(symbol.selection_range, lines)
    outer = (symbol.range.start.line, symbol.range.start.character, symbol.range.end.line,
             symbol.range.end.character)  # fmt: skip
    chosen = symbol.selection_range
    hold(outer[:2] <= (chosen.start.line, chosen.start.character), "selection", symbol.name)
    hold((chosen.end.line, chosen.end.character) <= outer[2:], "selection", symbol.name)
    for child in symbol.children or ():
        nested(child, lines)
