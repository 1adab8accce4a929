"""What stands across a transistor, what would be there without saturation, and what it leaves to others."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from rules.analysis.drive import QUIET, last_that
from rules.analysis.formulas.bias import collector_resistor_at_most
from rules.analysis.operating import Point, operating_point, sign_of, supposed
from rules.analysis.preferred import members_between
from rules.analysis.resolve import SUPPLIES
from rules.analysis.roles import Arm, Stage
from rules.analysis.states import State
from rules.analysis.worst_case import at_worst

if TYPE_CHECKING:
    from rules.analysis.study import Situation, Study
    from schemas.circuit import Part

FILTER = 1e-3  # s; a base with a smaller time constant is filtered, not timed


@dataclass(frozen=True, eq=False)
class Collector:
    """A stage and the resistor its collector current flows through, as if it never saturated.

    ``current`` (A) is what the bias asks for, ``drop`` (V) what the resistor
    would need for it, ``there`` (V) all that stands over resistor and transistor.
    """

    arm: Arm
    ohms: float
    current: float
    drop: float
    there: float
    far: float  # V, the other end of the resistor, positive in the normal direction of the transistor
    emitter: float  # V, seen the same way


def active_point(
    study: Study, state: State, stage: Stage, values: dict[tuple[str, str], float] | None = None
) -> tuple[State, Point] | None:
    """The stage as its bias alone would have it: the same mode with the base-collector junction blocking."""
    active = supposed(study, state, values, regions={stage.transistor: "active"})
    if active is None:
        return None
    point = operating_point(active, stage.transistor)
    return None if point is None else (active, point)


def collector_of(study: Study, state: State, stage: Stage) -> Collector | None:
    """The collector resistor in one state, or ``None`` where a coil, a load or nothing is in its place."""
    found = active_point(study, state, stage)
    if found is None:
        return None
    active, point = found
    sign = sign_of(state, stage.transistor)
    near, emitter = active.nets[stage.collector], active.nets[stage.emitter]
    best: Collector | None = None
    for arm in stage.collector_arms:
        far = active.nets[arm.other]
        if near is None or far is None or emitter is None or study.circuit.parts[arm.part].kind != "resistor":
            continue
        ohms = state.mode.network.resolved.value(arm.part, "resistance")
        drop = sign * (far - near)
        if drop / ohms > QUIET and (best is None or drop / ohms > best.drop / best.ohms):
            best = Collector(
                arm, ohms, point.collector, drop, sign * (far - emitter), sign * far, sign * emitter
            )
    return best


def least_headroom(study: Study, stage: Stage, situation: Situation) -> tuple[Situation, Point] | None:
    """The stage at the corner where least stands across it, as saturated where its bias leaves nothing.

    The state of the situation is that of the bias alone, as in :func:`active_point`.
    """
    found = active_point(study, situation.state, stage)
    cornered = at_worst(situation, lambda state: _vce(state, stage), "min", found[0]) if found else None
    point = operating_point(cornered.state, stage.transistor) if cornered is not None else None
    if cornered is None or point is None:
        return None
    floor = cornered.state.mode.network.resolved.assumptions["vce_sat"]
    if point.vce < floor:
        point = replace(point, region="saturated", vce=floor)
    return cornered.situation, point


def _vce(state: State, stage: Stage) -> float | None:
    point = operating_point(state, stage.transistor)
    return None if point is None else point.vce


def resistor_by_hand(collector: Collector, headroom: float) -> float | None:
    """The largest collector resistor for so much voltage across the transistor, or ``None``."""
    try:
        return collector_resistor_at_most(collector.far, collector.emitter, collector.current, headroom)
    except ValueError:
        return None


def supply_ends(study: Study) -> list[dict[tuple[str, str], float]]:
    """Every source as declared, all at their lowest, all at their highest voltage."""
    sources = [part.name for part in study.circuit.parts.values() if part.kind in SUPPLIES]
    members = ("voltage", "low", "high")
    return [{(name, "voltage"): study.value(name, member) for name in sources} for member in members]


def smaller_collector_resistor(
    study: Study,
    state: State,
    stage: Stage,
    part: str,
    fits: Callable[[Point, float], bool],
    *,
    worst: bool,
) -> float | None:
    """The largest preferred value below the present one for which ``fits(point, drop)`` holds.

    ``point`` is the stage in the active region, ``drop`` (V) is across the
    resistor.  With ``worst`` the resistor is at its upper tolerance, and it has
    to fit at both ends of the supply: a bias that rises with the supply may
    make the highest one the worst.
    """
    now = study.value(part, "resistance")
    factor = 1.0 + study.value(part, "tolerance_high") if worst else 1.0
    supplies = supply_ends(study) if worst else [{}]

    def holds(ohms: float) -> bool:
        found = [
            active_point(study, state, stage, {**at, (part, "resistance"): ohms * factor}) for at in supplies
        ]
        return all(item is not None and fits(item[1], ohms * factor * item[1].collector) for item in found)

    return _smaller(study, now, holds)


def _smaller(study: Study, now: float, holds: Callable[[float], bool]) -> float | None:
    """The largest preferred resistance (ohm) below ``now`` for which ``holds``."""
    ohms = last_that(holds, members_between(now / 1e3, now, study.preferences.resistor))
    return ohms if ohms is not None and ohms < now else None


def is_signal_coupled(study: Study, stage: Stage) -> bool:
    """A capacitor brings a signal to base, or takes one from emitter, to or from a net that is no rail."""
    for part in study.circuit.parts.values():
        ends = set(part.pins.values())
        if part.kind == "capacitor" and ends & {stage.base, stage.emitter} and not ends & study.roles.rails:
            return True
    return False


@dataclass(frozen=True, eq=False)
class Next:
    """A transistor whose base hangs on the collector of a saturated one, in one situation.

    ``off`` says whether saturation there is meant to turn it off; ``vbe`` is
    what it sees (V, positive in the direction that turns it on).
    """

    situation: Situation
    stage: Stage
    driven: Stage
    off: bool
    vbe: float
    region: str
    level: float  # V, the collector net of the saturated transistor
    lift: float  # V, its emitter
    vce: float


def next_stages(study: Study, stage: Stage, situation: Situation) -> Iterator[Next]:
    """Every stage whose base the saturated collector of ``stage`` reaches directly or through a resistor."""
    state, parts = situation.state, study.circuit.parts
    point = operating_point(state, stage.transistor)
    level, lift = state.nets[stage.collector], state.nets[stage.emitter]
    if state.devices[stage.transistor] != "saturated" or point is None or level is None or lift is None:
        return
    for name, driven in sorted(study.roles.stages.items()):
        if name == stage.transistor or not study.roles.drives(parts[stage.transistor], parts[name]):
            continue
        seen = operating_point(state, name)
        off = driven.kind == stage.kind
        if seen is None or driven.intent not in ("switch", "unstated") or _is_timed(study, driven):
            continue
        if off and not _turned_off(study, stage, driven, situation):
            continue
        yield Next(situation, stage, driven, off, seen.vbe, seen.region, level, lift, point.vce)


def _is_timed(study: Study, stage: Stage) -> bool:
    """True when the base waits for a capacitor: what it sees at one moment decides nothing.

    One to a rail that follows within ``FILTER`` s only keeps edges away.
    """
    arms = study.roles.arms.get(stage.base, ())
    siemens = sum(1.0 / study.value(arm.part, "resistance") for arm in arms)
    for part in study.circuit.parts.values():
        if part.kind == "capacitor" and stage.base in part.pins.values():
            filters = bool(set(part.pins.values()) & study.roles.rails)
            if not filters or study.value(part.name, "capacitance") > FILTER * siemens:
                return True
    return False


def _turned_off(study: Study, stage: Stage, driven: Stage, situation: Situation) -> bool:
    """True when nothing but the collector of ``stage`` can mean to turn the next stage on or off."""
    declared = study.circuit.states.get(situation.label, {})
    if declared.get(driven.transistor, "off") != "off":
        return False
    return driven.base == stage.collector or all(arm.other == stage.collector for arm in driven.feeds)


def coils_of(study: Study, stage: Stage) -> Iterator[tuple[Part, float]]:
    """Relay coils on the collector, with the voltage at which they surely pull in."""
    for part in study.circuit.parts.values():
        pick_up = study.known(part.name, "pick_up")
        if part.kind == "coil" and pick_up is not None and stage.collector in part.pins.values():
            yield part, pick_up.value


def less_lift(study: Study, found: Next, most: float) -> tuple[str, float] | None:
    """A smaller emitter resistor with which the next stage sees at most ``most`` V, and its value."""
    arms = [
        arm
        for arm in found.stage.emitter_arms
        if study.circuit.parts[arm.part].kind == "resistor" and arm.other in study.roles.rails
    ]
    if found.stage.emitter_on_rail or len(arms) != 1:
        return None
    part, name = arms[0].part, found.driven.transistor
    now, factor = study.value(part, "resistance"), 1.0 + study.value(part, "tolerance_high")

    def holds(ohms: float) -> bool:
        changed = {(part, "resistance"): ohms * factor}
        state = supposed(study, found.situation.state, changed, regions={name: "off"})
        point = operating_point(state, name) if state is not None else None
        return point is not None and point.vbe <= most

    ohms = _smaller(study, now, holds)
    return None if ohms is None else (part, ohms)
