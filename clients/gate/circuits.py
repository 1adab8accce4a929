"""The circuit documents of a change: which files are judged, and what they were before."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Literal

from clients.gate.changes import Change, Kind
from clients.gate.git import inside
from clients.gate.trees import Stored, Tree
from clients.sources import MAX_INPUT, Json, Source, problem
from schemas.problems import nearest_name, quoted

if TYPE_CHECKING:
    from schemas.document import Spelling

ENDINGS: Mapping[str, Literal["json", "yaml"]] = {".json": "json", ".yaml": "yaml", ".yml": "yaml"}
FORMAT = "thumbrule/"
_DECLARED = re.compile(r"""(?:^["']?format["']?|^[ \t]*"format"|\{\s*"?format"?)\s*:\s*["']?thumbrule/""",
                       re.MULTILINE)


class Held(Source):
    """A circuit whose bytes are held already.  ``place`` is the path by which its policy is found."""

    def __init__(self, path: str, place: str, data: bytes) -> None:
        self._held = data
        self._ending = ENDINGS.get(ending(path))
        super().__init__(place)
        self.label = printable(path)

    def _read(self) -> bytes:
        return self._held

    @property
    def spelling(self) -> Spelling | None:
        return self._ending


@dataclass(frozen=True)
class Subject:
    """One circuit to be judged.  ``problem`` says why it cannot be; ``base_problem`` why its base is of no
    use, which makes everything in it new."""

    path: str
    kind: Kind
    base_path: str | None
    head: Held | None
    base: Held | None = None
    problem: Json | None = None
    base_problem: str | None = None

    @cached_property
    def label(self) -> str:
        return printable(self.path)


@dataclass(frozen=True, slots=True)
class Picked:
    """The circuits to be judged, those that are gone, and those that are judged only for their policy."""

    subjects: tuple[Subject, ...]
    deleted: tuple[str, ...]


def printable(path: str) -> str:
    """A path that can be written anywhere; bytes that are not UTF-8 become escapes."""
    return path.encode("utf-8", "surrogateescape").decode("utf-8", "backslashreplace")


def ending(path: str) -> str:
    """``.yaml`` of a name, in small letters."""
    name = path.rpartition("/")[2]
    return "." + name.rpartition(".")[2].lower() if "." in name else ""


def is_candidate(path: str) -> bool:
    return ending(path) in ENDINGS


def declares(data: bytes, path: str) -> bool:
    """Does this text call itself a circuit document?  One that is broken counts by the look of a line."""
    if b"thumbrule" not in data and b"\\" not in data:
        return False
    from schemas.document import parse_text
    from schemas.intake import MAX_BYTES
    from schemas.problems import DocumentProblems

    text = data.decode("utf-8-sig", "replace")
    looks = _DECLARED.search(text) is not None
    if len(data) > MAX_BYTES:
        return looks
    try:
        raw, _ = parse_text(text, ENDINGS.get(ending(path), "yaml"))
    except DocumentProblems:
        return looks
    return isinstance(raw, Mapping) and str(raw.get("format", "")).startswith(FORMAT)


@dataclass(frozen=True)
class Picker:
    """Picks circuits out of a head and a base.  ``top`` is the real path of the root of both."""

    top: str
    base: Stored | None
    head: Tree
    changes: Mapping[str, Change]

    def changed(self, also: Iterable[str] = ()) -> Picked:
        """Every circuit that differs from the base, and the unchanged ones among ``also``."""
        paths = [path for path, change in self.changes.items() if change.kind != "deleted"]
        found = {path: self._subject(path) for path in paths if self._counts(path)}
        others = [path for path in also if path not in self.changes and is_candidate(path)]
        found.update((path, self._subject(path)) for path, data in self.head.texts(others)
                     if declares(data, path))
        return Picked(tuple(found[path] for path in sorted(found)), tuple(self._deleted("")))

    def named(self, files: Sequence[str]) -> Picked:
        """The circuits that were named, and those in the folders that were named."""
        found: dict[str, Subject] = {}
        deleted: set[str] = set()
        for name in files:
            path = inside(self.top, name)
            if path is None:
                detail = "the file lies outside of the repository or folder that is judged"
                found[name] = _unusable(name, detail, accepted=f"a path below {self.top}")
            elif self.head.is_folder(path) or (not self.head.has(path) and self._base_folder(path)):
                found.update((inner, self._subject(inner)) for inner in self._below(path))
                deleted.update(self._deleted(path))
            elif self.head.has(path) or self.base is None or not self.base.has(path):
                found[path] = self._subject(path)
            else:
                deleted.add(path)
        return Picked(tuple(found[path] for path in sorted(found)), tuple(sorted(deleted)))

    def _base_folder(self, path: str) -> bool:
        return self.base is not None and self.base.is_folder(path)

    def _below(self, folder: str) -> Iterator[str]:
        lead = f"{folder}/" if folder else ""
        listed = [path for path in self.head.paths() if path.startswith(lead) and is_candidate(path)]
        declared = {path for path, data in self.head.texts(listed) if declares(data, path)}
        for path in sorted({*listed, *(path for path in self.changes if path.startswith(lead))}):
            if path in declared or (path in self.changes and self._counts(path)):
                yield path

    def _counts(self, path: str) -> bool:
        """A changed file is judged when it is a circuit, or was one: no change can hide a circuit."""
        change = self.changes[path]
        if change.kind == "deleted":
            return False
        if self._was_circuit(change):
            return is_candidate(path)
        if not is_candidate(path) or self.head.is_link(path):
            return False
        return any(declares(data, path) for _, data in self.head.texts([path]))

    def _was_circuit(self, change: Change) -> bool:
        """Only a file under a name of a circuit counts as one."""
        if self.base is None or change.base_path is None or not is_candidate(change.base_path):
            return False
        return any(declares(data, change.base_path) for _, data in self.base.texts([change.base_path]))

    def _deleted(self, folder: str) -> list[str]:
        """Circuits that are gone, or now have a name that no circuit has."""
        lead = f"{folder}/" if folder else ""
        return sorted({
            printable(change.base_path) for change in self.changes.values()
            if change.base_path is not None and change.base_path.startswith(lead)
            and (change.kind == "deleted" or not is_candidate(change.path)) and self._was_circuit(change)
        })  # fmt: skip

    def _subject(self, path: str) -> Subject:
        change = self.changes.get(path)
        base_path = path if change is None else change.base_path
        if self.base is None or base_path is None or not self.base.has(base_path):
            base_path = None
        kind: Kind = change.kind if change is not None else "added" if base_path is None else "unchanged"
        if self.base is None:
            kind = "unchanged"
        try:
            data = self.head.read(path)
        except OSError as error:
            return self._unreadable(path, kind, base_path, error)
        if len(data) > MAX_INPUT:
            return Subject(path, kind, base_path, None,
                           problem=problem(413, f"the file is larger than {MAX_INPUT >> 20} MiB"))
        # A file that has moved is judged by the policy of the folder it came from.
        place = "/".join((self.top, base_path or path))
        head = Held(path, place, data)
        if printable(path) != path:
            details = problem(400, "The file name is not UTF-8, so that no report could name the file.")
            return Subject(path, kind, base_path, head, problem=details)
        base, reason = self._before(base_path, place)
        return Subject(path, kind, base_path, head, base, base_problem=reason)

    def _before(self, base_path: str | None, place: str) -> tuple[Held | None, str | None]:
        if self.base is None or base_path is None:
            return None, None
        try:
            data = self.base.read(base_path)
        except OSError as error:
            return None, str(error.strerror)
        from schemas.problems import DocumentProblems
        from service.documents import read_leniently

        base = Held(base_path, place, data)
        try:
            read_leniently(base.data, base.spelling, base.label)
        except DocumentProblems as refused:
            return None, str(refused.problems[0])
        return base, None

    def _unreadable(self, path: str, kind: Kind, base_path: str | None, error: OSError) -> Subject:
        if self.head.is_link(path):
            detail = "the file is a symbolic link, which is not followed"
            return Subject(path, kind, base_path, None,
                           problem=_problem(detail, accepted="the file itself"))
        near = nearest_name(path, [other for other in self.head.paths() if is_candidate(other)])
        detail = f"the file cannot be read: {error.strerror or error}"
        return Subject(path, kind, base_path, None, problem=_problem(detail, nearest=near))


def _problem(detail: str, **more: str | None) -> Json:
    item = {"pointer": "", "detail": detail, **more}
    return problem(400, "The circuit could not be read.",
                   [{key: value for key, value in item.items() if value is not None}])


def _unusable(name: str, detail: str, accepted: str) -> Subject:
    return Subject(name, "unchanged", None, None,
                   problem=_problem(detail, seen=quoted(name), accepted=accepted))
