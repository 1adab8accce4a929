"""One run of the gate: every circuit compared, the baseline tightened, all of it as data."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any

from clients.gate import baseline as baselines
from clients.gate.baseline import Baseline
from clients.gate.circuits import Subject
from clients.gate.scope import KnownList, Scope
from clients.gate.verdict import IN_FORCE, Bar, Judged, Verdict, is_waived, verdict
from clients.sources import Backend, CannotCheck, Json


@dataclass(frozen=True, slots=True)
class Terms:
    """How circuits are compared: the date (for waivers), the fall of a margin that makes a finding worse."""

    today: date
    worse_by: float = 0.01
    remedies: bool = True


@dataclass(frozen=True)
class Ratchet:
    """What became of the baseline: what a tighter one leaves out, and the file as it would be then."""

    says: tuple[str, ...]
    made: Baseline | None
    started: bool = False


@dataclass(frozen=True)
class Outcome:
    """Everything that a report needs."""

    scope: Scope
    terms: Terms
    bar: Bar
    judged: tuple[Judged, ...]
    verdict: Verdict
    ratchet: Ratchet | None

    def as_dict(self) -> Json:
        """The whole run as JSON-ready data, in fixed order."""
        known = self.scope.known
        return {
            "base": self.scope.base_shape(),
            "head": self.scope.head_shape(),
            "today": self.terms.today.isoformat(),
            "worse_by": self.terms.worse_by,
            "threshold": self.bar.threshold,
            "strict": self.bar.strict,
            "erosion": self.bar.erosion,
            "files": [_file_shape(item, self.bar) for item in self.judged],
            "deleted": list(self.scope.picked.deleted),
            "policies": [{"file": item.file, "folder": item.folder, "changes": list(item.says),
                          "problem": item.problem} for item in self.scope.proposals],
            "baseline": None if known is None else _baseline_shape(known, self.ratchet),
            "verdict": self.verdict.as_dict(),
        }  # fmt: skip


def _file_shape(item: Judged, bar: Bar) -> Json:
    subject = item.subject
    return {
        "file": subject.label,
        "change": subject.kind,
        "base_file": subject.base_path,
        "status": item.status(bar),
        "counted": [str(finding["identity"]) for finding in item.counted(bar)],
        "not_checked": list(item.blockers),
        "base_problem": subject.base_problem,
        "problem": item.problem,
        "comparison": None if item.comparison is None else dict(item.comparison),
    }


def _baseline_shape(known: KnownList, ratchet: Ratchet | None) -> Json:
    said = () if ratchet is None else ratchet.says
    return {"file": known.path, "proposed": known.proposed, "tighter": list(said)}


def run(scope: Scope, backend: Backend, terms: Terms, bar: Bar,
        guarded: Callable[[str, Callable[[], Any]], Any]) -> Outcome:
    """Compare every circuit; what stands in the way of one is kept with it.

    ``guarded`` turns a defect of the program into a :class:`CannotCheck` for that circuit.
    """
    judged = tuple(_judge(subject, scope, backend, terms, guarded) for subject in scope.picked.subjects)
    faults = sum(item.problem is not None for item in scope.proposals)
    ratchet = None if scope.known is None else _ratchet(scope, scope.known, judged)
    return Outcome(scope, terms, bar, judged, verdict(judged, bar, faults), ratchet)


def _judge(subject: Subject, scope: Scope, backend: Backend, terms: Terms,
           guarded: Callable[[str, Callable[[], Any]], Any]) -> Judged:
    if subject.problem is not None or subject.head is None:
        return Judged(subject, None, subject.problem)
    options = {"today": terms.today, "worse_by": terms.worse_by, "remedies": terms.remedies,
               "known": _known(scope, subject)}  # fmt: skip
    head, base = subject.head, subject.base
    try:
        answer: Mapping[str, Any] = guarded(subject.label, lambda: backend.compare(base, head, options))
        if scope.base is None:
            own = guarded(subject.label, lambda: backend.review(head, False, terms.today))
            answer = _by_own_waivers(answer, own)
    except CannotCheck as failure:
        return Judged(subject, None, failure.problem)
    return Judged(subject, answer)


def _by_own_waivers(answer: Mapping[str, Any], review: Mapping[str, Any]) -> Json:
    """Where there is no base that could judge, the waivers of the circuit itself count, as in a review."""
    from service.comparison.compare import COUNTED_AGAIN

    def own(waiver: Mapping[str, Any] | None) -> Json | None:
        return None if waiver is None else {**waiver, "side": "head"}

    at = {str(finding["identity"]): own(finding["waiver"]) for finding in review["findings"]}
    findings = []
    for finding in answer["findings"]:
        waiver = at.get(str(finding["identity"]))
        status = None if waiver is None else waiver["status"]
        counts = status != IN_FORCE and (finding["mark"] != "known" or status in COUNTED_AGAIN)
        findings.append({**finding, "waiver": waiver, "counts": counts})
    told = [own(waiver) for waiver in review["waivers"]]
    return {**answer, "findings": findings, "waivers": told, "review": {**answer["review"], "waivers": told}}


def _known(scope: Scope, subject: Subject) -> list[Json] | None:
    """The known findings of a circuit; it may stand in the baseline under the name that it had."""
    if scope.known is None or scope.known.judged is None:
        return None
    paths = dict.fromkeys((subject.path, subject.base_path or subject.path))
    found = {item.identity: item for path in paths for item in scope.known.judged.known(path)}
    return [found[key].as_dict() for key in sorted(found)]


def _ratchet(scope: Scope, known: KnownList, judged: tuple[Judged, ...]) -> Ratchet:
    """What can be taken out of the baseline file that the head has, or the first one when it has none."""
    whole = [item for item in judged if item.is_checked]
    seen = {item.subject.path: item.findings for item in whole}
    if known.present is None:
        folder = known.path.rpartition("/")[0]
        open_ones = {path: [finding for finding in findings if not is_waived(finding)]
                     for path, findings in seen.items()}  # fmt: skip
        return Ratchet((), baselines.first(folder, open_ones), started=True)
    moved = {item.subject.path: item.subject.base_path for item in whole
             if item.subject.base_path not in (None, item.subject.path)}  # fmt: skip
    made = baselines.tighten(known.present, seen, {path: str(old) for path, old in moved.items()},
                             scope.picked.deleted)
    same = made.baseline.text() == known.present.text()
    return Ratchet(made.says, None if same else made.baseline)
