"""Which policy files count: the nearest one above a circuit, and those it extends."""

from __future__ import annotations

import os
from pathlib import Path

from schemas.problems import Complaint, Problem, nearest_name, quoted
from service.policy.model import NAME, NO_POLICY, Policy, PolicyRefused, Setting
from service.policy.reading import MAX_BYTES, read_policy

MAX_FILES = 32


def nearest(start: str | os.PathLike[str]) -> Path | None:
    """The policy file in the folder of ``start`` or above it; ``start`` is a circuit file or a folder.

    The search ends at the root of a repository (a folder with ``.git``) or of the file system.
    """
    here = os.path.abspath(start)
    folder = here if os.path.isdir(here) else os.path.dirname(here)
    while True:
        found = os.path.join(folder, NAME)
        if os.path.isfile(found):
            return Path(found)
        above = os.path.dirname(folder)
        if above == folder or os.path.exists(os.path.join(folder, ".git")):
            return None
        folder = above


def shown(path: str | os.PathLike[str]) -> str:
    """A path as messages show it: from the working folder down, else whole."""
    whole = os.path.abspath(path)
    try:
        down = os.path.relpath(whole)
    except ValueError:  # another drive
        return whole
    return whole if down.startswith(os.pardir) else down.replace(os.sep, "/")


def load(path: str | os.PathLike[str] | None) -> Policy:
    """The policy in a file, over those it extends; without a path, the policy that says nothing.

    Raises :class:`PolicyRefused` for the first file that cannot be used.
    """
    return NO_POLICY if path is None else _Loading().whole(os.path.abspath(path), ())


class _Loading:
    def __init__(self) -> None:
        self.count = 0

    def whole(self, path: str, chain: tuple[str, ...], named: Setting | None = None) -> Policy:
        """``chain`` are the real paths of the files that led here, ``named`` where this one is named."""
        real = os.path.realpath(path)
        self.count += 1
        if named is not None and real in chain:
            ring = " -> ".join(shown(item) for item in (*chain[chain.index(real) :], real))
            detail = f"the files extend each other in a circle: {ring}"
            _refuse(named, Complaint(detail, seen=quoted(named.value)))
        if named is not None and self.count > MAX_FILES:
            limit = f"at most {MAX_FILES} files"
            _refuse(named, Complaint("too many files are read for one policy", accepted=limit))
        own, extends = read_policy(_bytes(path, named), shown(path))
        below = NO_POLICY
        for item in extends:
            there = os.path.join(os.path.dirname(path), item.value)
            below = self.whole(os.path.abspath(there), (*chain, real), item).over(below)
        return own.over(below)


def _refuse(named: Setting, complaint: Complaint) -> None:
    raise PolicyRefused(named.file, [named.problem(complaint)])


def _bytes(path: str, named: Setting | None) -> bytes:
    try:
        with open(path, "rb") as stream:
            return stream.read(MAX_BYTES + 1)
    except OSError as error:
        detail = f"the policy cannot be read: {error.strerror or error}"
        near = _neighbour(path) if isinstance(error, FileNotFoundError) else None
        if named is not None:
            form = "a path from the folder of this file"
            complaint = Complaint(detail, seen=quoted(named.value), accepted=form, nearest=near)
            raise PolicyRefused(named.file, [named.problem(complaint)]) from error
        raise PolicyRefused(shown(path), [Problem("", detail, None, None, near)]) from error


def _neighbour(path: str) -> str | None:
    folder, name = os.path.split(path)
    try:
        found = nearest_name(name, sorted(os.listdir(folder)))
    except OSError:
        return None
    return None if found is None else shown(os.path.join(folder, found))
