"""Which resistor governs the way back of a timing capacitor, and how far it has to come down."""

from __future__ import annotations

import itertools
import math
from typing import TYPE_CHECKING

from rules.analysis.delays import Delay, delay_with
from rules.analysis.preferred import steps_down_from, steps_in
from rules.analysis.recovery import Recovery, recovery_with
from rules.analysis.retiming import resistors

if TYPE_CHECKING:
    from rules.analysis.study import Study

_NUDGE = 1.01
_LEAST = 0.1  # relative change of the time per relative change of the resistor
_DECADES = 2.0  # over which preferred values are looked at
_TRIES = 0.5  # decades of them, from the first guess on


def _with(
    study: Study, way: Recovery, delay: Delay, resistor: str, ohms: float, shortening: float
) -> tuple[Recovery, Delay] | None:
    values = {(resistor, "resistance"): ohms}
    changed = delay_with(study, delay, values)
    back = recovery_with(study, way, changed, values, shortening) if changed is not None else None
    return None if changed is None or back is None else (back, changed)


def levers(
    study: Study, way: Recovery, delay: Delay, against_delay: bool, shortening: float
) -> tuple[tuple[str, float], ...]:
    """Resistors with their weight: by how much the time back follows them, most first.

    With ``against_delay`` the time back is counted in delays, since the delay
    itself is then the limit.  Empty where there is no way back at all.
    """
    if not way.complete or way.seconds <= 0.0:
        return ()
    found = []
    for name in resistors(study):
        moved = _with(study, way, delay, name, _NUDGE * study.value(name, "resistance"), shortening)
        if moved is None or not moved[0].complete or moved[0].seconds <= 0.0:
            continue
        back, changed = moved
        growth = math.log(back.seconds / way.seconds)
        if against_delay:
            growth -= math.log(changed.duration / delay.duration)
        weight = growth / math.log(_NUDGE)
        if weight > _LEAST:
            found.append((-weight, name))
    return tuple((name, -weight) for weight, name in sorted(found))


def lowered(
    study: Study,
    way: Recovery,
    delay: Delay,
    lever: tuple[str, float],
    limit: float | None,
    shortening: float,
) -> tuple[float, Recovery, Delay] | None:
    """The largest preferred value with which the way back keeps its limit, at the upper end of the tolerance.

    ``limit`` in s, or ``None`` for the delay itself.  The result is told at the nominal value.
    """
    resistor, weight = lever
    spread = study.known(resistor, "tolerance_high")
    upper = 1.0 + (spread.value if spread is not None else 0.0)
    series = study.preferences.resistor
    walk = steps_down_from(study.value(resistor, "resistance"), series)
    steps = list(itertools.islice(walk, steps_in(series, _DECADES)))

    def keeps(ohms: float) -> bool:
        trial = _with(study, way, delay, resistor, ohms * upper, shortening)
        return trial is not None and trial[0].seconds <= (trial[1].duration if limit is None else limit)

    # the time goes about as a power of the resistance: start where that says, then walk to the edge
    excess = way.seconds / (delay.duration if limit is None else limit)
    guess = study.value(resistor, "resistance") * excess ** (-1.0 / weight)
    at = min(range(len(steps)), key=lambda k: abs(math.log(steps[k] / guess)))
    if keeps(steps[at]):
        while at > 0 and keeps(steps[at - 1]):
            at -= 1
    else:
        end = min(len(steps), at + steps_in(series, _TRIES))
        while at < end and not keeps(steps[at]):
            at += 1
        if at == end:
            return None
    final = _with(study, way, delay, resistor, steps[at], shortening)
    return None if final is None else (steps[at], *final)
