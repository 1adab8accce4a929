"""Changing single values in a circuit file and leaving every other character as it is.

A patch (RFC 6902: ``test``, ``add``, ``replace``, ``remove``) is spliced into
the text itself, so that comments, order, quoting and layout stay.  The result
is read again and must be exactly the patched document; on any doubt nothing is
written and :class:`CannotEdit` is raised.
"""

from __future__ import annotations

import os
import stat
import tempfile
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

from clients.edit_text import CannotEdit, Spelling, Splice, add_member, parse, remove_member, replace_value

__all__ = ["CannotEdit", "create_file", "patch_bytes", "patch_text", "same", "write_file"]

_BOM = b"\xef\xbb\xbf"
_SILENT = ("test",)


def patch_text(text: str, spelling: Spelling, patch: Iterable[Mapping[str, Any]]) -> str:
    """``text`` (without byte order mark) with ``patch`` spliced in.

    Raises :class:`CannotEdit` when the text is not a document, a ``test``
    fails, a place does not exist, or the edited text does not read back as the
    patched document (shared anchors, for example).
    """
    operations = list(patch)
    raw, _ = parse(text, spelling)
    wanted = _patched(raw, operations)
    edited = text
    for operation in operations:
        if operation.get("op") not in _SILENT:
            edited = _one(edited, spelling, operation)
    try:
        found, _ = parse(edited, spelling)
        whole = same(found, wanted)
    except CannotEdit:
        whole = False
    if not whole:
        raise CannotEdit("the edited text would not read back as the changed document; nothing was written "
                         "(does the value come from an anchor that is shared?)")
    return edited


def patch_bytes(data: bytes, spelling: Spelling, patch: Iterable[Mapping[str, Any]]) -> bytes:
    """As :func:`patch_text` for the bytes of a file; a byte order mark and the line ends are kept."""
    bom = data.startswith(_BOM)
    try:
        text = (data[len(_BOM):] if bom else data).decode()
    except UnicodeDecodeError as error:
        raise CannotEdit("the file is not UTF-8") from error
    edited = patch_text(text, spelling, patch).encode()
    return _BOM + edited if bom else edited


def _one(text: str, spelling: Spelling, operation: Mapping[str, Any]) -> str:
    """One operation; positions are read afresh, because the one before has moved them."""
    raw, positions = parse(text, spelling)
    splice = Splice(text, spelling, raw, positions)
    path, kind = str(operation.get("path", "")), operation.get("op")
    if kind == "remove":
        edits = remove_member(splice, path)
    elif kind == "replace" or (kind == "add" and splice.is_member(path)):
        edits = replace_value(splice, path, operation["value"])
    elif kind == "add":
        edits = add_member(splice, path, operation["value"])
    else:
        raise CannotEdit(f"the patch operation {kind!r} is not one that can be written into a text; "
                         "accepted are add, replace, remove and test")
    # From the end, so that earlier offsets stay true.
    for start, end, new in sorted(edits, reverse=True):
        text = text[:start] + new + text[end:]
    return text


def _patched(raw: Any, operations: list[Mapping[str, Any]]) -> Any:
    import jsonpatch
    import jsonpointer

    try:
        return jsonpatch.apply_patch(raw, [dict(operation) for operation in operations])
    except (jsonpatch.JsonPatchException, jsonpointer.JsonPointerException) as error:
        raise CannotEdit(f"the patch does not fit this file: {error}") from error


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


def write_file(path: Path, old: bytes, new: bytes) -> None:
    """Put ``new`` in the place of ``old`` in one step, or leave the file alone.

    A symbolic link is followed, the mode is kept.  Raises :class:`CannotEdit`
    when the file is no longer what was read or is not a plain file, and
    ``OSError`` when the directory cannot be written.
    """
    target = path.resolve(strict=True)
    about = target.stat()
    if not stat.S_ISREG(about.st_mode):
        raise CannotEdit(f"{path} is not a plain file")
    if target.read_bytes() != old:
        raise CannotEdit(f"{path} was changed by someone else in the meantime")
    _exchange(target, new, stat.S_IMODE(about.st_mode))


def create_file(path: Path, new: bytes) -> None:
    """Write ``new`` to ``path`` in one step, over whatever stood there; devices are written directly."""
    target = path.resolve()
    try:
        about = target.stat()
    except FileNotFoundError:
        mask = os.umask(0)
        os.umask(mask)
        _exchange(target, new, 0o666 & ~mask)
        return
    if stat.S_ISREG(about.st_mode):
        _exchange(target, new, stat.S_IMODE(about.st_mode))
    else:
        target.write_bytes(new)


def _exchange(target: Path, new: bytes, mode: int) -> None:
    """A temporary file beside ``target``, then a rename: readers see the old file or the new one."""
    handle, name = tempfile.mkstemp(prefix=f".{target.name}.", suffix=".new", dir=target.parent)
    try:
        with os.fdopen(handle, "wb") as stream:
            stream.write(new)
            stream.flush()
            os.fsync(stream.fileno())
        os.chmod(name, mode)
        os.replace(name, target)
    except BaseException:
        os.unlink(name)
        raise
