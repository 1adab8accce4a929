"""The small-signal gain around a loop, with every member active."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np

from rules.analysis.elements import Array, Junction
from rules.analysis.latches.conditions import Conditions, condition, forward_of
from rules.analysis.latches.find import Latch, loop_of
from rules.analysis.latches.margins import gains
from rules.analysis.latches.path import Bench
from rules.analysis.states import State, states_of

if TYPE_CHECKING:
    from rules.analysis.study import Study


def middle(study: Study, latch: Latch, corner: str) -> State | None:
    """The unstable state between the resting places at a corner of the gains, if there is one."""

    def find() -> State | None:
        network = latch.network
        states = (
            states_of(network, corner, study.step_budget).states
            if network.held
            else latch.sets[corner].states
        )
        return next((s for s in states if s.index == -1 and loop_of(s) == latch.members), None)

    key = ("middle", corner)
    if key not in latch.kept:
        latch.kept[key] = find()
    found = latch.kept[key]
    assert found is None or isinstance(found, State)
    return found


def gain_around(study: Study, latch: Latch, corner: str) -> float:
    """T, the product of the small-signal gains around the loop; local feedback of a member stays closed.

    In the middle state where there is one, else in the mode that it would have.  With det(b) the determinant
    of the reduced matrix over the conducting junctions at gains b of the members, 1 - T is
    det(b)*det(0)^(n-1) / product of det(b_k alone): the return difference over those of each member.
    """
    state, network = middle(study, latch, corner), latch.network
    if state is not None:
        betas: Mapping[str, float] = state.mode.betas
        support: Sequence[int] = state.mode.solution.support
    else:
        on = latch.rests[-1]
        betas = gains(latch, on, corner)
        start = latch.start(on)
        others = () if start is None else start.mode.solution.support
        support = _all_active(network.junctions, latch.members, others)
    here = condition(network, {}, betas)
    bench, count = Bench(network), len(latch.members)
    rows = [here.gain]
    for name in ("", *latch.members):
        members = forward_of(network, latch.members)
        kept = forward_of(network, (name,))
        rows.append(np.where((members > 0.0) & (kept == 0.0), 0.0, here.gain))
    stack = Conditions(
        np.array(rows), np.tile(here.drops, (len(rows), 1)), np.tile(here.source, (len(rows), 1))
    )
    signs, logs = _determinants(bench, stack, support)
    if np.any(signs[1:] == 0.0):
        return float("nan")
    sign = signs[0] * signs[1] ** (count - 1) * np.prod(signs[2:])
    return float(1.0 - sign * np.exp(logs[0] + (count - 1) * logs[1] - logs[2:].sum()))


def _all_active(
    junctions: Sequence[Junction], members: Sequence[str], others: Sequence[int]
) -> tuple[int, ...]:
    """Every member active, every other device as in another mode."""
    chosen = {k for k in others if junctions[k].device not in members}
    for k, junction in enumerate(junctions):
        if junction.device in members and junction.name == "forward":
            chosen.add(k)
    return tuple(sorted(chosen))


def _determinants(bench: Bench, stack: Conditions, support: Sequence[int]) -> tuple[Array, Array]:
    """Signs and logarithms of the determinant of one mode at each condition, of one scale."""
    g, _ = bench.equations(stack)
    keep = np.array([*support, *range(len(bench.network.junctions), g.shape[1])], dtype=np.intp)
    signs, logs = np.linalg.slogdet(g[:, keep[:, None], keep[None, :]])
    return signs, logs
