"""A situation at the corner of all tolerances that is worst for one quantity."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from rules.analysis.corners.labels import NOMINAL
from rules.analysis.corners.variants import Quantity
from rules.analysis.corners.worst import Sense, Worst, worst
from rules.analysis.states import State

if TYPE_CHECKING:
    from rules.analysis.study import Situation


GAIN_CORNERS = ("beta min", "beta max")


@dataclass(frozen=True, eq=False)
class Cornered:
    """``situation`` is the one asked about at its worst corner, which its ``corner`` names."""

    situation: Situation
    found: Worst

    @property
    def state(self) -> State:
        return self.situation.state


def at_worst(
    situation: Situation, quantity: Quantity, sense: Sense, state: State | None = None
) -> Cornered | None:
    """The situation where ``quantity`` is worst, its mode kept.

    ``None`` where it is undefined, never moves, or is worst where all gains are least or greatest and all
    else is nominal: that is judged already.

    ``state`` stands in for the state of the situation (the same with another region, say).
    """
    found = worst(state if state is not None else situation.state, quantity, sense)
    if found is None or found.state is None or found.label in ("", NOMINAL, *GAIN_CORNERS):
        return None
    return Cornered(replace(situation, corner=found.label, state=found.state), found)
