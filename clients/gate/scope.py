"""What one run of the gate looks at: two moments of a repository, their circuits, policies and baselines."""

from __future__ import annotations

import os
import posixpath
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from clients.gate import baseline as baselines
from clients.gate import trees
from clients.gate.baseline import Baseline
from clients.gate.changes import Change, changes
from clients.gate.circuits import Picked, Picker, printable
from clients.gate.git import Repository, find, inside, need, trouble
from clients.gate.policy_at import Proposed, policies_at, policy_folders, proposed
from clients.gate.trees import Stored, Tree
from clients.policies import Policies
from clients.sources import Json
from schemas.problems import nearest_name, quoted


@dataclass(frozen=True, slots=True)
class Asked:
    """What the command line asks for.  Without ``base`` there is only the baseline to compare with."""

    files: tuple[str, ...] = ()
    base: str | None = None
    exact: bool = False
    head: str | None = None
    staged: bool = False
    baseline: str | None = None
    ratchet: bool = False
    policy: str | None = None
    no_policy: bool = False
    remote: bool = False


@dataclass(frozen=True, slots=True)
class Moment:
    """One side: the words for it, its files, and the commit if it is one."""

    name: str
    tree: Tree
    commit: str | None = None


@dataclass(frozen=True, slots=True)
class Before(Moment):
    """The base: always from the object store."""

    tree: Stored


@dataclass(frozen=True, slots=True)
class KnownList:
    """The baseline file: ``judged`` is what judges this run, ``present`` what the head has.

    ``path`` is from the top, ``place`` in the file system; ``proposed`` says that the base does not have it.
    """

    path: str
    place: str
    judged: Baseline | None
    present: Baseline | None
    proposed: bool = False


@dataclass(frozen=True)
class Scope:
    top: str
    base: Before | None
    asked_base: str | None
    exact: bool
    head: Moment
    picked: Picked
    policies: Policies
    proposals: tuple[Proposed, ...]
    known: KnownList | None

    def base_shape(self) -> Json | None:
        if self.base is None:
            return None
        return {"asked": self.asked_base, "commit": self.base.commit, "exact": self.exact}

    def head_shape(self) -> Json:
        return {"name": self.head.name, "commit": self.head.commit}


def scope(asked: Asked) -> Scope:
    """Everything that is looked at.  Raises :class:`CannotCheck` where git or a baseline is in the way."""
    repository = need() if asked.base is not None or asked.head is not None or asked.staged else find()
    top = os.path.realpath(".") if repository is None else repository.top
    base, against = (None, ()) if asked.base is None else _base(_sure(repository), asked)
    head = _head(repository, asked, top)
    changed: Mapping[str, Change] = {}
    if base is not None:
        if head.commit is not None:
            against = (*against, head.commit)
        changed = changes(_sure(repository), base.tree, against, head.tree, asked.staged)
    policies = policies_at(top, head.tree if base is None else base.tree, asked.policy, asked.no_policy)
    proposals = _proposals(asked, top, base, head, policies)
    picker = Picker(top, None if base is None else base.tree, head.tree, changed)
    if asked.files:
        picked = picker.named(asked.files)
    elif base is None:
        picked = picker.named((".",))
    else:
        folders = [item.folder for item in proposals]
        picked = picker.changed(path for path in head.tree.paths() if _is_below(path, folders))
    known = None if asked.baseline is None else _known(asked, top, base, head)
    return Scope(top, base, asked.base, asked.exact, head, picked, policies, tuple(proposals), known)


def _sure(repository: Repository | None) -> Repository:
    return need() if repository is None else repository


def _base(repository: Repository, asked: Asked) -> tuple[Before, tuple[str, ...]]:
    """The base, and what ``git diff`` is given for it.

    Before the first commit HEAD stands for nothing at all, so that a hook works from the start.
    """
    revision = str(asked.base)
    if revision == "HEAD" and repository.is_unborn:
        return Before("nothing (no commit yet)", trees.nothing(repository)), ()
    commit = repository.commit(revision)
    if asked.exact:
        return Before(revision, trees.revision(repository, commit), commit), (commit,)
    other = repository.commit(asked.head or "HEAD")
    common = repository.merge_base(commit, other)
    name = revision if common == commit else f"the merge base with {revision}"
    return Before(name, trees.revision(repository, common), common), (common,)


def _head(repository: Repository | None, asked: Asked, top: str) -> Moment:
    if asked.head is not None:
        commit = _sure(repository).commit(asked.head)
        return Moment(asked.head, trees.revision(_sure(repository), commit), commit)
    if asked.staged:
        return Moment("the index", trees.index(_sure(repository)))
    if repository is None:
        return Moment("the files as they are", trees.plain(top))
    return Moment("the working tree", trees.working(repository))


def _proposals(asked: Asked, top: str, base: Before | None, head: Moment,
               policies: Policies) -> list[Proposed]:
    if base is None or asked.remote or asked.no_policy:
        return []
    after = policies_at(top, head.tree, asked.policy, asked.no_policy)
    folders = [top] if asked.policy is not None else policy_folders(top, base.tree, head.tree)
    return proposed(policies, after, folders, top)


def _is_below(path: str, folders: Sequence[str]) -> bool:
    return any(not folder or path.startswith(f"{folder}/") for folder in folders)


def _known(asked: Asked, top: str, base: Before | None, head: Moment) -> KnownList:
    """The baseline of the base judges; where there is no base, the one that lies there."""
    named = str(asked.baseline)
    path = inside(top, named)
    if path is None:
        raise trouble(named, "The baseline cannot be used.",
                      "it lies outside of the repository or folder that is judged", seen=quoted(named),
                      accepted=f"a path below {top}")
    place = os.path.join(top, *path.split("/"))
    present = _present(path, head)
    if base is None:
        if present is None and not asked.ratchet:
            raise baselines.missing(printable(path), _nearest(place, path))
        return KnownList(path, place, present, present)
    if base.tree.has(path):
        try:
            data = base.tree.read(path)
        except OSError as error:
            raise trouble(path, f"The baseline of the base cannot be read: {error.strerror}.") from error
        return KnownList(path, place, baselines.read(data, path), present)
    if present is None and not asked.ratchet:
        raise baselines.missing(printable(path), _nearest(place, path))
    return KnownList(path, place, None, present, proposed=present is not None)


def _present(path: str, head: Moment) -> Baseline | None:
    """The file as the head has it."""
    if not head.tree.has(path):
        return None
    try:
        data = head.tree.read(path)
    except OSError as error:
        raise trouble(path, f"The baseline cannot be read: {error.strerror}.") from error
    return baselines.read(data, path)


def _nearest(place: str, path: str) -> str | None:
    try:
        names = sorted(os.listdir(os.path.dirname(place)))
    except OSError:
        return None
    near = nearest_name(os.path.basename(place), names)
    return None if near is None else posixpath.join(posixpath.dirname(path), near)
