"""How far a margin moved between two runs, and how far it may: margins are in units of their limit."""

from __future__ import annotations

import math

LEEWAY = 0.01  # of the limit; what stays may move this far, which is less than any tolerance does
ROUNDING = 1e-6  # of the limit; a margin that moved less did not move (rounding of the linear algebra)


def fall(before: float, after: float) -> float:
    """By how much a relative margin fell: in units of the limit, or of the margin where that is larger."""
    if before == after:  # infinite ones too
        return 0.0
    return (before - after) / max(1.0, abs(before)) if math.isfinite(before) else math.inf * (before - after)
