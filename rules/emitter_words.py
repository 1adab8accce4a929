"""What base-emitter-reverse has to say: the case, its message and evidence, and the diodes that mend it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

from rules.analysis.additions import Fitting, new_net, new_part
from rules.analysis.pace import changed_pace
from rules.analysis.part_types import PART_TYPES
from rules.analysis.resolve import Known
from rules.analysis.stress import Peak, holding_capacitor
from rules.moments import moment
from rules.wording import listed, say
from schemas.finding import Limit, Proposal, Quantity, Test

if TYPE_CHECKING:
    from rules.analysis.study import Study
    from schemas.circuit import Part

BLEED = 100e3  # ohm from base to emitter behind a series diode; common practice, no source


@dataclass(frozen=True, eq=False)
class Case:
    """One transistor at its worst resting state or moment.

    ``factor`` allows for junctions that drop less than the hand model (1 at rest);
    ``volts`` is V_EBO, ``rated`` where it was read (``None``: the default of the rule).
    """

    part: Part
    peak: Peak
    factor: float
    volts: float
    rated: Known | None

    @property
    def allowed(self) -> float:
        """The reverse voltage that counts, V."""
        return self.peak.value * self.factor if self.peak.value > 0.0 else self.peak.value


def message(study: Study, case: Case, test: Test) -> str:
    """The finding in words, with its numbers and its limit."""
    name, peak = case.part.name, case.peak
    side = "below" if case.part.kind == "npn" else "above"
    rating = f"V_EBO is {say(case.volts, 'V')}"
    if case.rated is None:
        rating += " for a type that is not named"
    limit = rating if test.right == case.volts else f"limit {say(test.right, 'V')}, {rating}"
    if peak.at is None:
        return (
            f'The base of {name} rests {say(peak.value, "V")} {side} its emitter in "{peak.state}"; {limit}.'
        )
    held = _held(study, case)
    return (
        f"The base of {name} goes {say(peak.value, 'V')} {side} its emitter {moment(peak)};"
        f" up to {say(case.allowed, 'V')} with junctions that drop less at small currents; {limit}.{held}"
    )


def _held(study: Study, case: Case) -> str:
    name = holding_capacitor(study, case.peak, case.part.pins.values())
    if name is None:
        return ""
    volts = abs(case.peak.capacitors[name] or 0.0)
    return f" The {say(volts, 'V')} that {name} holds take it there."


def evidence(study: Study, case: Case, rating: Limit) -> Iterator[Quantity]:
    """Every number behind the finding."""
    name, peak, pins = case.part.name, case.peak, case.part.pins
    yield Quantity("V_EB", f"reverse voltage of {name}, fixed drops", peak.value, "V")
    if case.factor != 1.0:
        meaning = "the same with an allowance for junctions that drop less at small currents"
        yield Quantity("V_EB,max", meaning, case.allowed, "V")
    if case.rated is None:
        yield Quantity("V_EBO", rating.meaning, case.volts, "V", "assumed", None, rating.source)
    else:
        known = case.rated
        source = None if known.origin == "declared" else known.source
        yield Quantity("V_EBO", f"rating of {name}", known.value, "V", known.origin, known.pointer, source)
    for symbol, pin in (("V_B", "base"), ("V_E", "emitter")):
        volts = peak.nets[pins[pin]]
        if volts is not None:
            yield Quantity(symbol, f"{pin} of {name} at that moment", volts, "V")
    held = holding_capacitor(study, peak, pins.values())
    if held is not None:
        yield Quantity(f"V_{held}", f"voltage of {held} at that moment", peak.capacitors[held] or 0.0, "V")
    if peak.at is not None:
        yield Quantity("t", "time from the beginning of the run", peak.at, "s")


def proposals(study: Study, case: Case, careful: float) -> tuple[tuple[Proposal, ...], tuple[str, ...]]:
    """Diodes that keep the junction safe, to be proven; what moves with them is told."""
    if _capacitor_at(study, case.part.pins["base"]):
        return (_series(study, case),), ()
    made = [_across(study, case)]
    if case.peak.at is not None:
        made.append(_series(study, case))
    return tuple(made), ()


def _capacitor_at(study: Study, net: str) -> bool:
    """True where a capacitor would empty straight through a diode across the junction."""
    parts = study.circuit.parts.values()
    return net not in study.roles.rails and any(
        p.kind == "capacitor" and net in p.pins.values() for p in parts
    )


def _series(study: Study, case: Case) -> Proposal:
    """A diode in the base lead that blocks, and a resistor that ties the base to its emitter."""
    circuit, part = study.circuit, case.part
    base, emitter = part.pins["base"], part.pins["emitter"]
    inner = new_net(circuit, base)
    ends = (base, inner) if part.kind == "npn" else (inner, base)
    blocks = new_part(circuit, "D", "diode", {"anode": ends[0], "cathode": ends[1]})
    bleed = new_part(circuit, "R", "resistor", {"a": inner, "b": emitter}, resistance=BLEED)
    fitting = Fitting((blocks, bleed), ((part.name, "base", inner),))
    drop = study.resolved.assumptions["diode_forward"]
    summary = (
        f"{blocks.name} in series with the base of {part.name} and {bleed.name} {say(BLEED, 'ohm')} from base"
        f" to emitter: the diode takes the reverse voltage, and the base turns on {say(drop, 'V')} later"
        f"{changed_pace(study, fitting.applied(circuit))}"
    )
    return Proposal(summary, fitting.changes(circuit))


def _across(study: Study, case: Case) -> Proposal:
    """A diode that conducts where the junction is reversed."""
    circuit, part = study.circuit, case.part
    base, emitter = part.pins["base"], part.pins["emitter"]
    ends = (emitter, base) if part.kind == "npn" else (base, emitter)
    clamp = new_part(circuit, "D", "diode", {"anode": ends[0], "cathode": ends[1]})
    fitting = Fitting((clamp,))
    drop = study.resolved.assumptions["diode_forward"]
    summary = (
        f"{clamp.name} across the base-emitter junction of {part.name}, anode at {ends[0]}, cathode at"
        f" {ends[1]}: the junction is reversed by {say(drop, 'V')} at most"
        f"{changed_pace(study, fitting.applied(circuit))}"
    )
    return Proposal(summary, fitting.changes(circuit))


def advice(study: Study, case: Case, careful: float) -> Iterator[str]:
    """What else would do: a type that stands more, a lower threshold, less supply."""
    part = case.part
    wanted = case.allowed / (careful / case.volts)
    stand = sorted(
        name
        for name, known in PART_TYPES.items()
        if known.kind == part.kind and "vebo" in known.ratings and known.ratings["vebo"].value >= wanted
    )
    if stand:
        yield f"a type rated {say(wanted, 'V')} or more from emitter to base stands it: {', '.join(stand)}"
    if case.peak.at is None:
        return
    partners = study.roles.partners(part.name, "emitter-coupled")
    swings = part.pins["emitter"] in study.roles.rails
    if partners:
        lower = careful / case.factor + study.resolved.assumptions["vbe_on"]
        yield (
            f"or a lower threshold: with the base of {listed(partners, 'or')} at {say(lower, 'V')} at most,"
            f" {part.name} is reversed by {say(careful / case.factor, 'V')} at most"
        )
    elif swings and not any(p.kind == "led" for p in study.circuit.parts.values()):
        yield "an LED in the collector leads takes its own drop off the swing, and so off this voltage"
    if _capacitor_at(study, part.pins["base"]):
        yield (
            "no diode across the junction here: the timing capacitor would empty through it and the time"
            " would collapse"
        )
