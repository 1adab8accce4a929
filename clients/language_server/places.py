"""Where in a text a finding or a problem is shown: one place for all that is told about it."""

from __future__ import annotations

import re
from typing import Any

from lsprotocol import types as lsp

from clients.language_server.snapshot import Snapshot
from schemas.positions import Mark
from schemas.problems import Problem, unescape

_TOKEN = re.compile(r"[^\s,{}\[\]:]+")


def range_of(snapshot: Snapshot, pointer: str) -> lsp.Range:
    """The range to mark for ``pointer``.

    A plain value itself; of an object or list its member name, because the
    whole would paint half the screen; of a member that is missing, what holds
    it; of the document as a whole, its first line.
    """
    return snapshot.lines.range_of(*span_of(snapshot, pointer))


def span_of(snapshot: Snapshot, pointer: str) -> tuple[int, int]:
    """The same as offsets."""
    positions = snapshot.positions
    while pointer and pointer not in positions:
        pointer = pointer.rpartition("/")[0]
    if not pointer or pointer not in positions:
        return first_line(snapshot)
    mark = positions.value(pointer)
    if _is_plain(snapshot, pointer) and mark.end > mark.start:
        return _in_one_line(snapshot, mark)
    try:
        return _in_one_line(snapshot, positions.key(pointer))
    except KeyError:  # an item of a list has no name
        return _in_one_line(snapshot, mark)


def name_of(snapshot: Snapshot, pointer: str) -> tuple[int, int]:
    """The member name at ``pointer``, or what :func:`span_of` gives."""
    try:
        return _in_one_line(snapshot, snapshot.positions.key(pointer))
    except KeyError:
        return span_of(snapshot, pointer)


def problem_span(snapshot: Snapshot, problem: Problem) -> tuple[int, int]:
    """Where a problem stands: its name or value, else the word at its line and column."""
    positions = snapshot.positions
    at = snapshot.lines.offset_at(problem.line or 1, problem.column or 1)
    if problem.pointer in positions:
        for find in (positions.key, positions.value):
            try:
                mark = find(problem.pointer)
            except KeyError:
                continue
            if mark.start == at and mark.end > mark.start:
                if find is positions.value:
                    return span_of(snapshot, problem.pointer)
                return _in_one_line(snapshot, mark)
    elif problem.pointer and snapshot.well_formed:
        return span_of(snapshot, problem.pointer)
    start, end = snapshot.lines.line_of(at)
    token = _TOKEN.match(snapshot.text, at, end)
    if token is not None:
        return at, token.end()
    if at < end:
        return at, at + 1
    return (max(start, at - 1), at) if at > start else (at, at)


def first_line(snapshot: Snapshot) -> tuple[int, int]:
    """The first line that has something in it."""
    text = snapshot.text
    at = next((at for at, char in enumerate(text) if not char.isspace()), 0)
    return at, snapshot.lines.line_of(at)[1]


def _in_one_line(snapshot: Snapshot, mark: Mark) -> tuple[int, int]:
    """A span that does not run over the end of its first line."""
    return mark.start, min(mark.end, max(snapshot.lines.line_of(mark.start)[1], mark.start))


def _is_plain(snapshot: Snapshot, pointer: str) -> bool:
    value: Any = snapshot.raw
    for token in pointer.split("/")[1:]:
        key = unescape(token)
        if isinstance(value, dict) and key in value:
            value = value[key]
        elif isinstance(value, list) and key.isdigit() and int(key) < len(value):
            value = value[int(key)]
        else:
            return False
    return not isinstance(value, dict | list)
