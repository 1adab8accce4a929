"""The policy of a revision, and what a change proposes to make of it."""

from __future__ import annotations

import errno
import os
import posixpath
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from clients.gate.circuits import printable
from clients.gate.git import inside
from clients.gate.trees import Stored, Tree
from clients.policies import Policies
from clients.sources import CannotCheck, Json
from service.policy import DISK, NAME, Disk, Policy, Setting, shown
from service.policy.reading import MAX_BYTES


@dataclass(frozen=True, slots=True)
class Proposed:
    """A policy that the change gives another content: where it holds and what it changes."""

    file: str
    folder: str
    says: tuple[str, ...]
    problem: Json | None = None


class Checkout(Disk):
    """Policy files as they lie on the disk, named by their path from ``top``."""

    def __init__(self, top: str) -> None:
        self.top = top

    def is_root(self, folder: str) -> bool:
        return folder == self.top or super().is_root(folder)

    def shown(self, path: str) -> str:
        return _shown(self.top, path)


class Revised:
    """Policy files as they stand in a revision; what lies outside of the repository is read where it lies.

    Paths are those that the files have on the disk, so that a policy may extend one beside the repository.
    """

    def __init__(self, top: str, tree: Stored) -> None:
        self.top, self.tree = top, tree

    def _at(self, path: str) -> str | None:
        """The path in the tree, links followed; ``None`` for one outside."""
        down = _down(self.top, path)
        return None if down is None else self.tree.resolved(down)

    def read(self, path: str) -> bytes:
        at = self._at(path)
        return DISK.read(path) if at is None else self.tree.read(at)[: MAX_BYTES + 1]

    def is_file(self, path: str) -> bool:
        try:
            at = self._at(path)
        except OSError:  # links in a circle
            return False
        return DISK.is_file(path) if at is None else at in self.tree.blobs and not self.is_folder(path)

    def is_folder(self, path: str) -> bool:
        down = _down(self.top, path)
        return DISK.is_folder(path) if down is None else self.tree.is_folder(down)

    def is_root(self, folder: str) -> bool:
        return folder == self.top

    def names(self, folder: str) -> list[str]:
        down = _down(self.top, folder)
        if down is None:
            return DISK.names(folder)
        found = {path for path in self.tree.blobs if posixpath.dirname(path) == down}
        if not found:
            raise OSError(errno.ENOENT, os.strerror(errno.ENOENT), folder)
        return sorted(posixpath.basename(path) for path in found)

    def real(self, path: str) -> str:
        at = self._at(path)
        return DISK.real(path) if at is None else os.path.join(self.top, at)

    def shown(self, path: str) -> str:
        return _shown(self.top, path)


def _down(top: str, path: str) -> str | None:
    """A path as it is written, from ``top`` down, or ``None``; nothing on the disk is asked."""
    try:
        down = os.path.relpath(path, top).replace(os.sep, "/")
    except ValueError:  # another drive
        return None
    if down == os.pardir or down.startswith(os.pardir + "/"):
        return None
    return "" if down == os.curdir else down


def _shown(top: str, path: str) -> str:
    down = _down(top, path)
    return shown(path) if down is None else printable(down)


def policies_at(top: str, tree: Tree, named: str | None, none: bool) -> Policies:
    """The policies of a tree; ``named`` is a file given on the command line, from the working folder."""
    if named is not None:
        down = inside(top, named)
        named = os.path.abspath(named) if down is None else os.path.join(top, *down.split("/"))
    return Policies(named, none, Revised(top, tree) if isinstance(tree, Stored) else Checkout(top))


def policy_folders(top: str, *trees: Tree) -> list[str]:
    """The folders with a policy file in any of the trees, as paths of the file system."""
    found = {posixpath.dirname(path) for tree in trees for path in tree.paths()
             if posixpath.basename(path) == NAME}  # fmt: skip
    return [os.path.join(top, *folder.split("/")) if folder else top for folder in sorted(found)]


def proposed(base: Policies, head: Policies, folders: list[str], top: str) -> list[Proposed]:
    """For each folder with a policy: what the head's would change of the base's.

    A policy that stays as it is gives nothing, however its file is written.
    """
    found = []
    for folder in folders:
        file = _shown(top, head.path(folder) or base.path(folder) or folder)
        inner = _down(top, folder) or ""
        try:
            before = base.policy(folder)
        except CannotCheck:
            before = None
        try:
            after = head.policy(folder)
            if before is not None and not differences(before, after):
                continue
            head.rules(folder)
        except CannotCheck as failure:
            if before is None:  # the base has that fault too: it is told with each circuit
                continue
            found.append(Proposed(failure.label, inner, ("it cannot be used",), failure.problem))
            continue
        says = ("the base has one that cannot be used",) if before is None else differences(before, after)
        found.append(Proposed(file, inner, says))
    return found


def differences(before: Policy, after: Policy) -> tuple[str, ...]:
    """What ``after`` sets otherwise than ``before``, one line each, sorted."""
    return tuple(sorted(_differences(before, after)))


def _differences(before: Policy, after: Policy) -> Iterator[str]:
    limits = ({f"{slug}: {name}": s for (slug, name), s in policy.limits.items()}
              for policy in (before, after))
    yield from _changed("limit ", *limits)
    yield from _changed("severity of ", before.severity, after.severity)
    yield from _changed("series of ", before.series, after.series)
    profile = ({} if policy.profile is None else {"profile": policy.profile} for policy in (before, after))
    yield from _changed("derating ", *profile)
    for word, old, new in (("rules run", before.run, after.run), ("rules skipped", before.skip, after.skip),
                           ("plugins allowed", before.allowed, after.allowed)):  # fmt: skip
        if _values(old) != _values(new):
            yield f"{word}: {_listed(old)} -> {_listed(new)}"


def _changed(lead: str, before: Mapping[str, Setting], after: Mapping[str, Setting]) -> Iterator[str]:
    for key in sorted({*before, *after}):
        old, new = before.get(key), after.get(key)
        if old is None or new is None or old.value != new.value:
            said = ["as the rules have it" if item is None else str(item.value) for item in (old, new)]
            yield f"{lead}{key}: {said[0]} -> {said[1]}"


def _values(settings: tuple[Setting, ...] | None) -> set[str] | None:
    return None if settings is None else {str(item.value) for item in settings}


def _listed(settings: tuple[Setting, ...] | None) -> str:
    values = _values(settings)
    return "not said" if values is None else ", ".join(sorted(values)) or "none"
