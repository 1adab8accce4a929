"""What stored-charge says: the case, its message and evidence, and the resistor that mends it."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

from rules.analysis.additions import Fitting, new_net, new_part
from rules.analysis.charge import Pulse
from rules.analysis.formulas.supply import loop_resistance_at_least
from rules.analysis.preferred import round_up
from rules.analysis.resolve import Known
from rules.wording import part_quantity, say
from schemas.finding import Proposal, Quantity, Test

if TYPE_CHECKING:
    from rules.analysis.study import Study

HALF = 0.5  # of a rated current, that a new resistor leaves; common practice, no source
IN_HAND = 2.0  # times the resistance that a contact wants


@dataclass(frozen=True, eq=False)
class Case:
    """One pulse with what its capacitor holds (F, J), and has inside (ohm; ``own`` where it is stated).

    ``amperes`` is the peak; at least that, where nothing but an assumed series resistance limits it.
    """

    pulse: Pulse
    farads: float
    energy: float
    own: Known | None
    inside: float
    amperes: float


def message(case: Case, test: Test, rated: Known | None, value: float | None, large: float) -> str:
    """The finding in words; ``large`` (F) is the capacitance from which a contact wants a resistance."""
    pulse = case.pulse
    peak = f"{'at least ' if pulse.straight and case.own is None else ''}{say(case.amperes, 'A')}"
    if math.isinf(case.amperes):
        peak = "a current that nothing limits"
    way = "straight " if pulse.straight else ""
    text = (
        f"{pulse.capacitor}, {say(case.farads, 'F')} at {say(pulse.stored, 'V')}, empties {way}through"
        f" {pulse.device} {pulse.what}: {peak}"
    )
    if test.unit == "ohm":
        return (
            f"{text}, {say(case.energy, 'J')} in all, with {say(test.left, 'ohm')} in the loop; limit"
            f" {say(test.right, 'ohm')} from {say(large, 'F')} on. The contact may weld."
        )
    whose = "its rated current of a moment" if rated is not None else "from memory"
    if rated is not None and value is not None and test.right != value:
        whose = f"a multiple of its rated {say(value, 'A')}, from memory"
    return f"{text}; limit {say(test.right, 'A')}, {whose}."


def evidence(study: Study, case: Case, rated: Known | None, value: float | None) -> Iterator[Quantity]:
    pulse = case.pulse
    known = part_quantity(study, pulse.capacitor, "capacitance", "C", f"of {pulse.capacitor}")
    if known is not None:
        yield known
    yield Quantity("V_C", f"that {pulse.capacitor} holds", pulse.stored, "V")
    yield Quantity("W", "energy in it, C*V^2/2", case.energy, "J")
    yield Quantity("V_j", f"fixed drop of {pulse.device}", pulse.drop, "V")
    yield Quantity("R_path", "resistance of the loop", pulse.ohms, "ohm")
    if case.own is not None:
        own = case.own
        yield Quantity("ESR", f"of {pulse.capacitor}", own.value, "ohm", own.origin, own.pointer)
    elif pulse.straight:
        common = "common practice, no source"
        meaning = f"of {pulse.capacitor}, at most"
        yield Quantity("ESR", meaning, case.inside, "ohm", "assumed", None, common)
    if math.isfinite(case.amperes):
        yield Quantity("I_pk", "in the first moment", case.amperes, "A")
    if rated is not None:
        meaning = f"rated current of {pulse.device}"
        source = rated.source if rated.origin == "assumed" else None
        yield Quantity("I_rated", meaning, rated.value, "A", rated.origin, rated.pointer, source)
    elif value is not None:
        yield Quantity(
            "I_rated", f"rated current of {pulse.device}", value, "A", "assumed", None, "from memory"
        )


def series(study: Study, case: Case, value: float | None, least: float) -> Proposal:
    """A resistor between the device and what it hangs on."""
    circuit, pulse = study.circuit, case.pulse
    device = circuit.parts[pulse.device]
    wanted = IN_HAND * least - pulse.ohms
    if value is not None:
        wanted = max(loop_resistance_at_least(pulse.stored, pulse.drop, HALF * value) - pulse.ohms, 1.0)
    ohms = round_up(wanted, study.preferences.resistor, study.resolved.assumptions["resistor_tolerance"])
    pin = "a" if device.kind == "contact" else "anode"
    outer = device.pins[pin]
    inner = new_net(circuit, outer)
    made = new_part(circuit, "R", "resistor", {"a": outer, "b": inner}, resistance=ohms)
    fitting = Fitting((made,), ((device.name, pin, inner),))
    seconds = 5.0 * ohms * case.farads
    summary = (
        f"{made.name} {say(ohms, 'ohm')} in series with {device.name}: {pulse.capacitor} then needs"
        f" {say(seconds, 's')} to empty through it"
    )
    return Proposal(summary, fitting.changes(circuit))
