"""Outcomes of rules that judge a situation: the same few members, filled in the same way."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Iterator
from typing import TYPE_CHECKING

from rules.wording import member_pointer
from schemas.finding import Finding, Outcome, Proposal, Quantity, Severity, Test

if TYPE_CHECKING:
    from rules.analysis.study import Situation, Study
    from rules.contract import Rule
    from schemas.circuit import Part


def of_each(
    rule: Rule,
    study: Study,
    kinds: Collection[str],
    what: str,
    judge: Callable[[Study, Part], Iterable[Outcome]],
) -> Iterator[Outcome]:
    """What ``judge`` says of every part of some kinds, or that there is no such part."""
    parts = [part for part in study.circuit.parts.values() if part.kind in kinds]
    if not parts:
        yield not_applicable(rule, (), f"there is no {what}")
    for part in parts:
        yield from judge(study, part)


def not_applicable(rule: Rule, about: Iterable[str], reason: str) -> Outcome:
    return Outcome(rule.slug, "not-applicable", tuple(about), reason)


def satisfied(
    rule: Rule, about: Iterable[str], situation: Situation, test: Test, evidence: Iterable[Quantity] = ()
) -> Outcome:
    """``evidence`` are the numbers behind it, for a lesson worked on the user's own circuit."""
    return Outcome(
        rule.slug,
        "satisfied",
        tuple(about),
        "",
        situation.label,
        situation.corner,
        test,
        evidence=tuple(evidence),
    )


def broken(finding: Finding, about: Iterable[str], proposals: Iterable[Proposal] = ()) -> Outcome:
    """The outcome about ``about`` that a finding is."""
    return Outcome(
        finding.rule,
        "violated",
        tuple(about),
        "",
        finding.state,
        finding.corner,
        finding.test,
        finding,
        tuple(proposals),
    )


def violated(
    rule: Rule,
    study: Study,
    about: Iterable[str],
    situation: Situation,
    test: Test,
    severity: Severity,
    message: str,
    evidence: Iterable[Quantity],
    *,
    role: str,
    parts: Iterable[str],
    nets: Iterable[str],
    pointers: Iterable[str] | None = None,
    proposals: Iterable[Proposal] = (),
    cause: str | None = None,
    advice: Iterable[str] = (),
) -> Outcome:
    """A finding at one situation.

    ``about`` is the subject of the outcome, ``parts`` and ``nets`` are those of the finding's identity;
    ``pointers`` are the values of the resistors among them unless given.
    """
    subject, named = tuple(about), tuple(sorted(set(parts)))
    if pointers is None:
        resistors = [part for part in named if study.circuit.parts[part].kind == "resistor"]
        pointers = [member_pointer(part, "resistance") for part in resistors] or [
            member_pointer(subject[0], "pins")
        ]
    finding = Finding(
        rule=rule.slug,
        severity=severity,
        parts=named,
        nets=tuple(sorted(set(nets))),
        pointers=tuple(pointers),
        state=situation.label,
        corner=situation.corner,
        message=message,
        evidence=tuple(evidence),
        test=test,
        grounds=rule.grounds,
        role=role,
        caused_by=cause,
        advice=tuple(advice),
    )
    return broken(finding, subject, proposals)


def violated_by(
    rule: Rule,
    part: str,
    place: tuple[str | None, str | None],
    test: Test,
    severity: Severity,
    message: str,
    evidence: Iterable[Quantity],
    *,
    role: str,
    member: str = "pins",
    proposals: Iterable[Proposal] = (),
    cause: str | None = None,
    advice: Iterable[str] = (),
) -> Outcome:
    """A finding about one part alone, at a ``place`` of state and corner; it points at ``member``."""
    state, corner = place
    finding = Finding(
        rule=rule.slug,
        severity=severity,
        parts=(part,),
        nets=(),
        pointers=(member_pointer(part, member),),
        state=state,
        corner=corner,
        message=message,
        evidence=tuple(evidence),
        test=test,
        grounds=rule.grounds,
        role=role,
        caused_by=cause,
        advice=tuple(advice),
    )
    return broken(finding, (part,), proposals)
