"""The runs that a review looks at, shared by every rule that judges what happens along time.

From every resting state each stimulus, the same stimulus again as soon as its
work is done, and the supply coming on; where the document names no stimulus,
each contact and driver moved alone, there and back.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import islice
from typing import TYPE_CHECKING, Literal

from rules.analysis.elements import Configuration
from rules.analysis.resolve import SUPPLIES
from rules.analysis.states import State, find_states
from rules.analysis.timeline.engine import EVENT_BUDGET, Point, World
from rules.analysis.timeline.timelines import POWER_UP, course, gains, point_of, world_of
from schemas.circuit import Action
from schemas.quantities import format_quantity

if TYPE_CHECKING:
    from rules.analysis.study import Study
    from rules.analysis.timeline.model import Timeline

STILL = 1e-3  # V or A, and of the value; a stored value this close to its end has arrived
HAIR = 1e-3  # of a time, and s where nothing has passed yet
MOST = 40  # runs of one circuit at one corner; a circuit with more contacts is judged by the first ones
Kind = Literal["power-up", "stimulus", "again", "move"]


@dataclass(frozen=True, slots=True)
class Corner:
    """Where a run is made: which gains, and whether every supply stands at its highest voltage.

    ``coils``: every coil and inductive load without a stated inductance has an assumed one.
    """

    gains: str = "typical"
    high: bool = False
    coils: bool = False

    def label(self, study: Study) -> str:
        """The corner in words; the plain name of the gains where the supplies are nominal."""
        highs = highest_supplies(study)
        if not (self.high and highs):
            return self.gains
        words = [] if self.gains == "typical" else [f"beta {self.gains}"]
        words.extend(f"{name} {format_quantity(volts, 'V', 3)}" for name, volts in sorted(highs.items()))
        return ", ".join(words)


@dataclass(frozen=True, eq=False)
class Episode:
    """One run: what is done, from which state, and the course that follows.

    ``begun`` holds the stored values (V, A) at its beginning; one that is missing is zero.
    """

    kind: Kind
    stimulus: str | None
    origin: str
    what: str  # "press" from "dark" in words that follow "after"
    timeline: Timeline
    begun: Mapping[str, float] = field(default_factory=dict)


def highest_supplies(study: Study) -> dict[str, float]:
    """Batteries and supplies whose highest voltage (V) lies above the nominal one."""
    found = {}
    for part in study.circuit.parts.values():
        if part.kind in SUPPLIES:
            nominal, high = study.value(part.name, "voltage"), study.value(part.name, "high")
            if abs(high) > abs(nominal):
                found[part.name] = high
    return found


def as_named(study: Study, corner: Corner) -> Corner:
    """The same corner under its simplest name, so that equal runs are made once."""
    from rules.analysis.coils import without_inductance

    return replace(
        corner,
        high=corner.high and bool(highest_supplies(study)),
        coils=corner.coils and bool(without_inductance(study)),
    )


def world_at(study: Study, corner: Corner) -> World:
    """The circuit at a corner; asking twice gives the same object."""
    from rules.analysis.coils import with_inductance

    corner = as_named(study, corner)
    if is_plain(corner):
        return world_of(study, corner.gains)
    made: dict[Corner, World] = study.shared("worlds of runs", dict)
    if corner not in made:
        volts = (
            {(name, "voltage"): high for name, high in highest_supplies(study).items()} if corner.high else {}
        )
        resolved = study.resolved.with_values(volts)
        resolved = with_inductance(study, resolved) if corner.coils else resolved
        made[corner] = World(resolved, gains(study, corner.gains))
    return made[corner]


def is_plain(corner: Corner) -> bool:
    """True where the circuit is just as the document has it."""
    return not (corner.high or corner.coils)


def episodes(study: Study, corner: Corner) -> tuple[Episode, ...]:
    """Every run at a corner, the supply coming on first."""
    corner = as_named(study, corner)
    return study.shared(("episodes", corner), lambda: tuple(islice(each_episode(study, corner), MOST)))


def each_episode(study: Study, corner: Corner) -> Iterator[Episode]:
    """The runs at a corner one by one, for who needs only the first few."""
    if study.state_sets(corner.gains)[0].faults:
        return
    world = world_at(study, corner)
    rest = study.state_sets(corner.gains)[0].configuration
    begun = power_up(study, corner)
    yield begun
    stable = stable_states(study, corner, rest)
    if study.circuit.stimuli:
        for stimulus in sorted(study.circuit.stimuli):
            yield from _stimulated(study, corner, world, rest, stable, stimulus, begun)
        return
    for state, there, name in _moves(study, corner, stable):
        begin = point_of(world.resolved, state)
        header = (None, state.name, corner.gains, "none")
        actions = _actions(state, there)
        timeline = course(world, begin, actions, begin.configuration, None, EVENT_BUDGET, header)
        yield Episode("move", None, state.name, f"{name} from {_quoted(state)}", timeline, begin.values)


def power_up(study: Study, corner: Corner) -> Episode:
    """The supply comes on with every capacitor empty, contacts and drivers at rest."""
    corner = as_named(study, corner)
    if not is_plain(corner):
        world, rest = world_at(study, corner), study.state_sets(corner.gains)[0].configuration
        header = (None, POWER_UP, corner.gains, "none")
        timeline = course(world, None, (), rest, None, EVENT_BUDGET, header)
    else:
        timeline = study.timeline(None, corner.gains, POWER_UP)
    return Episode("power-up", None, "everything at 0 V", "the supply comes on", timeline)


def stable_states(study: Study, corner: Corner, configuration: Configuration) -> tuple[State, ...]:
    """The stable DC states of one configuration at a corner, in order of how much conducts."""
    corner = as_named(study, corner)
    if not corner.high:
        for found in study.state_sets(corner.gains):
            if found.configuration.key == configuration.key:
                return found.stable
    resolved = world_at(study, corner).resolved
    return find_states(resolved, configuration, corner.gains, None, study.step_budget).stable


def _stimulated(
    study: Study,
    corner: Corner,
    world: World,
    rest: Configuration,
    stable: Sequence[State],
    stimulus: str,
    begun: Episode,
) -> Iterator[Episode]:
    actions = study.circuit.stimuli[stimulus]
    header = (stimulus, "rest", corner.gains, "none")
    if not stable:
        # nothing rests: the stimulus meets the circuit somewhere in its period
        left = left_at(begun.timeline, begun.timeline.span)
        if left is not None:
            timeline = course(world, left, actions, left.configuration, None, EVENT_BUDGET, header)
            what = f'"{stimulus}" while it runs'
            yield Episode("stimulus", stimulus, "running", what, timeline, left.values)
        return
    for k, state in enumerate(stable):
        begin = point_of(world.resolved, state)
        if k == 0 and is_plain(corner):
            timeline = study.timeline(stimulus, corner.gains)
        else:
            timeline = course(world, begin, actions, rest, None, EVENT_BUDGET, header)
        what = f'"{stimulus}" from {_quoted(state)}'
        yield Episode("stimulus", stimulus, state.name, what, timeline, begin.values)
        moment = _done(timeline, actions)
        if moment is None:
            continue
        left = left_at(timeline, moment)
        if left is not None:
            again = (stimulus, "as it was left", corner.gains, "none")
            second = course(world, left, actions, left.configuration, None, EVENT_BUDGET, again)
            told = f'"{stimulus}" from {_quoted(state)}, and again as soon as its work was done'
            yield Episode("again", stimulus, state.name, told, second, left.values)


def _done(timeline: Timeline, actions: Sequence[Action]) -> float | None:
    """When (s) the work of a stimulus is done: its last jump, else the first change after it.

    ``None`` where nothing is left by then that a second stimulus would meet.
    """
    if timeline.verdict not in ("settles", "never-ends"):
        return None
    released = actions[-1].at if actions else 0.0
    later = [event for event in timeline.events if event.at > released]
    jumps = [event.at for event in later if event.kind == "jump"]
    changes = [event.at for event in later if event.kind == "region"]
    moment = max(jumps) if jumps else min(changes, default=released)
    # a hair later: at the moment itself everything stands at its limit
    moment += HAIR * min(timeline.at(moment).duration, max(moment, HAIR))
    left = timeline.at(moment).stored([moment])
    moving = any(
        abs(float(left[name][0]) - final) > STILL * max(1.0, abs(final))
        for name, final in timeline.final.items()
    )
    return moment if moving else None


def left_at(before: Timeline, moment: float) -> Point | None:
    """How an earlier run stands at a moment (s), as the start of another; ``None`` where it had none."""
    if not before.intervals:
        return None
    interval = before.at(moment)
    stored = interval.stored([min(moment, interval.end)])
    values = {name: float(found[0]) for name, found in stored.items()}
    return Point(interval.configuration, interval.state.mode.solution.support, values)


def _moves(
    study: Study, corner: Corner, stable: Sequence[State]
) -> Iterator[tuple[State, Configuration, str]]:
    """Each contact and driver moved alone from rest, and back once everything has settled."""
    sets = study.state_sets(corner.gains)
    rest = sets[0].configuration
    here = positions(rest)
    for found in sets[1:]:
        there = positions(found.configuration)
        changed = [name for name in here if there[name] != here[name]]
        if len(changed) != 1:
            continue
        (name,) = changed
        for state in stable:
            yield state, found.configuration, f"{name} {there[name]}"
        for state in stable_states(study, corner, found.configuration):
            yield state, rest, f"{name} {here[name]}"


def positions(configuration: Configuration) -> dict[str, str]:
    """Contact positions and driver levels by name."""
    return {**configuration.contacts, **configuration.drivers}


def _actions(state: State, there: Configuration) -> tuple[Action, ...]:
    here, wanted = positions(state.mode.network.configuration), positions(there)
    return tuple(Action(0.0, name, wanted[name]) for name in sorted(wanted) if here[name] != wanted[name])


def _quoted(state: State) -> str:
    return f'"{state.name}"'


def unfinished(found: Sequence[Episode]) -> tuple[str, ...]:
    """Why runs could not be followed to their end, in words."""
    told = []
    for episode in found:
        if episode.timeline.verdict == "undecided":
            why = episode.timeline.reason or "no reason was given"
            told.append(f"the run after {episode.what} could not be followed to its end: {why}")
    return tuple(sorted(set(told)))
