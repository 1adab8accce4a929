"""Frozen and timed states as JSON-ready data: what is held, where the state ends, how long it takes.

A timed state is no DC state: it exists while a capacitor holds its voltage
and ends where the state ceases to exist.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING, Any

from service.shapes import finite

if TYPE_CHECKING:
    from rules.analysis.frozen import Phase, Segment, TimedState
    from rules.analysis.states import State

Json = dict[str, Any]


def timed_shape(timed: TimedState) -> Json:
    """How a timed state starts, ends and goes on: V, A and s; an infinite time is ``None``."""
    return {
        "held": dict(timed.state.mode.network.held),
        "ends": {
            "capacitor": timed.capacitor,
            "voltage": timed.threshold,
            "kind": timed.kind,
            "changed": list(timed.changed),
            "current": timed.current,
            "after": finite(timed.duration),
        },
        "course": [_segment(segment) for segment in timed.phase.segments],
        "then": [_phase(phase) for phase in timed.after],
        "outcome": timed.outcome,
    }


def frozen_shape(state: State) -> Json:
    """Where a state with held capacitors ends: by the capacitor that gets there first, the others held."""
    from rules.analysis.frozen import ending, follow

    held = dict(state.mode.network.held)
    best: tuple[float, str, Json] | None = None
    for capacitor in held:
        phase = follow(state, capacitor)
        cut = ending(state.mode.network.resolved, phase)
        if cut is None:
            continue
        count, kind, changed = cut
        pieces = phase.segments[:count]
        after = sum(piece.duration for piece in pieces)
        ends = {
            "capacitor": capacitor,
            "voltage": pieces[-1].end,
            "kind": kind,
            "changed": list(changed),
            "current": pieces[-1].current_end,
            "after": finite(after),
        }
        if best is None or (after, capacitor) < best[:2]:
            best = (after, capacitor, ends)
    return {"held": held, "ends": None if best is None else best[2]}


def by_configuration(timed: Iterable[TimedState]) -> Mapping[str, list[TimedState]]:
    """Timed states under the key of their configuration."""
    found: dict[str, list[TimedState]] = {}
    for item in timed:
        found.setdefault(item.configuration.key, []).append(item)
    return found


def _phase(phase: Phase) -> Json:
    return {
        "from": phase.start_state.name,
        "end": phase.end,
        "voltage": phase.end_voltage,
        "course": [_segment(segment) for segment in phase.segments],
    }


def _segment(segment: Segment) -> Json:
    return {
        "devices": dict(segment.devices),
        "from": segment.start,
        "to": segment.end,
        "current": [segment.current_start, segment.current_end],
        "tau": finite(segment.tau),
        "duration": finite(segment.duration),
    }
