"""A quantity at its worst corner, in whatever state is there."""

from __future__ import annotations

from dataclasses import dataclass

from rules.analysis.corners.existence import stands_for, states_at
from rules.analysis.corners.labels import NOMINAL
from rules.analysis.corners.variants import Quantity
from rules.analysis.corners.worst import Sense, worst
from rules.analysis.states import State


@dataclass(frozen=True, eq=False)
class There:
    """``value`` of a quantity at ``corner``, in the ``state`` that is there."""

    value: float
    corner: str
    state: State


def worst_there(state: State, quantity: Quantity, sense: Sense) -> There | None:
    """The worst value over all tolerances in the mode of ``state``, or of the state that stands for it there.

    ``None`` where the quantity is undefined, or where no state stands for it at the corner.
    """
    found = worst(state, quantity, sense)
    if found is None or found.state is None:
        return None
    corner = "typical" if found.label in ("", NOMINAL) else found.label
    if found.holds:
        return There(float(found.value), corner, found.state)
    there = states_at(state.mode.network, found.point)
    instead = next((other for other in there.states if stands_for(other, state)), None)
    value = None if instead is None else quantity(instead)
    return None if instead is None or value is None else There(float(value), corner, instead)
