"""Where a delay starts at any point of the tolerances: what the state before it leaves on the capacitors."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np

from rules.analysis.corners.parameters import at
from rules.analysis.corners.variants import Variants, frame_of
from rules.analysis.courses import frame_at, passed
from rules.analysis.elements import Array, capacitor_pins
from rules.analysis.frozen import capacitor_voltage
from rules.analysis.states import State, find_states

if TYPE_CHECKING:
    from rules.analysis.delay_corners import DelayCorners


def held_at(corners: DelayCorners, points: Array) -> dict[str, Array]:
    """Voltages (V) at the start, at every point; NaN where the state before it is not there."""
    delay, count = corners.delay, len(points)
    held = delay.timed.state.mode.network.held
    capacitors = sorted(held)
    if delay.origin is None or (delay.approach is None and _dead(delay.origin, held)):
        return {name: np.full(count, held[name]) for name in capacitors}
    found = _resting(corners, delay.origin, points, capacitors)
    if delay.approach is not None:
        found[corners.capacitor] = _approached(corners, points)
    return found


def _resting(
    corners: DelayCorners, state: State, points: Array, capacitors: Sequence[str]
) -> dict[str, Array]:
    parts, network = corners.resolved.circuit.parts, state.mode.network
    many = Variants(frame_of(state), corners.parameters, points)
    nets = many.view.nets
    found: dict[str, Array] = {}
    for name in capacitors:
        high, low = (nets[parts[name].pins[pin]] for pin in capacitor_pins(parts[name]))
        known = high is not None and low is not None
        found[name] = np.array(high - low) if known else np.zeros(len(points))
    for k in np.flatnonzero(~(many.holds & many.sound)).tolist():
        resolved, _ = at(corners.resolved, corners.point(points[k]))
        stable = find_states(resolved, network.configuration, "typical", network.held).stable
        same = min(
            stable,
            key=lambda s: (len(set(s.mode.solution.support) ^ set(state.mode.solution.support)), s.name),
            default=None,
        )
        for name in capacitors:
            volts = math.nan if same is None else capacitor_voltage(resolved, same, name) or 0.0
            found[name][k] = volts
    return found


def _approached(corners: DelayCorners, points: Array) -> Array:
    """Where the capacitor stands once the stimulus leaves the position before."""
    approach = corners.delay.approach
    assert approach is not None
    state = approach.phase.start_state
    mode = state.mode
    held = _resting(corners, approach.before, points, sorted(mode.network.held))
    batch = frame_at(state, corners.capacitor).batch(corners.parameters, points, held)
    way = tuple(segment.support for segment in approach.phase.segments)
    lead = int(np.abs(corners.shares(points)).sum(axis=1).argmin())
    courses = batch.follow(way, held[corners.capacitor], False, settles=True, lead=lead)
    return np.where(courses.here, passed(courses, corners.farads(points), approach.stay), np.nan)


def _dead(state: State, held: Mapping[str, float]) -> bool:
    """True where nothing conducts and every capacitor is empty: so it is at every point."""
    return not any(held.values()) and all(region == "off" for region in state.devices.values())
