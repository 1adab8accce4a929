"""Which policy files count: the nearest one above a circuit, and those it extends."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Protocol

from schemas.problems import Complaint, Problem, nearest_name, quoted
from service.policy.model import NAME, NO_POLICY, Policy, PolicyRefused, Setting
from service.policy.reading import MAX_BYTES, read_policy

MAX_FILES = 32


class Files(Protocol):
    """Where policy files are read: the file system, or a revision of a repository.  Paths are absolute."""

    def read(self, path: str) -> bytes:
        """The first ``MAX_BYTES + 1`` bytes.  Raises :class:`OSError`."""

    def is_file(self, path: str) -> bool: ...
    def is_folder(self, path: str) -> bool: ...
    def is_root(self, folder: str) -> bool:
        """True for the root of a repository: nothing above it counts."""

    def names(self, folder: str) -> list[str]:
        """What lies in a folder.  Raises :class:`OSError`."""

    def real(self, path: str) -> str:
        """The same for two paths that lead to one file."""

    def shown(self, path: str) -> str:
        """A path as messages show it."""


class Disk:
    """The files as they lie on the disk."""

    def read(self, path: str) -> bytes:
        with open(path, "rb") as stream:
            return stream.read(MAX_BYTES + 1)

    def is_file(self, path: str) -> bool:
        return os.path.isfile(path)

    def is_folder(self, path: str) -> bool:
        return os.path.isdir(path)

    def is_root(self, folder: str) -> bool:
        return os.path.exists(os.path.join(folder, ".git"))

    def names(self, folder: str) -> list[str]:
        return os.listdir(folder)

    def real(self, path: str) -> str:
        return os.path.realpath(path)

    def shown(self, path: str) -> str:
        return shown(path)


DISK = Disk()


def nearest(start: str | os.PathLike[str], files: Files = DISK) -> Path | None:
    """The policy file in the folder of ``start`` or above it; ``start`` is a circuit file or a folder.

    The search ends at the root of a repository (a folder with ``.git``) or of the file system.
    """
    here = os.path.abspath(start)
    folder = here if files.is_folder(here) else os.path.dirname(here)
    while True:
        found = os.path.join(folder, NAME)
        if files.is_file(found):
            return Path(found)
        above = os.path.dirname(folder)
        if above == folder or files.is_root(folder):
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


def load(path: str | os.PathLike[str] | None, files: Files = DISK) -> Policy:
    """The policy in a file, over those it extends; without a path, the policy that says nothing.

    Raises :class:`PolicyRefused` for the first file that cannot be used.
    """
    return NO_POLICY if path is None else _Loading(files).whole(os.path.abspath(path), ())


class _Loading:
    def __init__(self, files: Files) -> None:
        self.files = files
        self.count = 0

    def whole(self, path: str, chain: tuple[str, ...], named: Setting | None = None) -> Policy:
        """``chain`` are the real paths of the files that led here, ``named`` where this one is named."""
        real = self.files.real(path)
        self.count += 1
        if named is not None and real in chain:
            ring = " -> ".join(self.files.shown(item) for item in (*chain[chain.index(real) :], real))
            detail = f"the files extend each other in a circle: {ring}"
            _refuse(named, Complaint(detail, seen=quoted(named.value)))
        if named is not None and self.count > MAX_FILES:
            limit = f"at most {MAX_FILES} files"
            _refuse(named, Complaint("too many files are read for one policy", accepted=limit))
        own, extends = read_policy(self.bytes(path, named), self.files.shown(path))
        below = NO_POLICY
        for item in extends:
            there = os.path.join(os.path.dirname(path), item.value)
            below = self.whole(os.path.abspath(there), (*chain, real), item).over(below)
        return own.over(below)

    def bytes(self, path: str, named: Setting | None) -> bytes:
        try:
            return self.files.read(path)
        except OSError as error:
            detail = f"the policy cannot be read: {error.strerror or error}"
            near = self.neighbour(path) if isinstance(error, FileNotFoundError) else None
            if named is not None:
                form = "a path from the folder of this file"
                complaint = Complaint(detail, seen=quoted(named.value), accepted=form, nearest=near)
                raise PolicyRefused(named.file, [named.problem(complaint)]) from error
            file = self.files.shown(path)
            raise PolicyRefused(file, [Problem("", detail, None, None, near)]) from error

    def neighbour(self, path: str) -> str | None:
        folder, name = os.path.split(path)
        try:
            found = nearest_name(name, sorted(self.files.names(folder)))
        except OSError:
            return None
        return None if found is None else self.files.shown(os.path.join(folder, found))


def _refuse(named: Setting, complaint: Complaint) -> None:
    raise PolicyRefused(named.file, [named.problem(complaint)])
