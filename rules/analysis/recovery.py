"""The way back: how a timing capacitor returns to where its next period starts from.

After a fold the circuit falls into its other state by itself; after a region
change, or a fold that leaves the capacitor charged, nothing happens until the
stimulus is withdrawn, and the way back leads through the configuration at rest.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from rules.analysis.configurations import configurations
from rules.analysis.course import passes, resistance_of, until, voltage_after
from rules.analysis.delays import Delay, dwell
from rules.analysis.elements import Configuration
from rules.analysis.formulas.timing import settling_time
from rules.analysis.frozen import Phase, Segment, afterwards, follow
from rules.analysis.network import build_network
from rules.analysis.states import find_states, linear_state

if TYPE_CHECKING:
    from rules.analysis.study import Study

HAIR = 1e-9  # V


@dataclass(frozen=True, eq=False)
class Recovery:
    """From the end of a timed state (V, ``start``) to where the next period may begin (V, ``enough``).

    ``goal`` is the voltage the period starts from at its best.  ``segments``
    end at ``enough``, or where the capacitor comes to rest short of it
    (``complete`` is then false and ``seconds`` infinite).
    """

    capacitor: str
    phases: tuple[Phase, ...]
    configuration: Configuration
    start: float
    goal: float
    enough: float
    segments: tuple[Segment, ...]
    complete: bool

    @property
    def seconds(self) -> float:
        return math.fsum(segment.duration for segment in self.segments) if self.complete else math.inf

    @property
    def stays(self) -> float:
        """Where the capacitor is at the end of the way, V."""
        return self.segments[-1].end if self.segments else self.start

    @property
    def slowest(self) -> Segment | None:
        """The segment that takes most of the time, of those that come to an end."""
        finite = [segment for segment in self.segments if math.isfinite(segment.duration)]
        return max(finite, key=lambda segment: segment.duration, default=None)

    @property
    def five_tau(self) -> float:
        """Five time constants of the slowest segment, s; infinite without one."""
        tau = self.slowest.tau if self.slowest is not None else None
        return math.inf if tau is None else settling_time(abs(tau))

    @property
    def largest_resistance(self) -> float:
        """The largest discharge resistance on the way, ohm; infinite where the way ends early."""
        if not self.complete:
            return math.inf
        return max((abs(r) for r in map(resistance_of, self.segments) if r is not None), default=0.0)


@dataclass(frozen=True, slots=True)
class NoRecovery:
    """Why there is no way back to judge; ``decided`` is false when it could not be found out."""

    reason: str
    decided: bool = True


def enough_charge(delay: Delay, shortening: float) -> float:
    """The start voltage (V) from which the delay is ``shortening`` (a fraction) shorter than from its start.

    That is where the course stands after that share of the delay; for one
    time constant it is V_inf*(1 - (1-x)**shortening).
    """
    return voltage_after(delay.segments, delay.farads, shortening * delay.duration)


def recovery_of(study: Study, corner: str, delay: Delay, shortening: float) -> Recovery | NoRecovery:
    """The way back after a delay at a beta corner."""
    timed = delay.timed
    rest = study.state_sets(corner)[0].configuration
    if timed.kind == "fold":
        if not study.state_sets(corner)[0].stable:
            return NoRecovery("the circuit never rests; the way back is part of its period")
        if timed.outcome == "oscillates":
            return NoRecovery("the cycle repeats by itself; it has no other start to come back to")
        if timed.outcome == "undecided":
            return NoRecovery("several states may follow the end of the timed state", decided=False)
        way = _back(delay, timed.after, timed.configuration, shortening)
        if way.complete or timed.configuration.key == rest.key:
            return way
        # it snaps over and stays so while the stimulus lasts
        return _withdrawn(study, corner, delay, rest, shortening)
    if timed.configuration.key == rest.key:
        if delay.origin is None:
            return NoRecovery("it runs once, at power-up; no contact or driver ends it")
        return NoRecovery("the delay is itself the way back; the next stimulus charges the capacitor again")
    return _withdrawn(study, corner, delay, rest, shortening)


def _withdrawn(
    study: Study, corner: str, delay: Delay, rest: Configuration, shortening: float
) -> Recovery | NoRecovery:
    """The slowest way back once the stimulus has gone back to rest."""
    timed = delay.timed
    last = _last_voltage(study, delay, rest)
    # a hair on the way back, so that no junction straight across the capacitor stands at its very limit
    last -= math.copysign(HAIR, last - delay.start)
    held = {**timed.state.mode.network.held, timed.capacitor: last}
    ways = []
    for state in find_states(study.resolved, rest, corner, held).stable:
        first = follow(state, timed.capacitor)
        following, outcome = afterwards(study.resolved, rest, corner, timed.capacitor, first, held)
        if outcome != "settles":
            reason = f"what follows once {timed.configuration.key} has ended is not settled"
            return NoRecovery(reason, decided=outcome == "oscillates")
        ways.append((first, *following))
    if not ways:
        return NoRecovery(f"no state of {rest.key} takes the capacitor at {last:.3g} V", decided=False)
    homes = [way for way in ways if _home(delay, way[-1])]
    if not homes:
        return NoRecovery("the circuit stays switched over; what brings it back is not this stimulus")
    made = [_back(delay, way, rest, shortening) for way in homes]
    return max(made, key=lambda way: (way.seconds, way.start))


def _last_voltage(study: Study, delay: Delay, rest: Configuration) -> float:
    """Where the capacitor stands when the timed state has ended and then the stimulus."""
    phase = delay.timed.phase
    if delay.timed.kind == "fold":
        return delay.timed.after[-1].end_voltage if delay.timed.after else phase.end_voltage
    stay = dwell(study.circuit, delay.timed.configuration, rest)
    return phase.end_voltage if math.isinf(stay) else voltage_after(phase.segments, delay.farads, stay)


def _home(delay: Delay, phase: Phase) -> bool:
    """True when the circuit rests as it did before."""
    if delay.origin is None:
        return True
    last = phase.segments[-1].devices if phase.segments else phase.start_state.devices
    return dict(last) == dict(delay.origin.devices)


def _back(delay: Delay, phases: Sequence[Phase], configuration: Configuration, shortening: float) -> Recovery:
    timed = delay.timed
    enough = enough_charge(delay, shortening)
    start = phases[0].start_state.mode.network.held[timed.capacitor] if phases else timed.threshold
    every = tuple(segment for phase in phases for segment in phase.segments)
    there = (start - enough) * (delay.start - enough) >= 0.0  # it begins on the right side already
    complete = there or passes(every, enough)
    segments = () if there else until(every, delay.farads, enough)
    return Recovery(
        timed.capacitor, tuple(phases), configuration, start, delay.start, enough, segments, complete
    )


def recovery_with(
    study: Study,
    way: Recovery,
    delay: Delay,
    values: Mapping[tuple[str, str], float],
    shortening: float,
    betas: Mapping[str, float] | None = None,
) -> Recovery | None:
    """The same way back with other part values and gains; ``delay`` is the delay with these.

    Each phase starts in its own mode, from where the one before now ends.
    ``None`` where a mode has no solution any more.
    """
    changed = study.resolved.with_values(values)
    rest = configurations(study.circuit)[0][0]
    snapped = delay.timed.kind == "fold" and way.configuration.key == delay.timed.configuration.key
    last = delay.timed.phase.end_voltage if snapped else _last_voltage(study, delay, rest)
    made: list[Phase] = []
    for phase in way.phases:
        mode = phase.start_state.mode
        held = {**mode.network.held, way.capacitor: last}
        network = build_network(changed, mode.network.configuration, held)
        try:
            state = linear_state(network, {**mode.betas, **(betas or {})}, mode.solution.support)
        except np.linalg.LinAlgError:
            return None
        made.append(follow(state, way.capacitor))
        last = made[-1].end_voltage
    return _back(delay, made, way.configuration, shortening)
