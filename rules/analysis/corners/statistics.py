"""What a quantity does in a batch of circuits: root-sum-square, Monte Carlo, yield.

None of these is a worst case.  Root-sum-square adds the single changes of independent
parameters as lengths at right angles; it means something only where the quantity
is nearly linear within the tolerances.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property
from statistics import NormalDist

import numpy as np

from rules.analysis.corners.draws import DISTRIBUTIONS, Distribution, drawn
from rules.analysis.corners.existence import stands_for
from rules.analysis.corners.parameters import Parameter, Point, frozen_point
from rules.analysis.corners.parameters import parameters as parameters_of
from rules.analysis.corners.sampling import Progress, Samples, sampled_states
from rules.analysis.corners.variants import Quantity
from rules.analysis.corners.worst import Sensitivity
from rules.analysis.elements import Array
from rules.analysis.states import State

SEED = 1
COUNT = 10_000
PERCENTILES = (0.5, 50.0, 99.5)
CONFIDENCE = 0.95


@dataclass(frozen=True, slots=True)
class RootSumSquare:
    """``nominal`` plus or minus ``half_width``, in the unit of the quantity.

    ``half_width`` is sqrt(sum of (S_k d_k)**2) with S_k d_k half of the change over the whole interval of
    parameter k alone (source: root-sum-square, any text on tolerance analysis; three sigma where the
    tolerances are three sigma, sqrt(3) sigma where every value within them is as likely).
    """

    nominal: float
    half_width: float

    @property
    def low(self) -> float:
        return self.nominal - self.half_width

    @property
    def high(self) -> float:
        return self.nominal + self.half_width


def root_sum_square(nominal: float, sensitivities: Sequence[Sensitivity]) -> RootSumSquare:
    """From the sensitivities of :func:`rules.analysis.corners.worst.worst` (of either end)."""
    return RootSumSquare(nominal, math.sqrt(sum((0.5 * s.change) ** 2 for s in sensitivities)))


@dataclass(frozen=True, slots=True)
class Yield:
    """``passed`` of ``count`` samples, and the interval that holds the true share with ``confidence``."""

    passed: int
    count: int
    low: float
    high: float
    confidence: float

    @property
    def share(self) -> float:
        return self.passed / self.count


def yield_of(passed: int, count: int, confidence: float = CONFIDENCE) -> Yield:
    """Share that passes, with the score interval of E. B. Wilson (J. Am. Stat. Assoc. 22, 1927; from memory).

        (p + z**2/(2n) +- z sqrt(p (1-p)/n + z**2/(4 n**2))) / (1 + z**2/n)

    with z the normal quantile of (1 + confidence)/2.  Raises ``ValueError`` without samples or for a
    confidence outside 0 to 1.
    """
    if not 0 <= passed <= count or count == 0:
        raise ValueError(f"{passed} of {count} samples is no share")
    if not 0.0 < confidence < 1.0:
        raise ValueError(f"a confidence lies between 0 and 1, got {confidence!r}")
    z = NormalDist().inv_cdf(0.5 * (1.0 + confidence))
    p, square = passed / count, z * z / count
    middle = p + 0.5 * square
    reach = z * math.sqrt(p * (1.0 - p) / count + square / (4.0 * count))
    low, high = (middle - reach) / (1.0 + square), (middle + reach) / (1.0 + square)
    # at none and at all the end is exactly 0 or 1
    return Yield(passed, count, 0.0 if passed == 0 else low, 1.0 if passed == count else high, confidence)


@dataclass(frozen=True, eq=False)
class MonteCarlo:
    """A quantity over random samples.

    ``values`` has one place for each sample done, NaN where the state does not exist or the quantity is
    undefined; infinite values (a delay that never ends) count as such.  ``distribution`` and ``seed`` say
    what was drawn.  ``complete`` is false, with ``reason``, where not all ``asked`` samples are done or a
    list of states was not surely complete.
    """

    values: Array
    asked: int
    seed: int
    distribution: str
    complete: bool
    reason: str

    @property
    def done(self) -> int:
        return len(self.values)

    @cached_property
    def defined(self) -> Array:
        """The values that there are."""
        result: Array = self.values[~np.isnan(self.values)]
        return result

    @property
    def missing(self) -> int:
        """Samples without the state or the quantity."""
        return self.done - len(self.defined)

    @property
    def mean(self) -> float:
        """NaN without a value."""
        return float(self.defined.mean()) if len(self.defined) else float("nan")

    @property
    def deviation(self) -> float:
        """Standard deviation of the samples (n - 1); NaN with fewer than two values."""
        return float(self.defined.std(ddof=1)) if len(self.defined) > 1 else float("nan")

    def percentile(self, share: float) -> float:
        """The smallest value that at least ``share`` per cent of the values do not exceed; NaN of none."""
        if not len(self.defined):
            return float("nan")
        return float(np.percentile(self.defined, share, method="inverted_cdf"))

    @cached_property
    def percentiles(self) -> dict[float, float]:
        """At 0.5, 50 and 99.5 per cent."""
        return {share: self.percentile(share) for share in PERCENTILES}

    def within(self, low: float, high: float, confidence: float = CONFIDENCE) -> Yield:
        """The yield: values from ``low`` to ``high``; a sample without a value fails."""
        passed = int(np.count_nonzero((self.defined >= low) & (self.defined <= high)))
        return yield_of(passed, self.done, confidence)


def monte_carlo(
    state: State,
    quantity: Quantity,
    count: int = COUNT,
    seed: int = SEED,
    distribution: Distribution = "uniform",
    parameters: Sequence[Parameter] | None = None,
    budget: int | None = None,
    progress: Progress | None = None,
) -> MonteCarlo:
    """A quantity of a state over random samples, all states of each sample found.

    In each sample the state is the stable one that reads the same
    (:func:`rules.analysis.corners.existence.stands_for`), whatever its mode; of several the first by mode.
    ``budget`` is the largest number of samples to do; ``progress`` hears (done, asked).
    """
    listed = tuple(parameters_of(state.mode.network.resolved, state) if parameters is None else parameters)
    samples = sampled_states(
        state.mode.network, listed, drawn(listed, count, seed, distribution), budget, progress
    )
    values = values_of(samples, state, quantity)
    return MonteCarlo(values, count, seed, DISTRIBUTIONS[distribution], samples.complete, samples.reason)


def values_of(samples: Samples, state: State, quantity: Quantity) -> Array:
    """A quantity of a state in every sample; NaN where no state stands for it."""
    values = np.full(samples.done, np.nan)
    for mode in reversed(samples.modes):
        chosen = mode.stable if state.stable else np.ones(len(mode.samples), dtype=bool)
        first = next((s for k in np.flatnonzero(chosen) if (s := mode.variants.state(int(k)))), None)
        if first is not None and stands_for(first, state):
            values[mode.samples[chosen]] = mode.take(quantity)[chosen]
    return values


def monte_carlo_scalar(
    f: Callable[[Point], float | None],
    parameters: Sequence[Parameter],
    count: int,
    seed: int = SEED,
    distribution: Distribution = "uniform",
    budget: int | None = None,
    progress: Progress | None = None,
) -> MonteCarlo:
    """The same for any function of a point (a delay in s, say), asked once for each sample.

    ``f`` may return an infinity, or ``None`` where it is undefined.
    """
    listed = tuple(parameters)
    points = drawn(listed, count, seed, distribution)
    wanted = count if budget is None else max(0, min(count, budget))
    keys = [p.key for p in listed]
    values: list[float] = []
    for row in points[:wanted]:
        value = f(frozen_point(dict(zip(keys, row.tolist(), strict=True))))
        values.append(float("nan") if value is None else float(value))
        if progress is not None and progress(len(values), count) is False:
            break
    done = len(values)
    reason = "" if done == count else f"{done} of {count} samples done"
    return MonteCarlo(np.array(values), count, seed, DISTRIBUTIONS[distribution], not reason, reason)
