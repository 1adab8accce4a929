"""What rules say of circuits that nobody drew: how often what, and the same for circuits told differently."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence

from rules.analysis.study import Study
from rules.contract import Rule
from schemas.circuit import Circuit
from tests.judged import judged


def counted(rules: Sequence[Rule], circuits: Iterable[Circuit]) -> Counter[str]:
    """How many outcomes of each kind; a rule that raised or gave something unsound fails here."""
    return Counter(outcome.kind for circuit in circuits for outcome in judged(circuit, *rules).outcomes)


def verdicts(
    rules: Sequence[Rule],
    subject: Circuit,
    names: Mapping[str, str] | None = None,
    *,
    figures: int = 3,
    corners: bool = False,
) -> Counter[tuple[object, ...]]:
    """What each rule says of which parts (as they are called in ``names``) and with which number.

    ``corners`` tells those apart that have a name of their own; other names of corners name parts.
    """
    found: Counter[tuple[object, ...]] = Counter()
    study = Study(subject)
    for rule in rules:
        for outcome in rule.check(study):
            parts = [name for name in outcome.subject if name in subject.parts]
            about = frozenset(names[name] if names else name for name in parts)
            number = None if outcome.test is None else float(f"{outcome.test.left:.{figures}g}")
            severity = None if outcome.finding is None else outcome.finding.severity
            corner = outcome.corner if outcome.corner in (None, "min", "typical", "max") else "worst"
            found[rule.slug, outcome.kind, severity, about, number, corner if corners else None] += 1
    return found
