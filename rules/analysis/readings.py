"""One quantity read in every situation of a circuit, and at its worst corner of all tolerances."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING, TypeAlias

from rules.analysis.corners.worst import Sense
from rules.analysis.operating import everywhere, place_of
from rules.analysis.runs import Corner, episodes
from rules.analysis.states import State
from rules.analysis.stress import moves
from rules.analysis.study import Situation
from rules.analysis.timeline.model import Interval
from rules.analysis.worst_case import at_worst

if TYPE_CHECKING:
    from rules.analysis.study import Study

Asked: TypeAlias = Callable[[State], float | None]
"""What is read of a state; plain arithmetic, so that it is taken at all points at once."""


@dataclass(frozen=True, eq=False)
class Reading:
    """A quantity in one situation.

    ``base`` is the situation at nominal values of a reading at a corner, else the situation itself;
    ``holds`` is false where the devices are in other regions at that corner.
    """

    situation: Situation
    value: float
    base: Situation
    holds: bool = True

    @property
    def state(self) -> State:
        return self.situation.state


def places(study: Study) -> tuple[Situation, ...]:
    """Every situation at every gain; of a circuit that never rests each mode of its typical run instead.

    Of each mode the longest stretch is taken, as it stands at its beginning.
    """
    return study.shared("places", lambda: tuple(everywhere(study)) or _running(study))


def _running(study: Study) -> tuple[Situation, ...]:
    longest: dict[tuple[str, tuple[tuple[str, str], ...]], Interval] = {}
    if not moves(study):
        return ()
    for episode in episodes(study, Corner()):
        for interval in episode.timeline.intervals:
            key = (interval.configuration.key, tuple(sorted(interval.devices.items())))
            if key not in longest or interval.duration > longest[key].duration * (1.0 + 1e-9):
                longest[key] = interval
    return tuple(Situation(found.name, "typical", found.state) for _, found in sorted(longest.items()))


def readings(
    study: Study,
    quantity: Callable[[Situation], Asked | None],
    sense: Sense,
    doubtful: Callable[[float], bool] = lambda value: True,
    running: bool = False,
) -> tuple[Reading, ...]:
    """The worst of the gains for each place and set of devices, then each at its worst corner.

    ``quantity`` gives what to read in a situation (plain arithmetic), ``None`` where there is nothing;
    ``doubtful`` says of a nominal value that its worst corner may matter.  ``running`` takes :func:`places`.
    """
    sign = 1.0 if sense == "max" else -1.0
    kept: dict[tuple[object, ...], Reading] = {}
    corners: list[Reading] = []
    for situation in places(study) if running else everywhere(study):
        asked = quantity(situation)
        value = asked(situation.state) if asked is not None else None
        if asked is None or value is None:
            continue
        key = (*place_of(situation), tuple(sorted(situation.state.devices.items())))
        other = kept.get(key)
        if other is None or sign * value > sign * other.value + 1e-9 * abs(other.value):
            kept[key] = Reading(situation, float(value), situation)
        if situation.corner == "typical" and doubtful(float(value)):
            found = at_worst(situation, asked, sense)
            if found is not None:
                corners.append(Reading(found.situation, found.found.value, situation, found.found.holds))
    return (*kept.values(), *corners)


def worst_reading(found: Iterable[Reading], sense: Sense) -> Reading:
    """The one that is worst; of equal ones the first.  Raises ValueError where there is none."""
    sign = 1.0 if sense == "max" else -1.0
    return max(found, key=lambda reading: sign * reading.value)
