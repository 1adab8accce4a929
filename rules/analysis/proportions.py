"""How sure a share is that was counted in samples."""

from __future__ import annotations

import math
from statistics import NormalDist

CONFIDENCE = 0.95


def share_interval(passed: int, count: int, confidence: float = CONFIDENCE) -> tuple[float, float]:
    """Lower and upper end of a share (0 to 1), ``passed`` of ``count`` independent samples.

    The score interval (E. B. Wilson, "Probable inference, the law of succession, and statistical
    inference", J. Am. Stat. Assoc. 22, 1927; from memory), which stays within 0 and 1 and is sensible
    where all or none passed.  (0, 1) without samples.  Raises ``ValueError`` for a count that cannot be.
    """
    if not 0 <= passed <= count:
        raise ValueError(f"{passed} of {count} samples cannot have passed")
    if not 0.0 < confidence < 1.0:
        raise ValueError(f"the confidence has to be between 0 and 1, got {confidence!r}")
    if count == 0:
        return 0.0, 1.0
    z = NormalDist().inv_cdf(0.5 + confidence / 2)
    share, weight = passed / count, z * z / count
    middle = (share + weight / 2) / (1 + weight)
    half = z / (1 + weight) * math.sqrt(share * (1 - share) / count + weight / (4 * count))
    low = 0.0 if passed == 0 else middle - half
    high = 1.0 if passed == count else middle + half
    return low, high
