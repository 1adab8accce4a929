"""Which files of a change differ from the base, and under which name they stood there."""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Literal

from clients.gate.git import Repository
from clients.gate.trees import Stored, Tree, Working

Kind = Literal["added", "modified", "renamed", "untracked", "deleted", "unchanged"]
_DIFF = ("diff", "--name-status", "-z", "--find-renames", "-l0", "--no-ext-diff", "--no-textconv",
         "--ignore-submodules=all", "--no-relative", "--no-color")  # fmt: skip


@dataclass(frozen=True, slots=True)
class Change:
    """One file: ``path`` is its name in the head, or in the base when it was deleted."""

    path: str
    kind: Kind
    base_path: str | None


def changes(repository: Repository, base: Stored, against: tuple[str, ...],
            head: Tree, staged: bool = False) -> Mapping[str, Change]:
    """Every file that differs, by its path.  ``against`` are the revisions that ``git diff`` gets.

    Without any (before the first commit) all files of the head are added.
    """
    found: dict[str, Change] = {}
    if against:
        out = repository.ask(*_DIFF, *(["--cached"] if staged else []), *against, "--", with_index=staged)
        found = {change.path: change for change in _parsed(out)}
    else:
        found = {path: Change(path, "added", None) for path in head.paths()}
    if isinstance(head, Working):
        found.update({path: _untracked(path, base) for path in head.untracked})
        _pair(found, base, head)
    return dict(sorted(found.items()))


def _untracked(path: str, base: Stored) -> Change:
    """A file that git does not track; one that it has been told to forget is still what it was."""
    return Change(path, "modified", path) if base.has(path) else Change(path, "untracked", None)


def _parsed(out: bytes) -> Iterator[Change]:
    fields = iter([os.fsdecode(item) for item in out.split(b"\0")])
    for status in fields:
        if not status:
            continue
        path = next(fields)
        match status[0]:
            case "R":
                yield Change(next(fields), "renamed", path)
            case "C":
                yield Change(next(fields), "added", None)
            case "A":
                yield Change(path, "added", None)
            case "D":
                yield Change(path, "deleted", path)
            case _:  # modified, another type, or in conflict
                yield Change(path, "modified", path)


def _pair(found: dict[str, Change], base: Stored, head: Working) -> None:
    """An untracked file with the very bytes of a deleted one is that file under another name.

    git looks for renames only among the files that it tracks.
    """
    gone = {path: base.blobs[path].size for path, change in found.items()
            if change.kind == "deleted" and path in base.blobs}  # fmt: skip
    for path in [path for path, change in found.items() if change.kind == "untracked"]:
        if not gone:
            return
        try:
            data = head.read(path)
        except OSError:
            continue
        for old, size in sorted(gone.items()):
            if size == len(data) and not base.is_link(old) and base.read(old) == data:
                found[path] = Change(path, "renamed", old)
                del found[old], gone[old]
                break
