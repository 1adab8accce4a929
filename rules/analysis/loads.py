"""What a part bears at rest: the greatest value of a quantity, and how long it lasts.

Every stable state and every start of a timed state counts, at the corners of
the gains and, where it may matter, at the worst of all tolerances.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from rules.analysis.coils import coil_names
from rules.analysis.corners.variants import Quantity
from rules.analysis.delays import dwell
from rules.analysis.elements import SOURCES, Configuration
from rules.analysis.worst_case import at_worst
from schemas.circuit import Circuit

if TYPE_CHECKING:
    from rules.analysis.study import Situation, Study


@dataclass(frozen=True, eq=False)
class Load:
    """``value`` of the quantity in a situation that lasts ``stay`` s at most; infinite at rest."""

    value: float
    situation: Situation
    stay: float

    @property
    def repeats(self) -> bool:
        """True for one of the states between which a circuit goes to and fro for ever."""
        return self.situation.timed is not None and self.situation.timed.outcome == "oscillates"


def loads(study: Study, quantity: Quantity, doubtful: Callable[[float], bool]) -> tuple[Load, ...]:
    """The quantity in every situation; at its worst corner too where ``doubtful`` says so of its value.

    A situation in which the quantity is undefined is left out.
    """
    found: list[Load] = []
    asked: set[object] = set()
    for corner in study.corners:
        for situation in study.situations(corner):
            value = quantity(situation.state)
            if value is None:
                continue
            stay = stay_of(study, situation)
            found.append(Load(float(value), situation, stay))
            mode = situation.state.mode
            mark = (
                situation.position,
                tuple(sorted(mode.network.held)),
                mode.solution.support,
            )
            if mark in asked or not doubtful(float(value)):
                continue
            asked.add(mark)
            there = at_worst(situation, quantity, "max")
            if there is not None and there.found.holds:
                found.append(Load(there.found.value, there.situation, stay))
    return tuple(found)


def heaviest(found: Sequence[Load], lasting: bool, brief: float) -> Load | None:
    """The greatest of those that last longer than ``brief`` s, or of those that do not.

    Of equal ones that at the plainest corner, the first by name.
    """
    chosen = [load for load in found if (load.stay > brief) is lasting]
    return max(chosen, key=_order, default=None)


def _order(load: Load) -> tuple[float, int, tuple[int, ...]]:
    plain = {"typical": 2, "max": 1, "min": 1}.get(load.situation.corner, 0)
    # the first by name wins: letters count downwards
    return float(f"{load.value:.9g}"), plain, tuple(-ord(letter) for letter in load.situation.label)


def stay_of(study: Study, situation: Situation) -> float:
    """How long (s) a situation lasts at most: what stimuli leave of it, and its own end if it is timed.

    A timed state that comes again and again counts as lasting.
    """
    stay = position_stay(study, situation.state.mode.network.configuration)
    timed = situation.timed
    if timed is None or timed.outcome == "oscillates":
        return stay
    return min(stay, timed.duration)


def position_stay(study: Study, configuration: Configuration) -> float:
    """The longest time (s) that stimuli leave contacts and drivers as they are here.

    A combination that no stimulus makes lasts as long as the shortest of its parts;
    what no stimulus moves may stay for good.
    """
    rest = study.state_sets()[0].configuration
    stay = dwell(study.circuit, configuration, rest)
    if stay > 0.0:
        return stay
    here = {**configuration.contacts, **configuration.drivers}
    still = {**rest.contacts, **rest.drivers}
    longest = study.shared("longest moves", lambda: _longest(study.circuit, still))
    return min(
        (longest.get((name, to), math.inf) for name, to in here.items() if to != still[name]),
        default=math.inf,
    )


def _longest(circuit: Circuit, still: Mapping[str, str]) -> Mapping[tuple[str, str], float]:
    """By part and position, the longest time (s) that any stimulus leaves it there."""
    found: dict[tuple[str, str], float] = {}
    for name, to, seconds in _moves(circuit):
        if to != still.get(name):
            found[name, to] = max(found.get((name, to), 0.0), seconds)
    return found


def _moves(circuit: Circuit) -> Iterator[tuple[str, str, float]]:
    for label in sorted(circuit.stimuli):
        actions = circuit.stimuli[label]
        for k, action in enumerate(actions):
            until = next((later.at for later in actions[k + 1 :] if later.part == action.part), math.inf)
            yield action.part, action.to, until - action.at


def reach(study: Study) -> float:
    """No two nets rest further apart than this (V): all sources in series; infinite with coils.

    A capacitor may add as much again for a moment.
    """
    if coil_names(study.circuit):
        return math.inf
    total = 0.0
    for part in study.circuit.parts.values():
        if part.kind in SOURCES:
            volts = [study.known(part.name, member) for member in ("voltage", "low", "high")]
            total += max(abs(known.value) for known in volts if known is not None)
        elif part.kind == "current-source":
            return math.inf
    return total
