"""The mark of each finding, by its numbers before and now."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any, Literal

from rules.soundness import relative_margin
from schemas.finding import SEVERITIES, Finding, Severity, Test
from schemas.quantities import format_quantity
from service.margins import ROUNDING, fall
from service.waivers import tell_apart

Mark = Literal["new", "known", "worsened"]


@dataclass(frozen=True, slots=True)
class Before:
    """What is known of a finding from before; numbers that were not kept are ``None``.

    ``margin`` is in units of the limit, ``places`` counts the states it was seen in.
    """

    identity: str
    severity: Severity
    margin: float | None
    places: int
    left: float | None = None
    right: float | None = None


def before_of(finding: Finding) -> Before:
    """A finding of the base as what is known from before."""
    test, margin = finding.test, relative_margin(finding.test)
    return Before(finding.identity, finding.severity, margin, places(finding), test.left, test.right)


def of_record(record: Mapping[str, Any]) -> Before:
    """A line of a baseline as what is known from before."""
    margin, seen = record.get("margin"), record.get("places")
    severity = record.get("severity")
    return Before(
        identity=str(record["identity"]),
        severity=severity if severity in SEVERITIES else "error",
        margin=None if margin is None else float(margin),
        places=seen if isinstance(seen, int) and seen > 0 else 1,
    )


def better(of_base: Before | None, kept: Before) -> Before:
    """Of a finding that base and baseline both have, the better number of each kind.

    So neither a step back from a base that is better than the baseline, nor many small steps away from the
    baseline, goes unseen.
    """
    if of_base is None:
        return kept
    closer = of_base.margin is not None and (kept.margin is None or of_base.margin > kept.margin)
    milder = max(of_base.severity, kept.severity, key=SEVERITIES.index)
    chosen = of_base if closer else kept
    return replace(chosen, severity=milder, places=min(of_base.places, kept.places))


def places(finding: Finding) -> int:
    """In how many states a finding is seen."""
    return max(1, len({occurrence.state for occurrence in finding.occurrences}))


def mark(finding: Finding, before: Before | None, worse_by: float) -> tuple[Mark, str]:
    """The mark of a finding, and why it has it."""
    if before is None:
        return "new", "the base has no such finding"
    was, now = SEVERITIES.index(before.severity), SEVERITIES.index(finding.severity)
    if now < was:
        return "worsened", f"{before.severity} before, {finding.severity} now; {numbers(finding, before)}"
    fell = 0.0 if before.margin is None else fall(before.margin, relative_margin(finding.test))
    if fell > worse_by + ROUNDING:
        return "worsened", f"the margin fell by {percent(fell)}: {numbers(finding, before)}"
    seen = places(finding)
    if seen > before.places:
        return "worsened", f"seen in {_states(seen)}, {before.places} before; {numbers(finding, before)}"
    if abs(fell) <= ROUNDING:
        return "known", "with the same numbers before"
    moved = f"the margin fell by {percent(fell)}, which is let pass" if fell > 0.0 else "less bad than before"
    return "known", f"{moved}: {numbers(finding, before)}"


def _states(count: int) -> str:
    return f"{count} state" if count == 1 else f"{count} states"


def numbers(finding: Finding, before: Before) -> str:
    """Before and now, with as many digits as it takes to tell them apart."""
    test = finding.test
    limit = format_quantity(test.right, test.unit)
    if before.left is not None:
        same = before.right is None or before.right == test.right
        old_limit = "" if same else f" (limit {format_quantity(before.right or 0.0, test.unit)})"
        if before.left == test.left:
            text = format_quantity(test.left, test.unit)
            return f"{text} before{old_limit} and now, limit {limit}"
        was, now = tell_apart(before.left, test.left, test.unit)
        return f"{was} before{old_limit}, {now} now, limit {limit}"
    now = format_quantity(test.left, test.unit)
    if before.margin is None:
        return f"{now} now, limit {limit}"
    margins = tell_apart(before.margin, relative_margin(test), "ratio")
    return f"margin {margins[0]} before, {margins[1]} now; {now} now, limit {limit}"


def percent(share: float) -> str:
    return format_quantity(share, "ratio", 3) if math.isfinite(share) else "all of it"


def numbers_held(test: Test) -> str:
    """The numbers of a test that held."""
    number, limit = (format_quantity(value, test.unit) for value in (test.left, test.right))
    return f"{number} against a limit of {limit}"
