"""What still holds, but by less: margins that the change took, before a finding tells of them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from rules.soundness import relative_margin
from schemas.finding import Outcome, Test
from service.comparison.translation import Translation
from service.margins import ROUNDING, fall
from service.shapes import finite, test_shape

AMPLE = 1.0
"""A margin of more than the whole limit; what moves about out there concerns nobody."""
Key = tuple[str, tuple[str, ...], str]


def eroded(
    base: Iterable[Outcome], head: Iterable[Outcome], names: Translation, worse_by: float
) -> list[dict[str, Any]]:
    """Satisfied in both, and the margin fell by more than ``worse_by``; the nearest to its limit first.

    Margins that are ample even now are left out.
    """
    now_in = list(head)
    violated = {
        (outcome.rule, tuple(sorted(outcome.subject))) for outcome in now_in if outcome.kind == "violated"
    }
    was = _satisfied((names.subject(outcome.subject), outcome) for outcome in base)
    now = _satisfied((tuple(sorted(outcome.subject)), outcome) for outcome in now_in)
    found = []
    for key in sorted(now.keys() & was.keys()):
        before, after = was[key], now[key]
        fell = fall(_margin(before), _margin(after))
        if fell > worse_by + ROUNDING and _margin(after) <= AMPLE and key[:2] not in violated:
            found.append((_margin(after), key, before, after, fell))
    found.sort(key=lambda item: item[:2])
    return [
        {
            "rule": after.rule,
            "subject": list(after.subject),
            "state": after.state,
            "corner": after.corner,
            "before": None if before.test is None else test_shape(before.test),
            "after": None if after.test is None else test_shape(after.test),
            "fell": finite(fell),
        }
        for _, _, before, after, fell in found
    ]


def held_before(
    base: Iterable[Outcome], head: Iterable[Outcome], names: Translation
) -> Mapping[str, Test]:
    """The test that held in the base, by the identity of the head's finding on the same subject."""
    was = _satisfied((names.subject(outcome.subject), outcome) for outcome in base)
    found: dict[str, Test] = {}
    for outcome in head:
        if outcome.finding is None:
            continue
        key = outcome.rule, tuple(sorted(outcome.subject)), outcome.finding.test.relation
        before = was.get(key)
        if before is not None and before.test is not None:
            found.setdefault(outcome.finding.identity, before.test)
    return found


def _margin(outcome: Outcome) -> float:
    assert outcome.test is not None
    return relative_margin(outcome.test)


def _satisfied(outcomes: Iterable[tuple[tuple[str, ...], Outcome]]) -> Mapping[Key, Outcome]:
    """The satisfied outcome of each rule, subject and relation; that with the least margin."""
    kept: dict[Key, Outcome] = {}
    for subject, outcome in outcomes:
        if outcome.kind != "satisfied" or outcome.test is None:
            continue
        key = outcome.rule, subject, outcome.test.relation
        if key not in kept or _margin(outcome) < _margin(kept[key]):
            kept[key] = outcome
    return kept
