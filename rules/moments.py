"""Of the worst moments of runs: when and where they are, in words, and which of them is the gravest."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rules.wording import say
from schemas.finding import SEVERITIES, Severity, Test

if TYPE_CHECKING:
    from rules.analysis.stress import Peak

AT_ONCE = 1e-9  # s


def moment(peak: Peak) -> str:
    """``1.2 ms after "press" from "dark"``; of a peak in a resting state ``in "dark"``."""
    if peak.at is None or peak.episode is None:
        return f'in "{peak.state}"'
    if peak.at < AT_ONCE:
        return f"at once after {peak.episode.what}"
    return f"{say(peak.at, 's')} after {peak.episode.what}"


def gravity(severity: Severity | None, test: Test) -> tuple[int, float]:
    """Greater for what is graver: the severity, then by how much of the limit it is missed."""
    rank = -len(SEVERITIES) if severity is None else -SEVERITIES.index(severity)
    return rank, -test.margin / abs(test.right) if test.right else -test.margin
