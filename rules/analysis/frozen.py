"""States that exist only while a capacitor holds its voltage, and how they end.

A timed state (the "on" of a monostable, the wait of an RC delay) is no DC
state: it is a state of the circuit with the timing capacitor held.  Following
it while the capacitor charges gives, exactly, each region change, the voltage
at which the state ceases to exist (a fold: the solutions of the two regions
meet there and vanish), the time, the aim voltage and the way back.

Slower capacitors are held where they stand, faster ones are taken as settled.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from rules.analysis.complementarity import solve_together
from rules.analysis.elements import RESISTIVE, Configuration, capacitor_pins
from rules.analysis.mode_line import ModeLine, Tracer
from rules.analysis.network import build_network
from rules.analysis.resolve import CORNERS, SUPPLIES, TRANSISTORS, Resolved
from rules.analysis.states import State, StateSet, start_betas, states_of

PHASE_LIMIT = 6
SEGMENT_LIMIT = 60
_STEP = 1e-7  # V past an edge, where the next mode is confirmed
_STILL = 1e-15  # A; a capacitor current below this is rest


@dataclass(frozen=True, slots=True)
class Segment:
    """One mode of a phase: from ``start`` to ``end`` volts in ``duration`` s, infinite when it never ends."""

    devices: Mapping[str, str]
    start: float
    end: float
    current_start: float
    current_end: float
    aim: float | None
    tau: float | None
    duration: float
    complete: bool  # reached its end (false: settles at ``end``)
    support: frozenset[int] = frozenset()  # the junctions that conduct


@dataclass(frozen=True, eq=False)
class Phase:
    """What happens from one start until a fold, a rest, or the limit."""

    start_state: State
    capacitor: str
    segments: tuple[Segment, ...]
    end: str  # "fold", "settles", "undefined"
    end_voltage: float

    @property
    def duration(self) -> float:
        return sum(segment.duration for segment in self.segments)


@dataclass(frozen=True, eq=False)
class TimedState:
    """A timed state in one configuration at one corner.

    ``threshold`` (V on the capacitor) is where it ends: at a fold, else at the
    first region change of a transistor; ``current`` (A) is what charges the
    capacitor there, ``aim`` (V) where it would go, ``duration`` (s) the time to
    the threshold without leakage.  ``after`` is what follows, down to rest.
    """

    configuration: Configuration
    corner: str
    capacitor: str
    name: str
    start: float
    phase: Phase
    kind: str  # "fold" or "region-change"
    changed: tuple[str, ...]
    threshold: float
    current: float
    aim: float | None
    tau: float | None
    duration: float
    charging: bool
    after: tuple[Phase, ...]
    outcome: str  # "settles", "oscillates", "undecided"

    @property
    def state(self) -> State:
        return self.phase.start_state


def follow(start: State, capacitor: str) -> Phase:
    """Follow a frozen state while its capacitor moves, until it folds or comes to rest."""
    network = start.mode.network
    farads = network.resolved.value(capacitor, "capacitance")
    tracer = Tracer(network, dict(start.mode.betas), capacitor)
    u = network.held[capacitor]
    support = frozenset(start.mode.solution.support)
    segments: list[Segment] = []
    end = "settles"
    for _ in range(SEGMENT_LIMIT):
        line = tracer.line(support)
        if line is None:
            end = "undefined"
            break
        current = line.current_at(u)
        if abs(current) <= _STILL + 1e-9 * abs(line.current_slope):
            break
        direction = math.copysign(1.0, current)
        edge = line.edge(u, direction)
        segment, settled = _segment(tracer, line, u, edge, direction, farads)
        segments.append(segment)
        u = segment.end
        if settled or edge is None:
            break
        following = _next_support(tracer, line, edge, direction)
        if following is None:
            clamp = _clamp(tracer, u) if tracer.line(line.support ^ {edge[1]}) is None else None
            if clamp is None:
                end = "fold"
            else:
                segments.append(Segment(clamp.devices, u, u, 0.0, 0.0, u, None, math.inf, False))
            break
        support = following
    return Phase(start, capacitor, tuple(segments), end, u)


def _segment(
    tracer: Tracer, line: ModeLine, u: float, edge: tuple[float, int] | None, direction: float, farads: float
) -> tuple[Segment, bool]:
    """The piece of the course inside one mode; true when it comes to rest there."""
    aim = line.aim
    tau = None if line.current_slope == 0.0 else -farads / line.current_slope
    goal = edge[0] if edge is not None else math.inf * direction
    # rest lies inside the mode when the aim comes before the edge on a decaying course
    settled = aim is not None and tau is not None and tau > 0.0 and (goal - aim) * direction >= 0.0
    if edge is None and not settled:
        settled = True
    end = aim if settled and aim is not None else (u if math.isinf(goal) else goal)
    devices = regions(tracer, line.support)
    first, last = line.current_at(u), line.current_at(end)
    duration = math.inf if settled else _time(u, end, first, last, tau, farads)
    return Segment(devices, u, end, first, last, aim, tau, duration, not settled, line.support), settled


def _time(start: float, end: float, first: float, last: float, tau: float | None, farads: float) -> float:
    """Time from start to end: exponential with tau, or straight when the current is constant."""
    if tau is None or first == 0.0 or abs(last / first - 1.0) < 1e-9:
        return farads * (end - start) / first if first else math.inf
    return tau * math.log(first / last) if last / first > 0.0 else math.inf


def _next_support(
    tracer: Tracer, line: ModeLine, edge: tuple[float, int], direction: float
) -> frozenset[int] | None:
    """The mode that carries on beyond an edge, or ``None`` at a fold."""
    at, k = edge
    swapped = line.support ^ {k}
    beyond = at + direction * _STEP
    candidate = tracer.line(swapped)
    if candidate is not None and candidate.holds(beyond):
        return swapped
    if candidate is not None and candidate.determined and line.determined and candidate.sign != line.sign:
        return None  # the branch of solutions turns back here
    # two conditions may fail at once: look at everything that exists just beyond
    network = build_network(
        tracer.network.resolved,
        tracer.network.configuration,
        {**tracer.network.held, tracer.capacitor: beyond},
    )
    here = [line.conditions[j] + line.slopes[j] * (at - line.u0) for j in sorted(line.support)]
    from rules.analysis.complementarity import problem_of
    from rules.analysis.enumeration import enumerate_all

    best: tuple[float, tuple[int, ...]] | None = None
    problem = problem_of(network, tracer.betas)
    for solution in enumerate_all(problem, 2000).solutions:
        scaled = solution.current / problem.scale
        before = dict(zip(sorted(line.support), here, strict=True))
        gap = max((abs(float(scaled[j]) - before.get(j, 0.0)) for j in range(problem.size)), default=0.0)
        if gap < 1e-4 and (best is None or (gap, solution.support) < best):
            best = (gap, solution.support)
    return None if best is None else frozenset(best[1])


def _clamp(tracer: Tracer, u: float) -> State | None:
    """The state in which ideal junctions across the capacitor keep it at ``u`` V, taking all current."""
    from rules.analysis.complementarity import problem_of
    from rules.analysis.enumeration import enumerate_all
    from rules.analysis.tabulation import Mode

    resolved, capacitor = tracer.network.resolved, tracer.capacitor
    held = {name: volts for name, volts in tracer.network.held.items() if name != capacitor}
    network = build_network(resolved, tracer.network.configuration, held)
    if network.faults:
        return None
    for solution in enumerate_all(problem_of(network, tracer.betas), 2000).solutions:
        state = State(Mode(network, tracer.betas, solution))
        voltage = capacitor_voltage(resolved, state, capacitor)
        if voltage is not None and abs(voltage - u) < 1e-6 and state.stable:
            return state
    return None


def regions(tracer: Tracer, support: frozenset[int]) -> dict[str, str]:
    """Regions of the devices in a mode."""
    from rules.analysis.tabulation import regions_of

    return regions_of(tracer.network, support)


def capacitor_voltage(resolved: Resolved, state: State, capacitor: str) -> float | None:
    """Voltage of a capacitor in a state, first pin against second; ``None`` when undefined."""
    part = resolved.circuit.parts[capacitor]
    first, second = capacitor_pins(part)
    high, low = state.nets[part.pins[first]], state.nets[part.pins[second]]
    return None if high is None or low is None else high - low


def held_with(resolved: Resolved, capacitor: str, start: State | None) -> dict[str, float]:
    """The capacitor itself and every slower one, at their voltages in ``start`` (0 V when undefined).

    Capacitors across a source follow it at once, however large they are.
    """
    own = resolved.value(capacitor, "capacitance")
    parts = resolved.circuit.parts.values()
    supplied = [set(part.pins.values()) for part in parts if part.kind in SUPPLIES]
    held = {}
    for part in parts:
        if part.kind != "capacitor" or (part.name != capacitor and set(part.pins.values()) in supplied):
            continue
        slower = resolved.value(part.name, "capacitance") > own
        if part.name == capacitor or slower:
            voltage = capacitor_voltage(resolved, start, part.name) if start is not None else None
            held[part.name] = voltage or 0.0
    return held


def transitions(
    sets: tuple[StateSet, ...], resolved: Resolved
) -> Iterator[tuple[State | None, Configuration]]:
    """Which resting state each configuration can be entered from.

    By the stimuli where there are any, else by moving one contact or driver from rest, else from power-up.
    """
    by_key = {s.configuration.key: s for s in sets}
    rest = sets[0]
    before: list[State | None] = list(rest.stable) or [None]
    stimuli = resolved.circuit.stimuli
    reached: list[tuple[Configuration, Configuration]] = []
    movable = bool(rest.configuration.contacts or rest.configuration.drivers)
    if stimuli:
        for name in stimuli:
            visited = [s.configuration for s in sets if name in s.configuration.reached_by]
            reached.extend((rest.configuration, configuration) for configuration in visited)
            # a long stimulus lets the circuit settle in each position before it goes back
            reached.extend((a, rest.configuration) for a in visited if a.key != rest.configuration.key)
    elif movable:
        for s in sets:
            moves = sum(
                1
                for name, position in {**s.configuration.contacts, **s.configuration.drivers}.items()
                if {**rest.configuration.contacts, **rest.configuration.drivers}[name] != position
            )
            if moves == 1:
                reached.extend([(rest.configuration, s.configuration), (s.configuration, rest.configuration)])
    reached.append((rest.configuration, rest.configuration))
    done: set[tuple[str, str]] = set()
    for a, b in reached:
        if (a.key, b.key) in done:
            continue
        done.add((a.key, b.key))
        entered: list[State | None] = list(by_key[a.key].stable)
        for state in (entered or [None]) if a.key != rest.configuration.key else before:
            yield state, b
    if not movable:
        yield None, rest.configuration


def timed_states(
    sets: tuple[StateSet, ...],
    resolved: Resolved,
    corner: str,
    least_share: float = 0.0,
    only: tuple[str, str] | None = None,
) -> tuple[TimedState, ...]:
    """Every timed state that a transition can reach, at one corner.

    ``only`` names a capacitor and a configuration (its key) of which alone they are wanted.

    With ``least_share`` the capacitors that can only make delays shorter than
    that share of the longest one (filters) are left out unseen.
    """
    found: dict[tuple[str, str, tuple[tuple[str, str], ...], float], TimedState] = {}
    parts = resolved.circuit.parts.values()
    capacitors = sorted(
        (-resolved.value(p.name, "capacitance"), p.name)
        for p in parts
        if p.kind == "capacitor" and (only is None or only[0] == p.name)
    )
    ohms = sum(resolved.value(p.name, "resistance") for p in parts if p.kind in RESISTIVE)
    for farads, capacitor in capacitors:
        longest = max((t.duration for t in found.values() if math.isfinite(t.duration)), default=0.0)
        # no time constant exceeds C times all resistance in series; ten of them is more than any course takes
        if -farads * ohms * 10.0 < least_share * longest:
            continue
        tried: set[tuple[str, tuple[tuple[str, float], ...]]] = set()
        for start, configuration in transitions(sets, resolved):
            if only is not None and configuration.key != only[1]:
                continue
            held = held_with(resolved, capacitor, start)
            key = (configuration.key, tuple((name, round(volts, 9)) for name, volts in held.items()))
            if key in tried:
                continue
            tried.add(key)
            network = build_network(resolved, configuration, held)
            if not network.solved and not network.faults:
                solve_together([(network, start_betas(resolved, each)) for each in CORNERS])
            frozen = states_of(network, corner)
            if capacitor in frozen.network.loop_parts:
                continue  # shorted, or tied to a source: nothing waits for it
            for state in frozen.stable:
                timed = _timed(resolved, configuration, corner, capacitor, state, held)
                if timed is not None:
                    mark = (
                        configuration.key,
                        capacitor,
                        tuple(sorted(state.devices.items())),
                        round(held[capacitor], 6),
                    )
                    found.setdefault(mark, timed)
    longest = max((t.duration for t in found.values() if math.isfinite(t.duration)), default=0.0)
    return tuple(found[mark] for mark in sorted(found) if found[mark].duration >= least_share * longest)


def _timed(
    resolved: Resolved,
    configuration: Configuration,
    corner: str,
    capacitor: str,
    state: State,
    held: Mapping[str, float],
) -> TimedState | None:
    phase = follow(state, capacitor)
    cut = ending(resolved, phase)
    if cut is None:
        return None
    count, kind, changed = cut
    pieces = phase.segments[:count]
    last, first = pieces[-1], pieces[0]
    if abs(last.end - first.start) < _STEP:
        return None  # it starts where it ends: rounding alone says on which side, and nobody waits for it
    after, outcome = afterwards(resolved, configuration, corner, capacitor, phase, held)
    return TimedState(
        configuration,
        corner,
        capacitor,
        state.name,
        held[capacitor],
        phase,
        kind,
        changed,
        last.end,
        last.current_end,
        first.aim,
        first.tau,
        sum(p.duration for p in pieces),
        abs(last.end) > abs(first.start),
        after,
        outcome,
    )


def ending(resolved: Resolved, phase: Phase) -> tuple[int, str, tuple[str, ...]] | None:
    """How many segments belong to the timed state, how it ends, and which transistors change."""
    parts = resolved.circuit.parts
    if not phase.segments:
        return None
    if phase.end == "fold":
        return len(phase.segments), "fold", ()
    for k, (here, there) in enumerate(zip(phase.segments, phase.segments[1:], strict=False)):
        changed = tuple(
            name
            for name, region in here.devices.items()
            if parts[name].kind in TRANSISTORS and (region == "off") != (there.devices[name] == "off")
        )
        if changed:
            return k + 1, "region-change", changed
    return None


def afterwards(
    resolved: Resolved,
    configuration: Configuration,
    corner: str,
    capacitor: str,
    phase: Phase,
    held: Mapping[str, float],
) -> tuple[tuple[Phase, ...], str]:
    """The phases that follow a fold, until rest or until they repeat."""
    phases: list[Phase] = []
    seen = {tuple(sorted(phase.start_state.devices.items()))}
    current = phase
    while current.end == "fold" and len(phases) < PHASE_LIMIT:
        network = build_network(resolved, configuration, {**held, capacitor: current.end_voltage})
        before = current.segments[-1].devices
        options = [s for s in states_of(network, corner).stable if dict(s.devices) != dict(before)]
        if len(options) != 1:
            return tuple(phases), "undecided"
        mark = tuple(sorted(options[0].devices.items()))
        current = follow(options[0], capacitor)
        phases.append(current)
        if mark in seen:
            return tuple(phases), "oscillates"
        seen.add(mark)
    return tuple(phases), "settles" if current.end == "settles" else "undecided"
