"""What counts: from marks to the exit status.

Status 1 when anything counts, 2 when anything could not be checked; 2 is told before 1, because a gate that
could not look must not read as one that found little.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

from clients.gate.circuits import Subject
from clients.sources import Json
from schemas.finding import SEVERITIES

Finding = Mapping[str, Any]
Status = Literal[0, 1, 2]
IN_FORCE = "in-force"


@dataclass(frozen=True, slots=True)
class Bar:
    """How high the gate is: the least severity that counts, and what counts besides what is new or worse."""

    threshold: str = "warning"
    strict: bool = False
    erosion: bool = False

    def reaches(self, severity: object) -> bool:
        return severity in SEVERITIES[: SEVERITIES.index(self.threshold) + 1]

    def counts(self, finding: Finding) -> bool:
        """New, worsened or reopened, or with ``strict`` anything that no waiver covers; bad enough."""
        given = bool(finding["counts"]) or (self.strict and not is_waived(finding))
        return given and self.reaches(finding["severity"])


def is_waived(finding: Finding) -> bool:
    waiver = finding.get("waiver")
    return waiver is not None and waiver["status"] == IN_FORCE


@dataclass(frozen=True)
class Judged:
    """One circuit with its comparison, or with the problem that stood in the way of one."""

    subject: Subject
    comparison: Mapping[str, Any] | None
    problem: Json | None = None

    @property
    def findings(self) -> Sequence[Finding]:
        return () if self.comparison is None else self.comparison["findings"]

    @property
    def blockers(self) -> tuple[str, ...]:
        """Why an answer is no verdict: failed rules, states not all found, faults of the network."""
        if self.comparison is None:
            return ()
        review = self.comparison["review"]
        failed = [item for item in review["outcomes"] if item["kind"] == "failed"]
        said = [f"{item['rule']} could not be run: {item['reason']}" for item in failed]
        told = {str(item["reason"]) for item in failed}
        said += [str(item) for item in review["problems"] if str(item) not in told]
        if not review["complete"] or not self.comparison["complete"]:
            said.append("the search for states was not complete")
        return tuple(dict.fromkeys(said))

    @property
    def is_checked(self) -> bool:
        return self.problem is None and not self.blockers

    def counted(self, bar: Bar) -> list[Finding]:
        return [finding for finding in self.findings if bar.counts(finding)]

    def eroded(self, bar: Bar) -> Sequence[Mapping[str, Any]]:
        """Margins that are still kept but fell; they count only where that is asked for."""
        return self.comparison["eroded"] if self.comparison is not None and bar.erosion else ()

    def status(self, bar: Bar) -> Status:
        if not self.is_checked:
            return 2
        return 1 if self.counted(bar) or self.eroded(bar) else 0


def folded(findings: Sequence[Finding], bar: Bar) -> dict[str, list[Finding]]:
    """Findings that another one causes, by the identity of that one.

    One that counts is folded only under one that counts as well: nothing that stops a merge is hidden under
    something that does not.
    """
    known = {str(item["identity"]): item for item in findings}
    found: dict[str, list[Finding]] = {}
    for item in findings:
        cause = known.get(str(item.get("caused_by")))
        if cause is None or cause is item or cause.get("caused_by") in known:
            continue
        if bar.counts(cause) or not bar.counts(item):
            found.setdefault(str(cause["identity"]), []).append(item)
    return found


def roots(findings: Sequence[Finding], bar: Bar) -> list[Finding]:
    """The findings that are folded under no other."""
    hidden = {str(item["identity"]) for items in folded(findings, bar).values() for item in items}
    return [item for item in findings if str(item["identity"]) not in hidden]


def kind_of(finding: Finding) -> str:
    """The one word for a finding: ``new``, ``worsened``, ``known``, ``waived``, or ``reopened`` for a known
    one whose waiver no longer holds."""
    if is_waived(finding):
        return "waived"
    mark = str(finding["mark"])
    return "reopened" if mark == "known" and finding["counts"] else mark


@dataclass(frozen=True, slots=True)
class Verdict:
    """The whole run in numbers; ``counted`` are findings that are folded under no other one that counts."""

    status: Status
    circuits: int
    counted: Mapping[str, int]
    consequences: int
    kinds: Mapping[str, int]
    gone: int
    eroded: int
    not_checked: int

    def as_dict(self) -> Json:
        return {"status": self.status, "circuits": self.circuits, "counted": dict(self.counted),
                "consequences": self.consequences, "kinds": dict(self.kinds), "gone": self.gone,
                "eroded": self.eroded, "not_checked": self.not_checked}  # fmt: skip


def verdict(judged: Sequence[Judged], bar: Bar, faults: int = 0) -> Verdict:
    """``faults`` are things beside the circuits that could not be checked, such as a proposed policy."""
    counted: Counter[str] = Counter()
    kinds: Counter[str] = Counter()
    consequences = eroded = 0
    for item in judged:
        given = item.counted(bar)
        first = [finding for finding in roots(item.findings, bar) if bar.counts(finding)]
        counted.update(kind_of(finding) for finding in first)
        consequences += len(given) - len(first)
        kinds.update(kind_of(finding) for finding in item.findings)
        eroded += 0 if item.comparison is None else len(item.comparison["eroded"])
    not_checked = sum(not item.is_checked for item in judged) + faults
    status: Status = 2 if not_checked else max((item.status(bar) for item in judged), default=0)
    gone = sum(len(item.comparison["gone"]) for item in judged if item.comparison is not None)
    return Verdict(status, len(judged), _sorted(counted), consequences, _sorted(kinds), gone, eroded,
                   not_checked)


def _sorted(counts: Counter[str]) -> dict[str, int]:
    return {key: counts[key] for key in sorted(counts)}
