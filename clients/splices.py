"""A patch as edits of the original text: what an editor applies, and what a report offers as a fix.

The operations of a patch are spliced in one after another, each into the text
that the one before left, because positions move.  Here the splices are put
together again into edits of the text as it was: a text under change is a row
of pieces, each either a stretch of the original or new text.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from clients.edit_text import (
    CannotEdit,
    Edit,
    Spelling,
    Splice,
    add_member,
    parse,
    remove_member,
    replace_value,
)

__all__ = ["CannotEdit", "Edit", "applied", "edits_of", "same"]

_SILENT = ("test",)
_STRUCTURE = ("{", "}", "[", "]", ",", "\r", "\n")


def edits_of(text: str, spelling: Spelling, patch: Iterable[Mapping[str, Any]]) -> tuple[Edit, ...]:
    """What ``patch`` (RFC 6902: test, add, replace, remove) changes in ``text`` (no byte order mark).

    Edits ``(start, end, new text)`` over offsets (code points) of ``text``,
    sorted, disjoint, none of them without effect, and each no longer than
    whole tokens need.  All of them together give a text that reads back as the
    patched document.  Raises :class:`CannotEdit` when the text is not a
    document, a ``test`` fails, a place does not exist, or the edited text does
    not read back as the patched document (shared anchors, for example).
    """
    operations = list(patch)
    raw, _ = parse(text, spelling)
    wanted = _patched(raw, operations)
    pieces = [_Piece(0, text)] if text else []
    for operation in operations:
        if operation.get("op") not in _SILENT:
            pieces = _after(pieces, spelling, operation)
    edits = tuple(_edits(text, pieces))
    if not _reads_as(applied(text, edits), spelling, wanted):
        raise CannotEdit("the edited text would not read back as the changed document; nothing was written "
                         "(does the value come from an anchor that is shared?)")
    return edits


def applied(text: str, edits: Iterable[Edit]) -> str:
    """``text`` after ``edits``; they have to be disjoint and may come in any order."""
    # From the end, so that earlier offsets stay true.
    for start, end, new in sorted(edits, reverse=True):
        text = text[:start] + new + text[end:]
    return text


@dataclass(frozen=True, slots=True)
class _Piece:
    """A stretch of text; ``origin`` is where the original has it, ``None`` for new text."""

    origin: int | None
    text: str

    def cut(self, start: int, end: int) -> _Piece:
        origin = None if self.origin is None else self.origin + start
        return _Piece(origin, self.text[start:end])


def _after(pieces: list[_Piece], spelling: Spelling, operation: Mapping[str, Any]) -> list[_Piece]:
    """The pieces after one operation."""
    text = "".join(piece.text for piece in pieces)
    for start, end, new in sorted(_operation_edits(text, spelling, operation), reverse=True):
        fresh = [_Piece(None, new)] if new else []
        pieces = [*_between(pieces, 0, start), *fresh, *_between(pieces, end)]
    return pieces


def _between(pieces: list[_Piece], start: int, end: int | None = None) -> list[_Piece]:
    """What lies between two offsets of the joined pieces, or from one to the end."""
    found, at = [], 0
    if end is None:
        end = sum(len(piece.text) for piece in pieces)
    for piece in pieces:
        low, high = max(start - at, 0), min(end - at, len(piece.text))
        if low < high:
            found.append(piece.cut(low, high))
        at += len(piece.text)
    return found


def _operation_edits(text: str, spelling: Spelling, operation: Mapping[str, Any]) -> list[Edit]:
    """The edits of one operation; positions are read afresh, because the one before has moved them."""
    raw, positions = parse(text, spelling)
    splice = Splice(text, spelling, raw, positions)
    path, kind = str(operation.get("path", "")), operation.get("op")
    if kind == "remove":
        return remove_member(splice, path)
    if kind == "replace" or (kind == "add" and splice.is_member(path)):
        return replace_value(splice, path, operation["value"])
    if kind == "add":
        return add_member(splice, path, operation["value"])
    raise CannotEdit(f"the patch operation {kind!r} is not one that can be written into a text; "
                     "accepted are add, replace, remove and test")


def _edits(text: str, pieces: list[_Piece]) -> Iterator[Edit]:
    """What stands between the stretches of the original that are left, trimmed."""
    at, fresh = 0, ""
    for piece in [*pieces, _Piece(len(text), "")]:
        if piece.origin is None:
            fresh += piece.text
            continue
        if fresh or piece.origin > at:
            yield from _trimmed(text, at, piece.origin, fresh)
        at, fresh = piece.origin + len(piece.text), ""


def _trimmed(text: str, start: int, end: int, new: str) -> list[Edit]:
    """The edit without the whole tokens that old and new begin and end with; nothing when that is all."""
    old = text[start:end]
    if old == new:
        return []
    shorter = min(len(old), len(new))
    head = _common(old, new, shorter)
    while head and not (_is_border(old, head) and _is_border(new, head)):
        head -= 1
    tail = _common(old[::-1], new[::-1], shorter - head)
    while tail and not (_is_border(old, len(old) - tail) and _is_border(new, len(new) - tail)):
        tail -= 1
    return [(start + head, end - tail, new[head:len(new) - tail])]


def _common(left: str, right: str, most: int) -> int:
    return next((at for at in range(most) if left[at] != right[at]), most)


def _is_border(text: str, at: int) -> bool:
    """Whether a token begins or ends at ``at``: brackets, commas and line breaks part tokens, blanks do not.

    ``4.7 kohm`` is one token: a reader wants to see the whole value change.
    """
    if at in (0, len(text)):
        return True
    if text[at - 1:at + 1] == "\r\n":
        return False
    if text[at] in _STRUCTURE:
        return True
    lead = text[:at].rstrip(" \t")
    begins = lead[-1:] in _STRUCTURE or (lead.endswith(":") and len(lead) < at)
    return begins and text[at] not in " \t"


def _patched(raw: Any, operations: list[Mapping[str, Any]]) -> Any:
    import jsonpatch
    import jsonpointer

    try:
        return jsonpatch.apply_patch(raw, [dict(operation) for operation in operations])
    except (jsonpatch.JsonPatchException, jsonpointer.JsonPointerException) as error:
        raise CannotEdit(f"the patch does not fit this file: {error}") from error


def _reads_as(text: str, spelling: Spelling, wanted: Any) -> bool:
    try:
        found, _ = parse(text, spelling)
    except CannotEdit:
        return False
    return same(found, wanted)


def same(left: Any, right: Any) -> bool:
    """Equal as JSON data: 1 and 1.0 are the same number, true and 1 are not the same value."""
    if isinstance(left, bool) or isinstance(right, bool):
        return isinstance(left, bool) and isinstance(right, bool) and left is right
    if isinstance(left, dict) and isinstance(right, dict):
        return left.keys() == right.keys() and all(same(left[key], right[key]) for key in left)
    if isinstance(left, list) and isinstance(right, list):
        return len(left) == len(right) and all(map(same, left, right))
    numbers = isinstance(left, (int, float)) and isinstance(right, (int, float))
    return (numbers or type(left) is type(right)) and bool(left == right)
