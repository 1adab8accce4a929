"""Running a rule set over one circuit: crash isolation, merging, order.

The engine owns everything that a rule must not: which rules run, what happens
when one breaks, how findings of several states and corners become one, and
the order in which they are told.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from rules.contract import is_structural
from rules.soundness import complaint, relative_margin
from schemas.circuit import Circuit
from schemas.finding import SEVERITIES, Assumed, Finding, Occurrence, Outcome, Proposal, Review
from service.causes import rooted
from service.cautions import cautions_for
from service.ruleset import LeftOut, LoadedRule, Ruleset, brief
from service.states import Overview, overview, unknown

if TYPE_CHECKING:
    from rules.analysis.study import Study

KIND_ORDER = {
    kind: k for k, kind in enumerate(("failed", "violated", "undecided", "satisfied", "not-applicable"))
}


@dataclass(frozen=True)
class Run:
    """What one pass of a rule set over one circuit gave.

    ``findings`` are merged and sorted, without remedies; ``proposals`` maps a
    finding's identity to what its rule proposes; ``outcomes`` are one per rule,
    kind and subject, the worst state and corner of each; ``structural`` are the rules whose findings mean
    that the circuit is not wired as it was meant.
    """

    circuit: Circuit
    findings: tuple[Finding, ...]
    proposals: Mapping[str, tuple[Proposal, ...]]
    outcomes: tuple[Outcome, ...]
    overview: Overview
    assumed: tuple[Assumed, ...]
    cautions: tuple[str, ...]
    problems: tuple[str, ...]
    structural: frozenset[str] = frozenset()

    def finding(self, identity: str) -> Finding | None:
        return next((finding for finding in self.findings if finding.identity == identity), None)


@dataclass(frozen=True)
class Verdicts:
    """What some rules say: findings merged and sorted, proposals by identity, outcomes merged."""

    findings: tuple[Finding, ...]
    proposals: Mapping[str, tuple[Proposal, ...]]
    outcomes: tuple[Outcome, ...]


class Hearing:
    """One circuit, on which the rules of a rule set are asked one at a time; each is asked once.

    Never raises for what a rule does.  Without ``proposing`` the rules give verdicts only, which is faster.
    ``study`` has analyses of the same circuit that are used again.  ``pause`` is
    called before each rule is asked; what it raises ends the asking, and what
    was said until then stays.
    """

    def __init__(
        self,
        circuit: Circuit,
        ruleset: Ruleset,
        proposing: bool = True,
        study: Study | None = None,
        pause: Callable[[], None] | None = None,
    ) -> None:
        from rules.analysis.study import Study

        self.circuit, self.ruleset, self.pause = circuit, ruleset, pause
        if study is None:
            study = Study(circuit, proposing=proposing, preferences=ruleset.preferences)
        self.study = study.asked(proposing)
        self._said: dict[str, list[Outcome]] = {}
        self._whole: Run | None = None

    def forget(self) -> None:
        """Let go of the analyses; what was said stays, and they are made again when more is asked."""
        from rules.analysis.study import Study

        asked = self.study.proposing
        self.study = Study(self.circuit, proposing=asked, preferences=self.ruleset.preferences)

    def _outcomes(self, entry: LoadedRule) -> list[Outcome]:
        if entry.slug not in self._said:
            if self.pause is not None:
                self.pause()
            self._said[entry.slug] = _judge(entry, self.study)
        return self._said[entry.slug]

    def ask(self, *slugs: str) -> Verdicts:
        """What the rules with these slugs say."""
        entries = [entry for entry in self.ruleset.rules if entry.slug in slugs]
        outcomes = [outcome for entry in entries for outcome in self._outcomes(entry)]
        return Verdicts(*merge_findings(outcomes), merge_outcomes(outcomes))

    def whole(self) -> Run:
        """What all rules say, with the states."""
        if self._whole is None:
            faults = self.ruleset.faults
            outcomes = [_unloaded(fault.name, str(fault)) for fault in faults]
            outcomes += [_left_out(item) for item in self.ruleset.left_out]
            for entry in self.ruleset.rules:
                outcomes.extend(self._outcomes(entry))
            findings, proposals = merge_findings(outcomes)
            seen, assumed = _survey(self.study)
            self._whole = Run(
                circuit=self.circuit,
                findings=rooted(findings),
                proposals=proposals,
                outcomes=merge_outcomes(outcomes),
                overview=seen,
                assumed=assumed,
                cautions=cautions_for(self.circuit, seen.span),
                problems=(*(str(fault) for fault in faults), *seen.problems),
                structural=frozenset(entry.slug for entry in self.ruleset.rules if is_structural(entry.rule)),
            )
        return self._whole


def run(circuit: Circuit, ruleset: Ruleset, proposing: bool = True) -> Run:
    """Judge ``circuit`` by every rule at every state and corner; see :class:`Hearing`."""
    return Hearing(circuit, ruleset, proposing).whole()


def _survey(study: Study) -> tuple[Overview, tuple[Assumed, ...]]:
    """States and assumptions; a fault in an analysis makes the review incomplete, never silent."""
    try:
        assumed = study.assumed
        return overview(study), assumed
    except Exception as error:  # the rules that need the same analysis have failed, with their own reasons
        return unknown(f"the states of the circuit could not be worked out: {brief(error)}"), ()


def review(
    circuit: Circuit, ruleset: Ruleset, remedies: bool = True, raw: Mapping[str, Any] | None = None
) -> Review:
    """The whole review; ``raw`` is the document as it was written, so that patches quote its own texts.

    Without ``raw``, patches are against the canonical form of the document.
    """
    if not remedies:
        plain = run(circuit, ruleset)
        return to_review(plain, ruleset, plain.findings)
    from service.remedies import Bench

    bench = Bench(ruleset, raw if raw is not None else _dump(circuit), circuit)
    return to_review(bench.baseline, ruleset, bench.findings())


def to_review(first: Run, ruleset: Ruleset, findings: tuple[Finding, ...]) -> Review:
    """The review that a run amounts to, with ``findings`` as they are to be told."""
    return Review(
        circuit=first.circuit.name,
        ruleset=ruleset.digest,
        complete=first.overview.complete,
        states=first.overview.states,
        timed=first.overview.waiting,
        findings=findings,
        outcomes=first.outcomes,
        assumed=first.assumed,
        cautions=first.cautions,
        problems=first.problems,
        policy=ruleset.policy,
    )


def _dump(circuit: Circuit) -> dict[str, Any]:
    from schemas.document import dump

    return dump(circuit)


def _unloaded(name: str, reason: str) -> Outcome:
    return Outcome(rule=name, kind="failed", subject=(), reason=reason)


def _left_out(item: LeftOut) -> Outcome:
    """A rule that a policy keeps from running has not judged anything, and has not failed."""
    return Outcome(rule=item.name, kind="not-applicable", subject=(), reason=f"not run: {item.reason}")


def _judge(entry: LoadedRule, study: Study) -> list[Outcome]:
    """Every sound outcome of one rule; what is unsound or missing becomes ``failed``."""
    kept: list[Outcome] = []
    faults: list[str] = []
    try:
        for outcome in entry.rule.check(study):
            fault = complaint(outcome, entry.slug, study.circuit)
            if fault is None:
                kept.append(_under_policy(outcome, entry))
            else:
                faults.append(fault)
    except Exception as error:  # one rule must not take the others along, whatever it raises
        faults.append(f"the rule raised {brief(error)}")
    if not kept and not faults:
        faults.append("the rule gave no outcome; even a rule that does not apply has to say so")
    return kept + [Outcome(rule=entry.slug, kind="failed", subject=(), reason=fault) for fault in faults]


def _under_policy(outcome: Outcome, entry: LoadedRule) -> Outcome:
    """The outcome with what a policy says of its finding; what kind it is never changes."""
    finding = outcome.finding
    if finding is None or (entry.severity is None and entry.original is None):
        return outcome
    grounds = finding.grounds
    if entry.original is not None and grounds == entry.original.grounds:
        grounds = entry.rule.grounds  # it tells what the policy changed
    changed = replace(finding, severity=entry.severity or finding.severity, grounds=grounds)
    return replace(outcome, finding=changed)


def merge_findings(
    outcomes: Iterable[Outcome],
) -> tuple[tuple[Finding, ...], dict[str, tuple[Proposal, ...]]]:
    """One finding per identity, with the numbers of its worst state and corner.

    Worst means: highest severity, then smallest margin relative to the limit.
    Proposals of every occurrence are kept, those of the worst first.
    """
    groups: dict[str, list[tuple[Finding, Outcome]]] = {}
    for outcome in outcomes:
        if outcome.finding is not None:
            groups.setdefault(outcome.finding.identity, []).append((outcome.finding, outcome))
    findings: list[Finding] = []
    proposals: dict[str, tuple[Proposal, ...]] = {}
    for identity in sorted(groups):
        group = sorted(groups[identity], key=lambda pair: _badness(pair[0]))
        places = {
            (f.state, f.corner): Occurrence(f.state, f.corner, f.severity, f.test.left, f.test.margin)
            for f, _ in reversed(group)
        }
        in_order = tuple(places[key] for key in sorted(places, key=_place))
        findings.append(replace(group[0][0], occurrences=in_order))
        proposals[identity] = tuple(_distinct(p for _, outcome in group for p in outcome.proposals))
    return tuple(sorted(findings, key=sort_key)), proposals


def _distinct(proposals: Iterable[Proposal]) -> list[Proposal]:
    """Without those that make the same changes as an earlier one."""
    kept: list[Proposal] = []
    for proposal in proposals:
        if all(proposal.changes != other.changes for other in kept):
            kept.append(proposal)
    return kept


def merge_outcomes(outcomes: Iterable[Outcome]) -> tuple[Outcome, ...]:
    """One outcome per rule, kind and subject: the one with the smallest margin.

    A subject that is within a lower and an upper limit keeps one of each.
    """
    best: dict[tuple[Any, ...], Outcome] = {}
    for outcome in outcomes:
        key = (
            outcome.rule,
            KIND_ORDER[outcome.kind],
            outcome.subject,
            outcome.reason if outcome.kind in ("failed", "undecided") else "",
            outcome.test.relation if outcome.kind == "satisfied" and outcome.test else "",
        )
        if key not in best or _outcome_badness(outcome) < _outcome_badness(best[key]):
            best[key] = outcome
    return tuple(best[key] for key in sorted(best))


def _outcome_badness(outcome: Outcome) -> tuple[Any, ...]:
    test = outcome.test or (outcome.finding.test if outcome.finding else None)
    severity = SEVERITIES.index(outcome.finding.severity) if outcome.finding else 0
    margin = float("inf") if test is None else relative_margin(test)
    return severity, margin, *_place((outcome.state, outcome.corner)), outcome.reason


def _badness(finding: Finding) -> tuple[Any, ...]:
    place = _place((finding.state, finding.corner))
    return SEVERITIES.index(finding.severity), relative_margin(finding.test), *place, finding.message


def _place(place: tuple[str | None, str | None]) -> tuple[str, str]:
    return place[0] or "", place[1] or ""


def sort_key(finding: Finding) -> tuple[Any, ...]:
    """The order in which findings are told: severity, rule, parts, nets, role, state."""
    place = _place((finding.state, finding.corner))
    return SEVERITIES.index(finding.severity), finding.rule, finding.parts, finding.nets, finding.role, *place
