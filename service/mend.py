"""Mending to a fixed point: the smallest proven set of changes that clears what can be cleared.

Each pass proves what can be done about every finding of its own and looks for
the cheapest set of remedies that clears all of them at once (see
:mod:`service.joint`); where no set is proven, the best remedy for the worst
finding is taken.  What was masked until then shows in the next pass.  At the
end every change that is not needed is put back, and the whole is compared with
the start once more.  On any doubt (a circle, a cap, a loss that only the sum of
the steps shows) everything is withdrawn and the document stays as it was.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from schemas.circuit import Circuit
from schemas.finding import Finding, Remedy, Review
from service.comparing import losses
from service.engine import to_review
from service.joint import Option, changes_of, options, reduced, smallest
from service.patches import CannotPatch, Operation, apply, compose, difference, patch_for
from service.remedies import Bench, content_key
from service.ruleset import Ruleset

MAX_STEPS = 20
RUNS_PER_MEND = 144


@dataclass(frozen=True, slots=True)
class Step:
    """One applied remedy, the finding that it mended, and the pass (from 1) in which that was done.

    ``together``: it is one of a set that was proven as a whole.  ``clears`` are the identities of all
    findings that it takes away, its own included.
    """

    finding: Finding
    remedy: Remedy
    in_pass: int = 1
    together: bool = False
    clears: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Mended:
    """What was applied, the document it led to, and the review of that document.

    ``withdrawn`` says why nothing was applied although remedies were proven;
    ``restored`` are places whose change proved not to be needed;
    ``reasons`` say, per identity of a finding that remains, why it does.
    """

    raw: Mapping[str, Any]
    patch: tuple[Operation, ...]
    steps: tuple[Step, ...]
    review: Review
    withdrawn: str | None = None
    restored: tuple[str, ...] = ()
    reasons: Mapping[str, tuple[str, ...]] = field(default_factory=dict)


def mend(
    circuit: Circuit,
    raw: Mapping[str, Any],
    ruleset: Ruleset,
    cap: int = MAX_STEPS,
    pause: Callable[[], None] | None = None,
    spared: Callable[[Finding], bool] = lambda _: False,
) -> Mended:
    """Apply proven remedies until none is left.  ``raw`` itself is never changed.

    ``pause`` is called between rules; what it raises ends the mending.
    ``spared`` says of which findings nothing is to be mended: those that were accepted as they are.
    """
    start = Bench(ruleset, raw, circuit, RUNS_PER_MEND, pause=pause)
    bench = start
    steps: list[Step] = []
    seen = {content_key(raw)}
    passes = 0
    while True:
        passes += 1
        made, changed = _pass(bench, passes, spared)
        if not made:
            break
        if len(steps) + len(made) > cap:
            return _withdraw(start, f"after {cap} changes there was still something to mend")
        steps.extend(made)
        key = content_key(changed)
        if key in seen:
            names = " and ".join(step.remedy.summary for step in made)
            return _withdraw(start, f"the remedies go in a circle: {names} leads back to an earlier state")
        seen.add(key)
        bench = bench.on(changed)
    lost = losses(start.baseline, bench.baseline, [step.finding for step in steps])
    if lost:
        return _withdraw(start, f"taken together, the changes were not an improvement: {lost}")
    bench, restored = _reduced(start, bench, steps)
    patch = whole_patch(raw, bench.raw, () if restored else steps)
    return _told(Mended(bench.raw, patch, tuple(steps), _review(bench), None, restored), bench)


def _pass(
    bench: Bench, number: int, spared: Callable[[Finding], bool]
) -> tuple[list[Step], Mapping[str, Any]]:
    """The remedies of one pass and the document that they lead to."""
    found = options(bench, spared)
    if not found:
        return [], bench.raw
    if len({option.finding.identity for option in found}) > 1:
        together = smallest(bench, found)
        if together is not None:
            several = len(together.options) > 1
            return [_step(option, number, several) for option in together.options], together.raw
    return [_step(found[0], number, False)], apply(bench.raw, found[0].remedy.patch)


def _step(option: Option, number: int, together: bool) -> Step:
    return Step(option.finding, option.remedy, number, together, tuple(sorted(option.clears)))


def _reduced(start: Bench, bench: Bench, steps: Sequence[Step]) -> tuple[Bench, tuple[str, ...]]:
    """The bench without the changes that are not needed, and their places."""
    if not steps:
        return bench, ()
    try:
        changes = compose(changes_of(op for step in steps for op in step.remedy.patch))
        if len(changes) < 2 or apply(start.raw, patch_for(start.raw, changes)) != bench.raw:
            return bench, ()
    except CannotPatch:
        return bench, ()
    less = reduced(start, bench.baseline, changes)
    return (start.on(less.raw), less.restored) if less.restored else (bench, ())


def _withdraw(start: Bench, reason: str) -> Mended:
    # what was proven at the start is still known, so this runs nothing twice
    return _told(Mended(start.raw, (), (), _review(start), reason), start)


def _review(bench: Bench) -> Review:
    return to_review(bench.baseline, bench.ruleset, bench.findings())


def _told(mended: Mended, bench: Bench) -> Mended:
    """With the reason why each finding that remains does remain."""
    reasons = {finding.identity: tuple(_why(finding, bench)) for finding in mended.review.findings}
    return replace(mended, reasons=reasons)


def _why(finding: Finding, bench: Bench) -> Iterator[str]:
    if finding.remedies:
        yield "a remedy is proven, but it was withdrawn together with the rest"
        return
    if finding.caused_by is not None:
        root = bench.baseline.finding(finding.caused_by)
        if root is not None:
            yield f"it goes with {root.rule} at {', '.join(root.parts or root.nets) or 'the circuit'}"
            return
    withdrawn = bench.prove(finding).advice
    if withdrawn:
        yield from withdrawn
    elif bench.baseline.proposals.get(finding.identity):
        yield "none of its proposals could be proven"
    else:
        yield "no value and no added part that its rule knows of would mend it: it takes a decision"


def whole_patch(
    raw: Mapping[str, Any], final: Mapping[str, Any], steps: Sequence[Step]
) -> tuple[Operation, ...]:
    """One patch from the first document to the last: each place once, or else all steps in order.

    Without ``steps`` the patch is read from the two documents.
    """
    if not steps:
        return _difference(raw, final)
    in_order: tuple[Operation, ...] = tuple(dict(op) for step in steps for op in step.remedy.patch)
    try:
        patch = patch_for(raw, compose(changes_of(in_order)))
        if apply(raw, patch) == final:
            return patch
    except CannotPatch:
        pass  # a step builds on what an earlier one added
    return in_order


def _difference(raw: Mapping[str, Any], final: Mapping[str, Any]) -> tuple[Operation, ...]:
    changes = difference(raw, final)
    return patch_for(raw, changes) if changes else ()
