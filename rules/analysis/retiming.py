"""The same delay made otherwise: other resistors and another capacitor, tried on the very mode.

Each trial re-solves the timed state with the new values and follows it to its
threshold; whether anything else in the circuit minds is for a full review.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

from rules.analysis.delays import Delay, delay_with
from rules.analysis.leakage import FILM_LARGEST
from rules.analysis.preferred import nearest, steps_down_from, steps_in, steps_up_from

if TYPE_CHECKING:
    from rules.analysis.study import Study

BEST_FRACTION = 1.0 - math.exp(-1.0)  # threshold over aim at which leakage weighs least
_NUDGE = 1.01
_DECADES = 1.0  # of preferred values tried in each direction


@dataclass(frozen=True, slots=True)
class Retimed:
    """A delay with ``part`` at ``ohms`` and its capacitor at ``farads``; ``None`` where it never ends."""

    part: str
    ohms: float
    farads: float
    delay: Delay | None


def resistors(study: Study) -> tuple[str, ...]:
    """Parts that are free to get another resistance."""
    return tuple(part.name for part in study.circuit.parts.values() if part.kind == "resistor")


def fraction(delay: Delay) -> float | None:
    """x = (V_th - V_0) / (V_inf - V_0); ``None`` when the course has no aim."""
    aim = delay.segments[0].aim
    if aim is None or aim == delay.start:
        return None
    return (delay.timed.threshold - delay.start) / (aim - delay.start)


def governing_resistor(study: Study, delay: Delay) -> str | None:
    """The resistor at the capacitor that moves the delay most in its own direction."""
    best: tuple[float, str] | None = None
    nets = set(study.circuit.parts[delay.timed.capacitor].pins.values()) - study.roles.rails
    at_capacitor = {arm.part for net in nets for arm in study.roles.arms.get(net, ())}
    for arm in sorted(at_capacitor & set(resistors(study))):
        weight = elasticity(study, delay, arm)
        if weight is not None and weight > 0.3 and (best is None or weight > best[0]):
            best = (weight, arm)
    return best[1] if best else None


def charging_resistor(study: Study, delay: Delay) -> str | None:
    """The resistor at the capacitor that moves the delay in its own direction and hardly its threshold."""
    best: tuple[float, str] | None = None
    nets = set(study.circuit.parts[delay.timed.capacitor].pins.values()) - study.roles.rails
    at_capacitor = {arm.part for net in nets for arm in study.roles.arms.get(net, ())}
    for name in sorted(at_capacitor & set(resistors(study))):
        ohms = study.value(name, "resistance")
        moved = delay_with(study, delay, {(name, "resistance"): _NUDGE * ohms})
        if moved is None:
            continue
        weight = math.log(moved.duration / delay.duration) / math.log(_NUDGE)
        shift = abs(moved.timed.threshold - delay.timed.threshold) / abs(delay.timed.threshold or 1.0)
        if weight > 0.5 and shift < 0.1 * (_NUDGE - 1.0) and (best is None or weight > best[0]):
            best = weight, name
    return best[1] if best else None


def elasticity(study: Study, delay: Delay, resistor: str) -> float | None:
    """Relative change of the delay per relative change of a resistor; ``None`` when the delay is lost."""
    ohms = study.value(resistor, "resistance")
    moved = delay_with(study, delay, {(resistor, "resistance"): _NUDGE * ohms})
    if moved is None:
        return None
    return math.log(moved.duration / delay.duration) / math.log(_NUDGE)


def with_film(study: Study, delay: Delay) -> Retimed | None:
    """The largest usual film capacitor and the larger resistor that keeps the time constant."""
    resistor = governing_resistor(study, delay)
    if resistor is None or delay.farads <= FILM_LARGEST:
        return None
    wanted = study.value(resistor, "resistance") * delay.farads / FILM_LARGEST
    ohms = nearest(wanted, study.preferences.resistor)
    values = {(resistor, "resistance"): ohms, (delay.timed.capacitor, "capacitance"): FILM_LARGEST}
    return Retimed(resistor, ohms, FILM_LARGEST, delay_with(study, delay, values))


def nearer_threshold(study: Study, delay: Delay) -> Retimed | None:
    """The threshold moved towards 63 % of the aim by one resistor of its divider, the delay kept by C.

    ``None`` when no resistor but the charging one moves the threshold, or it stands well already.
    """
    now = fraction(delay)
    if now is None or not 0.0 < now < 1.0:
        return None
    charging = governing_resistor(study, delay)
    lever = max(_levers(study, delay, charging), default=None)
    if lever is None:
        return None
    _, part, rises = lever
    up = (now < BEST_FRACTION) == rises
    walk = steps_up_from if up else steps_down_from
    best: tuple[float, float, Delay] | None = None
    series = study.preferences.resistor
    tried = itertools.islice(walk(study.value(part, "resistance"), series), steps_in(series, _DECADES))
    for ohms in tried:
        trial = delay_with(study, delay, {(part, "resistance"): ohms})
        x = fraction(trial) if trial is not None else None
        if trial is None or x is None or not 0.0 < x < 1.0:
            break
        miss = abs(x - BEST_FRACTION)
        if best is not None and miss >= best[0]:
            break
        best = (miss, ohms, trial)
    if best is None or best[0] >= abs(now - BEST_FRACTION):
        return None
    _, ohms, trial = best
    farads = nearest(delay.farads * delay.duration / trial.duration, study.series(delay.timed.capacitor))
    values = {(part, "resistance"): ohms, (delay.timed.capacitor, "capacitance"): farads}
    return Retimed(part, ohms, farads, delay_with(study, delay, values))


def _levers(study: Study, delay: Delay, charging: str | None) -> Iterator[tuple[float, str, bool]]:
    """(weight, resistor, raises the threshold) of every resistor that moves the threshold."""
    for name in resistors(study):
        if name == charging:
            continue
        ohms = study.value(name, "resistance")
        moved = delay_with(study, delay, {(name, "resistance"): _NUDGE * ohms})
        if moved is None or delay.timed.threshold == 0.0:
            continue
        weight = (moved.timed.threshold / delay.timed.threshold - 1.0) / (_NUDGE - 1.0)
        if abs(weight) > 0.1:
            yield abs(weight), name, weight > 0.0
