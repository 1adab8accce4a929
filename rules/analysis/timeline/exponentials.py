"""Sums of exponentials: values, first passages through zero, extremes; exact, without time steps.

A quantity that is affine in the stored values of a linear circuit is

    f(t) = f0 + sum_i g_i * (exp(lambda_i t) - 1) / lambda_i        (t where lambda_i = 0)

with g_i its rates at t = 0.  A first passage is found by bounding f from below on
intervals of time and halving those where the bound does not settle it, so
none is stepped over; then Newton's method, kept inside its bracket.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from rules.analysis.elements import Array

Complex = NDArray[np.complex128]
_Grown: TypeAlias = tuple[Complex, Complex]
LONGEST = 1e12  # s; nothing that a circuit does takes longer
BEYOND = 300.0  # time constants of growth; exp(300) is still a number
SETTLED = 60.0  # time constants after which an exponential is gone
_GROWTH = 1.6  # from one interval of the first grid to the next
_ROUNDS = 60
_CELLS = 200_000
TURNS = 200


@dataclass(frozen=True, eq=False)
class Sums:
    """Sums over the same exponents: ``start`` (K,), ``rates`` (K, n) complex, ``exponents`` (n,) 1/s."""

    start: Array
    rates: Complex
    exponents: Complex

    def primitive(self, times: Array) -> Complex:
        """(exp(lambda t) - 1)/lambda, shape (n, times)."""
        lam = self.exponents[:, None]
        with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
            made: Complex = np.expm1(lam * times) / lam
        still = self.exponents == 0.0
        return np.where(still[:, None], times[None, :], made) if still.any() else made

    def at(self, times: Array) -> Array:
        """Values, shape (K, times); infinite times give the limit."""
        finite = np.where(np.isfinite(times), times, LONGEST)
        values = self.start[:, None] + (self.rates @ self.primitive(finite)).real
        return np.asarray(values)

    def slope(self, times: Array) -> Array:
        """First derivatives, shape (K, times)."""
        with np.errstate(over="ignore"):
            return np.asarray((self.rates @ np.exp(self.exponents[:, None] * times)).real)

    def pick(self, rows: NDArray[np.intp] | list[int]) -> Sums:
        return Sums(self.start[rows], self.rates[rows], self.exponents)

    def derivative(self) -> Sums:
        """The derivatives as sums of the same kind."""
        start = self.rates.sum(axis=1).real
        return Sums(start, self.rates * self.exponents, self.exponents)

    def limit(self) -> Array:
        """Values at infinity, infinite where a sum goes on growing; shape (K,)."""
        lam = self.exponents
        scale = np.abs(self.rates).max(axis=1, initial=0.0, keepdims=True)
        there = np.abs(self.rates) > 1e-13 * np.maximum(scale, 1e-300)
        lasting = (lam.real >= -1e-300)[None, :] & there
        safe = np.where(lam == 0.0, 1.0, lam)
        values = self.start - np.where(lasting, 0.0, self.rates / safe).sum(axis=1).real
        growing = np.where(lasting, self.rates, 0.0).sum(axis=1).real
        return np.asarray(np.where(lasting.any(axis=1), np.copysign(np.inf, growing), values))


def floor_of(
    sums: Sums, rows: NDArray[np.intp], a: Array, b: Array, ends: tuple[Array, Array], grown: _Grown
) -> tuple[Array, Array]:
    """A lower bound of each sum ``rows`` on its interval [a, b] from its values at the ends; and its bend.

    ``grown`` are the primitives at both ends (intervals, exponents).
    """
    rates, lam = sums.rates[rows], sums.exponents
    with np.errstate(over="ignore", invalid="ignore"):
        growth = np.exp(np.maximum(lam.real * a[:, None], lam.real * b[:, None]))
        bend = (np.abs(rates * lam) * growth).sum(axis=1)
    bent = np.minimum(*ends) - bend * (b - a) ** 2 / 8.0
    if not lam.imag.any():
        # each term is monotone, so each is least at one of the ends
        terms = np.minimum((rates * grown[0]).real, (rates * grown[1]).real).sum(axis=1) + sums.start[rows]
        bent = np.fmax(bent, terms)
    return np.where(np.isnan(bent), -np.inf, bent), bend


def grid(sums: Sums, horizon: float) -> Array:
    """Times from 0 to the horizon, first tight then wide, never wider than an oscillation allows."""
    lam = sums.exponents[np.abs(sums.exponents) > 0.0]
    if lam.size == 0:
        return np.array([0.0, horizon])
    first = min(1e-2 / float(np.abs(lam).max()), horizon)
    count = max(1, math.ceil(math.log(horizon / first) / math.log(_GROWTH))) if horizon > first else 0
    return np.concatenate([[0.0], first * (horizon / first) ** (np.arange(count + 1) / max(count, 1))])


def horizon_of(sums: Sums, longest: float) -> float:
    """The time by which every sum has either settled or gone where it goes, at most ``longest``."""
    lam = sums.exponents
    weight = np.abs(sums.rates).max(axis=0, initial=0.0)
    there = weight > 1e-14 * max(float(weight.max(initial=0.0)), 1e-300)
    decay = -lam.real[there]
    needed = [SETTLED / float(value) for value in decay if value > 0.0]
    reach = float(np.abs(sums.start).max(initial=0.0)) + 1.0
    for k in np.flatnonzero(there):
        if lam[k].real >= 0.0:
            rate = np.abs(sums.rates[:, k])
            least = float(rate[rate > 1e-13 * rate.max(initial=0.0)].min(initial=np.inf))
            swing = np.abs(sums.rates / np.where(lam == 0.0, 1.0, lam)).sum(axis=1)
            span = reach + float(swing.max(initial=0.0))
            growth = float(lam[k].real)
            needed.append(
                8.0 * span / least
                if growth == 0.0
                else math.log(1.0 + 8.0 * span * float(abs(lam[k])) / least) / growth
            )
    # what grows has gone where it goes long before its exponential is too large for a number
    growth = float(np.max(lam.real, initial=0.0))
    within = BEYOND / growth if growth > 0.0 else LONGEST
    return min(longest, max(needed, default=0.0), within, LONGEST)


def first_passage(sums: Sums, longest: float, slack: float) -> tuple[float, int] | None:
    """The first time (s, up to ``longest``) at which one of the sums falls below zero, and which.

    A sum counts as fallen below -``slack``; the time told is that of the passage
    through zero itself (0 where it starts there).  ``None``: none ever does.
    """
    if not len(sums.start):
        return None
    if np.any(sums.start < -slack):
        return 0.0, int(np.argmin(sums.start))
    horizon = horizon_of(sums, longest)
    if horizon <= 0.0:
        return None
    lifted = Sums(sums.start + slack, sums.rates, sums.exponents)
    edges = grid(sums, horizon)
    # the primitives at the ends of the intervals are worked out once and go along with the intervals
    primitive = lifted.primitive(edges)
    values = lifted.start[:, None] + (lifted.rates @ primitive).real
    count, cells = values.shape[0], len(edges) - 1
    # beyond the first fall of a sum nothing more is asked of it
    alive = np.logical_and.accumulate(values[:, :-1] >= 0.0, axis=1).ravel()
    who = np.repeat(np.arange(count), cells)[alive]
    cell = np.tile(np.arange(cells), count)[alive]
    a, b, pa, pb = edges[cell], edges[cell + 1], primitive.T[cell], primitive.T[cell + 1]
    fa, fb = values[:, :-1].ravel()[alive], values[:, 1:].ravel()[alive]
    best = math.inf
    brackets: list[tuple[float, float, int]] = []
    for _ in range(_ROUNDS):
        down = fb < 0.0
        best = min(best, float(b[down].min(initial=math.inf)))
        floor, bend = floor_of(lifted, who, a, b, (fa, fb), (pa, pb))
        narrow = (b - a) <= 1e-13 * b
        # in a bracket with so little bend the slope keeps its sign: one passage
        settled = down & (narrow | (bend * (b - a) ** 2 < fa - fb))
        brackets.extend(zip(a[settled].tolist(), b[settled].tolist(), who[settled].tolist(), strict=True))
        again = (a < best) & ~narrow & ~settled & (down | (floor < 0.0))
        if not again.any() or int(again.sum()) > _CELLS:
            break
        who, a, b, fa, fb = who[again], a[again], b[again], fa[again], fb[again]
        pa, pb = pa[again], pb[again]
        middle = 0.5 * (a + b)
        pm = lifted.primitive(middle).T
        fm = lifted.start[who] + (lifted.rates[who] * pm).sum(axis=1).real
        keep = np.concatenate([fa >= 0.0, fm >= 0.0])
        who = np.tile(who, 2)[keep]
        a, b = np.concatenate([a, middle])[keep], np.concatenate([middle, b])[keep]
        fa, fb = np.concatenate([fa, fm])[keep], np.concatenate([fm, fb])[keep]
        pa, pb = np.concatenate([pa, pm])[keep], np.concatenate([pm, pb])[keep]
    found = [(_passage(sums, k, low, high), k) for low, high, k in brackets if low < best]
    return min(found, default=None)


def _passage(sums: Sums, k: int, low: float, high: float) -> float:
    """Where sum ``k`` passes through zero; it is below -slack at ``high``."""
    rates, lam, start = sums.rates[k], sums.exponents, float(sums.start[k])
    still = lam == 0.0
    divisor = np.where(still, 1.0, lam)

    def value(t: float) -> tuple[float, float]:
        grown = np.expm1(lam * t)
        primitive = np.where(still, t, grown / divisor)
        slope = (rates * (grown + 1.0)).sum().real
        return start + float((rates * primitive).sum().real), float(slope)

    while low > 0.0 and value(low)[0] <= 0.0:
        # the slack hid the passage in an earlier interval
        low = 0.0 if low < 1e-300 else low / 2.0
    if value(low)[0] <= 0.0:
        return low
    t = 0.5 * (low + high)
    for _ in range(200):
        f, slope = value(t)
        low, high = (t, high) if f > 0.0 else (low, t)
        step = t - f / slope if slope != 0.0 else math.nan
        following = step if low < step < high else 0.5 * (low + high)
        if abs(following - t) <= 4e-16 * abs(t) or following == t:
            return following
        t = following
    return t


def shifted(sums: Sums, t: float) -> Sums:
    """The same sums with time counted from ``t`` on."""
    return Sums(sums.at(np.array([t]))[:, 0], sums.rates * np.exp(sums.exponents * t), sums.exponents)


def extremes(sums: Sums, k: int, duration: float) -> tuple[tuple[float, float], tuple[float, float]]:
    """((least value, when), (greatest value, when)) of one sum on [0, duration], exact."""
    one = sums.pick([k])
    end = duration if math.isfinite(duration) else horizon_of(one, LONGEST)
    times = [0.0, end, *turning_points(one, end)]
    pairs = list(zip(one.at(np.array(times))[0].tolist(), times, strict=True))
    low = min(pairs, key=lambda pair: (pair[0], pair[1]))
    high = max(pairs, key=lambda pair: (pair[0], -pair[1]))
    return low, high


def turning_points(one: Sums, end: float) -> list[float]:
    """Times in (0, end) at which a single sum turns, at most ``TURNS``."""
    slope = one.derivative()
    size = float(np.abs(one.rates).sum())
    if size == 0.0:
        return []
    first = float(slope.start[0])
    if abs(first) <= 1e-13 * size:
        first = float(slope.rates.sum().real)
    sign, t, found = math.copysign(1.0, first), 0.0, list[float]()
    for _ in range(TURNS):
        here = shifted(slope, t)
        turned = Sums(sign * here.start, sign * here.rates, here.exponents)
        passage = first_passage(turned, end - t, 1e-12 * size)
        if passage is None or passage[0] <= 0.0:
            break
        t += passage[0]
        found.append(t)
        sign = -sign
    return found
