"""Random points within the tolerances, by a seed and a distribution that is stated."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Literal, TypeAlias

import numpy as np

from rules.analysis.corners.parameters import Parameter
from rules.analysis.elements import Array

Distribution: TypeAlias = Literal["uniform", "normal"]

DISTRIBUTIONS: Mapping[Distribution, str] = {
    "uniform": "uniform and independent within every tolerance",
    "normal": "normal and independent, sigma a sixth of every interval, cut off at its ends",
}
SIGMAS = 3.0  # from the middle of an interval to its ends


def drawn(
    parameters: Sequence[Parameter], count: int, seed: int, distribution: Distribution = "uniform"
) -> Array:
    """``count`` points (count, parameters); the first ones are the same for any count.

    ``normal``: around the nominal value, sigma a sixth of the interval (a tolerance of 3 sigma), cut off at
    the ends of the interval.  Raises ``ValueError`` for another distribution.
    """
    low = np.array([p.low for p in parameters])
    high = np.array([p.high for p in parameters])
    shares = np.random.default_rng(seed).random((count, len(parameters)))
    if distribution == "uniform":
        points: Array = low + shares * (high - low)
        return points
    if distribution != "normal":
        raise ValueError(f"no distribution {distribution!r}; there are {', '.join(DISTRIBUTIONS)}")
    from scipy.special import ndtr, ndtri

    nominal = np.array([p.nominal for p in parameters])
    sigma = (high - low) / (2.0 * SIGMAS)
    least, most = ndtr((low - nominal) / sigma), ndtr((high - nominal) / sigma)
    normal: Array = nominal + sigma * ndtri(least + shares * (most - least))
    return np.clip(normal, low, high)
