"""Currents into the positive pole of a source or of a high output, and a level shifter that ends one."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

from rules.analysis.additions import Fitting, new_net, new_part
from rules.analysis.backwards import exchanged
from rules.analysis.elements import SOURCES
from rules.analysis.formulas.drive import base_resistor_at_most
from rules.analysis.formulas.wiring import pushed_pin
from rules.analysis.open_bases import open_base
from rules.analysis.operating import everywhere, supposed
from rules.analysis.preferred import round_down
from rules.analysis.stress import between
from rules.analysis.worst_case import at_worst
from schemas.finding import Proposal
from schemas.quantities import format_quantity

if TYPE_CHECKING:
    from rules.analysis.states import State
    from rules.analysis.study import Situation, Study
    from schemas.circuit import Part

RECHARGEABLE = ("lead", "nickel")
SHIFTER = "2N3904"
SHIFTER_GAIN = 70.0  # least h_FE promised at 1 mA (2N3904 sheets)
SHIFTER_OVERDRIVE = 5.0  # of what the least gain needs
SAME = 1e-6  # relative; the same current
APART = 1e9  # ohm; an output with this in its lead is as good as taken off


@dataclass(frozen=True, eq=False)
class Fed:
    """A source in one situation: ``into`` A flow into its positive pole (negative: out of it).

    ``level`` is its open-circuit voltage and ``pin`` the one it stands at, V, both positive.
    """

    source: str
    situation: Situation
    into: float
    level: float
    pin: float

    @property
    def lifted(self) -> float:
        """By how much (V) the pin stands above its own level."""
        return self.pin - self.level


def givers(study: Study) -> tuple[Part, ...]:
    """Everything that can push a current: sources, drivers and current sources."""
    kinds = (*SOURCES, "current-source")
    return tuple(part for part in study.circuit.parts.values() if part.kind in kinds)


def fed(study: Study, part: Part) -> Iterator[Fed | None]:
    """The source in every situation, at the worst corner too; ``None`` where its current is not determined.

    An output at its lower level is left out: to take current is its work there.
    """
    sign = _sign(study, part)
    for situation in everywhere(study):
        if not _is_up(part, situation.state):
            continue
        found = _fed(part, situation, sign)
        yield found
        if found is None or situation.corner != "typical":
            continue
        worst = at_worst(situation, lambda state: _into(part, state, sign), "max")
        if worst is not None and worst.found.holds:
            yield _fed(part, worst.situation, sign)


def _fed(part: Part, situation: Situation, sign: float) -> Fed | None:
    into = _into(part, situation.state, sign)
    if into is None:
        return None
    resolved = situation.state.mode.network.resolved
    level = sign * resolved.value(part.name, "high" if part.kind == "driver" else "voltage")
    pin = pushed_pin(level, into, resolved.value(part.name, "resistance"))
    return Fed(part.name, situation, into, level, pin)


def _into(part: Part, state: State, sign: float) -> float | None:
    amps = state.currents[part.name]["out" if part.kind == "driver" else "plus"]
    return None if amps is None else sign * amps


def _sign(study: Study, part: Part) -> float:
    if part.kind == "driver":
        return 1.0 if study.value(part.name, "high") >= study.value(part.name, "low") else -1.0
    return 1.0 if study.value(part.name, "voltage") >= 0.0 else -1.0


def _is_up(part: Part, state: State) -> bool:
    if part.kind != "driver":
        return True
    levels = state.mode.network.configuration.drivers
    return levels.get(part.name, part.text("rest") or "low") == "high"


def left_alone(study: Study, case: Fed) -> float | None:
    """The voltage (V) its pin would stand at, were it taken off, signed as its level; ``None``: undefined."""
    part = study.circuit.parts[case.source]
    state = supposed(study, case.situation.state, {(case.source, "resistance"): APART})
    if state is None:
        return None
    upper, lower = ("out", "reference") if part.kind == "driver" else ("plus", "minus")
    volts = between(state, (part.pins[upper], part.pins[lower]))
    return None if volts is None else _sign(study, part) * volts


def bringers(study: Study, case: Fed) -> tuple[str, ...]:
    """Parts that bring at least half of the current to the pin."""
    part = study.circuit.parts[case.source]
    net = part.pins["out" if part.kind == "driver" else "plus"]
    found = []
    for name, pins in case.situation.state.currents.items():
        if name != case.source:
            nets = study.circuit.parts[name].pins
            into = sum(amps or 0.0 for pin, amps in pins.items() if nets[pin] == net)
            if abs(into) >= 0.5 * case.into:
                found.append(name)
    return tuple(found)


def turned_diodes(study: Study, case: Fed) -> tuple[Proposal, ...]:
    """Each diode that carries this current and no other, turned round: as it may have been meant."""
    made = []
    for part in study.circuit.parts.values():
        if part.kind == "diode":
            amps = case.situation.state.currents[part.name]["anode"]
            if amps is not None and abs(amps - case.into) <= SAME * case.into:
                summary = f"{part.name} turned round: it keeps the current out of {case.source}"
                made.append(Proposal(summary, exchanged(part).changes(study.circuit)))
    return tuple(made)


def level_shift(study: Study, case: Fed) -> Proposal | None:
    """An NPN between an output and the base resistor of a PNP; ``None`` where that is not the pattern."""
    circuit, part = study.circuit, study.circuit.parts[case.source]
    if part.kind != "driver" or _sign(study, part) < 0.0:
        return None
    out = part.pins["out"]
    brought = [circuit.parts[name] for name in bringers(study, case)]
    if len(brought) != 1 or brought[0].kind != "resistor":
        return None
    (feed,) = brought
    pin = next(p for p, net in feed.pins.items() if net == out)
    base = next(net for p, net in feed.pins.items() if p != pin)
    driven = [p for p in circuit.parts.values() if p.kind == "pnp" and p.pins["base"] == base]
    if len(driven) != 1:
        return None
    (upper,) = driven
    state, vbe = case.situation.state, study.resolved.assumptions["vbe_on"]
    emitter, reference = state.nets[upper.pins["emitter"]], state.nets[part.pins["reference"]]
    if emitter is None or reference is None or case.level <= 2.0 * vbe:
        return None
    sunk = (emitter - reference) / study.value(feed.name, "resistance")
    most = base_resistor_at_most(case.level, vbe, sunk, SHIFTER_GAIN, SHIFTER_OVERDRIVE)
    ohms = round_down(most, study.preferences.resistor, 0.05)
    pulled, inner = new_net(circuit, out), new_net(circuit, base)
    pins = {"collector": pulled, "base": inner, "emitter": part.pins["reference"]}
    shifter = new_part(circuit, "Q", "npn", pins, type=SHIFTER)
    drive = new_part(circuit, "R", "resistor", {"a": out, "b": inner}, resistance=ohms)
    parts = [shifter, drive]
    told = ""
    if upper.name not in study.roles.stages or not study.roles.stages[upper.name].bleeds:
        ends = {"a": upper.pins["emitter"], "b": base}
        large = open_base(study, upper.name).bleed
        bleed = new_part(circuit, "R", "resistor", ends, [drive.name], resistance=large)
        parts.append(bleed)
        told = f", {bleed.name} {format_quantity(large, 'ohm', 3)} from base to emitter of {upper.name}"
    size = format_quantity(ohms, "ohm", 3)
    summary = (
        f"{SHIFTER} {shifter.name} with {drive.name} {size} between {case.source} and {feed.name}{told}:"
        f" {case.source} then drives a base at its own level. It turns the order round: high turns"
        f" {upper.name} on"
    )
    return Proposal(summary, Fitting(tuple(parts), ((feed.name, pin, pulled),)).changes(circuit))
