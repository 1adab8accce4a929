"""One mode at one point, solved the careful way: also where something is left undetermined."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from rules.analysis.complementarity import VOLT_TOLERANCE, Solution, interior, problem_of, scaled
from rules.analysis.elements import Array
from rules.analysis.enumeration import shared_point
from rules.analysis.network import Network
from rules.analysis.states import State, linear_state
from rules.analysis.tabulation import Mode


def solved_singly(
    network: Network, betas: Mapping[str, float], support: tuple[int, ...]
) -> tuple[State, Array, int] | None:
    """(state, conditions in V, sign of the determinant) of a mode; ``None`` where it contradicts itself.

    The conditions are those of :class:`rules.analysis.corners.variants.Variants`.
    """
    problem = problem_of(network, betas)
    g, _ = scaled(problem)
    size = problem.size
    mask = np.zeros(size, dtype=bool)
    mask[list(support)] = True
    try:
        state = linear_state(network, betas, support)
    except np.linalg.LinAlgError:
        return _loose(network, betas, support, mask)
    current = state.mode.solution.current
    z = np.concatenate([current / problem.scale, state.mode.solution.potential])
    conditions = np.where(mask, z[:size], g[:size] @ z + problem.q)
    keep = np.concatenate([mask, np.ones(problem.free, dtype=bool)])
    sign = float(np.linalg.slogdet(g[np.ix_(keep, keep)])[0]) if keep.any() else 1.0
    return state, conditions, int(sign * (-1.0 if problem.free % 2 else 1.0))


def _loose(
    network: Network, betas: Mapping[str, float], support: tuple[int, ...], mask: NDArray[np.bool_]
) -> tuple[State, Array, int] | None:
    """A mode that leaves something open: every quantity that is moved by it is undefined."""
    problem = problem_of(network, betas)
    g, h = scaled(problem)
    size, free = problem.size, problem.free
    solved = shared_point(problem, g, h, support)
    if solved is None:
        return None
    z, directions = solved
    conditions = np.where(mask, z[:size], g[:size] @ z + problem.q)
    slopes = np.where(mask[:, None], directions[:size], g[:size] @ directions)
    shift = interior(conditions + VOLT_TOLERANCE, slopes)
    if shift is not None:
        z, conditions = z + directions @ shift, conditions + slopes @ shift
    unscale = np.concatenate([problem.scale, np.ones(free)])
    current = np.where(mask, z[:size], 0.0) * problem.scale
    solution = Solution(support, current, z[size:].copy(), directions * unscale[:, None], None)
    return State(Mode(network, betas, solution)), conditions, 1
