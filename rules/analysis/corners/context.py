"""What several questions about one mode share: its frame, its parameters, points already solved."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Mapping, Sequence
from dataclasses import replace
from functools import cached_property

import numpy as np

from rules.analysis.corners.parameters import Key, Parameter
from rules.analysis.corners.parameters import parameters as parameters_of
from rules.analysis.corners.variants import ModeFrame, Variants, concerning, frame_of
from rules.analysis.corners.vertices import Box
from rules.analysis.elements import Array
from rules.analysis.states import State

KEPT = 12  # batches


def box_of(parameters: Sequence[Parameter]) -> Box:
    """The intervals as arrays."""
    return Box(
        np.array([p.low for p in parameters]),
        np.array([p.nominal for p in parameters]),
        np.array([p.high for p in parameters]),
        np.array([p.kind == "temperature" for p in parameters], dtype=bool),
    )


class Context:
    """One mode and the parameters that concern it; solved batches are kept for the next quantity."""

    def __init__(self, frame: ModeFrame, parameters: tuple[Parameter, ...]) -> None:
        self.frame, self.parameters = frame, parameters
        self.box = box_of(parameters)
        self._batches: OrderedDict[bytes, Variants] = OrderedDict()
        self.settled: dict[bytes, Context | None] = {}
        """By vertex: the same mode with gains that agree with the currents there."""
        self._moved: dict[tuple[tuple[Key, float], ...], Context] = {}

    def variants(self, points: Array) -> Variants:
        """The mode at the points in the rows."""
        mark = points.tobytes()
        found = self._batches.get(mark)
        if found is None:
            found = self._batches[mark] = Variants(self.frame, self.parameters, points)
            found.stack.forget()
            while len(self._batches) > KEPT:
                self._batches.popitem(last=False)
        else:
            self._batches.move_to_end(mark)
        return found

    @cached_property
    def sign(self) -> int:
        """Sign of the determinant at nominal values."""
        many, k = self.at(self.box.nominal)
        return int(many.signs[k])

    def at(self, vertex: Array) -> tuple[Variants, int]:
        """A batch that holds a point, and the row of the point."""
        for many in reversed(self._batches.values()):
            rows = np.flatnonzero((many.stack.values == vertex).all(axis=1))
            if rows.size:
                return many, int(rows[0])
        return self.variants(vertex[None].copy()), 0

    def with_lows(self, lows: Mapping[Key, float]) -> Context:
        """The same mode with other low ends of some intervals."""
        mark = tuple(sorted(lows.items()))
        if mark not in self._moved:
            changed = tuple(replace(p, low=lows[p.key]) if p.key in lows else p for p in self.parameters)
            self._moved[mark] = made = Context(self.frame, changed)
            made.__dict__["sign"] = self.sign  # the nominal values are the same
        return self._moved[mark]


def context_of(state: State, parameters: Sequence[Parameter] | None = None) -> Context:
    """The context of a state; states of one mode of one network share it."""
    network = state.mode.network
    if parameters is not None:
        return Context(frame_of(state), concerning(network, parameters))
    mark = (
        "corners",
        network.configuration.key,
        tuple(sorted(network.held.items())),
        state.mode.solution.support,
        tuple(sorted(state.mode.betas.items())),
    )
    kept = network.resolved.networks.get(mark)
    if not isinstance(kept, Context):
        made = concerning(network, parameters_of(network.resolved, state))
        kept = network.resolved.networks[mark] = Context(frame_of(state), made)
    return kept
