"""One configuration as linear equations over what it stores, mode by mode.

With the conducting junctions S fixed, everything is affine in the stored
values w (capacitor voltages, coil currents) and so is dw/dt.  Where conducting
junctions tie stored values down (a junction straight across a capacitor, a
blocked coil), the equations of S are singular; the tie is then kept by its time
derivative, which settles the junction current.  A further input mu fades a
contact, a driver or the supply from one position to another.
"""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from rules.analysis.complementarity import (
    Problem,
    Solution,
    brute,
    make_problem,
    scaled,
)
from rules.analysis.elements import Array, Configuration
from rules.analysis.enumeration import BRUTE_LIMIT, enumerate_all
from rules.analysis.network import Network, build_network, coils_in, injections
from rules.analysis.resolve import Resolved
from rules.analysis.states import State
from rules.analysis.tabulation import Mode
from rules.analysis.timeline.stores import Stores, stores_of

TIE = 1e-9  # V; a tie between stored values holds within this
AT_LIMIT = 1e-9  # V; a condition this close to its limit is at its limit
_DIP = 1e-11  # V; a condition may fall by so little before it rises
_LOOSE = 1e-9  # a direction that moves a condition by less than this does not move it
_FADES = 4  # that are kept for the next run
_STEPS = 5000  # of the search for the states at one moment


@dataclass(frozen=True, slots=True)
class Leak:
    """What draws a capacitor towards 0 V: a constant current (A), and a conductance (1/ohm)."""

    current: float = 0.0
    conductance: float = 0.0


@dataclass(frozen=True, eq=False)
class Fade:
    """A difference of sources (A per net, V per branch) that fades as mu goes from 1 to 0."""

    source: Array


@dataclass(frozen=True, slots=True)
class Support:
    """Which junctions conduct, and which way each capacitor leaks (+1, -1; 0: it is stuck at 0 V)."""

    junctions: tuple[int, ...]
    leaks: tuple[int, ...]


@dataclass(frozen=True, eq=False)
class Linear:
    """One mode: everything as ``first @ x + zeroth`` over x = (w, mu), with ``keys`` naming the conditions.

    ``conditions`` (V) have to stay above zero: junction currents (scaled) and
    slacks by junction number; a pair of numbers where an undetermined potential
    has to stay between two limits; ``("leak", k)`` where the leakage of a
    capacitor turns over.  ``ties`` are voltages that have to be zero on entry.
    """

    support: Support
    keys: tuple[object, ...]
    conditions: tuple[Array, Array]
    rates: tuple[Array, Array]
    unknowns: tuple[Array, Array]  # scaled junction currents, then island potentials
    ties: tuple[Array, Array]
    null: Array  # directions of the unknowns that stay open
    sign: int | None
    sound: bool  # false: contradictory, or a rate depends on what is open

    def condition(self, x: Array) -> Array:
        return self.conditions[0] + self.conditions[1] @ x

    def rate(self, x: Array) -> Array:
        return self.rates[0] + self.rates[1] @ x

    def tied(self, x: Array) -> bool:
        return not len(self.ties[0]) or bool((np.abs(self.ties[0] + self.ties[1] @ x) <= TIE).all())

    def holds(self, x: Array, direction: Array | None = None) -> bool:
        """True where every condition holds at ``x`` and goes on holding along ``direction`` (else dw/dt)."""
        if not self.sound or not self.tied(x):
            return False
        values = self.condition(x)
        if (values < -AT_LIMIT).any():
            return False
        near = values <= AT_LIMIT
        if not near.any():
            return True
        free = direction is None
        if direction is None:
            direction = np.zeros(x.size)
            rate = self.rate(x)
            direction[: rate.size] = rate
        steps = self.conditions[1] @ direction
        sizes = np.abs(self.conditions[1][near]) @ np.abs(direction)
        # beside conditions that move fast, rounding makes those that stand still seem to move
        falling = steps[near] < -1e-9 * sizes - 1e-12 * np.abs(steps).max()
        if not free or not falling.any():
            return not bool(falling.any())
        return self._turns_round(np.flatnonzero(near)[falling], direction)

    def _turns_round(self, conditions: NDArray[np.intp], direction: Array) -> bool:
        """Whether falling conditions rise again before they have fallen by anything.

        A junction across a capacitor blocks from the moment its current is zero: the voltage then stands
        still, and only its bend says which way it goes.
        """
        rows = self.conditions[1][conditions]
        rate = self.rates[0].size
        bend = rows[:, :rate] @ (self.rates[1] @ direction)
        fall = rows @ direction
        return bool(np.all(bend > 0.0) and np.all(fall * fall <= 2.0 * _DIP * bend))


class Plant:
    """All modes of one configuration at fixed gains; asking twice gives the same objects."""

    def __init__(
        self,
        resolved: Resolved,
        configuration: Configuration,
        betas: Mapping[str, float],
        leaks: Mapping[str, Leak],
        fade: Fade | None = None,
    ) -> None:
        self.resolved, self.configuration, self.betas, self.leaks = resolved, configuration, betas, leaks
        self.stores: Stores = stores_of(resolved, configuration)
        held = dict.fromkeys(self.stores.free, 0.0)
        self.network: Network = build_network(resolved, configuration, held)
        self.fade = fade
        self._modes: dict[Support, Linear] = {}
        self._faded: OrderedDict[bytes, Plant] = OrderedDict()
        self._last: tuple[Array, tuple[tuple[int, ...], ...]] | None = None

    def faded(self, source: Array) -> Plant:
        """The same plant without leakage and with a source that fades, which takes no time."""
        mark = source.tobytes()
        made = self._faded.get(mark)
        if made is None:
            made = self._faded[mark] = Plant(self.resolved, self.configuration, self.betas, {}, Fade(source))
            while len(self._faded) > _FADES:
                self._faded.popitem(last=False)
        return made

    @cached_property
    def branch_rows(self) -> Mapping[str, int]:
        size = len(self.network.nets)
        return {branch.part: size + k for k, branch in enumerate(self.network.branches)}

    @cached_property
    def inputs(self) -> Array:
        """(nets + branches, free + fade) what each stored value and mu put into the nodal equations."""
        network = self.network
        size = len(network.nets)
        row = {net: k for k, net in enumerate(network.nets)}
        columns = np.zeros((size + len(network.branches), len(self.stores.free) + (self.fade is not None)))
        coils = coils_in(self.resolved, dict.fromkeys(self.stores.free, 0.0))
        for k, name in enumerate(self.stores.free):
            if name in coils:
                for net, sign in zip(self.ends(name), (-1.0, 1.0), strict=True):
                    if net in row:
                        columns[row[net], k] += sign
            else:
                columns[self.branch_rows[name], k] = 1.0
        if self.fade is not None:
            columns[:, -1] = self.fade.source
        return columns

    def ends(self, name: str) -> tuple[str, str]:
        """The nets of a store, first pin first."""
        pins = self.resolved.circuit.parts[name].pins
        return (pins["plus"], pins["minus"]) if "plus" in pins else (pins["a"], pins["b"])

    @cached_property
    def linear(self) -> tuple[Array, Array, Array]:
        """Node voltages and branch currents: constant, per input, per unknown (as in ``Linear.unknowns``)."""
        network = self.network
        size = len(network.nets)
        inject = injections(network, self.betas) * self.problem.scale
        response = network.inverse[:, :size] @ inject
        potentials = np.zeros((network.inverse.shape[0], len(network.islands)))
        potentials[:size] = network.island_map
        return (
            network.inverse @ network.source_vector(),
            network.inverse @ self.inputs,
            np.hstack([response, potentials]),
        )

    @cached_property
    def problem(self) -> Problem:
        """The complementarity problem with nothing stored."""
        network, size = self.network, len(self.network.junctions)
        g, h = network.equations(self.betas)
        return make_problem(h[:size], g[:size, :size], g[:size, size:], g[size:, :size], h[size:])

    @cached_property
    def equations(self) -> tuple[Array, Array, Array]:
        """(G, h, H): scaled unknowns z of conducting junctions and islands solve G z = -(h + H x)."""
        network, problem = self.network, self.problem
        g, h = scaled(problem)
        size = len(network.nets)
        slopes = network.inverse[:size] @ self.inputs
        rows = np.abs(problem.s * problem.scale).max(axis=1, initial=0.0)
        weight = 1.0 / np.where(rows > 0.0, rows, 1.0)
        balance = (network.island_map.T @ self.inputs[:size]) * weight[:, None]
        return g, h, np.vstack([-network.sense @ slopes, balance])

    def problem_at(self, x: Array) -> Problem:
        """The complementarity problem with the stored values (and mu) in ``x``."""
        problem, size = self.problem, self.problem.size
        _, h, slope = self.equations
        now = h + slope @ x
        rows = np.abs(problem.s * problem.scale).max(axis=1, initial=0.0)
        return replace(problem, q=now[:size], c=now[size:] * np.where(rows > 0.0, rows, 1.0))

    def supports_at(self, x: Array) -> tuple[tuple[int, ...], ...]:
        """The sets of conducting junctions of every solution at ``x``, each once, sorted."""
        if self._last is not None and np.array_equal(self._last[0], x):
            return self._last[1]
        problem = self.problem_at(x)
        found = brute(problem) if problem.size <= BRUTE_LIMIT else enumerate_all(problem, _STEPS).solutions
        supports = tuple(sorted({solution.support for solution in found}))
        self._last = x.copy(), supports
        return supports

    def mode(self, support: Support) -> Linear:
        if support not in self._modes:
            from rules.analysis.timeline.mode import linear_mode

            self._modes[support] = linear_mode(self, support)
        return self._modes[support]

    def state(self, mode: Linear, x: Array) -> State:
        """The state of a mode at ``x``, with every voltage and current."""
        network = self.network
        w = x[: len(self.stores.free)]
        values = dict(zip(self.stores.free, w.tolist(), strict=True))
        size = len(network.nets)
        source = self.inputs[:, : w.size] @ w
        branches = tuple(
            replace(branch, voltage=values[branch.part]) if branch.part in values else branch
            for branch in network.branches
        )
        held = {**self.stores.values(w), **values}
        here = replace(
            network, held=held, branches=branches, injection=network.injection + source[:size]
        )
        unknown = mode.unknowns[0] + mode.unknowns[1] @ x
        count = len(network.junctions)
        scale = np.concatenate([self.problem.scale, np.ones(len(network.islands))])
        current = np.zeros(count)
        conducting = list(mode.support.junctions)
        current[conducting] = np.maximum(unknown[:count] * self.problem.scale, 0.0)[conducting]
        solution = Solution(
            mode.support.junctions, current, unknown[count:], mode.null * scale[:, None], mode.sign
        )
        return State(Mode(here, self.betas, solution))


def leaking(plant: Plant) -> Sequence[int]:
    """Which of the free capacitors leak a constant current."""
    return [
        k
        for k, name in enumerate(plant.stores.free[: plant.stores.capacitors])
        if name in plant.leaks and plant.leaks[name].current > 0.0
    ]
