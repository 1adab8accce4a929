"""Reading a repository through the ``git`` program: nothing is checked out, nothing is written.

Source of every option used here: the manual pages of git (git-rev-parse, git-merge-base, git-cat-file).
"""

from __future__ import annotations

import os
import subprocess
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

from clients.sources import CannotCheck, Json, problem
from schemas.problems import nearest_name, quoted

_CONFUSING = frozenset({
    "GIT_DIR", "GIT_WORK_TREE", "GIT_PREFIX", "GIT_COMMON_DIR", "GIT_NAMESPACE", "GIT_INDEX_FILE",
    "GIT_EXTERNAL_DIFF", "GIT_DIFF_OPTS", "GIT_LITERAL_PATHSPECS", "GIT_GLOB_PATHSPECS",
    "GIT_NOGLOB_PATHSPECS", "GIT_ICASE_PATHSPECS",
})  # fmt: skip
"""A hook inherits these from the git that runs it; they would point at another repository, or change what
paths mean.  The index file is given back where the index is what is asked for."""
_OURS = {"GIT_OPTIONAL_LOCKS": "0", "GIT_TERMINAL_PROMPT": "0", "LC_ALL": "C"}
_HEAD = "HEAD"


def trouble(label: str, detail: str, item: str = "", *, seen: str | None = None, accepted: str | None = None,
            nearest: str | None = None) -> CannotCheck:
    """A :class:`CannotCheck` of one sentence and, with ``item``, one error below it."""
    error: Json = {"pointer": "", "detail": item, "seen": seen, "accepted": accepted, "nearest": nearest}
    errors = [{key: value for key, value in error.items() if value is not None}] if item else []
    return CannotCheck(label, problem(400, detail, errors))


@dataclass(frozen=True)
class Repository:
    """A repository with a working tree: ``top`` is its real path, ``here`` the working folder below it.

    ``here`` is empty or ends with a slash.  Paths within the repository are relative to ``top`` and have
    forward slashes.
    """

    top: str
    here: str
    index_file: str | None = None

    def run(self, *arguments: str, given: bytes = b"", with_index: bool = False) -> tuple[int, bytes, str]:
        """Status, standard output and the first line that git complained with."""
        extra = {"GIT_INDEX_FILE": self.index_file} if with_index and self.index_file else {}
        return _run(self.top, arguments, given, extra)

    def ask(self, *arguments: str, given: bytes = b"", with_index: bool = False) -> bytes:
        """Standard output; raises :class:`CannotCheck` when git refuses."""
        status, out, said = self.run(*arguments, given=given, with_index=with_index)
        if status:
            raise trouble("git", f"`git {arguments[0]}` failed: {said or f'status {status}'}")
        return out

    @cached_property
    def is_unborn(self) -> bool:
        """True before the first commit: HEAD names a branch that does not exist yet."""
        no_commit = self.run("rev-parse", "--verify", "--quiet", "HEAD^{commit}")[0] != 0
        return no_commit and self.run("symbolic-ref", "--quiet", _HEAD)[0] == 0

    @cached_property
    def is_shallow(self) -> bool:
        return self.ask("rev-parse", "--is-shallow-repository").strip() == b"true"

    def commit(self, revision: str) -> str:
        """The id of a commit; raises :class:`CannotCheck` with the nearest names for an unknown one."""
        status, out, _ = self.run("rev-parse", "--verify", "--quiet", "--end-of-options",
                                  f"{revision}^{{commit}}")
        if status == 0:
            return out.decode().strip()
        names = os.fsdecode(self.ask("for-each-ref", "--format=%(refname:short)")).split()
        near = nearest_name(revision, sorted(names))
        form = "a branch, a tag or a commit that this clone has; `git fetch` brings what it has not"
        detail = "there is no such revision in this repository"
        raise trouble("git", "The revision could not be found.", detail,
                      seen=quoted(revision), accepted=form, nearest=near)

    def merge_base(self, one: str, other: str) -> str:
        """The best common ancestor of two commits; raises :class:`CannotCheck` when there is none."""
        status, out, _ = self.run("merge-base", one, other)
        if status == 0:
            return out.decode().split()[0]
        if self.is_shallow:
            raise trouble("git", "No common ancestor could be found.",
                          "the history of this clone is cut off (a shallow clone)",
                          accepted="the whole history: `git fetch --unshallow`, or a deeper one: `git fetch "
                                   "--deepen=100`; or --exact-base, which needs none")
        raise trouble("git", "No common ancestor could be found.",
                      "the two revisions share no history", accepted="related revisions, or --exact-base")


def inside(top: str, path: str) -> str | None:
    """A path of the file system as one below ``top``, with forward slashes; ``None`` for one outside of it.

    ``top`` is a real path.  Links in the folders are followed, a link at the end is not.
    """
    whole = os.path.abspath(path)
    if os.path.realpath(whole) == top:
        return ""
    folder, name = os.path.split(whole)
    try:
        down = os.path.relpath(os.path.join(os.path.realpath(folder), name), top)
    except ValueError:  # another drive
        return None
    down = down.replace(os.sep, "/")
    return None if down == os.pardir or down.startswith(os.pardir + "/") else down


def find(folder: str = ".") -> Repository | None:
    """The repository around a folder; ``None`` where there is none.

    Raises :class:`CannotCheck` when git is missing or refuses to look.
    """
    status, out, said = _run(folder, ("rev-parse", "--show-toplevel"), b"", {})
    if status:
        if "not a git repository" in said:
            return None
        raise trouble("git", f"The repository cannot be used: {said or f'git gave status {status}'}.")
    top = os.path.realpath(os.fsdecode(out.removesuffix(b"\n")))
    here = os.path.relpath(os.path.realpath(folder), top).replace(os.sep, "/")
    named = os.environ.get("GIT_INDEX_FILE")
    return Repository(top, "" if here == os.curdir else f"{here}/", named and os.path.abspath(named))


def need(folder: str = ".") -> Repository:
    """The repository around a folder; raises :class:`CannotCheck` where there is none."""
    found = find(folder)
    if found is None:
        raise trouble("git", "A base can only be read from a repository.",
                      "the working folder is in no git repository", seen=quoted(os.path.abspath(folder)),
                      accepted="a folder of a repository, or --baseline FILE without --base")
    return found


def _run(folder: str, arguments: Sequence[str], given: bytes,
         extra: dict[str, str]) -> tuple[int, bytes, str]:
    environment = {key: value for key, value in os.environ.items() if key not in _CONFUSING}
    command = ["git", "--no-pager", *arguments]
    try:
        done = subprocess.run(command, cwd=folder, input=given, capture_output=True, check=False,
                              env={**environment, **_OURS, **extra})
    except FileNotFoundError as error:
        if not os.path.isdir(folder):
            raise trouble("git", f"The folder {folder} does not exist.") from error
        raise trouble("git", "The base is read with the program `git`, which was not found.",
                      "git is not on the path", accepted="git, installed and on PATH") from error
    except OSError as error:
        raise trouble("git", f"The program `git` could not be run: {error.strerror or error}.") from error
    lines = done.stderr.decode("utf-8", "backslashreplace").strip().splitlines()
    said = next((line for line in lines if line.startswith(("fatal:", "error:"))), lines[0] if lines else "")
    said = said.removeprefix("fatal:").removeprefix("error:").strip().rstrip(".")
    return done.returncode, done.stdout, said
