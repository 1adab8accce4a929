"""The base drive of a switch: what it gets, what saturation would need, which resistor sets it."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from rules.analysis.elements import RESISTIVE
from rules.analysis.formulas.drive import (
    base_current_of_drive,
    base_resistor_at_most,
    forced_beta,
    overdrive_factor,
)
from rules.analysis.operating import everywhere, operating_point, place_of, sign_of, supposed
from rules.analysis.preferred import members_between
from rules.analysis.resolve import Known
from rules.analysis.roles import Arm, Stage, resistive_nets
from rules.analysis.states import State
from rules.analysis.worst_case import at_worst

if TYPE_CHECKING:
    from rules.analysis.study import Situation, Study

QUIET = 1e-9  # A; a collector current below this is no load
ROLE = "base drive"
_NOT_A_SWITCH = {
    "linear": "it is meant to stay active",
    "follower": "a follower takes the base current it needs",
    "steering": "its emitter current is set elsewhere, and its base takes what that needs",
    "unstated": "nothing says that it is a switch; name its state under states: to have it judged",
}


@dataclass(frozen=True, eq=False)
class Drive:
    """A switch that is on in one situation, A and V as magnitudes.

    ``base`` and ``collector`` are those of the saturated transistor: of the
    state itself where it saturates, else of the same mode with the
    base-collector junction made to conduct (``saturated``), so that
    ``collector`` is what the load would take.  ``gain`` is the least one, read at
    that current; ``vce`` is what stands across the transistor as it is.
    """

    situation: Situation
    stage: Stage
    base: float
    collector: float
    gain: Known
    region: str
    vce: float
    saturated: State

    @property
    def factor(self) -> float:
        """Overdrive: 1 just saturates the weakest transistor."""
        return overdrive_factor(self.gain.value, self.base, self.collector)

    @property
    def forced(self) -> float | None:
        return forced_beta(self.collector, self.base) if self.base > 0.0 else None


def why_not_judged(study: Study, stage: Stage) -> str:
    """Why the drive of this transistor is not a switch's, empty when it is."""
    if stage.intent != "switch":
        return f"{stage.transistor} is {_article(stage.intent)}, {stage.why}: {_NOT_A_SWITCH[stage.intent]}"
    first = input_half(study, stage)
    if first is not stage:
        return (
            f"{stage.transistor} is the output half of a Darlington pair and cannot saturate:"
            f" the pair is judged at {first.transistor}"
        )
    if stage.collector_on_rail:
        return f"the collector of {stage.transistor} is on a rail: there is no load to saturate into"
    return ""


def input_half(study: Study, stage: Stage) -> Stage:
    """The transistor whose base drives the switch: the stage itself, or the first of its Darlington pair."""
    firsts = {p.members[1]: p.members[0] for p in study.roles.pairs if p.kind == "darlington"}
    name, seen = stage.transistor, {stage.transistor}
    while (first := firsts.get(name)) is not None and first not in seen:
        name = first
        seen.add(first)
    return study.roles.stages[name]


def _article(intent: str) -> str:
    return {
        "linear": "a linear stage",
        "follower": "a follower",
        "steering": "a steering transistor",
        "unstated": "a stage of unstated purpose",
    }[intent]


def drive_of(study: Study, stage: Stage, situation: Situation) -> Drive | str:
    """The drive in one situation, or why there is none; empty where the transistor is off."""
    state, name = situation.state, stage.transistor
    region = state.devices[name]
    if region == "off":
        return ""
    if region == "reverse":
        return f"{name} conducts in reverse in state {situation.label}"
    as_is = operating_point(state, name)
    saturated = state if region == "saturated" else supposed(study, state, regions={name: "saturated"})
    point = operating_point(saturated, name) if saturated is not None else None
    if as_is is None or point is None or saturated is None:
        return f"the circuit does not determine the currents of {name} in state {situation.label}"
    if point.collector < QUIET:
        return f"no collector current flows in {name} in state {situation.label}"
    gain = study.resolved.beta(name, "min", point.collector)
    return Drive(situation, stage, max(0.0, point.base), point.collector, gain, region, as_is.vce, saturated)


def drives(study: Study, stage: Stage) -> tuple[tuple[Drive, ...], tuple[str, ...]]:
    """The switch in every situation in which it is on, and the reasons where there was nothing to judge.

    Of one situation at several corners the one with the least overdrive is
    kept, the least gain first: only what other transistors do differs there.
    """
    kept: dict[tuple[object, ...], Drive] = {}
    reasons: dict[str, None] = {}
    for situation in everywhere(study):
        found = drive_of(study, stage, situation)
        if isinstance(found, str):
            reasons.update({found: None} if found else {})
            continue
        on = frozenset(name for name, region in situation.state.devices.items() if region != "off")
        other = kept.get(key := (*place_of(situation), on))
        if other is None or found.factor < other.factor * (1.0 - 1e-9):
            kept[key] = found
    return tuple(kept.values()), tuple(reasons)


def threshold_zener(study: Study, stage: Stage) -> str:
    """A zener through which the supply itself feeds a base: it says at what supply that is to begin.

    Empty where there is none, or where an output is what feeds it: such a zener only shifts a level.
    """
    parts = study.circuit.parts.values()
    for part in parts:
        ends = ("anode", "cathode") if stage.kind == "npn" else ("cathode", "anode")
        if part.kind != "zener" or part.pins[ends[0]] != stage.base:
            continue
        seen, front = {stage.base}, [part.pins[ends[1]]]
        for net in front:
            if net in study.roles.rails:
                return part.name
            if any(p.kind == "driver" and p.pins["out"] == net for p in parts):
                break
            for other in parts:
                if other.kind in ("resistor", "contact") and net in other.pins.values():
                    fresh = sorted(set(other.pins.values()) - seen - {net})
                    seen.update(fresh)
                    front.extend(fresh)
    return ""


def cornered(study: Study, stage: Stage) -> tuple[Drive, ...]:
    """The drives of a switch, each place's weakest at the corner of all tolerances that is worst for it.

    None where a zener sets the supply at which it turns on: close to that its drive is small on purpose.
    """
    if threshold_zener(study, stage):
        return ()
    key = ("cornered drives", stage.transistor)
    return study.shared(key, lambda: _cornered(study, drives(study, stage)[0]))


def _cornered(study: Study, found: Iterable[Drive]) -> tuple[Drive, ...]:
    least: dict[tuple[str, str], Drive] = {}
    for drive in found:
        other = least.setdefault(place_of(drive.situation), drive)
        if drive.factor < other.factor:
            least[place_of(drive.situation)] = drive
    return tuple(made for made in (_at_corner(study, drive) for drive in least.values()) if made is not None)


def _at_corner(study: Study, drive: Drive) -> Drive | None:
    name = drive.stage.transistor

    def factor(state: State) -> float | None:
        # plain arithmetic, so that all points are taken at once
        point = operating_point(state, name)
        if point is None:
            return None
        loaded = np.where(np.less(point.collector, QUIET), np.nan, point.collector)
        found: float = point.beta * np.maximum(0.0, point.base) / loaded
        return found

    found = at_worst(drive.situation, factor, "min", drive.saturated)
    point = operating_point(found.state, name) if found is not None else None
    if found is None or point is None or point.collector < QUIET:
        return None
    known = study.resolved.beta(name, "min", point.collector)
    gain = replace(known, value=point.beta)
    base, region, vce = max(0.0, point.base), "saturated", point.vce
    situation = found.situation
    if overdrive_factor(point.beta, base, point.collector) < 1.0:
        # as it is at that corner: active, with all that stays across it
        active = supposed(study, found.state, regions={name: "active"})
        as_is = operating_point(active, name) if active is not None else None
        # else it is no more active than saturated: the state is not there at this corner
        if active is not None and as_is is not None and as_is.base > 0.0 and as_is.vce > vce:
            region, vce, situation = "active", as_is.vce, replace(situation, state=active)
    return Drive(situation, drive.stage, base, point.collector, gain, region, vce, found.state)


def feeds(study: Study, found: Iterable[Drive]) -> tuple[str, ...]:
    """Every resistor that brings base current in some situation, in name order."""
    return tuple(sorted({name for drive in found for name in feed_resistors(study, drive)}))


def subject(study: Study, stage: Stage, found: Iterable[Drive]) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Parts and nets of a finding about this drive, the same for every rule that tells of it."""
    return tuple(sorted({stage.transistor, *feeds(study, found)})), (stage.base,)


def feed_resistors(study: Study, drive: Drive) -> tuple[str, ...]:
    """The resistors that bring the base current, largest share first.

    Where none does so directly, those one conducting device further on.
    """
    state, stage = drive.saturated, drive.stage
    sign = sign_of(state, stage.transistor)
    brought = {arm.part: -sign * _into(state, arm.part, stage.base) for arm in stage.feeds}
    found = {part: current for part, current in brought.items() if current > QUIET}
    if not found:
        found = {arm.part: abs(_into(state, arm.part, net)) for net, arm in _behind(study, state, stage)}
        found = {part: current for part, current in found.items() if current > 0.1 * drive.base}
    parts = study.circuit.parts
    return tuple(sorted((p for p in found if parts[p].kind == "resistor"), key=lambda p: (-found[p], p)))


def _into(state: State, part: str, net: str) -> float:
    """Current in A from a net into a resistive part."""
    resolved = state.mode.network.resolved
    first, _ = resistive_nets(resolved.circuit.parts[part])
    currents = list(state.currents[part].values())
    into = currents[0] if net == first else currents[1]
    return into or 0.0


def _behind(study: Study, state: State, stage: Stage) -> list[tuple[str, Arm]]:
    """Resistors on the nets that one conducting part away from the base lie."""
    found: list[tuple[str, Arm]] = []
    for part in study.circuit.parts.values():
        if part.name == stage.transistor or part.kind in RESISTIVE or stage.base not in part.pins.values():
            continue
        if any(current not in (0.0, None) for current in state.currents[part.name].values()):
            nets = sorted(set(part.pins.values()) - {stage.base} - study.roles.rails)
            found.extend((net, arm) for net in nets for arm in study.roles.arms.get(net, ()))
    return found


def factor_with(study: Study, drive: Drive, resistor: str, ohms: float) -> float:
    """Overdrive with another value of one resistor, in the same mode; 0 where that has no solution."""
    name = drive.stage.transistor
    state = supposed(study, drive.saturated, {(resistor, "resistance"): ohms})
    point = operating_point(state, name) if state is not None else None
    if point is None or point.base <= 0.0 or point.collector < QUIET:
        return 0.0
    # a gain at a corner differs by the same factor at any current
    promised = study.resolved.beta(name, "min", drive.collector).value
    gain = study.resolved.beta(name, "min", point.collector).value * drive.gain.value / promised
    return overdrive_factor(gain, point.base, point.collector)


def largest_for(
    study: Study,
    found: Sequence[Drive],
    resistor: str,
    wanted: float,
    span: tuple[float, float],
) -> float | None:
    """The largest preferred value within ``span`` with which every drive in ``found`` reaches ``wanted``.

    The upper tolerance counts; ``None`` when no member does.
    """
    above = 1.0 + study.value(resistor, "tolerance_high")
    return last_that(
        lambda ohms: all(factor_with(study, drive, resistor, ohms * above) >= wanted for drive in found),
        members_between(*span, study.preferences.resistor),
    )


def stronger(study: Study, found: Iterable[Drive], wanted: float) -> Iterator[tuple[str, float]]:
    """Base resistors lowered, each alone, until every drive in ``found`` reaches ``wanted``."""
    weak = [drive for drive in found if drive.factor < wanted]
    for part in feeds(study, weak)[:3]:
        now = study.value(part, "resistance")
        ohms = largest_for(study, weak, part, wanted, (now / 1e3, now))
        if ohms is not None and ohms < now:
            yield part, ohms


def last_that(holds: Callable[[float], bool], members: Sequence[float]) -> float | None:
    """The largest member for which a condition holds that is easier the smaller the member is."""
    low, high = 0, len(members)
    while low < high:
        middle = (low + high) // 2
        low, high = (middle + 1, high) if holds(members[middle]) else (low, middle)
    return members[low - 1] if low else None


@dataclass(frozen=True, slots=True)
class ByHand:
    """The sums of paper: one resistor from ``source`` V above the emitter, ``bleed`` ohm over the base."""

    source: float
    bleed: float | None
    base: float
    resistor_at_most: float | None


def by_hand(study: Study, drive: Drive, overdrive: float) -> ByHand | None:
    """The hand formulas, where one resistor feeds the base; ``None`` for anything more."""
    stage, state = drive.stage, drive.saturated
    resistors = feed_resistors(study, drive)
    direct = [arm for arm in stage.feeds if arm.part in resistors]
    if len(direct) != 1 or len(resistors) != 1:
        return None
    here, sign = state.mode.network.resolved, sign_of(state, stage.transistor)
    vbe, feed = here.assumptions["vbe_on"], direct[0].part
    far, emitter = state.nets[direct[0].other], state.nets[stage.emitter]
    if far is None or emitter is None or not vbe > 0.0:
        return None
    source = sign * (far - emitter)
    conductance = sum(1.0 / here.value(part, "resistance") for part in stage.bleeds)
    bleed = 1.0 / conductance if conductance else None
    base = base_current_of_drive(source, here.value(feed, "resistance"), vbe, 0.0, bleed)
    most = None
    if source > vbe:
        most = base_resistor_at_most(source, vbe, drive.collector, drive.gain.value, overdrive, 0.0, bleed)
        # a nominal value, which the tolerance of this corner leaves at that most
        most *= study.value(feed, "resistance") / here.value(feed, "resistance")
    return ByHand(source, bleed, base, most)
