"""The file of known findings: what was there before anyone asked, to be worked off and never to grow.

A file is JSON, sorted, one finding per line, so that a change to it reads well::

    {"format": "thumbrule-baseline/1", "files": {"yard/lamp.yaml": [{"identity": ..., "margin": -0.2, ...}]}}

Paths are relative to the folder of the baseline file.  A finding has the identity of the service, which
does not depend on places or values; ``margin`` is relative to the limit, negative where it is not kept
(``null`` is without bound); ``places`` counts the states in which it is seen.
"""

from __future__ import annotations

import json
import math
import posixpath
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from typing import TYPE_CHECKING, Any

from clients.gate.git import trouble
from clients.reports.words import percent
from clients.sources import CannotCheck, Json, problem
from schemas.finding import SEVERITIES
from schemas.problems import Complaint, Problem, escape, listed, show

if TYPE_CHECKING:
    from schemas.positions import PositionMap

FORMAT = "thumbrule-baseline/1"
MAX_BYTES = 16 << 20
MAX_DEPTH = 6
BETTER = 1e-4  # of the limit: less is rounding, and no reason to write the file anew
_DIGITS = 6  # decimals of a relative margin


@dataclass(frozen=True, slots=True)
class Known:
    """One finding that is known: the numbers that it must not exceed."""

    identity: str
    rule: str
    parts: tuple[str, ...]
    nets: tuple[str, ...]
    severity: str
    margin: float | None
    places: int

    @classmethod
    def of(cls, finding: Mapping[str, Any]) -> Known:
        """A finding of a comparison.  The margin is rounded downwards: a finding is no worse than itself."""
        margin = finding["margin"]
        scale = 10.0**_DIGITS
        rounded = None if margin is None else math.floor(margin * scale) / scale
        return cls(str(finding["identity"]), str(finding["rule"]), tuple(finding["parts"]),
                   tuple(finding["nets"]), str(finding["severity"]), rounded, int(finding["places"]))

    def as_dict(self) -> Json:
        """As the comparison takes it, and as it stands in the file."""
        return {**asdict(self), "parts": list(self.parts), "nets": list(self.nets)}

    @property
    def headline(self) -> str:
        return f"{self.rule}: {', '.join((*self.parts, *(f'net {net}' for net in self.nets)))}"


@dataclass(frozen=True)
class Baseline:
    """Known findings by file; ``folder`` is that of the baseline file, from the same root as the circuits."""

    folder: str
    files: Mapping[str, tuple[Known, ...]]

    def key(self, path: str) -> str:
        """The name of a circuit in the file."""
        return posixpath.relpath(path, self.folder or ".")

    def known(self, path: str) -> tuple[Known, ...]:
        return self.files.get(self.key(path), ())

    def text(self) -> str:
        """The bytes of the file: sorted, one finding per line."""
        blocks = []
        for path in sorted(self.files):
            lines = [f"      {json.dumps(item.as_dict())}" for item in _sorted(self.files[path])]
            if lines:
                blocks.append(f"    {json.dumps(path)}: [\n" + ",\n".join(lines) + "\n    ]")
        inner = "{\n" + ",\n".join(blocks) + "\n  }" if blocks else "{}"
        return f'{{\n  "format": "{FORMAT}",\n  "files": {inner}\n}}\n'


def _sorted(items: Iterable[Known]) -> list[Known]:
    return sorted(items, key=lambda item: (item.rule, item.parts, item.nets, item.identity))


def read(data: bytes, path: str) -> Baseline:
    """A baseline from its bytes; ``path`` is where it lies, from the root that circuits are named from.

    Raises :class:`CannotCheck` with every problem, its pointer and its line.
    """
    from schemas.intake import Intake, Unreadable
    from schemas.json_text import read_json
    from schemas.problems import Enough

    class Large(Intake):
        """A list of known findings may be longer than a circuit, but it is not as deep."""

        def enter(self, place: str, depth: int, offset: int) -> None:
            if depth > MAX_DEPTH:
                raise self.stop(place, offset, Complaint("the file is nested too deeply"))

    if len(data) > MAX_BYTES:
        raise _refused(path, [Problem("", "the file is too large", f"{len(data)} bytes",
                                      f"at most {MAX_BYTES} bytes")])  # fmt: skip
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        raise _refused(path, [Problem("", "the file is not UTF-8 text", f"the byte {data[error.start]:#04x}",
                                      "UTF-8", None, line)]) from None  # fmt: skip
    intake = Large(text)
    try:
        raw = read_json(intake)
    except (Unreadable, Enough):
        raw = None
    positions = intake.positions()
    if intake.sink.problems:
        from schemas.intake import with_places

        raise _refused(path, with_places(intake.sink.problems, intake.offsets, positions))
    reader = _Reader(positions)
    files = reader.files(raw)
    if reader.problems:
        raise _refused(path, reader.problems)
    return Baseline(posixpath.dirname(path), files)


def _refused(path: str, problems: Sequence[Problem]) -> CannotCheck:
    errors = [item.as_dict() for item in problems]
    return CannotCheck(path, problem(400, "The baseline cannot be used.", errors))


class _Reader:
    """Plain data to known findings; what is wrong with it is collected with pointer and line."""

    def __init__(self, positions: PositionMap) -> None:
        self.positions = positions
        self.problems: list[Problem] = []

    def complain(self, place: str, detail: str, seen: object, accepted: str) -> None:
        mark = self.positions.nearest(place)
        self.problems.append(Problem(place, detail, show(seen), accepted, None, mark.line, mark.column))

    def files(self, raw: Any) -> dict[str, tuple[Known, ...]]:
        if not isinstance(raw, Mapping):
            self.complain("", "this is not a baseline", raw, f'an object with "format": "{FORMAT}"')
            return {}
        if raw.get("format") != FORMAT:
            detail = "this is not a baseline of a format that is known"
            self.complain("/format", detail, raw.get("format"), FORMAT)
            return {}
        for name in sorted(set(raw) - {"format", "files"}):
            self.complain(f"/{escape(name)}", "a baseline has no such member", name, "format, files")
        listed_files = raw.get("files")
        if not isinstance(listed_files, Mapping):
            self.complain("/files", "the known findings by file are missing", listed_files, "an object")
            return {}
        return {path: self.findings(items, f"/files/{escape(path)}") for path, items in listed_files.items()}

    def findings(self, items: Any, place: str) -> tuple[Known, ...]:
        if not isinstance(items, list):
            self.complain(place, "the known findings of a file are a list", items, "[...]")
            return ()
        found: dict[str, Known] = {}
        for index, item in enumerate(items):
            known = self.finding(item, f"{place}/{index}")
            if known is None:
                continue
            if known.identity in found:
                self.complain(f"{place}/{index}", "the finding stands twice", known.identity, "each once")
            found[known.identity] = known
        return tuple(found.values())

    def finding(self, item: Any, place: str) -> Known | None:
        if not isinstance(item, Mapping):
            self.complain(place, "a known finding is an object", item, listed(_MEMBERS))
            return None
        before = len(self.problems)
        for name in sorted(set(item) - set(_MEMBERS)):
            detail = "a known finding has no such member"
            self.complain(f"{place}/{escape(name)}", detail, name, listed(_MEMBERS))
        for name, (fits, form) in _MEMBERS.items():
            if name not in item or not fits(item[name]):
                seen = item.get(name) if name in item else "nothing"
                self.complain(f"{place}/{name}", f"{name} is missing or is not what it has to be", seen, form)
        if len(self.problems) > before:
            return None
        return Known(**{**item, "parts": tuple(item["parts"]), "nets": tuple(item["nets"])})


def _is_text(value: Any) -> bool:
    return isinstance(value, str) and bool(value)


def _are_texts(value: Any) -> bool:
    return isinstance(value, list) and all(_is_text(item) for item in value)


def _is_number(value: Any) -> bool:
    return value is None or (isinstance(value, (int, float)) and not isinstance(value, bool))


def _is_count(value: Any) -> bool:
    return isinstance(value, int) and not isinstance(value, bool) and value >= 1


_MEMBERS = {
    "identity": (_is_text, "text"),
    "rule": (_is_text, "the name of a rule"),
    "parts": (_are_texts, "a list of names"),
    "nets": (_are_texts, "a list of names"),
    "severity": (lambda value: value in SEVERITIES, listed(SEVERITIES)),
    "margin": (_is_number, "a number, or null for one without bound"),
    "places": (_is_count, "a whole number from 1"),
}


def tightened(known: Known, now: Known) -> Known:
    """The better of each: never more than was known."""
    severity = max(known.severity, now.severity, key=SEVERITIES.index)
    margin = known.margin
    if now.margin is not None and (margin is None or now.margin > margin + BETTER):
        margin = now.margin
    return replace(now, severity=severity, margin=margin, places=min(known.places, now.places))


@dataclass(frozen=True, slots=True)
class Tightening:
    """What a run can take out of a baseline: the new one, and what changes in words."""

    baseline: Baseline
    says: tuple[str, ...]


def tighten(old: Baseline, seen: Mapping[str, Sequence[Mapping[str, Any]]], moved: Mapping[str, str],
            gone: Iterable[str]) -> Tightening:
    """``old`` without what is gone and with what is better; nothing is ever added.

    ``seen`` has the findings of each circuit that was judged whole, by its path; ``moved`` leads from the
    path of now to that of the base; ``gone`` are circuits that are no longer there.
    """
    files = dict(old.files)
    says: list[str] = []
    for path in sorted(gone):
        dropped = files.pop(old.key(path), ())
        says += [f"{path}: {item.headline}: the circuit is gone" for item in dropped]
    for path in sorted(seen):
        listed_under = old.key(path)
        former = old.key(moved[path]) if path in moved else listed_under
        entries = files.pop(former, ()) if former != listed_under else ()
        entries = (*files.get(listed_under, ()), *entries)
        now = {key: Known.of(finding) for finding in seen[path] for key in _keys(finding)}
        kept: dict[str, Known] = {}
        for item in entries:
            if item.identity not in now:
                says.append(f"{path}: {item.headline}: gone")
                continue
            better = tightened(item, now[item.identity])
            kept[better.identity] = better
            if better != item:
                says.append(f"{path}: {better.headline}: {_difference(item, better)}")
        if former != listed_under and entries:
            says.append(f"{path}: was {moved[path]}")
        files[listed_under] = tuple(kept.values())
    files = {path: entries for path, entries in files.items() if entries}
    return Tightening(Baseline(old.folder, files), tuple(says))


def _keys(finding: Mapping[str, Any]) -> list[str]:
    """The identities under which a finding is known: its own, and that of before a part was renamed."""
    before = finding.get("before") or {}
    return [str(finding["identity"]), *([str(before["identity"])] if before.get("identity") else [])]


def _difference(old: Known, new: Known) -> str:
    said = []
    if old.severity != new.severity:
        said.append(f"{old.severity} -> {new.severity}")
    if old.margin != new.margin:
        said.append(f"margin {_percent(old.margin)} -> {_percent(new.margin)}")
    if old.places != new.places:
        said.append(f"{old.places} places -> {new.places}")
    if old.identity != new.identity:
        said.append(f"was {old.headline}")
    return ", ".join(said)


def _percent(margin: float | None) -> str:
    return "without bound" if margin is None else percent(margin)


def first(folder: str, seen: Mapping[str, Sequence[Mapping[str, Any]]]) -> Baseline:
    """The baseline of what was found, for the start."""
    made = Baseline(folder, {})
    files = {made.key(path): tuple(Known.of(item) for item in findings) for path, findings in seen.items()}
    return Baseline(folder, {path: items for path, items in files.items() if items})


def missing(path: str, nearest: str | None) -> CannotCheck:
    """There is no such file, and no --ratchet that would start one."""
    return trouble(path, "The baseline cannot be read.", "there is no such file", nearest=nearest,
                   accepted="a baseline file; --ratchet starts one from what is found")
