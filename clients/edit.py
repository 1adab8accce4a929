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

from clients.edit_text import CannotEdit, Spelling
from clients.splices import applied, edits_of, same

__all__ = ["CannotEdit", "create_file", "patch_bytes", "patch_text", "same", "write_file"]

_BOM = b"\xef\xbb\xbf"


def patch_text(text: str, spelling: Spelling, patch: Iterable[Mapping[str, Any]]) -> str:
    """``text`` (without byte order mark) with ``patch`` spliced in.

    Raises :class:`CannotEdit` as :func:`clients.splices.edits_of` does.
    """
    return applied(text, edits_of(text, spelling, patch))


def patch_bytes(data: bytes, spelling: Spelling, patch: Iterable[Mapping[str, Any]]) -> bytes:
    """As :func:`patch_text` for the bytes of a file; a byte order mark and the line ends are kept."""
    bom = data.startswith(_BOM)
    try:
        text = (data[len(_BOM):] if bom else data).decode()
    except UnicodeDecodeError as error:
        raise CannotEdit("the file is not UTF-8") from error
    edited = patch_text(text, spelling, patch).encode()
    return _BOM + edited if bom else edited


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
