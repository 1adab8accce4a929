"""One circuit file and what was said of it: the input of every report."""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any

from clients.reports.places import Text, text_of

if TYPE_CHECKING:
    from clients.sources import Source

Json = dict[str, Any]
Finding = Mapping[str, Any]

SEVERITIES = ("error", "warning", "note")
STANDARD_INPUT = "standard input"


@dataclass(frozen=True)
class Entry:
    """One circuit.  ``label`` is a relative path with forward slashes, or :data:`STANDARD_INPUT`.

    One of ``comparison``, ``review`` and ``problem`` is given.  Without
    ``source`` nothing has a line.  ``searched`` is false where remedies were
    not looked for, so that none means nothing.
    """

    label: str
    source: Source | None = None
    comparison: Mapping[str, Any] | None = None
    review: Mapping[str, Any] | None = None
    problem: Mapping[str, Any] | None = None
    searched: bool = True

    @cached_property
    def text(self) -> Text | None:
        """The text with its positions; ``None`` where there is none or it is no JSON or YAML."""
        return None if self.source is None else text_of(self.source)

    @property
    def answer(self) -> Mapping[str, Any]:
        """The review; empty where the circuit could not be read."""
        if self.comparison is not None:
            return self.comparison.get("review") or {}
        return self.review or {}

    @property
    def findings(self) -> Sequence[Finding]:
        """What is there now; in a comparison with marks."""
        found: Sequence[Finding] = (self.comparison or self.review or {}).get("findings") or ()
        return found

    @property
    def gone(self) -> Sequence[Finding]:
        found: Sequence[Finding] = (self.comparison or {}).get("gone") or ()
        return found

    @property
    def eroded(self) -> Sequence[Mapping[str, Any]]:
        """Margins that are kept but fell; known in a comparison only."""
        found: Sequence[Mapping[str, Any]] = (self.comparison or {}).get("eroded") or ()
        return found

    @property
    def unjudged(self) -> Sequence[Mapping[str, Any]]:
        """What the base was judged on and the head is not; known in a comparison only."""
        found: Sequence[Mapping[str, Any]] = (self.comparison or {}).get("unjudged") or ()
        return found

    @property
    def terms(self) -> Sequence[Mapping[str, Any]]:
        """Requirements and the like that a change gives other values; known in a comparison only."""
        found: Sequence[Mapping[str, Any]] = (self.comparison or {}).get("terms") or ()
        return found

    @property
    def waivers(self) -> Sequence[Mapping[str, Any]]:
        found: Sequence[Mapping[str, Any]] = (self.comparison or self.review or {}).get("waivers") or ()
        return found

    def covering(self, finding: Finding) -> list[Mapping[str, Any]]:
        """The waivers that cover a finding, proposed ones too, in the order of the answer."""
        found = [item for item in self.waivers if finding.get("identity") in (item.get("covers") or ())]
        own = finding.get("waiver")
        if own and all((own.get("pointer"), own.get("side")) != (item.get("pointer"), item.get("side"))
                       for item in found):
            found.insert(0, own)
        return found

    def outcomes(self, *kinds: str) -> Iterator[Mapping[str, Any]]:
        return (item for item in self.answer.get("outcomes") or () if item.get("kind") in kinds)

    def line(self, pointer: str) -> int | None:
        return None if self.text is None else self.text.line(pointer)

    def place(self, finding: Finding) -> str:
        """``pond/lamp.yaml:12``."""
        pointers = finding.get("pointers") or ()
        line = self.line(str(pointers[0])) if pointers else None
        return self.label if line is None else f"{self.label}:{line}"

    @property
    def incomplete(self) -> list[str]:
        """Why this circuit cannot count as checked, apart from failed rules."""
        if self.problem is not None:
            return [str(self.problem.get("detail") or self.problem.get("title") or "could not be read")]
        told = {str(item.get("reason")) for item in self.outcomes("failed")}
        found = [str(item) for item in self.answer.get("problems") or () if str(item) not in told]
        whole = (self.comparison or {}).get("complete") is not False  # false as well when the base was not
        if self.answer.get("complete") is False or not whole:
            found.append("the search for states was not complete")
        return found

    @property
    def unchecked(self) -> bool:
        """True where a rule failed or something else kept the circuit from being checked."""
        return bool(self.incomplete) or any(True for _ in self.outcomes("failed"))


def entry_of(name: str, source: Source | None = None, comparison: Mapping[str, Any] | None = None,
             review: Mapping[str, Any] | None = None, problem: Mapping[str, Any] | None = None,
             searched: bool = True) -> Entry:
    """An entry for a file named as on the command line; no absolute path gets into a report."""
    if name in ("-", STANDARD_INPUT):
        label = STANDARD_INPUT
    else:
        label = os.path.relpath(name) if os.path.isabs(name) else os.path.normpath(name)
        label = label.replace(os.sep, "/")
    return Entry(label, source, comparison, review, problem, searched)


def ordered(entries: Iterable[Entry]) -> list[Entry]:
    return sorted(entries, key=lambda entry: entry.label)


def is_waived(finding: Finding) -> bool:
    return (finding.get("waiver") or {}).get("status") == "in-force"


def counts(finding: Finding, threshold: str) -> bool:
    """Whether the finding makes a check fail: severe enough, not waived, and not known before."""
    if SEVERITIES.index(str(finding.get("severity"))) > SEVERITIES.index(threshold):
        return False
    return bool(finding["counts"]) if "counts" in finding else not is_waived(finding)


def consequences(findings: Sequence[Finding], threshold: str) -> dict[str, Finding]:
    """Identity of each finding that only follows from another one -> that one.

    One that counts is put only under one that counts as well: what makes a
    check fail is never told as a mere consequence of something that does not.
    """
    known = {str(item.get("identity")): item for item in findings}
    found = {}
    for item in findings:
        cause = known.get(str(item.get("caused_by")))
        if cause is None or cause is item or cause.get("caused_by") in known:
            continue
        if counts(cause, threshold) or not counts(item, threshold):
            found[str(item.get("identity"))] = cause
    return found


def relative_margin(finding: Finding) -> float | None:
    """Margin over limit: -0.2 is a fifth short.  ``None`` where the limit is zero or the number infinite."""
    if "mark" in finding:
        found = finding.get("margin")
        return None if found is None else float(found)
    test = finding.get("test") or {}
    margin, limit = test.get("margin"), test.get("right")
    return None if margin is None or not limit else float(margin) / abs(float(limit))


def comparisons(entries: Iterable[Entry]) -> Json:
    """The comparisons as one object, by file; a file that could not be read has its problem."""
    return {"comparisons": [{"file": entry.label, **_said(entry)} for entry in ordered(entries)]}


def _said(entry: Entry) -> Json:
    if entry.problem is not None:
        return {"problem": dict(entry.problem)}
    if entry.comparison is not None:
        return {"comparison": dict(entry.comparison)}
    return {"review": dict(entry.review or {})}
