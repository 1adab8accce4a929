"""Following one state while a condition moves, to the value at which the state ceases to exist.

With the set of conducting junctions fixed the circuit is linear at every
condition, so a whole row of conditions is solved in one batch.  Where a
junction changes over, the state goes on in the neighbouring mode, unless the
branch of solutions turns back there (the determinant changes its sign: a
fold) or the neighbour is no longer the state that was meant.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from rules.analysis.complementarity import make_problem
from rules.analysis.elements import RESISTIVE, Array
from rules.analysis.enumeration import BRUTE_LIMIT, enumerate_all
from rules.analysis.latches.conditions import Conditions
from rules.analysis.network import Network

Family = Callable[[Array], Conditions]
"""Conditions at each of several places of a way that goes from 0 to 1."""

PLACES = 33
FINE = 1e-3  # of the way; a straight line is close enough from there to the crossing
CHANGES = 40  # junctions that may change over on one way
BEYOND = 1e-7  # of the way, past a change, where the next mode is confirmed
TOLERANCE = 1e-9  # V
CONFIRMED = 1e-6  # V; what rounding may hide that close to a change
BUDGET = 4000
SINGULAR = -60.0  # natural logarithm of a determinant of rows of about one
NULL = 1e-12  # ratio of singular values that count as zero


@dataclass(frozen=True, eq=False)
class Followed:
    """Where a way ended: ``share`` of it (1 when the state is still there), in which mode.

    ``failing`` is the junction whose condition failed there, ``None`` at the end of the way.
    """

    share: float
    support: tuple[int, ...]
    failing: int | None

    @property
    def arrived(self) -> bool:
        return self.failing is None


@dataclass(frozen=True, eq=False)
class Bench:
    """A network whose states are followed; the arrays are those of the reduced problem."""

    network: Network

    @cached_property
    def _seen(self) -> Array:
        """(junctions, nets + branches): V across each junction per A or V of a source."""
        size = len(self.network.nets)
        return self.network.sense @ self.network.inverse[:size]

    @cached_property
    def scale(self) -> Array:
        """A per V that makes the diagonal about one, at middling gains."""
        _, q, fixed, varying = self.network.reduced
        islands = self.network.island_map
        empty = np.zeros((len(self.network.islands), q.size))
        return make_problem(
            q, fixed + 0.01 * varying, -self.network.sense @ islands, empty, np.zeros(len(empty))
        ).scale

    def equations(self, conditions: Conditions) -> tuple[Array, Array]:
        """(conditions, n, n) and (conditions, n): rows s = G z + h, currents in V (see ``scale``)."""
        network = self.network
        _, _, fixed, varying = network.reduced
        shares = 1.0 / (1.0 + conditions.gain)
        size, free, count = len(network.junctions), len(network.islands), len(shares)
        g = np.zeros((count, size + free, size + free))
        g[:, :size, :size] = (fixed + varying * shares[:, None, :]) * self.scale
        h = np.zeros((count, size + free))
        h[:, :size] = conditions.drops - conditions.source @ self._seen.T
        if free:
            islands, (constant, changing) = network.island_map, network.injection_parts
            balance = islands.T @ (constant + changing * shares[:, None, :])
            weight = self._weights
            g[:, :size, size:] = -network.sense @ islands
            g[:, size:, :size] = balance * self.scale * weight[:, None]
            h[:, size:] = conditions.source[:, : len(network.nets)] @ islands * weight
        return g, h

    def mode(self, conditions: Conditions, support: Sequence[int]) -> tuple[Array, Array, Array]:
        """(values, signs, unknowns) of one mode at each condition.

        A value is a scaled current (V) of a conducting junction or the slack (V) of another; the sign is
        that of the determinant, 0 where the mode has no unique solution.  What such a mode leaves open
        counts as fulfilled; where its equations contradict each other the values are NaN.
        """
        g, h = self.equations(conditions)
        size, total = len(self.network.junctions), g.shape[1]
        keep = np.array([*support, *range(size, total)], dtype=np.intp)
        z = np.zeros((len(g), total))
        signs = np.ones(len(g))
        if keep.size:
            matrices = g[:, keep[:, None], keep[None, :]]
            signs, logs = np.linalg.slogdet(matrices)
            lost = (signs == 0.0) | (logs < SINGULAR)
            safe = np.where(lost[:, None, None], np.eye(keep.size), matrices)
            z[:, keep] = np.linalg.solve(safe, -h[:, keep, None])[..., 0]
            signs = np.where(lost, 0.0, signs * (-1.0 if (total - size) % 2 else 1.0))
        values = np.einsum("bij,bj->bi", g[:, :size], z) + h[:, :size]
        chosen = list(support)
        values[:, chosen] = z[:, chosen]
        for k in np.flatnonzero(signs == 0.0).tolist():
            values[k], z[k, keep] = _undetermined(g[k], h[k], keep, size)
        return values, signs, z

    def supports(self, conditions: Conditions) -> tuple[tuple[tuple[int, ...], int | None], ...]:
        """Conducting junctions and sign of every solution at one condition."""
        size = len(self.network.junctions)
        g, h = self.equations(conditions.alone)
        m = g[0, :size, :size] / self.scale
        problem = make_problem(
            h[0, :size], m, g[0, :size, size:], g[0, size:, :size] / self.scale, h[0, size:]
        )
        return tuple((found.support, found.index) for found in enumerate_all(problem, BUDGET).solutions)

    def follow(
        self, family: Family, support: Sequence[int], keeps: Callable[[Sequence[int]], bool]
    ) -> Followed:
        """Follow a state from the start of a way; ``keeps`` says whether a mode is still what was meant."""
        share, mode = 0.0, tuple(support)
        for _ in range(CHANGES):
            end = self._failure(family, mode, share)
            if end is None:
                return Followed(1.0, mode, None)
            share, failing = end
            beyond = share + BEYOND
            if beyond >= 1.0:
                return Followed(1.0, mode, None)
            following = self._beyond(family, mode, failing, beyond, keeps)
            if following is None:
                return Followed(share, mode, failing)
            mode, share = following, beyond
        return Followed(share, mode, failing)

    def _failure(self, family: Family, support: tuple[int, ...], start: float) -> tuple[float, int] | None:
        """The first place past ``start`` where a condition of the mode fails, and which one."""
        low, high = start, 1.0
        while True:
            places = np.linspace(low, high, PLACES)
            values, _, _ = self.mode(family(places), support)
            wrong = ~np.all(values >= -TOLERANCE, axis=1)
            wrong[0] = not np.all(values[0] >= -CONFIRMED)  # there it may only just have come to hold
            if not wrong.any():
                return None
            k = int(wrong.argmax())
            if k == 0:
                return low, int(np.argmin(np.nan_to_num(values[0], nan=-np.inf)))
            low, high = float(places[k - 1]), float(places[k])
            if high - low < FINE:
                return _crossing(low, high, values[k - 1], values[k])

    def _beyond(
        self,
        family: Family,
        mode: tuple[int, ...],
        failing: int,
        place: float,
        keeps: Callable[[Sequence[int]], bool],
    ) -> tuple[int, ...] | None:
        """The mode in which the state goes on, ``None`` where it is lost."""
        swapped = tuple(sorted(set(mode) ^ {failing}))
        here = family(np.array([place]))
        values, signs, _ = self.mode(here, swapped)
        if signs[0] >= 0.0 and np.all(values[0] >= -CONFIRMED):
            return swapped if keeps(swapped) else None
        if signs[0] < 0.0 or len(self.network.junctions) > BRUTE_LIMIT:
            return None  # the branch of solutions turns back here
        others = [s for s, index in self.supports(here.at(0)) if index != -1 and keeps(s)]
        return min(others, key=lambda support: (len(set(support) ^ set(mode)), support), default=None)

    def slopes(self, conditions: Conditions, support: tuple[int, ...], failing: int) -> dict[str, float]:
        """How the failing condition moves with each resistance, V per unit of its logarithm, by part."""
        network = self.network
        size, total = len(network.junctions), len(network.junctions) + len(network.islands)
        one = conditions.alone
        g, _ = self.equations(one)
        _, _, z = self.mode(one, support)
        voltages = self._voltages(one, z[0])
        keep = [*support, *range(size, total)]
        # value = row . z + direct . h, with G z = -h over the mode: pull the answer back to the injections
        weight = np.zeros(total)
        row = np.zeros(len(keep))
        if failing in support:
            row[keep.index(failing)] = 1.0
        else:
            weight[failing] = 1.0
            row = g[0][failing, keep]
        if keep:
            weight[keep] -= np.linalg.lstsq(g[0][np.ix_(keep, keep)].T, row, rcond=NULL)[0]
        nets = len(network.nets)
        pull = -self._seen[:, :nets].T @ weight[:size]
        if network.islands:
            pull = pull + network.island_map @ (weight[size:] * self._weights)
        index = {net: k for k, net in enumerate(network.nets)}
        found: dict[str, float] = {}
        for part in network.resolved.circuit.parts.values():
            if part.kind not in RESISTIVE:
                continue
            a, b = (index.get(net) for net in part.pins.values())
            across = _at(voltages, a) - _at(voltages, b)
            ohms = network.resolved.value(part.name, "resistance")
            found[part.name] = float(across / ohms * (_at(pull, a) - _at(pull, b)))
        return found

    @cached_property
    def _weights(self) -> Array:
        """Per island, 1/A that brings its balance to the size of the other rows."""
        constant, changing = self.network.injection_parts
        balance = self.network.island_map.T @ (constant + 0.01 * changing)
        weights: Array = 1.0 / np.maximum(np.abs(balance * self.scale).max(axis=1), 1e-300)
        return weights

    def _voltages(self, one: Conditions, z: Array) -> Array:
        """Node voltages (V) of a mode."""
        network = self.network
        size, nets = len(network.junctions), len(network.nets)
        constant, changing = network.injection_parts
        source = one.source[0].copy()
        source[:nets] += (constant + changing / (1.0 + one.gain[0])) @ (z[:size] * self.scale)
        found: Array = network.inverse[:nets] @ source + network.island_map @ z[size:]
        return found

    def currents(self, conditions: Conditions, support: Sequence[int]) -> Array:
        """Junction currents (A) of one mode at one condition."""
        _, _, z = self.mode(conditions.alone, support)
        size = len(self.network.junctions)
        return np.where(np.isin(np.arange(size), list(support)), z[0, :size] * self.scale, 0.0)

    def voltages(self, conditions: Conditions, support: Sequence[int]) -> dict[str, float]:
        """Node voltages (V) of one mode at one condition, by net."""
        one = conditions.alone
        _, _, z = self.mode(one, support)
        found = dict(zip(self.network.nets, self._voltages(one, z[0]).tolist(), strict=True))
        found[self.network.resolved.circuit.ground] = 0.0
        return found


def _undetermined(g: Array, h: Array, keep: NDArray[np.intp], size: int) -> tuple[Array, Array]:
    """(values, unknowns) of a mode that leaves something open, which then counts as fulfilled."""
    matrix, right = g[np.ix_(keep, keep)], -h[keep]
    u, values, vt = np.linalg.svd(matrix)
    small = values <= NULL * max(float(values[0]), 1.0)
    if np.any(np.abs(u[:, small].T @ right) > TOLERANCE):
        return np.full(size, np.nan), np.zeros(keep.size)
    z = vt.T @ (u.T @ right / np.where(small, np.inf, values))
    null = vt[small]
    found = g[:size, keep] @ z + h[:size]
    open_ = np.abs(null @ g[:size, keep].T).max(axis=0) > 1e-9
    for place, k in enumerate(keep.tolist()):
        if k < size:
            found[k], open_[k] = z[place], bool(np.abs(null[:, place]).max() > 1e-9)
    return np.where(open_, 1.0, found), z


def _at(values: Array, k: int | None) -> float:
    return 0.0 if k is None else float(values[k])


def _crossing(low: float, high: float, before: Array, after: Array) -> tuple[float, int]:
    """Where the first condition crosses zero, on straight lines between two neighbouring places."""
    if np.any(np.isnan(after)):
        return high, int(np.argmin(before))
    failed = np.flatnonzero(after < -TOLERANCE)
    fall = np.maximum(before[failed], 0.0)
    shares = fall / (fall - after[failed])
    first = int(shares.argmin())
    return low + (high - low) * float(shares[first]), int(failed[first])
