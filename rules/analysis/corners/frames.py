"""What a mode has in common at all points, and which parameters concern it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from rules.analysis.complementarity import problem_of
from rules.analysis.corners.layout import Layout, layout_of
from rules.analysis.corners.parameters import Parameter
from rules.analysis.elements import Array
from rules.analysis.network import Network
from rules.analysis.states import State


@dataclass(frozen=True, eq=False)
class ModeFrame:
    """What a mode has in common at all points."""

    layout: Layout
    support: tuple[int, ...]
    scale: Array  # A per V of each junction, and 1 for each island
    loose: tuple[int, ...]  # islands into which no conducting junction feeds: their potential is open

    @property
    def network(self) -> Network:
        return self.layout.network


def frame_of(state: State) -> ModeFrame:
    """The frame of the mode that a state is in."""
    mode = state.mode
    return frame_in(mode.network, mode.betas, mode.solution.support, layout_of(mode.network))


def frame_in(
    network: Network, betas: Mapping[str, float], support: tuple[int, ...], layout: Layout
) -> ModeFrame:
    """The frame of a mode; gains only set the scale."""
    problem = problem_of(network, betas)
    scale = np.concatenate([problem.scale, np.ones(problem.free)])
    fed = np.abs(problem.s[:, list(support)]).max(axis=1, initial=0.0) > 1e-12
    loose = tuple(np.flatnonzero(~fed & (problem.c == 0.0)).tolist())
    return ModeFrame(layout, support, scale, loose)


def concerning(network: Network, parameters: Sequence[Parameter]) -> tuple[Parameter, ...]:
    """The parameters that can change a DC state.

    Left out: capacitors and inductances, and ideal sources in a loop of ideal parts, which have to agree.
    """
    held = set(network.held)
    return tuple(
        p
        for p in parameters
        if p.kind not in ("capacitance", "inductance")
        and not (p.kind == "supply" and p.part in network.loop_parts)
        and not (p.kind == "resistance" and p.part in held)
    )
