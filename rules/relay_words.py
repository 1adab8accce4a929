"""What relay-margin says: the relay with its limits, evidence, and a resistor in series with a coil."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from rules.analysis.additions import Fitting, new_net, new_part
from rules.analysis.drive import ROLE, drives, subject
from rules.analysis.preferred import round_up
from rules.analysis.relays import Coil
from rules.analysis.resolve import Known
from rules.analysis.worst_there import There
from rules.wording import celsius, part_quantity, say
from schemas.finding import Limit, Proposal, Quantity, identity

if TYPE_CHECKING:
    from rules.analysis.states import State
    from rules.analysis.study import Situation, Study
    from schemas.circuit import Part

DRIVE_RULE = "min-beta-drive"


@dataclass(frozen=True, eq=False)
class Relay:
    """A coil with its voltages in V: nominal, pick-up at 20 degC and at ``hot`` K, and release.

    ``stated_pick_up`` and ``stated_release`` are ``None`` where a share of the nominal voltage stands in:
    those of ``shares``.
    """

    part: Part
    nominal: float | None
    pick_up: float
    stated_pick_up: Known | None
    hot_pick_up: float
    release: float
    stated_release: Known | None
    hot: float
    shares: Mapping[str, Limit]


def place(coil: Coil, there: There) -> Situation:
    return replace(coil.situation, corner=there.corner, state=there.state)


def evidence(study: Study, relay: Relay, there: There) -> Iterator[Quantity]:
    """Every number behind a verdict on a coil."""
    name = relay.part.name
    yield Quantity("V_coil", f"across {name} at this corner", there.value, "V")
    nominal = part_quantity(study, name, "nominal", "V_nom", f"nominal voltage of {name}")
    if nominal is not None:
        yield nominal
    if relay.stated_pick_up is not None:
        known = relay.stated_pick_up
        meaning = f"pick-up voltage of {name} at 20 degC"
        yield Quantity("V_pu", meaning, known.value, "V", known.origin, known.pointer)
    else:
        source = relay.shares["pick-up"].source
        yield Quantity(
            "V_pu", f"pick-up voltage of {name} at 20 degC", relay.pick_up, "V", "assumed", None, source
        )
    yield Quantity("V_pu(T)", f"the same at {celsius(relay.hot)}, hot copper", relay.hot_pick_up, "V")
    if relay.stated_release is not None:
        known, meaning = relay.stated_release, "has let go at this voltage"
        yield Quantity("V_release", meaning, known.value, "V", known.origin, known.pointer)
    else:
        source = relay.shares["release"].source
        yield Quantity(
            "V_release", "has let go at this voltage", relay.release, "V", "assumed", None, source
        )
    ohms = part_quantity(study, name, "resistance", "R_coil", f"winding of {name} at 20 degC")
    if ohms is not None:
        yield ohms


def driven_by(study: Study, part: Part, state: State) -> str | None:
    """The finding on the drive of the transistor that switches a coil, where that one stays active."""
    for stage in study.roles.stages.values():
        if stage.collector in part.pins.values() and stage.intent == "switch":
            found, _ = drives(study, stage)
            if state.devices[stage.transistor] == "active" and found:
                return identity(DRIVE_RULE, *subject(study, stage, found), ROLE)
    return None


def series_resistor(study: Study, relay: Relay, most: float) -> Proposal | None:
    """A resistor in series with an overdriven coil, so that it gets its nominal voltage at most."""
    name, circuit = relay.part.name, study.circuit
    if relay.nominal is None or most <= relay.nominal:
        return None
    least = study.value(name, "resistance") * (most / relay.nominal - 1.0)
    ohms = round_up(least, study.series(name))
    top = relay.part.pins["plus"]
    inner = new_net(circuit, top)
    fitted = new_part(circuit, "R", "resistor", {"a": top, "b": inner}, resistance=ohms)
    fitting = Fitting((fitted,), ((name, "plus", inner),))
    summary = f"{fitted.name} {say(ohms, 'ohm')} in series with {name}"
    return Proposal(summary, fitting.changes(circuit))
