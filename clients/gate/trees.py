"""Files at one moment: a revision, the index, or the working tree."""

from __future__ import annotations

import errno
import os
import posixpath
import stat
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import Protocol

from clients.gate.git import Repository, trouble
from clients.sources import MAX_INPUT

REGULAR, LINK = "100", "120000"
_MOST_LINKS = 10
_CHUNK = 32 << 20  # bytes of blobs that one run of git brings


class Tree(Protocol):
    """Files by their path within the repository."""

    def paths(self) -> Iterable[str]:
        """The regular files, sorted."""

    def has(self, path: str) -> bool:
        """True for a regular file or a link."""

    def is_link(self, path: str) -> bool: ...
    def is_folder(self, path: str) -> bool:
        """True for a folder; the empty path is the top."""

    def read(self, path: str) -> bytes:
        """The bytes of a regular file.  Raises :class:`OSError`."""

    def texts(self, paths: Iterable[str]) -> Iterator[tuple[str, bytes]]:
        """Regular files with their bytes, in order; lost ones and those over ``MAX_INPUT`` are left out."""


@dataclass(frozen=True, slots=True)
class Blob:
    mode: str
    name: str
    size: int


def _missing(path: str, code: int = errno.ENOENT) -> OSError:
    return OSError(code, os.strerror(code), path)


@dataclass(frozen=True)
class Stored:
    """The files of a revision or of the index, read from the object store."""

    repository: Repository
    blobs: Mapping[str, Blob]
    _read: dict[str, bytes] = field(default_factory=dict, compare=False)

    def paths(self) -> Iterable[str]:
        return sorted(path for path, blob in self.blobs.items() if blob.mode.startswith(REGULAR))

    def has(self, path: str) -> bool:
        return path in self.blobs and self.blobs[path].mode.startswith((REGULAR, LINK))

    def is_link(self, path: str) -> bool:
        return path in self.blobs and self.blobs[path].mode == LINK

    def is_folder(self, path: str) -> bool:
        return path in self.folders

    @cached_property
    def folders(self) -> frozenset[str]:
        """Every folder with a file in it, the top as the empty text."""
        found = {""}
        for path in self.blobs:
            while path := posixpath.dirname(path):
                found.add(path)
        return frozenset(found)

    def resolved(self, path: str) -> str:
        """``path`` with links followed within the tree."""
        for _ in range(_MOST_LINKS):
            if not self.is_link(path):
                return path
            target = os.fsdecode(self._bytes(path))
            path = posixpath.normpath(posixpath.join(posixpath.dirname(path), target))
        raise _missing(path, errno.ELOOP)

    def read(self, path: str) -> bytes:
        if path not in self.blobs:
            raise _missing(path)
        if not self.blobs[path].mode.startswith(REGULAR):
            raise _missing(path, errno.EINVAL)
        return self._bytes(path)

    def _bytes(self, path: str) -> bytes:
        if path not in self._read:
            self._read[path] = self.repository.ask("cat-file", "blob", self.blobs[path].name)
        return self._read[path]

    def texts(self, paths: Iterable[str]) -> Iterator[tuple[str, bytes]]:
        waiting: list[str] = []
        size = 0
        for path in paths:
            blob = self.blobs.get(path)
            if blob is None or not blob.mode.startswith(REGULAR) or blob.size > MAX_INPUT:
                continue
            if waiting and size + blob.size > _CHUNK:
                yield from self._batch(waiting)
                waiting, size = [], 0
            waiting.append(path)
            size += blob.size
        yield from self._batch(waiting)

    def _batch(self, paths: list[str]) -> Iterator[tuple[str, bytes]]:
        """Many blobs with one run of git; they are asked for by their ids, so any path will do."""
        if not paths:
            return
        ids = "".join(f"{self.blobs[path].name}\n" for path in paths).encode()
        out = self.repository.ask("cat-file", "--batch", given=ids)
        at = 0
        for path in paths:
            end = out.index(b"\n", at)
            head = out[at:end].split()
            if len(head) != 3:
                raise trouble("git", f"The object {self.blobs[path].name} of {path} cannot be read.")
            start, at = end + 1, end + 1 + int(head[2]) + 1
            yield path, out[start : at - 1]


def revision(repository: Repository, commit: str) -> Stored:
    """The files of a commit."""
    out = repository.ask("ls-tree", "-r", "-z", "-l", "--full-tree", commit)
    return Stored(repository, dict(_tree_entry(line) for line in out.split(b"\0") if line))


def nothing(repository: Repository) -> Stored:
    """No files: what there was before the first commit."""
    return Stored(repository, {})


def index(repository: Repository) -> Stored:
    """The files as they are staged for the next commit."""
    out = repository.ask("ls-files", "-s", "-z", with_index=True)
    blobs = dict(_index_entry(line) for line in out.split(b"\0") if line)
    ids = "".join(f"{blob.name}\n" for blob in blobs.values()).encode()
    sizes = {}
    for line in repository.ask("cat-file", "--batch-check", given=ids).decode().splitlines():
        name, kind, *rest = line.split()
        sizes[name] = int(rest[0]) if kind == "blob" else 0
    return Stored(repository, {path: Blob(blob.mode, blob.name, sizes.get(blob.name, 0))
                               for path, blob in blobs.items()})  # fmt: skip


def _tree_entry(line: bytes) -> tuple[str, Blob]:
    head, _, path = line.partition(b"\t")
    mode, _, name, size = head.decode().split()
    return os.fsdecode(path), Blob(mode, name, int(size) if size != "-" else 0)


def _index_entry(line: bytes) -> tuple[str, Blob]:
    """The last of the stages of a file that is in conflict: what the change brings."""
    head, _, path = line.partition(b"\t")
    mode, name, _ = head.decode().split()
    return os.fsdecode(path), Blob(mode, name, 0)


@dataclass(frozen=True)
class Working:
    """The files below a folder as they lie on the disk.  ``listed`` are all that count, sorted; of these
    git does not track those that are ``untracked``."""

    top: str
    listed: tuple[str, ...]
    untracked: tuple[str, ...] = ()

    def place(self, path: str) -> str:
        return os.path.join(self.top, *path.split("/"))

    def _mode(self, path: str) -> int:
        try:
            return os.lstat(self.place(path)).st_mode
        except (OSError, ValueError):
            return 0

    def paths(self) -> Iterable[str]:
        return [path for path in self.listed if stat.S_ISREG(self._mode(path))]

    def has(self, path: str) -> bool:
        mode = self._mode(path)
        return stat.S_ISREG(mode) or stat.S_ISLNK(mode)

    def is_link(self, path: str) -> bool:
        return stat.S_ISLNK(self._mode(path))

    def is_folder(self, path: str) -> bool:
        return stat.S_ISDIR(self._mode(path)) if path else True

    def read(self, path: str) -> bytes:
        if self.is_link(path):
            raise _missing(path, errno.EINVAL)
        with open(self.place(path), "rb") as stream:
            return stream.read(MAX_INPUT + 1)

    def texts(self, paths: Iterable[str]) -> Iterator[tuple[str, bytes]]:
        for path in paths:
            try:
                data = self.read(path)
            except OSError:
                continue
            if len(data) <= MAX_INPUT:
                yield path, data


def working(repository: Repository) -> Working:
    """The working tree: what git tracks, and what it would if it were told to (not the ignored files)."""
    return Working(repository.top, _names(repository, "--cached", "--others", "--exclude-standard"),
                   _names(repository, "--others", "--exclude-standard"))


def _names(repository: Repository, *which: str) -> tuple[str, ...]:
    out = repository.ask("ls-files", "-z", *which)
    return tuple(sorted({os.fsdecode(line) for line in out.split(b"\0") if line}))


def plain(folder: str) -> Working:
    """The files below a folder that is in no repository; those in folders like .this are left out."""
    found = []
    for here, folders, files in os.walk(folder):
        folders[:] = sorted(name for name in folders if not name.startswith("."))
        found += [os.path.relpath(os.path.join(here, name), folder).replace(os.sep, "/") for name in files]
    return Working(os.path.realpath(folder), tuple(sorted(found)))
