"""A comparison from end to end: both sides judged, findings marked, the waivers of the base applied."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import TYPE_CHECKING, Any

from rules.soundness import relative_margin
from schemas.circuit import Circuit
from schemas.finding import Finding, Outcome, Review, Test
from service import engine, shapes
from service.comparison.eroded import eroded, held_before
from service.comparison.marks import Before, Mark, before_of, better, mark, numbers_held, of_record, places
from service.comparison.matching import Matching, match
from service.comparison.terms import changed_terms
from service.comparison.translation import Translation
from service.comparison.unjudged import unjudged
from service.comparison.waived import Waived, judged_by_base
from service.waivers import Entry

if TYPE_CHECKING:
    from service.ruleset import Ruleset

Json = dict[str, Any]
COUNTED_AGAIN = ("expired", "malformed", "changed", "withdrawn")
"""A finding whose waiver is one of these is told anew, though it was known."""


@dataclass(frozen=True, slots=True)
class Side:
    """One version of the circuit, with its waivers and where they stand."""

    circuit: Circuit
    raw: Mapping[str, Any]
    waivers: tuple[Entry, ...]


@dataclass(frozen=True, slots=True)
class Judged:
    """What the rules say of the base."""

    findings: tuple[Finding, ...]
    outcomes: tuple[Outcome, ...]
    complete: bool

    @property
    def failed(self) -> list[str]:
        return sorted({outcome.rule for outcome in self.outcomes if outcome.kind == "failed"})


def comparison(
    base: Side | None,
    head: Side,
    ruleset: Ruleset,
    *,
    today: date | None,
    worse_by: float,
    remedies: bool,
    known: Sequence[Mapping[str, Any]] = (),
) -> Json:
    """The shape of ``POST /v1/comparisons``; see :func:`service.facade.compare`."""
    review = engine.review(head.circuit, ruleset, remedies, head.raw)
    was = None if base is None else _judge(base.circuit, head.circuit, review, ruleset)
    found = Matching({}, {}) if base is None else match(base.circuit, head.circuit)
    names = Translation(found)
    identities = {finding.identity for finding in review.findings}
    of_base: dict[str, Finding] = {}
    for finding in () if was is None else was.findings:
        of_base.setdefault(names.identity(finding, identities), finding)
    before = {key: before_of(finding) for key, finding in of_base.items()}
    now_called = {finding.identity: key for key, finding in of_base.items()}
    for record in known:
        kept = of_record(record)
        key = now_called.get(kept.identity, kept.identity)
        before[key] = better(before.get(key), kept)
    held = {} if was is None else held_before(was.outcomes, review.outcomes, names)
    marks = {f.identity: _marked(f, before, was, held, worse_by) for f in review.findings}
    waived = judged_by_base(
        () if base is None else base.waivers, head.waivers, names, review.findings, ruleset, today,
        {key: why for key, (word, why) in marks.items() if word == "worsened"})  # fmt: skip
    parts, nets = found.renamed
    shape = shapes.review_shape(review)
    told = [
        _finding(finding, data, marks[finding.identity], before.get(finding.identity), waived)
        for finding, data in zip(review.findings, shape["findings"], strict=True)
    ]
    return {
        "circuit": review.circuit,
        "ruleset": review.ruleset,
        "complete": review.complete,
        "today": None if today is None else today.isoformat(),
        "worse_by": worse_by,
        "renamed": {"parts": parts, "nets": nets},
        "findings": told,
        "gone": [_gone(key, f, review) for key, f in of_base.items() if key not in identities],
        "eroded": [] if was is None else eroded(was.outcomes, review.outcomes, names, worse_by),
        "unjudged": [] if was is None else unjudged(
            was.outcomes, review.outcomes, names, {*head.circuit.parts, *head.circuit.net_names}),
        "terms": [] if base is None else changed_terms(
            base.circuit, head.circuit, base.raw, head.raw, names),
        "waivers": list(waived.told),
        "base": None if was is None else {
            "findings": len(was.findings), "complete": was.complete, "failed": was.failed},
        "review": {
            **shape,
            "findings": [{**data, "waiver": waived.at(data["identity"])} for data in shape["findings"]],
            "waivers": list(waived.told),
        },
    }  # fmt: skip


def _judge(base: Circuit, head: Circuit, review: Review, ruleset: Ruleset) -> Judged:
    """The base by every rule, without remedies; where only words changed it is the head over again."""
    if _without_words(base) == _without_words(head):
        return Judged(review.findings, review.outcomes, review.complete)
    run = engine.run(base, ruleset, proposing=False)
    return Judged(run.findings, run.outcomes, run.overview.complete)


def _without_words(circuit: Circuit) -> Circuit:
    return replace(circuit, name="", title=None, waivers=())


def _marked(
    finding: Finding, before: Mapping[str, Before], was: Judged | None, held: Mapping[str, Test],
    worse_by: float,
) -> tuple[Mark, str]:
    word, why = mark(finding, before.get(finding.identity), worse_by)
    if word != "new":
        return word, why
    if was is None:
        return word, "there is no base, or no baseline has it"
    if finding.rule in was.failed:
        return word, f"{why}; but {finding.rule} could not be run on the base"
    if not was.complete:
        return word, f"{why}; but not every state of the base was found"
    if finding.identity in held:
        return word, f"{why}: there it held, {numbers_held(held[finding.identity])}"
    return word, why


def _finding(
    finding: Finding, data: Json, marked: tuple[Mark, str], before: Before | None, waived: Waived
) -> Json:
    word, why = marked
    waiver = waived.at(finding.identity)
    status = None if waiver is None else waiver["status"]
    counts = status != "in-force" and (word != "known" or status in COUNTED_AGAIN)
    if waiver is not None:
        why = f"{why}; waiver {status}: {waiver['explanation']}"
    return {
        **data,
        "mark": word,
        "margin": shapes.finite(relative_margin(finding.test)),
        "before": None if before is None else _before(before),
        "places": places(finding),
        "waiver": waiver,
        "counts": counts,
        "why": why,
    }


def _before(before: Before) -> Json:
    return {
        "identity": before.identity,
        "severity": before.severity,
        "left": shapes.finite(before.left),
        "right": shapes.finite(before.right),
        "margin": shapes.finite(before.margin),
        "places": before.places,
    }


def _gone(identity: str, finding: Finding, review: Review) -> Json:
    """A finding of the base that the head does not have, and how sure that is.

    It is told as it was in the base, under its own names.
    """
    unsure = next((o for o in review.outcomes if o.rule == finding.rule and o.kind == "failed"), None)
    if unsure is not None:
        why = f"{finding.rule} could not be run on the head, so it may still be there"
    elif not review.complete:
        why = "not every state of the head was found, so it may still be there"
    else:
        why = "the head has no such finding"
    return {**shapes.finding_shape(finding), "waiver": None, "why": why}
