"""The greatest voltage between two nets: in every resting state, and along every run.

At rest the worst of all tolerances is asked for.  Along runs every supply stands
at its highest voltage and every gain at its greatest (a base then loads what it
hangs on least), and once more at the least gains where that could matter.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import TYPE_CHECKING

import numpy as np

from rules.analysis.coils import coil_names
from rules.analysis.corners.worst import worst
from rules.analysis.delays import dwell
from rules.analysis.elements import capacitor_pins
from rules.analysis.frozen import capacitor_voltage
from rules.analysis.loads import reach
from rules.analysis.resolve import TRANSISTORS, dielectric_of
from rules.analysis.runs import Corner, Episode, as_named, each_episode, episodes, unfinished
from rules.analysis.states import State, start_betas
from rules.analysis.timeline.peaks import highest
from rules.analysis.timeline.stores import store_names

if TYPE_CHECKING:
    from rules.analysis.elements import Array
    from rules.analysis.study import Study
    from schemas.circuit import Part

Pair = tuple[str, str]
"""Two nets: the voltage of the first against the second."""

ROUNDING = 1e-9  # V
NEAR = 0.1  # of a limit; closer than this below it the gains may decide
HAIR = 1e-5  # V; what the search for peaks may miss
KICK = 0.3  # V above every resting state, from which on a peak is the doing of a coil or a capacitor
WARM = 0.05  # W; a resistor that never gets this far is of no interest
POLARISED = ("aluminium", "tantalum")


@dataclass(frozen=True, eq=False)
class Peak:
    """The greatest voltage (V) between two nets, where it is reached, and how things stand there.

    ``at`` is in s from the beginning of the run, ``None`` in a resting state;
    ``nets`` and ``capacitors`` are V at that moment, ``None`` where undefined.
    """

    value: float
    corner: str
    state: str
    at: float | None
    episode: Episode | None
    nets: Mapping[str, float | None]
    capacitors: Mapping[str, float | None]


def above(resting: Peak | None, moving: Peak | None, more: float = HAIR) -> Peak | None:
    """The peak of the runs, unless they only pass the resting states: it is not ``more`` (V) above them."""
    if resting is not None and moving is not None and moving.value <= resting.value + more:
        return None
    return moving


def reverse_pair(part: Part) -> Pair:
    """The nets of a transistor between which its base-emitter junction is reversed when positive."""
    base, emitter = part.pins["base"], part.pins["emitter"]
    return (emitter, base) if part.kind == "npn" else (base, emitter)


def collector_pair(part: Part) -> Pair:
    """The nets of a transistor between which its collector blocks when positive."""
    collector, emitter = part.pins["collector"], part.pins["emitter"]
    return (collector, emitter) if part.kind == "npn" else (emitter, collector)


def is_polarised(part: Part) -> bool:
    """True for a capacitor with a plus end whose dielectric forbids the other polarity."""
    return part.kind == "capacitor" and "plus" in part.pins and dielectric_of(part) in POLARISED


def reversal_pair(part: Part) -> Pair:
    """The nets of a polarised capacitor between which it is reversed when positive."""
    return part.pins["minus"], part.pins["plus"]


def capacitor_pair(part: Part) -> Pair:
    """The nets of a capacitor, the plus end first where it has one."""
    first, second = capacitor_pins(part)
    return part.pins[first], part.pins[second]


def pairs_of_interest(study: Study) -> tuple[Pair, ...]:
    """Every pair of nets that a rule asks for, so that each run is looked at once."""
    found: list[Pair] = []
    coils = bool(coil_names(study.circuit))
    far = reach(study)
    for part in study.circuit.parts.values():
        if part.kind in TRANSISTORS:
            found.append(reverse_pair(part))
            if coils:  # nothing else lifts a collector above the supply
                found.append(collector_pair(part))
        elif part.kind == "capacitor":
            found.extend((capacitor_pair(part), capacitor_pair(part)[::-1]))
        elif part.kind in ("diode", "led"):
            found.append((part.pins["cathode"], part.pins["anode"]))
        elif part.kind == "resistor" and 4.0 * far**2 > WARM * study.value(part.name, "resistance"):
            ends = part.pins["a"], part.pins["b"]
            found.extend((ends, ends[::-1]))
    return tuple(sorted(set(found)))


# at rest --------------------------------------------------------------------------------------


def at_rest(
    study: Study, pair: Pair, doubtful: Callable[[State, float], bool], lasting: bool = False
) -> Peak | None:
    """The greatest voltage of a pair in any stable state of any position of the contacts.

    Worst of all tolerances in the states where ``doubtful`` says of the voltage (V) at nominal values
    that they may matter.  ``lasting`` leaves out positions that a stimulus passes or that none reaches.
    ``None`` where it is undefined in every state.
    """
    found: list[Peak] = []
    rest = study.state_sets()[0].configuration
    for corner in study.corners:
        for sets in study.state_sets(corner):
            if lasting and math.isfinite(dwell(study.circuit, sets.configuration, rest)):
                continue
            for state in sets.stable:
                value = between(state, pair)
                if value is not None:
                    found.append(_rest_peak(study, state, state, value, corner))
                    if corner == "typical" and doubtful(state, value):
                        found.extend(_worst_peak(study, state, pair))
    return max(found, key=_order, default=None)


def between(state: State, pair: Pair) -> float | None:
    one, two = state.nets[pair[0]], state.nets[pair[1]]
    return None if one is None or two is None else one - two


def clean(volts: float) -> float:
    """Without what rounding leaves of zero."""
    return 0.0 if abs(volts) < ROUNDING else volts


def _worst_peak(study: Study, state: State, pair: Pair) -> Iterable[Peak]:
    found = worst(state, lambda s: between(s, pair), "max")
    if found is not None and found.holds and found.state is not None:
        yield _rest_peak(study, state, found.state, found.value, found.label)


def _rest_peak(study: Study, named: State, state: State, value: float, corner: str) -> Peak:
    capacitors = {
        name: capacitor_voltage(study.resolved, state, name) for name in store_names(study.resolved)[0]
    }
    label = "typical" if corner == "nominal" else corner
    return Peak(clean(value), label, named.name, None, None, state.nets, MappingProxyType(capacitors))


def _order(peak: Peak) -> tuple[float, int, str, str]:
    """The greatest; of equal ones that at the plainest corner."""
    plain = {"typical": 2, "max": 1, "min": 1}.get(peak.corner, 0)
    return round(peak.value, 9), plain, peak.state, peak.corner


# along runs -----------------------------------------------------------------------------------

def stress_corner(study: Study, gains: str = "max", coils: bool = False) -> Corner:
    """Every supply at its highest voltage; plain ``typical`` where no other gains are known."""
    same = start_betas(study.resolved, gains) == start_betas(study.resolved, "typical")
    return as_named(study, Corner("typical" if same else gains, True, coils))


def along(study: Study, pair: Pair, limits: Sequence[float] = ()) -> Peak | None:
    """The greatest voltage of a pair along every run; ``None`` without runs, or where it is undefined.

    Where it comes near below one of ``limits`` (V) the runs are made at the least gains too.
    """
    peak = peaks_along(study, stress_corner(study)).get(pair)
    if peak is None or not any(limit * (1.0 - NEAR) < peak.value <= limit for limit in limits):
        return peak
    other = _same_run(study, peak, pair, stress_corner(study, "min"))
    return max((found for found in (peak, other) if found is not None), key=_order)


def _same_run(study: Study, peak: Peak, pair: Pair, corner: Corner) -> Peak | None:
    """The same run at another corner, with no more runs than it takes to get there."""
    what = "" if peak.episode is None else peak.episode.what
    found = study.shared(
        ("run", corner, what), lambda: next((e for e in each_episode(study, corner) if e.what == what), None)
    )
    return None if found is None else _peaks_of(study, corner, (found,), (pair,)).get(pair)


def unfinished_runs(study: Study) -> tuple[str, ...]:
    """Runs that could not be followed to their end, in words."""
    return unfinished(episodes(study, stress_corner(study))) if moves(study) else ()


def moves(study: Study) -> bool:
    """True where something is stored: without it every moment of a run is a resting state."""
    return any(store_names(study.resolved))


def peaks_along(study: Study, corner: Corner) -> Mapping[Pair, Peak]:
    """The greatest voltage of every pair of interest at one corner."""
    looked = moves(study) or corner.coils
    return study.shared(
        ("peaks along", corner), lambda: MappingProxyType(_peaks_along(study, corner) if looked else {})
    )


def _peaks_along(study: Study, corner: Corner) -> dict[Pair, Peak]:
    return _peaks_of(study, corner, episodes(study, corner), pairs_of_interest(study))


def _peaks_of(
    study: Study, corner: Corner, found_in: Sequence[Episode], pairs: Sequence[Pair]
) -> dict[Pair, Peak]:
    """The greatest voltage of each pair in some runs."""
    best: Array = np.full(len(pairs), -np.inf)
    places: list[tuple[Episode, int, float] | None] = [None] * len(pairs)
    for episode in found_in:
        for number, interval in enumerate(episode.timeline.intervals):
            values, times = highest(interval.course, pairs, interval.duration, best)
            for k in np.flatnonzero(values > best).tolist():
                places[k] = (episode, number, interval.start + float(times[k]))
            best = np.maximum(best, values)
    found = {}
    for pair, value, place in zip(pairs, best.tolist(), places, strict=True):
        if place is not None:
            found[pair] = peak_at(study, corner, value, *place)
    return found


def peak_at(study: Study, corner: Corner, value: float, episode: Episode, number: int, at: float) -> Peak:
    """A greatest value of a run, with how everything stands at that moment of its ``number``-th interval."""
    interval = episode.timeline.intervals[number]
    nets = {net: _number(volts[0]) for net, volts in interval.voltages([at]).items()}
    stored = interval.stored([at])
    capacitors = {name: _number(stored[name][0]) for name in store_names(study.resolved)[0]}
    return Peak(
        clean(value),
        corner.label(study),
        interval.name,
        at,
        episode,
        MappingProxyType(nets),
        MappingProxyType(capacitors),
    )


def _number(value: float) -> float | None:
    return None if np.isnan(value) else float(value)


def holding_capacitor(study: Study, peak: Peak, nets: Iterable[str]) -> str | None:
    """The capacitor at one of these nets that stands at the most volts at a peak: what holds the voltage."""
    wanted = set(nets) - study.roles.rails
    found = [
        (abs(volts), name)
        for name, volts in peak.capacitors.items()
        if volts is not None and wanted & set(study.circuit.parts[name].pins.values())
    ]
    largest = max(found, default=None)
    return largest[1] if largest is not None and largest[0] > 0.1 else None
