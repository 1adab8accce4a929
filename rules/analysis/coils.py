"""What keeps a current going: coils, inductors and inductive loads, and where their currents are opened."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from rules.analysis.elements import COILS, coil_pins
from rules.analysis.requirements import Window, asked
from rules.analysis.resolve import TRANSISTORS, Known, Resolved, part_pointer
from rules.analysis.runs import Corner, Episode, episodes
from schemas.circuit import Circuit, Part, frozen_map

if TYPE_CHECKING:
    from rules.analysis.study import Study
    from rules.analysis.timeline.model import Interval, Timeline

TIME_CONSTANT = 1.5e-3  # s, L/R of a small 12 V relay (0.6 H, 400 ohm)
SOURCE = "L/R of 1.5 ms, of the order of small relays and motors; common practice, no source"
SMALL = 1e-6  # A; a current below this is none
RELEASED = 0.1  # of the nominal coil voltage, where a relay has surely let go; makers' sheets, from memory
SHORTEST, CLOSE = 1e-9, 1e-12  # s to begin a search with, and of a time
STEADY = 0.99  # of the greatest current, from which on it counts as falling


def is_coil(part: Part) -> bool:
    return part.kind in COILS or (part.kind == "load" and part.values.get("inductive") is True)


def coil_names(circuit: Circuit) -> tuple[str, ...]:
    """Coils, inductors and loads that are said to be inductive, sorted."""
    return tuple(sorted(part.name for part in circuit.parts.values() if is_coil(part)))


def without_inductance(study: Study) -> tuple[str, ...]:
    """Those of them whose inductance nobody stated."""
    return tuple(name for name in coil_names(study.circuit) if study.known(name, "inductance") is None)


def with_inductance(study: Study, resolved: Resolved) -> Resolved:
    """The circuit with an assumed inductance wherever none is stated; inductive loads become coils."""
    parts, values = dict(resolved.circuit.parts), dict(resolved.values)
    for name in without_inductance(study):
        parts[name] = replace(parts[name], kind="coil")
        henry = TIME_CONSTANT * resolved.value(name, "resistance")
        values[name, "inductance"] = Known(henry, "H", "assumed", SOURCE, part_pointer(name, "inductance"))
    return replace(resolved, circuit=replace(resolved.circuit, parts=frozen_map(parts)), values=values)


@dataclass(frozen=True, eq=False)
class Opening:
    """A moment (s) at which the current (A, into the first pin) of a coil is interrupted or begins to fall.

    ``path`` is false where the current had nowhere to go.  ``released`` is the time (s)
    from there until it has fallen to ``release`` A, infinite where it does not.
    """

    coil: str
    episode: Episode
    at: float
    current: float
    path: bool
    release: float
    released: float


def openings(study: Study, corner: Corner) -> tuple[Opening, ...]:
    """Every opening of every coil in every run at a corner."""
    return study.shared(("openings", corner), lambda: tuple(_openings(study, corner)))


def _openings(study: Study, corner: Corner) -> Iterator[Opening]:
    for name in coil_names(study.circuit):
        for episode in episodes(study, corner):
            yield from _of_coil(study, name, episode)


def _of_coil(study: Study, name: str, episode: Episode) -> Iterator[Opening]:
    timeline = episode.timeline
    broken = False
    for event in timeline.events:
        if event.kind == "forced" and event.parts == (name,):
            current = current_before(episode, name, event.at)
            if abs(current) > SMALL:
                broken = True
                release = release_current(study, name, current)
                yield Opening(name, episode, event.at, current, False, release, 0.0)
    if not broken:
        found = _fall(study, name, episode)
        if found is not None:
            yield found


def current_before(episode: Episode, name: str, at: float) -> float:
    """The current of a coil (A) just before a moment (s) of a run."""
    before = [interval for interval in episode.timeline.intervals if interval.end <= at]
    return float(before[-1].stored([at])[name][0]) if before else episode.begun.get(name, 0.0)


def release_current(study: Study, name: str, current: float) -> float:
    """The current (A) below which a relay has let go; a tenth of the current itself for any other coil."""
    nominal = study.known(name, "nominal")
    if nominal is None:
        return RELEASED * abs(current)
    return RELEASED * nominal.value / study.value(name, "resistance")


def _fall(study: Study, name: str, episode: Episode) -> Opening | None:
    """The last fall of the current from its greatest value to below the release current."""
    timeline = episode.timeline
    ends = [(i.start, float(i.stored([i.start])[name][0])) for i in timeline.intervals]
    most = max((abs(current) for _, current in ends), default=0.0)
    if most <= SMALL:
        return None
    at, current = max((at, current) for at, current in ends if abs(current) >= STEADY * most)
    release = release_current(study, name, current)
    there = falls_below(timeline, name, release, at)
    if there is None:
        return None
    return Opening(name, episode, at, current, True, release, there - at)


def falls_below(timeline: Timeline, name: str, level: float, since: float) -> float | None:
    """When (s) the magnitude of a coil's current first falls below a level (A) after ``since``."""
    for interval in timeline.intervals:
        if interval.end <= since:
            continue
        start = max(since, interval.start)
        if _size(interval, name, start) <= level:
            return start
        if _size(interval, name, interval.end) > level:
            continue
        low, high = start, interval.end
        if math.isinf(high):
            step = SHORTEST
            while _size(interval, name, start + step) > level:
                step *= 2.0
            high = start + step
        while high - low > CLOSE * high:
            middle = 0.5 * (low + high)
            low, high = (middle, high) if _size(interval, name, middle) > level else (low, middle)
        return high
    return None


def _size(interval: Interval, name: str, at: float) -> float:
    return abs(float(interval.stored([at])[name][0]))


def opener(study: Study, opening: Opening) -> tuple[str, ...]:
    """What opened a current: transistors and contacts at the ends of the coil, else whatever moved."""
    parts = study.circuit.parts
    ends = set(parts[opening.coil].pins.values()) - study.roles.rails
    moved = {
        name
        for event in opening.episode.timeline.events
        if event.at == opening.at and event.kind in ("stimulus", "jump", "region")
        for name in event.parts
    }
    switching = {name for name in moved if parts[name].kind in (*TRANSISTORS, "contact")}
    near = {name for name in switching if ends & set(parts[name].pins.values())}
    return tuple(sorted(near or switching or moved))


def switches_at(study: Study, coil: str) -> tuple[str, ...]:
    """Transistors whose collector or emitter is at an end of a coil, sorted."""
    parts = study.circuit.parts
    ends = set(parts[coil].pins.values()) - study.roles.rails
    return tuple(
        sorted(
            part.name
            for part in parts.values()
            if part.kind in TRANSISTORS and ends & {part.pins["collector"], part.pins["emitter"]}
        )
    )


def first_pin(circuit: Circuit, coil: str) -> str:
    """The net at which the current of a coil goes in when it is positive."""
    part = circuit.parts[coil]
    return part.pins[coil_pins(part)[0]]


def last_pin(circuit: Circuit, coil: str) -> str:
    part = circuit.parts[coil]
    return part.pins[coil_pins(part)[1]]


def stated_release(circuit: Circuit, stimulus: str | None) -> Window | None:
    """The strictest ``re-arm`` requirement of a stimulus, or of any: by then a coil must have let go."""
    found = [
        Window(0.0, item.window.high, f"{item.pointer}/at_most")
        for item in asked(circuit, "re-arm")
        if item.text("stimulus") in ("", stimulus)
    ]
    return min(found, key=lambda window: (window.high, window.pointer), default=None)
