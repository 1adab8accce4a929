"""The junction model asked of a whole study: its states refined, and its stimuli integrated in time."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

from rules.analysis.junction.course import JunctionCourse, integrate
from rules.analysis.junction.model import REFERENCE_TEMPERATURE
from rules.analysis.junction.refine import Refined, refine
from rules.analysis.junction.running import ACCURACY, STEP_BUDGET
from rules.analysis.junction.small_signal import small_signal
from rules.analysis.states import State
from rules.analysis.timeline.timelines import POWER_UP, REST, UnknownStart, gains, leaks

if TYPE_CHECKING:
    from rules.analysis.study import Situation, Study

AFTERWARDS = 0.5  # of the hand model's course, integrated beyond its end
PERIODS = 3.0  # of an oscillation, integrated beyond where the hand model sees it repeat
EMPTY_COURSE = 1.0  # s, where nothing happens on paper
SHORTEST_COURSE = 1e-3  # s


@dataclass(frozen=True, eq=False)
class Comparison:
    """A situation of the hand model and what the junction model makes of it."""

    situation: Situation
    refined: Refined

    @cached_property
    def stable(self) -> bool:
        """Whether the junction model rests there, by its natural modes; false where it has no such state."""
        return self.refined.converged and small_signal(self.refined).stable

    @property
    def agrees(self) -> bool:
        """False where the junction model has no such state, does not rest in it, or differs notably."""
        return self.stable and not self.refined.disagreement.notable


def compared(
    study: Study, corner: str = "typical", temperature: float = REFERENCE_TEMPERATURE
) -> tuple[Comparison, ...]:
    """Every resting and waiting state of a corner refined at a temperature (K)."""
    return tuple(
        Comparison(situation, refine(situation.state, temperature)) for situation in study.situations(corner)
    )


def junction_course(
    study: Study,
    stimulus: str | None,
    corner: str = "typical",
    start: str = REST,
    leakage: str = "none",
    until: float | None = None,
    *,
    temperature: float = REFERENCE_TEMPERATURE,
    accuracy: float = ACCURACY,
    step_budget: int = STEP_BUDGET,
) -> JunctionCourse:
    """The course of :meth:`Study.timeline` in the junction model; the arguments mean the same.

    Without ``until`` (s) it goes on for some time beyond the end of the hand
    model's course.  Raises ``KeyError`` for an unknown stimulus,
    :class:`UnknownStart`, and ``ValueError`` as :func:`integrate` does.
    """
    actions = () if stimulus is None else study.circuit.stimuli[stimulus]
    rest = study.state_sets(corner)[0]
    begin = _start(rest.stable, start)
    if until is None:
        until = _until(study, stimulus, corner, start, leakage)
    return integrate(
        study.resolved,
        actions,
        begin,
        until,
        gains(study, corner),
        temperature=temperature,
        leaks=leaks(study) if leakage == "limit" else None,
        configuration=rest.configuration,
        accuracy=accuracy,
        step_budget=step_budget,
    )


def _start(stable: tuple[State, ...], start: str) -> State | None:
    if start == POWER_UP or (start == REST and not stable):
        return None
    for state in stable:
        if start in (REST, state.name):
            return state
    raise UnknownStart(start, tuple(sorted(state.name for state in stable)))


def _until(study: Study, stimulus: str | None, corner: str, start: str, leakage: str) -> float:
    hand = study.timeline(stimulus, corner, start, leakage)
    last = max((event.at for event in hand.events if math.isfinite(event.at)), default=0.0)
    if hand.period is not None:
        return last + PERIODS * hand.period
    return EMPTY_COURSE if last == 0.0 else max((1.0 + AFTERWARDS) * last, SHORTEST_COURSE)
