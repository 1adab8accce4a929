"""Proposals become remedies only by proof.

A proposal is applied to a copy of the document, the whole rule set is run
again at every corner, and the two runs are compared finding by finding.  A
proposal that mends its target and breaks something else is not offered as it
is: the proposals that the broken thing itself carries on the changed circuit
are tried together with it, and only a set that leaves nothing new or worse is
a remedy.  Whatever is not proven stays advice in words, with the reason.
"""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any, TypeAlias

from schemas.circuit import Circuit
from schemas.finding import Change, Finding, Proof, Proposal, Quantity, Remedy, Test
from schemas.quantities import format_quantity
from service.comparing import (
    Comparison,
    before_and_after,
    compare,
    describe,
    objection,
    shifted,
    uncovered,
)
from service.engine import Hearing, Run
from service.margins import LEEWAY
from service.patches import CannotPatch, apply, compose, patch_for, size
from service.ruleset import Ruleset
from service.states import CORNERS

MAX_STEPS = {"error": 3, "warning": 3, "note": 1}  # proposals joined into one remedy, by severity
RUNS_PER_FINDING = {"error": 7, "warning": 5, "note": 2}
TRIALS_PER_FINDING = 16  # by its own rule alone, before the others are asked
RUNS_PER_REVIEW = 24  # a count, not a clock: the same answer on a slow machine
REMEDIES_SHOWN = 4
EVERY_WORST = "the worst corner of each rule"

if TYPE_CHECKING:
    from rules.analysis.study import Study
    from schemas.problems import DocumentProblems

Steps: TypeAlias = tuple[tuple[str, Proposal], ...]  # (rule that proposes, what it proposes)


@dataclass(frozen=True, slots=True)
class Trial:
    """One patched copy: what was changed, how it compares, and the hearing of its rules."""

    summary: str
    patch: tuple[Mapping[str, Any], ...]
    hearing: Hearing
    comparison: Comparison
    rules: tuple[str, ...]  # whose proposals it joins, the target's rule first
    hurdle: str = ""  # why the first proposal alone was not enough


@dataclass(frozen=True, slots=True)
class Proofs:
    """What was proven for one finding; ``cleared`` are the identities that each remedy takes away."""

    remedies: tuple[Remedy, ...]
    advice: tuple[str, ...]
    cleared: tuple[frozenset[str], ...]


@dataclass
class Bench:
    """Where proposals for one document are tried.  Hearings are kept by content, and runs are counted.

    A run is a copy on which more is asked than the rule of the finding itself.
    ``study`` has analyses of the document itself that are used again.  ``pause``
    is as in :class:`Hearing`; a bench on which it raised is not asked again, as
    its runs are counted half.
    """

    ruleset: Ruleset
    raw: Mapping[str, Any]
    circuit: Circuit
    budget: int = RUNS_PER_REVIEW
    runs: int = 0
    trials: int = 0
    study: Study | None = None
    pause: Callable[[], None] | None = None
    _hearings: dict[str, Hearing | str] = field(default_factory=dict)
    _counted: set[str] = field(default_factory=set)
    _objections: Counter[str] = field(default_factory=Counter)
    _proofs: dict[str, Proofs] = field(default_factory=dict)
    _baseline: Run | None = None

    @property
    def baseline(self) -> Run:
        if self._baseline is None:
            hearing = Hearing(self.circuit, self.ruleset, study=self.study, pause=self.pause)
            self._baseline = hearing.whole()
            key = content_key(self.raw)
            self._hearings[key] = hearing
            self._counted.add(key)
        return self._baseline

    def on(self, raw: Mapping[str, Any]) -> Bench:
        """A bench for a document that was tried here; its budget is what this one has left."""
        known = self.hear(raw)
        if isinstance(known, str):
            raise ValueError(f"not a proven change: {known}")
        full = Hearing(known.circuit, self.ruleset, study=known.study, pause=self.pause).whole()
        made = Bench(self.ruleset, raw, known.circuit, self.budget, self.runs, pause=self.pause)
        made._hearings, made._counted, made._objections = self._hearings, self._counted, self._objections
        made._baseline = full
        return made

    def findings(self) -> tuple[Finding, ...]:
        """All findings with proven remedies, advice for what was not proven, and root causes.

        A finding that goes with its root is not searched for remedies of its own.
        """
        from service.causes import with_proven_causes

        told = tuple(self.one_by_one())
        cleared = {key: found.cleared[0] for key, found in self._proofs.items() if found.cleared}
        return with_proven_causes(told, cleared)

    def one_by_one(self) -> Iterator[Finding]:
        """Each finding with its proven remedies, as soon as they are; without the causes that proofs show."""
        for finding in self.baseline.findings:
            if self._goes_with_its_root(finding):
                yield finding
                continue
            found = self.prove(finding)
            yield replace(finding, remedies=found.remedies, advice=(*finding.advice, *found.advice))

    def _goes_with_its_root(self, finding: Finding) -> bool:
        root = None if finding.caused_by is None else self.baseline.finding(finding.caused_by)
        if root is None:
            return False
        cleared = self.prove(root).cleared
        return bool(cleared) and finding.identity in cleared[0]

    def prove(self, finding: Finding) -> Proofs:
        """Try every proposal for ``finding``; what is proven, and the advice that is left."""
        if finding.identity not in self._proofs:
            self._proofs[finding.identity] = self._prove(finding)
        return self._proofs[finding.identity]

    def _prove(self, finding: Finding) -> Proofs:
        self.trials = 0
        limit = min(self.runs + RUNS_PER_FINDING[finding.severity], self.budget)
        proven: list[Trial] = []
        advice: list[str] = []
        for proposal in self.baseline.proposals.get(finding.identity, ()):
            trial, reason = self._search(finding, proposal, limit)
            if trial is not None:
                proven.append(trial)
            else:
                advice.append(f"{proposal.summary}: withdrawn: {reason}")
        for hearing in self._hearings.values():
            if isinstance(hearing, Hearing):
                hearing.forget()  # dozens of circuits with all their analyses would fill the memory
        ranked = sorted(proven, key=lambda trial: (*size(self.circuit, trial.hearing.circuit), trial.summary))
        remedies: list[Remedy] = []
        cleared: list[frozenset[str]] = []
        for trial in ranked:
            remedy = Remedy(trial.summary, trial.patch, self._proof(finding, trial))
            if all(remedy.patch != other.patch for other in remedies):
                remedies.append(remedy)
                gone = (finding, *trial.comparison.gone)
                cleared.append(frozenset(other.identity for other in gone))
        return Proofs(tuple(remedies[:REMEDIES_SHOWN]), tuple(advice), tuple(cleared[:REMEDIES_SHOWN]))

    def _search(self, finding: Finding, proposal: Proposal, limit: int) -> tuple[Trial | None, str]:
        """Breadth first: the proposal alone, then with one follow-up, then with two."""
        front: list[Steps] = [((finding.rule, proposal),)]
        tried: set[str] = set()
        hurdle = ""
        most = MAX_STEPS[finding.severity]
        for depth in range(1, most + 1):
            following: list[Steps] = []
            for steps in front:
                try:
                    changes = compose(*(step.changes for _, step in steps))
                except CannotPatch:
                    continue
                key = repr(changes)
                if key in tried:
                    continue
                tried.add(key)
                trial = self._try(finding, steps, changes, limit)
                if isinstance(trial, str):
                    hurdle = hurdle or trial
                    continue
                if trial.comparison.is_clean:
                    return replace(trial, hurdle=hurdle), ""
                hurdle = hurdle or _reason(finding, trial)
                if depth < most:
                    following.extend((*steps, more) for more in self._follow_ups(trial))
            front = following
        joined = (
            "; no change joined with what that finding proposes could be proven" if len(tried) > 1 else ""
        )
        return None, hurdle + joined

    def _try(self, finding: Finding, steps: Steps, changes: tuple[Change, ...], limit: int) -> Trial | str:
        try:
            patch = patch_for(self.raw, changes)
            patched = apply(self.raw, patch)
        except CannotPatch as error:
            return str(error)
        self.trials += 1
        if self.trials > TRIALS_PER_FINDING:
            return f"no proof within the budget of {TRIALS_PER_FINDING} trials"
        hearing = self.hear(patched)
        if isinstance(hearing, str):
            return hearing
        comparison = self._compared(finding, hearing, content_key(patched), limit)
        if isinstance(comparison, str):
            return comparison
        summary = "; together with: ".join(step.summary for _, step in steps)
        return Trial(summary, patch, hearing, comparison, tuple(rule for rule, _ in steps))

    def _compared(self, finding: Finding, hearing: Hearing, key: str, limit: int) -> Comparison | str:
        """Its own rule first, then those that have objected most often, up to the first objection."""
        own = objection(self.baseline, hearing.ask(finding.rule), finding.rule, finding)
        if own.target is not None and len(self.ruleset.rules) > 1:
            return own
        if key not in self._counted:
            if self.runs >= limit:
                return f"no proof within the budget of {limit} re-runs of the rule set"
            self.runs += 1
            self._counted.add(key)
        slugs = [entry.slug for entry in self.ruleset.rules]
        for slug in sorted(slugs, key=lambda slug: (-self._objections[slug], slug)):
            found = objection(self.baseline, hearing.ask(slug), slug, finding)
            if not found.is_clean:
                self._objections[slug] += 1
                return found
        return compare(self.baseline, hearing.whole(), finding)

    def hear(self, raw: Mapping[str, Any]) -> Hearing | str:
        """The hearing of ``raw`` for verdicts only, or why the document would be refused."""
        from schemas.problems import DocumentProblems
        from service.documents import load_circuit

        key = content_key(raw)
        if key not in self._hearings:
            try:
                circuit = load_circuit(raw)
                self._hearings[key] = Hearing(circuit, self.ruleset, proposing=False, pause=self.pause)
            except DocumentProblems as refused:
                self._hearings[key] = _refused(refused)
        return self._hearings[key]

    def _follow_ups(self, trial: Trial) -> Steps:
        """What the findings in the way propose on the changed circuit, worst finding first."""
        in_the_way = trial.comparison.in_the_way
        asked = sorted({other.rule for other in in_the_way})
        again = Hearing(
            trial.hearing.circuit, self.ruleset, study=trial.hearing.study, pause=self.pause
        )
        proposals = again.ask(*asked).proposals
        found: list[tuple[str, Proposal]] = []
        for other in in_the_way:
            found.extend((other.rule, proposal) for proposal in proposals.get(other.identity, ()))
        return tuple(found)

    def _proof(self, finding: Finding, trial: Trial) -> Proof:
        run = trial.hearing.whole()
        after = _after(finding, run)
        also = trial.comparison.gone
        joined = [rule for rule in trial.rules[1:] if rule != finding.rule]
        parts = ["re-run on a changed copy: the finding is gone, nothing is new or worse"]
        if joined:
            parts.append(
                f"joined with what {' and '.join(dict.fromkeys(joined))} proposes, because alone"
                f" {trial.hurdle}"
            )
        if also:
            parts.append("also gone: " + ", ".join(describe(other) for other in also))
        shown = uncovered(self.baseline, run, finding)
        if shown:
            parts.append("shows now what the fault hid: " + ", ".join(describe(other) for other in shown))
        moved = shifted(self.baseline, run, finding)
        little = [told for told, within in moved if within]
        costs = [told for told, within in moved if not within]
        if costs:
            parts.append("at the cost of a remark: " + ", ".join(costs))
        if little:
            parts.append(f"moved by less than {LEEWAY:.0%} of the limit: " + ", ".join(little))
        return Proof(
            proven=True,
            reason="; ".join(parts),
            before=finding.test.left,
            after=None if after is None else after.left,
            limit=finding.test.right if after is None else after.right,
            unit=finding.test.unit,
            corners=(*CORNERS, EVERY_WORST),
            effects=effects(self.baseline, run),
        )


def content_key(raw: Mapping[str, Any]) -> str:
    """The same text for the same content, whatever the order of its members."""
    return json.dumps(raw, sort_keys=True, ensure_ascii=False)


def _after(finding: Finding, after: Run) -> Test | None:
    """The target's test on the changed circuit, where its rule still judges the same subject."""
    still = after.finding(finding.identity)
    if still is not None:
        return still.test
    subject = {*finding.parts, *finding.nets, finding.role}
    tests = [
        outcome.test
        for outcome in after.outcomes
        if outcome.rule == finding.rule
        and outcome.kind == "satisfied"
        and outcome.test is not None
        and outcome.test.unit == finding.test.unit
        and outcome.test.relation == finding.test.relation
        and set(outcome.subject) <= subject
        and outcome.subject
    ]
    return min(tests, key=lambda test: test.margin, default=None)


def _refused(refused: DocumentProblems) -> str:
    first = refused.problems[0]
    return f"the changed document would be refused at {first.pointer}: {first.detail}"


def _reason(finding: Finding, trial: Trial) -> str:
    after = trial.comparison.target
    if after is None:
        return trial.comparison.reason
    return f"the finding stays: {before_and_after(finding, after)}"


def effects(before: Run, after: Run) -> tuple[Quantity, ...]:
    """What else a change moves: the largest current from each source, where it moves by more than 1 %."""
    old, new = before.overview.source_currents, after.overview.source_currents
    return tuple(
        Quantity(
            f"I_{name}",
            f"largest current from {name} in a stable state; {format_quantity(old[name], 'A', 4)} before",
            new[name],
            "A",
        )
        for name in sorted(set(old) & set(new))
        if abs(new[name] - old[name]) > 0.01 * max(abs(old[name]), abs(new[name]))
    )
