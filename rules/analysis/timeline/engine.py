"""Running a circuit through time: intervals, events, and how it ends.

Between events the hand model is linear, so nothing is stepped: each mode is
solved in closed form and left at the first moment at which one of its
conditions fails.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np

from rules.analysis.elements import Array, Configuration
from rules.analysis.resolve import Resolved
from rules.analysis.states import matches
from rules.analysis.tabulation import regions_of
from rules.analysis.timeline.flow import Course, Spectrum
from rules.analysis.timeline.model import Event, EventKind, Interval, Verdict
from rules.analysis.timeline.moving import Moved, move, power_up, without_coils
from rules.analysis.timeline.passing import Stuck, landing, modes_at, onwards, regimes
from rules.analysis.timeline.plant import Leak, Linear, Plant, Support
from schemas.circuit import Action, Circuit

EVENT_BUDGET = 1500
SLACK = 1e-10  # V; a condition counts as failed below this
REPEAT = 1e-10  # of the largest stored value; closer than this a course has come back to where it was
_IN_A_ROW = 60  # changes of region at one moment
_REMEMBERED = 6


@dataclass(frozen=True, eq=False)
class Point:
    """Where a run begins: the configuration, which junctions conduct, and every stored value (V, A)."""

    configuration: Configuration
    junctions: tuple[int, ...]
    values: Mapping[str, float]


class World:
    """A circuit at fixed gains and leakages: one plant per configuration, modes solved once."""

    def __init__(
        self, resolved: Resolved, betas: Mapping[str, float], leaks: Mapping[str, Leak] | None = None
    ) -> None:
        self.resolved, self.betas, self.leaks = resolved, dict(betas), dict(leaks or {})
        self._plants: dict[str, Plant] = {}
        self._spectra: dict[tuple[str, Support], Spectrum] = {}
        self.on_paper: dict[tuple[str, tuple[int, ...]], bool] = {}
        """Which rests are none in practice, by configuration and conducting junctions."""

    @property
    def circuit(self) -> Circuit:
        return self.resolved.circuit

    @cached_property
    def dry(self) -> World:
        """The same without leakage."""
        return World(self.resolved, self.betas, {})

    def plant(self, configuration: Configuration) -> Plant:
        made = self._plants.get(configuration.key)
        if made is None:
            made = Plant(self.resolved, configuration, self.betas, self.leaks)
            self._plants[configuration.key] = made
        return made

    def course(self, plant: Plant, mode: Linear, x: Array) -> Course:
        key = plant.configuration.key, mode.support
        spectrum = self._spectra.get(key)
        if spectrum is None:
            stored = len(plant.stores.free)
            spectrum = self._spectra[key] = Spectrum(mode.rates[1][:, :stored])
        return Course(plant, mode, x, spectrum)


@dataclass(eq=False)
class Run:
    """One run as it goes on; :func:`run` drives it."""

    world: World
    plant: Plant
    mode: Linear
    x: Array
    time: float = 0.0
    events: list[Event] = field(default_factory=list)
    intervals: list[Interval] = field(default_factory=list)
    visits: dict[tuple[str, Support], list[tuple[float, Array]]] = field(default_factory=dict)
    in_a_row: int = 0

    def devices(self) -> Mapping[str, str]:
        return regions_of(self.plant.network, self.mode.support.junctions)

    def name(self) -> str:
        return state_name(self.world.circuit, self.devices())

    def note(self, kind: EventKind, what: str, parts: Sequence[str] = (), reason: str = "") -> None:
        self.events.append(Event(self.time, kind, what, tuple(sorted(parts)), self.name(), reason))

    def course(self) -> Course:
        return self.world.course(self.plant, self.mode, self.x)

    def keep(self, course: Course, until: float) -> None:
        """Write down what holds from now to ``until`` s (absolute)."""
        if until > self.time:
            state = self.plant.state(self.mode, self.x)
            self.intervals.append(
                Interval(self.time, until, self.plant.configuration, self.name(), state, course)
            )
            self.in_a_row = 0
        else:
            self.in_a_row += 1

    def enter(self, mode: Linear, x: Array, sudden: bool, reason: str) -> None:
        """Go over into another mode and say what changed."""
        before = self.devices()
        self.mode, self.x = mode, x
        after = self.devices()
        changed = sorted(name for name in after if before.get(name) != after[name])
        if not changed and not sudden:
            return
        words = ", ".join(f"{name} {before.get(name, 'off')} -> {after[name]}" for name in changed)
        if sudden:
            self.note("jump", words or "voltages jump", changed, reason)
        else:
            self.note("region", words, changed)

    def come_round(self) -> float | None:
        """The period (s) when this mode was entered before with the same stored values."""
        key = (self.plant.configuration.key, self.mode.support)
        seen = self.visits.setdefault(key, [])
        size = max(float(np.abs(self.x).max(initial=0.0)), 1e-9)
        for at, x in reversed(seen):
            if x.size and float(np.abs(self.x - x).max()) <= REPEAT * size and self.time > at:
                return self.time - at
        seen.append((self.time, self.x))
        del seen[:-_REMEMBERED]
        return None


def state_name(circuit: Circuit, devices: Mapping[str, str]) -> str:
    """The most particular declared name that fits, else the conducting devices."""
    fitting = [(len(wanted), name) for name, wanted in circuit.states.items() if matches(devices, wanted)]
    if fitting:
        return max(fitting)[1]
    return ", ".join(f"{name} {region}" for name, region in devices.items() if region != "off") or "all off"


def run(
    world: World,
    start: Point | None,
    actions: Sequence[Action] = (),
    until: float | None = None,
    budget: int = EVENT_BUDGET,
    configuration: Configuration | None = None,
) -> tuple[tuple[Event, ...], tuple[Interval, ...], Verdict, float | None, str]:
    """The course from ``start`` (``None``: power-up in ``configuration``, everything at 0 V).

    Returns events, intervals, verdict, period (s) and the reason of an undecided verdict.
    """
    begun = _begin(world, start, configuration)
    if isinstance(begun, Stuck):
        return (), (), "undecided", None, begun.reason
    moments = [(at, list(group)) for at, group in itertools.groupby(actions, key=lambda action: action.at)]
    pending = list(moments)
    run_ = begun
    while pending and pending[0][0] <= 0.0:
        stuck = _stimulate(run_, pending.pop(0)[1])
        if stuck is not None:
            return _ended(run_, "undecided", None, stuck.reason)
    while len(run_.events) < budget and len(run_.intervals) < 2 * budget:
        following = pending[0][0] if pending else math.inf
        end = min(following, math.inf if until is None else until)
        if end <= run_.time and pending and pending[0][0] <= run_.time:
            stuck = _stimulate(run_, pending.pop(0)[1])
            if stuck is not None:
                return _ended(run_, "undecided", None, stuck.reason)
            continue
        course = run_.course()
        found = course.first_event(end - run_.time, SLACK)
        if found is None and math.isinf(end):
            return _rest(run_, course)
        if found is None or run_.time + found[0] >= end:
            x = course.at(np.array([end - run_.time]))[:, 0]
            run_.keep(course, end)
            run_.time, run_.x = end, x
            if until is not None and end >= until and not (pending and pending[0][0] <= end):
                run_.note("stop", f"cut off at {end:g} s")
                return _ended(run_, "undecided", None, f"cut off at {end:g} s")
            continue
        stuck = _pass(run_, course, *found)
        if stuck is not None:
            return _ended(run_, "undecided", None, stuck.reason)
        if run_.in_a_row > _IN_A_ROW:
            return _ended(run_, "undecided", None, "regions change without end at one moment")
        if not pending:
            period = run_.come_round()
            if period is not None:
                run_.note("repeats", f"the course repeats every {period:.6g} s")
                return _ended(run_, "oscillates", period, "")
    return _ended(run_, "undecided", None, f"still changing after {len(run_.events)} events")


def _begin(world: World, start: Point | None, configuration: Configuration | None) -> Run | Stuck:
    if start is None:
        assert configuration is not None
        plant = world.plant(configuration)
        moved = power_up(plant)
        what = "switched on, every capacitor empty"
    else:
        plant = world.plant(start.configuration)
        w, _ = plant.stores.settle(start.values)
        mode = _matching(plant, start.junctions, w)
        if mode is None:
            landed = landing(plant, None, w)
            if isinstance(landed, Stuck):
                return landed
            mode = landed.mode
        moved = Moved(plant, mode, w)
        what = "as it stands"
    if isinstance(moved, Stuck):
        return moved
    begun = Run(world, moved.plant, moved.mode, moved.x)
    begun.note("start", what if start is None else f"as {begun.name()}", (), moved.reason)
    return begun


def _matching(plant: Plant, junctions: tuple[int, ...], w: Array) -> Linear | None:
    """The mode of these junctions, or another one with the same voltages, if it holds with these values."""
    for leaks in regimes(plant, w):
        mode = plant.mode(Support(junctions, leaks))
        if mode.holds(w):
            return mode
    wanted = set(junctions)
    near = sorted(
        modes_at(plant, w), key=lambda m: (len(wanted ^ set(m.support.junctions)), m.support.junctions)
    )
    stable = [mode for mode in near if mode.sign != -1]
    return stable[0] if stable and len(wanted ^ set(stable[0].support.junctions)) <= 2 else None


def _stimulate(run_: Run, actions: Sequence[Action]) -> Stuck | None:
    """Move contacts and drivers; ``Stuck`` where the state that follows is not known."""
    before = run_.devices()
    moved = move(run_.world.plant, run_.plant, run_.mode, run_.x, actions)
    if isinstance(moved, Stuck):
        run_.note("stimulus", _moves(actions), [action.part for action in actions])
        return moved
    run_.plant, run_.mode, run_.x = moved.plant, moved.mode, moved.x
    run_.note("stimulus", _moves(actions), [action.part for action in actions], moved.reason)
    for what, parts in moved.forced:
        run_.note("forced", what, parts)
    after = run_.devices()
    changed = sorted(name for name in after if before.get(name) != after[name])
    if changed:
        words = ", ".join(f"{name} {before[name]} -> {after[name]}" for name in changed)
        run_.note("jump" if moved.sudden else "region", words, changed, moved.reason if moved.sudden else "")
    run_.visits.clear()
    return None


def _moves(actions: Sequence[Action]) -> str:
    return ", ".join(f"{action.part} {action.to}" for action in actions)


def _pass(run_: Run, course: Course, after: float, k: int) -> Stuck | None:
    """Go through the event ``after`` s from now at condition ``k``."""
    x = course.at(np.array([after]))[:, 0]
    run_.keep(course, run_.time + after)
    run_.time += after
    run_.x = x
    mode, key = run_.mode, run_.mode.keys[k]
    following = onwards(run_.plant, mode, key, x)
    if following is not None:
        run_.enter(following, x, False, "")
        return None
    landed = landing(run_.plant, mode, x, None, key)
    if isinstance(landed, Stuck):
        emptied = without_coils(run_.plant, x, landed)
        if isinstance(emptied, Stuck):
            return emptied
        for what, parts in emptied.forced:
            run_.note("forced", what, parts)
        run_.enter(emptied.mode, emptied.x, True, emptied.reason)
        return None
    run_.enter(landed.mode, landed.x, True, landed.reason)
    return None


def _rest(
    run_: Run, course: Course
) -> tuple[tuple[Event, ...], tuple[Interval, ...], Verdict, float | None, str]:
    run_.keep(course, math.inf)
    if not course.rests():
        growing = "a stored value goes on growing without any event"
        return _ended(run_, "undecided", None, growing)
    run_.note("rest", f"at rest as {run_.name()}")
    return _ended(run_, "settles", None, "")


def _ended(
    run_: Run, verdict: Verdict, period: float | None, reason: str
) -> tuple[tuple[Event, ...], tuple[Interval, ...], Verdict, float | None, str]:
    return tuple(run_.events), tuple(run_.intervals), verdict, period, reason
