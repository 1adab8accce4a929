"""How a circuit comes up: the supply as a step and as a slow ramp, and what is left to chance."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from rules.analysis.delays import Delay
from rules.analysis.requirements import asked
from rules.analysis.resolve import Resolved, resolve
from rules.analysis.states import State, matches, start_betas
from rules.analysis.timeline.engine import World
from rules.analysis.timeline.moving import Moved, power_up
from rules.analysis.timeline.passing import modes_at
from rules.analysis.timeline.timelines import course, gains
from schemas.circuit import Circuit, frozen_map

if TYPE_CHECKING:
    from rules.analysis.study import Study
    from rules.analysis.timeline.model import Timeline
    from rules.analysis.timeline.plant import Plant

PLACES, CLOSER = 64, 12  # supply voltages that are looked at, and halvings of the last step
RESTING = ("standing-current", "battery-life")  # requirements that speak of the state it is left in


def conducting(study: Study, devices: Mapping[str, str]) -> frozenset[str]:
    """The transistors that conduct."""
    return frozenset(part.name for part in study.roles.transistors if devices.get(part.name, "off") != "off")


def told_corners(study: Study) -> tuple[str, ...]:
    """Corners of the gains that differ from the typical ones, and the typical one first."""
    typical = start_betas(study.resolved, "typical")
    others = [c for c in study.corners if c != "typical" and start_betas(study.resolved, c) != typical]
    return ("typical", *others)


@dataclass(frozen=True, eq=False)
class Safe:
    """The state a circuit has to come up in, and why; ``declared`` where a requirement says so."""

    state: State
    declared: bool


def safe_state(study: Study, corner: str) -> Safe | None:
    """The resting state a requirement names, else the one in which fewest transistors conduct.

    ``None`` where several conduct equally little and none is named: then none is safer than another.
    """
    stable = study.state_sets(corner)[0].stable
    for kind in RESTING:
        for item in asked(study.circuit, kind):
            regions = study.circuit.states.get(item.state)
            named = [state for state in stable if regions is not None and matches(state.devices, regions)]
            if named:
                return Safe(named[0], True)
    if not stable:
        return None
    counts = [len(conducting(study, state.devices)) for state in stable]
    quietest = [state for state, count in zip(stable, counts, strict=True) if count == min(counts)]
    return Safe(quietest[0], False) if len(quietest) == 1 else None


def cross_coupled(study: Study) -> tuple[tuple[str, str], ...]:
    """Pairs of transistors of which each collector drives the other base through a capacitor: oscillators."""
    coupled = {
        frozenset(part.pins.values())
        for part in study.circuit.parts.values()
        if part.kind == "capacitor" and len(set(part.pins.values())) == 2
    }
    found = []
    transistors = study.roles.transistors
    for i, a in enumerate(transistors):
        for b in transistors[i + 1 :]:
            ways = ((a.pins["collector"], b.pins["base"]), (b.pins["collector"], a.pins["base"]))
            if all(frozenset(way) in coupled for way in ways):
                found.append((a.name, b.name))
    return tuple(sorted(found))


# the supply as a slow ramp --------------------------------------------------------------------

def slow_ramp(study: Study, corner: str) -> Mapping[str, str] | None:
    """Regions of all devices after a ramp that every capacitor follows; ``None`` where it gets stuck."""
    return study.shared(
        ("slow ramp", corner), lambda: _ramp(study, study.resolved, gains(study, corner))
    )


def _ramp(study: Study, resolved: Resolved, betas: Mapping[str, float]) -> Mapping[str, str] | None:
    world = World(_without_stores(resolved), betas)
    plant = world.plant(study.state_sets()[0].configuration)
    moved = power_up(plant)
    return dict(plant.state(moved.mode, moved.x).devices) if isinstance(moved, Moved) else None


def _without_stores(resolved: Resolved) -> Resolved:
    """The same circuit as direct current sees it: capacitors open, coils their resistance."""
    parts = {name: part for name, part in resolved.circuit.parts.items() if part.kind != "capacitor"}
    values = {key: known for key, known in resolved.values.items() if key[1] != "inductance"}
    return replace(resolved, circuit=replace(resolved.circuit, parts=frozen_map(parts)), values=values)


def comes_up(study: Study, changed: Circuit) -> frozenset[str] | None:
    """The transistors that conduct once a changed circuit has come up; ``None`` where it does not settle."""
    resolved = resolve(changed)
    world = World(resolved, start_betas(resolved, "typical"))
    found = course(world, None, (), study.state_sets()[0].configuration)
    return conducting(study, found.last.devices) if found.verdict == "settles" else None


# chance ---------------------------------------------------------------------------------------


def left_to_chance(study: Study, corner: str, devices: Mapping[str, str], held: bool) -> tuple[State, ...]:
    """The states among which nothing decides as the supply comes on; empty where the path is certain.

    ``devices`` are the regions it came up in.  With ``held`` the capacitors are empty (a step), else they
    have followed (a slow ramp).  The sources rise from zero; where a regenerative pair can no longer stay
    off there may be one state to go on in, or several: equal drops then leave open which one is first.
    """
    members = {name for pair in study.roles.pairs if pair.kind == "regenerative" for name in pair.members}
    stable = study.state_sets(corner)[0].stable
    if not members & conducting(study, devices) or len(stable) < 2:
        return ()
    resolved = study.resolved if held else _without_stores(study.resolved)
    plant = World(resolved, gains(study, corner)).plant(study.state_sets(corner)[0].configuration)
    first = _first_choice(study, plant, frozenset(members))
    # where one member comes on and then another, nothing is open: only what excludes each other is a choice
    if sum(not any(other < pattern for other in first) for pattern in first) < 2:
        return ()
    patterns: dict[frozenset[str], State] = {}
    for state in stable:
        patterns.setdefault(conducting(study, state.devices) & members, state)
    return tuple(patterns[pattern] for pattern in sorted(patterns, key=sorted))


def _first_choice(study: Study, plant: Plant, members: frozenset[str]) -> set[frozenset[str]]:
    """Which members conduct in the stable states just past the supply at which one of them has to."""
    rising = plant.faded(-plant.network.source_vector())

    def choices(share: float) -> set[frozenset[str]]:
        x = np.append(np.zeros(len(plant.stores.free)), 1.0 - share)
        found = [mode for mode in modes_at(rising, x, np.zeros(x.size)) if mode.sign != -1]
        states = [state for mode in found if (state := rising.state(mode, x)).stable]
        return {conducting(study, state.devices) & members for state in states}

    nothing = frozenset[str]()
    low = 0.0
    for high in (np.arange(1, PLACES + 1) / PLACES).tolist():
        found = choices(high)
        if found and nothing not in found:
            break
        low = high
    else:
        return set()
    for _ in range(CLOSER):
        middle = 0.5 * (low + high)
        between = choices(middle)
        if between and nothing not in between:
            high, found = middle, between
        else:
            low = middle
    return found


# what else happens at switch-on ---------------------------------------------------------------


def timed_unasked(
    study: Study, corner: str, timeline: Timeline, safe: State | None
) -> tuple[Delay, float] | None:
    """A delay that a stimulus is to start, but that runs as the supply comes on, and for how long (s)."""
    resting = conducting(study, safe.devices) if safe is not None else frozenset()
    for delay in study.delays(corner)[0]:
        pattern = conducting(study, delay.timed.state.devices)
        if delay.origin is None or pattern == resting:
            continue
        lasts = sum(
            interval.duration
            for interval in timeline.intervals
            if math.isfinite(interval.end) and conducting(study, interval.devices) == pattern
        )
        if lasts > 0.0:
            return delay, lasts
    return None
