"""The temperature at which leakage ends a resting place of a latch."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

import numpy as np

from rules.analysis.corners.parameters import Key
from rules.analysis.formulas.cutoff import COLDEST, HOTTEST
from rules.analysis.latches.conditions import Conditions, condition, forward_of, leaking
from rules.analysis.latches.find import Latch, Rest
from rules.analysis.latches.margins import Corner, Lost, Way, gains, holds, lost_at
from rules.analysis.latches.path import Bench, Family
from rules.analysis.network import Network


def hottest(latch: Latch, rest: Rest, corner: Corner) -> Lost:
    """The temperature (K) at which collector-base leakage ends a resting place.

    A member that is off there has to stay below V_BE,off.  ``COLDEST`` when leakage ends it at any
    temperature, ``HOTTEST`` when it never does.
    """
    return _hottest(latch, rest, corner, True)


def hottest_by_hand(latch: Latch, rest: Rest, corner: Corner) -> Lost:
    """As :func:`hottest`, but a member counts as off up to the drop at which it conducts."""
    return _hottest(latch, rest, corner, False)


def failing_member(lost: Lost) -> str | None:
    """The transistor whose junction changes over where a state is lost."""
    return None if lost.failing is None else lost.corner.network.junctions[lost.failing].device


def base_voltage(lost: Lost, transistor: str, temperature: float) -> float | None:
    """Base-emitter voltage (V, positive towards conducting) at a temperature (K) before it is lost."""
    if lost.way is None:
        return None
    share = (temperature - COLDEST) / (HOTTEST - COLDEST)
    conditions = lost.way(lost.corner.point)(np.array([share])).at(0)
    nets = lost.corner.bench.voltages(conditions, lost.support)
    part = lost.corner.network.resolved.circuit.parts[transistor]
    sign = -1.0 if part.kind == "pnp" else 1.0
    return sign * (nets[part.pins["base"]] - nets[part.pins["emitter"]])


def _hottest(latch: Latch, rest: Rest, corner: Corner, guarded: bool) -> Lost:
    keeps = holds(latch, rest, corner.network, False)
    way = _heat(latch, rest, corner.network, guarded)
    start = _leaking_from(latch, rest, corner.bench, way(corner.point)(np.zeros(1)), keeps)
    if start is None:
        return Lost(corner, COLDEST)
    end = corner.bench.follow(way(corner.point), start, keeps)
    return lost_at(corner, end, COLDEST + (HOTTEST - COLDEST) * end.share, way)


def _leaking_from(
    latch: Latch, rest: Rest, bench: Bench, coldest: Conditions, keeps: Callable[[Sequence[int]], bool]
) -> tuple[int, ...] | None:
    """The mode of a resting place once anything leaks, ``None`` where there is none."""
    state = latch.start(rest)
    if state is not None and state.mode.solution.determined:
        support = state.mode.solution.support
        values, signs, _ = bench.mode(coldest, support)
        if signs[0] > 0.0 and bool(np.all(values[0] >= 0.0)):
            return support
    found = [s for s, index in bench.supports(coldest.at(0)) if index != -1 and keeps(s)]
    return min(found, default=None)


def _heat(latch: Latch, rest: Rest, network: Network, guarded: bool) -> Way:
    """From ``COLDEST`` to ``HOTTEST`` with collector-base leakage."""
    most = gains(latch, rest, "max")
    off = forward_of(network, set(latch.members) - rest.conducting if guarded else ())

    def way(point: Mapping[Key, float]) -> Family:
        base = condition(network, point, most)
        return lambda share: leaking(network, base, COLDEST + (HOTTEST - COLDEST) * share, off)

    return way


def to_spare(
    latch: Latch, rest: Rest, corner: Corner, support: Sequence[int], junction: int, temperature: float
) -> float:
    """V that a blocking junction has to spare at a temperature (K), in the mode ``support``."""
    share = np.array([(temperature - COLDEST) / (HOTTEST - COLDEST)])
    conditions = _heat(latch, rest, corner.network, True)(corner.point)(share)
    values, _, _ = corner.bench.mode(conditions, support)
    return float(values[0, junction])
