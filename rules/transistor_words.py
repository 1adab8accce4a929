"""What the rules on the voltage, the current and the heat of transistors share."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import TYPE_CHECKING

from rules.analysis.drive import ROLE, drives, subject
from rules.analysis.formulas.ratings import greatest_heat
from rules.analysis.operating import Point, operating_point
from rules.analysis.part_types import PART_TYPES
from rules.wording import listed, say
from schemas.finding import Quantity, identity

if TYPE_CHECKING:
    from rules.analysis.states import State
    from rules.analysis.study import Study
    from schemas.circuit import Part


def point_evidence(state: State, name: str) -> Iterator[Quantity]:
    """Where the transistor works in that state."""
    point = operating_point(state, name)
    if point is not None:
        yield Quantity("V_CE", f"across {name}", point.vce, "V")
        yield Quantity("I_C", f"collector current of {name}", point.collector, "A")


def most_at_its_load(study: Study, state: State, name: str) -> Iterator[Quantity]:
    """What its one load lets it turn into heat at most, where a load is all that is in its collector lead."""
    stage = study.roles.stages[name]
    if len(stage.collector_arms) != 1 or not stage.emitter_on_rail:
        return
    (arm,) = stage.collector_arms
    far, emitter = state.nets[arm.other], state.nets[stage.emitter]
    ohms = state.mode.network.resolved.value(arm.part, "resistance")
    if arm.other in study.roles.rails and far is not None and emitter is not None and ohms > 0.0:
        most = greatest_heat(far - emitter, ohms)
        yield Quantity("P_max", f"the most with {arm.part} as its load, V_S^2/(4*R_L)", most, "W")


def half_on(study: Study, name: str, point: Point | None) -> str | None:
    """The identity of the finding on its drive, where a switch is hot because it does not saturate."""
    stage = study.roles.stages[name]
    if point is None or point.region != "active" or stage.intent != "switch":
        return None
    found, _ = drives(study, stage)
    return identity("min-beta-drive", *subject(study, stage, found), ROLE) if found else None


def types_that_stand(part: Part, member: str, wanted: float) -> tuple[str, ...]:
    """Published types of the same kind with at least this rating."""
    return tuple(
        sorted(
            name
            for name, known in PART_TYPES.items()
            if known.kind == part.kind and member in known.ratings and known.ratings[member].value >= wanted
        )
    )


def larger_type(part: Part, member: str, symbol: str, wanted: float, unit: str) -> Iterable[str]:
    """Advice: a type that stands it; its gain and its drive have to be looked at again."""
    types = types_that_stand(part, member, wanted)
    named = f": {listed(types, 'or')}" if types else ""
    yield f"a type with {symbol} of {say(wanted, unit)} or more stands it{named}; its gain is another one"
