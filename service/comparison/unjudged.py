"""What a rule judged in the base and says nothing of any more: a finding can go away that way too."""

from __future__ import annotations

from collections.abc import Collection, Iterable
from typing import Any

from schemas.finding import Outcome
from service.comparison.translation import Translation

_VERDICTS = ("satisfied", "violated")


def unjudged(base: Iterable[Outcome], head: Iterable[Outcome], names: Translation,
             there: Collection[str]) -> list[dict[str, Any]]:  # fmt: skip
    """Rule and subject of every verdict of the base that the head has no verdict on.

    A verdict on the whole circuit (without a subject) is still there where the rule judges anything at all.
    ``there`` are the parts and nets of the head: what lost a part or net is a change that everyone sees, and
    is left out.  ``why`` is what the rule says of it now.
    """
    now = list(head)
    judged = {(o.rule, tuple(sorted(o.subject))) for o in now if o.kind in _VERDICTS}
    judging = {rule for rule, _ in judged}
    was: dict[tuple[str, tuple[str, ...]], str] = {}
    for outcome in base:
        key = outcome.rule, names.subject(outcome.subject)
        still = key in judged if key[1] else outcome.rule in judging
        if outcome.kind in _VERDICTS and not still and all(name in there for name in key[1]):
            was[key] = max(was.get(key, ""), outcome.kind)  # violated, where it was both
    return [
        {"rule": rule, "subject": list(subject), "was": was[rule, subject], "why": _why(rule, subject, now)}
        for rule, subject in sorted(was)
    ]


def _why(rule: str, subject: tuple[str, ...], head: Iterable[Outcome]) -> str:
    """What the rule says now: of this subject, else of a larger or a smaller one, else of the circuit."""
    said = [o for o in head if o.rule == rule and o.kind not in _VERDICTS]
    nearest = sorted(said, key=lambda o: (-len(set(o.subject) & set(subject)), len(o.subject), o.reason))
    if not nearest:
        return "the rule finds nothing of the kind there"
    first = nearest[0]
    return f"{first.kind}: {first.reason}" if first.reason else first.kind
