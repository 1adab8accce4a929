"""Mending to a fixed point: apply the best proven remedy for the worst finding, review, repeat.

Every step is proven on its own; at the end the whole is compared with the
start once more.  On any doubt (a circle, a cap, a loss that only the sum of
the steps shows) everything is withdrawn and the document stays as it was.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from schemas.circuit import Circuit
from schemas.finding import Change, Finding, Remedy, Review
from service.comparing import losses
from service.engine import Run, to_review
from service.patches import CannotPatch, Operation, apply, compose, patch_for
from service.remedies import Bench, content_key
from service.ruleset import Ruleset

MAX_STEPS = 20
RUNS_PER_MEND = 144


@dataclass(frozen=True, slots=True)
class Step:
    """One applied remedy and the finding that it mended."""

    finding: Finding
    remedy: Remedy


@dataclass(frozen=True, slots=True)
class Mended:
    """What was applied, the document it led to, and the review of that document.

    ``withdrawn`` says why nothing was applied although remedies were proven.
    """

    raw: Mapping[str, Any]
    patch: tuple[Operation, ...]
    steps: tuple[Step, ...]
    review: Review
    withdrawn: str | None = None


def mend(circuit: Circuit, raw: Mapping[str, Any], ruleset: Ruleset, cap: int = MAX_STEPS) -> Mended:
    """Apply proven remedies until none is left.  ``raw`` itself is never changed."""
    start = Bench(ruleset, raw, circuit, RUNS_PER_MEND)
    bench = start
    steps: list[Step] = []
    seen = {content_key(raw)}
    while True:
        step = _next(bench)
        if step is None:
            break
        if len(steps) >= cap:
            return _withdraw(start, f"after {cap} changes there was still something to mend")
        steps.append(step)
        changed = apply(bench.raw, step.remedy.patch)
        key = content_key(changed)
        if key in seen:
            return _withdraw(
                start, f"the remedies go in a circle: {step.remedy.summary} leads back to an earlier state"
            )
        seen.add(key)
        bench = bench.on(changed)
    lost = losses(start.baseline, bench.baseline, [step.finding for step in steps])
    if lost:
        return _withdraw(start, f"taken together, the changes were not an improvement: {lost}")
    return Mended(bench.raw, whole_patch(raw, bench.raw, steps), tuple(steps), _review(bench))


def _next(bench: Bench) -> Step | None:
    """The best remedy for the worst finding that has one."""
    for finding in bench.baseline.findings:
        remedies, _ = bench.prove(finding)
        if remedies:
            return Step(finding, remedies[0])
    return None


def _withdraw(start: Bench, reason: str) -> Mended:
    # what was proven at the start is still known, so this runs nothing twice
    return Mended(start.raw, (), (), _review(start), reason)


def _review(bench: Bench) -> Review:
    run: Run = bench.baseline
    return to_review(run, bench.ruleset, tuple(bench.with_remedies(finding) for finding in run.findings))


def whole_patch(raw: Mapping[str, Any], final: Mapping[str, Any], steps: list[Step]) -> tuple[Operation, ...]:
    """One patch from the first document to the last: each place once, or else all steps in order."""
    in_order: tuple[Operation, ...] = tuple(dict(op) for step in steps for op in step.remedy.patch)
    if not steps:
        return ()
    try:
        patch = patch_for(raw, compose(_changes(in_order)))
        if apply(raw, patch) == final:
            return patch
    except CannotPatch:
        pass  # a step builds on what an earlier one added
    return in_order


def _changes(operations: tuple[Operation, ...]) -> Iterator[Change]:
    old: dict[str, Any] = {}
    for operation in operations:
        if operation["op"] == "test":
            old[operation["path"]] = operation["value"]
        else:
            yield Change(operation["path"], old.get(operation["path"]), operation.get("value"))
