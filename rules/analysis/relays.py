"""Relay coils: when they are meant to be on, and what stands across them at worst."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from rules.analysis.corners.variants import Quantity
from rules.analysis.runs import Corner, episodes
from rules.analysis.standing import with_leakage
from rules.analysis.stress import Pair, between
from rules.analysis.worst_there import There, worst_there

if TYPE_CHECKING:
    from rules.analysis.states import State
    from rules.analysis.study import Situation, Study
    from rules.analysis.timeline.model import Interval
    from schemas.circuit import Part

ON_SHARE = 0.5  # of the greatest coil voltage in any situation; above it the coil is meant to be on
OPERATE = 10e-3  # s, within which a small relay pulls in; makers' sheets, from memory


@dataclass(frozen=True, eq=False)
class Coil:
    """One situation of a coil: ``on`` as it is meant, its voltage there (V, magnitude, nominal values)."""

    situation: Situation
    volts: float
    on: bool


def across(part: Part, state: State) -> Quantity:
    """The voltage across a coil (V) as a quantity, positive in the direction that it has in ``state``."""
    ends = _ends(part)
    sign = -1.0 if (between(state, ends) or 0.0) < 0.0 else 1.0

    def quantity(at: State) -> float | None:
        volts = between(at, ends)
        return None if volts is None else sign * volts

    return quantity


def _ends(part: Part) -> Pair:
    return part.pins["plus"], part.pins["minus"]


def pick_up_of(study: Study, part: Part, share: float) -> float | None:
    """Pick-up voltage (V) at 20 degC: stated, else ``share`` of the nominal one; ``None`` for neither."""
    stated, nominal = study.known(part.name, "pick_up"), study.known(part.name, "nominal")
    if stated is not None:
        return stated.value
    return None if nominal is None else share * nominal.value


def coil_situations(study: Study, part: Part) -> tuple[Coil, ...]:
    """Every situation at typical gains in which the voltage of a coil is defined."""
    found = [(s, abs(v)) for s in study.situations() if (v := between(s.state, _ends(part))) is not None]
    most = max((volts for _, volts in found), default=0.0)
    return tuple(Coil(s, volts, volts > ON_SHARE * most > 0.0) for s, volts in found)


def least_on(part: Part, coil: Coil) -> There | None:
    """The least voltage of a coil that is on, over all tolerances."""
    return worst_there(coil.situation.state, across(part, coil.situation.state), "min")


def most_on(part: Part, coil: Coil) -> There | None:
    return worst_there(coil.situation.state, across(part, coil.situation.state), "max")


def left_off(study: Study, part: Part, coil: Coil) -> tuple[There, tuple[str, ...]] | None:
    """The greatest voltage of a coil that is off, leakage at the hottest in it; what is not known of that."""
    leaky = None if coil.situation.timed else with_leakage(study, coil.situation)
    state = coil.situation.state if leaky is None else leaky.state
    found = worst_there(state, across(part, state), "max")
    return None if found is None else (found, () if leaky is None else leaky.missing)


def was_pulled_in(study: Study, part: Part, coil: Coil, pick_up: float) -> bool:
    """True where every run that comes to a situation has the coil at ``pick_up`` V for long enough before.

    A second stimulus at once after the first is left out: what empties meanwhile is for other rules.
    """
    found = []
    for episode in (e for e in episodes(study, Corner()) if e.kind != "again"):
        stay: list[Interval] = []
        for interval in (*episode.timeline.intervals, None):
            if interval is not None and _at(part, interval, interval.start) >= ON_SHARE * coil.volts:
                stay.append(interval)
                continue
            if any(_is(coil.situation, each) for each in stay):
                found.append(_at(part, stay[0], stay[0].start + OPERATE) >= pick_up)
            stay = []
    return bool(found) and all(found)


def _is(situation: Situation, interval: Interval) -> bool:
    return interval.name == situation.label and interval.configuration.key == situation.position


def _at(part: Part, interval: Interval, time: float) -> float:
    """Voltage across a coil (V, magnitude) at a time (s) of an interval, at its end where that is earlier."""
    plus, minus = part.pins["plus"], part.pins["minus"]
    return abs(float(interval.voltage(plus, minus, [min(time, interval.end)])[0]))
