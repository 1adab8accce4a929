"""Two runs compared: is a change an improvement, and nothing but an improvement?"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass

from rules.soundness import relative_margin
from schemas.finding import SEVERITIES, Finding, Outcome
from service.engine import Run, Verdicts
from service.margins import LEEWAY, ROUNDING, fall


@dataclass(frozen=True, slots=True)
class Comparison:
    """What stands between a change and its proof.

    ``target`` is the finding to be mended when it is still there; ``new`` are
    findings after the change, ``worse`` pairs of the same finding before and
    after; ``lost`` are other losses, in words; ``gone`` are findings (beside
    the target) that the change mends too.
    """

    target: Finding | None
    new: tuple[Finding, ...]
    worse: tuple[tuple[Finding, Finding], ...]
    lost: tuple[str, ...]
    gone: tuple[Finding, ...]

    @property
    def is_clean(self) -> bool:
        return self.target is None and not (self.new or self.worse or self.lost)

    @property
    def in_the_way(self) -> tuple[Finding, ...]:
        """Findings whose own proposals may complete the change."""
        target = () if self.target is None else (self.target,)
        return (*target, *self.new, *(after for _, after in self.worse))

    @property
    def reason(self) -> str:
        """The first thing in the way, naming it."""
        if self.new:
            return f"it would cause {describe(self.new[0])}: {self.new[0].message}{_more(self.new)}"
        if self.worse:
            before, after = self.worse[0]
            return f"it would worsen {describe(after)}: {before_and_after(before, after)}{_more(self.worse)}"
        return self.lost[0] if self.lost else ""


def _more(found: Sequence[object]) -> str:
    return f" (and {len(found) - 1} more)" if len(found) > 1 else ""


def describe(finding: Finding) -> str:
    """A finding in a few words: the rule and where."""
    where = ", ".join(finding.parts or finding.nets)
    return f"{finding.rule} at {where}" if where else finding.rule


def before_and_after(before: Finding, after: Finding) -> str:
    """The numbers of one finding in two runs, with as many digits as it takes to tell them apart."""
    fell = "" if before.severity == after.severity else f"{before.severity} to {after.severity}, "
    unit, limit = after.test.unit, after.test.right
    for digits in (4, 6, 9):
        left, then = f"{before.test.left:.{digits}g}", f"{after.test.left:.{digits}g}"
        if left != then:
            break
    numbers = (f"{left} {unit}".rstrip(), f"{then} {unit}".rstrip(), f"{limit:.4g} {unit}".rstrip())
    return f"{fell}{numbers[0]} before, {numbers[1]} after, limit {numbers[2]}"


def compare(before: Run, after: Run, target: Finding) -> Comparison:
    """How ``after`` differs from ``before``, seen from a change that is to mend ``target``."""
    old = {finding.identity: finding for finding in before.findings}
    now = {finding.identity: finding for finding in after.findings}
    return Comparison(
        target=now.get(target.identity),
        new=_new(before, old, now, (target,)),
        worse=_worse(old, now, (target,), target.identity),
        lost=tuple(_lost(before, after, (target,))),
        gone=tuple(finding for key, finding in old.items() if key not in now and key != target.identity),
    )


def _new(
    before: Run, old: Mapping[str, Finding], now: Mapping[str, Finding], targets: Sequence[Finding]
) -> tuple[Finding, ...]:
    return tuple(f for key, f in now.items() if key not in old and not was_hidden(before, f, targets))


def was_hidden(before: Run, finding: Finding, targets: Sequence[Finding]) -> bool:
    """There was nothing to judge there before: the finding is not new, it only shows now.

    Because the network had a fault that left no answer, or because what is mended was a fault of the wiring
    (a rule that calls itself ``structural``): then this was not the circuit that was meant.
    """
    hiding = before.overview.problems or any(target.rule in before.structural for target in targets)
    if not hiding:
        return False
    named = {*finding.parts, *finding.nets}
    return not any(
        outcome.rule == finding.rule
        and outcome.kind in ("satisfied", "violated")
        and (named & set(outcome.subject) or not outcome.subject)
        for outcome in before.outcomes
    )


def uncovered(before: Run, after: Run, target: Finding) -> tuple[Finding, ...]:
    """Findings that a fault of the network or of the wiring hid before."""
    old = {finding.identity for finding in before.findings}
    return tuple(f for f in after.findings if f.identity not in old and was_hidden(before, f, (target,)))


def objection(before: Run, said: Verdicts, rule: str, target: Finding) -> Comparison:
    """How what one rule says after a change differs from what it said before; states are not looked at."""
    old = {finding.identity: finding for finding in before.findings if finding.rule == rule}
    now = {finding.identity: finding for finding in said.findings}
    verdicts = tuple(outcome for outcome in before.outcomes if outcome.rule == rule)
    return Comparison(
        target=now.get(target.identity),
        new=_new(before, old, now, (target,)),
        worse=_worse(old, now, (target,), target.identity),
        lost=tuple(_lost_verdicts(verdicts, said.outcomes, (target,))),
        gone=(),
    )


def losses(before: Run, after: Run, targets: Sequence[Finding]) -> str:
    """The first loss between two runs, in words; empty when ``after`` is nowhere worse.

    ``targets`` are the findings that the changes between the runs were to mend.
    """
    old = {finding.identity: finding for finding in before.findings}
    now = {finding.identity: finding for finding in after.findings}
    new = _new(before, old, now, targets)
    return Comparison(None, new, _worse(old, now, targets), tuple(_lost(before, after, targets)), ()).reason


def _worse(
    old: Mapping[str, Finding], now: Mapping[str, Finding], targets: Sequence[Finding], but: str = ""
) -> tuple[tuple[Finding, Finding], ...]:
    # a remark that stays one may pay for mending more than a remark; the proof tells it
    remarks = any(target.severity != "note" for target in targets)
    return tuple(
        (old[key], finding)
        for key, finding in now.items()
        if key != but
        and key in old
        and is_worse(old[key], finding)
        and not (remarks and finding.severity == "note")
    )


def is_worse(before: Finding, after: Finding) -> bool:
    """Severity raised, or the margin fell by more than the leeway."""
    was, is_ = SEVERITIES.index(before.severity), SEVERITIES.index(after.severity)
    if was != is_:
        return is_ < was
    return _fall(before, after) > LEEWAY


def _fall(before: Finding, after: Finding) -> float:
    return fall(relative_margin(before.test), relative_margin(after.test))


def shifted(before: Run, after: Run, target: Finding) -> tuple[tuple[str, bool], ...]:
    """Findings that stay and move to the worse: to be told with the proof, and whether within the leeway."""
    now = {finding.identity: finding for finding in after.findings}
    return tuple(
        (f"{describe(f)}: {before_and_after(f, now[f.identity])}", _fall(f, now[f.identity]) <= LEEWAY)
        for f in before.findings
        if f.identity != target.identity and f.identity in now and _fall(f, now[f.identity]) > ROUNDING
    )


def _lost(before: Run, after: Run, targets: Sequence[Finding]) -> Iterator[str]:
    """Losses that no finding tells of: verdicts, completeness, stable states."""
    yield from _lost_verdicts(before.outcomes, after.outcomes, targets)
    if before.overview.complete and not after.overview.complete:
        yield "not every DC state of the changed circuit could be found"
    yield from _lost_states(before, after)


def _lost_verdicts(
    before: Sequence[Outcome], after: Sequence[Outcome], targets: Sequence[Finding]
) -> Iterator[str]:
    had, has = _unjudged(before), _unjudged(after)
    for (rule, kind, subject), count in sorted(has.items()):
        if count > had.get((rule, kind, subject), 0):
            where = " at " + ", ".join(subject) if subject else ""
            yield f"{rule}{where} would become {kind}"
    still = {
        (outcome.rule, outcome.subject)
        for outcome in after
        if outcome.kind in ("satisfied", "violated")
    }
    for outcome in before:
        key = outcome.rule, outcome.subject
        if (
            outcome.kind == "satisfied"
            and key not in still
            and not any(_is_about(outcome, target) for target in targets)
        ):
            where = ", ".join(outcome.subject) or "the circuit"
            yield f"{outcome.rule} at {where} would not be judged any more"


def _is_about(outcome: Outcome, target: Finding) -> bool:
    return outcome.rule == target.rule and bool(set(outcome.subject) & (set(target.parts) | set(target.nets)))


def _unjudged(outcomes: Iterable[Outcome]) -> Mapping[tuple[str, str, tuple[str, ...]], int]:
    return Counter((o.rule, o.kind, o.subject) for o in outcomes if o.kind in ("failed", "undecided"))


def _lost_states(before: Run, after: Run) -> Iterator[str]:
    """A change that mends a rule by taking away a stable state mends nothing."""
    was, is_ = before.overview.stable, after.overview.stable
    for key in sorted(was):
        if key in is_ and is_[key] < was[key]:
            corner, where = key
            at = f"{corner} beta" + (f" with {where}" if where else "")
            yield f"the circuit would have {is_[key]} stable states instead of {was[key]} at {at}"
    for corner, where, capacitor in sorted(before.overview.timed - after.overview.timed):
        at = f"{corner} beta" + (f" with {where}" if where else "")
        yield f"the timed state that {capacitor} holds would be gone at {at}"
