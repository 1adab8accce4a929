"""The least gain of a published type at the collector current of a corner.

The low end of such an interval depends on the corner itself: the maker promises
less at a smaller current.  Gain and current are brought together in one mode.
"""

from __future__ import annotations

import math

from rules.analysis.corners.context import Context
from rules.analysis.corners.parameters import least_gain
from rules.analysis.elements import Array
from rules.analysis.states import collector_currents

SETTLED = 1e-6  # relative; gain and current agree
ROUNDS = 30


def resettled(context: Context, vertex: Array) -> Context | None:
    """The same with least gains read at the collector currents of the corner; ``None`` where they agree."""
    mark = vertex.tobytes()
    if mark not in context.settled:
        context.settled[mark] = _resettled(context, vertex)
    return context.settled[mark]


def _resettled(context: Context, vertex: Array) -> Context | None:
    low = [k for k, p in enumerate(context.parameters) if p.floating and vertex[k] == p.low]
    point, before = vertex.copy(), dict[int, tuple[float, float]]()
    for _ in range(ROUNDS if low else 0):
        wanted = _promised(context, point, low)
        off = {k: math.log(value / point[k]) for k, value in wanted.items()}
        if max(map(abs, off.values()), default=0.0) <= 0.1 * SETTLED:
            break
        for k, now in off.items():
            here, step = math.log(point[k]), now
            if k in before and before[k][0] != here:
                slope = (now - before[k][1]) / (here - before[k][0])
                step = -now / slope if slope < -0.1 else 0.5 * now  # a secant where the slope is sound
            before[k] = here, now
            point[k] = math.exp(here + step)
    lows = {
        context.parameters[k].key: float(point[k])
        for k in low
        if abs(point[k] / context.parameters[k].low - 1.0) > SETTLED
    }
    return context.with_lows(lows) if lows else None


def _promised(context: Context, point: Array, low: list[int]) -> dict[int, float]:
    """The least gain of each of these at its collector current at a point."""
    many, row = context.at(point)
    state = many.state(row)
    if state is None:
        return {}
    mode, resolved = state.mode, context.frame.network.resolved
    currents = collector_currents(mode.network, mode.betas, mode.solution)
    listed = context.parameters
    return {
        k: min(least_gain(resolved, listed[k].part, currents[listed[k].part]), listed[k].nominal) for k in low
    }
