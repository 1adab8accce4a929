"""What long-wire says: messages, evidence, and what mends hum, a bare base and a thin wire."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING

from rules.analysis.additions import Fitting, new_net, new_part
from rules.analysis.formulas.field import filter_for, node_against_hum, shunt_against_hum
from rules.analysis.preferred import round_up
from rules.analysis.resolve import TRANSISTORS, escape
from rules.wording import celsius, say
from schemas.finding import Change, Limit, Proposal, Quantity, Test
from schemas.quantities import document_text

if TYPE_CHECKING:
    from rules.analysis.pickup import Hum
    from rules.analysis.study import Study

CORNER = 5.0  # Hz of a filter for a slow sensor: common practice, no source
AREAS = (0.22e-6, 0.5e-6, 0.75e-6, 1e-6, 1.5e-6, 2.5e-6, 4e-6)  # m2 of common wires: from memory


def wire_pointer(net: str, member: str = "wire") -> str:
    return f"/nets/{escape(net)}/{member}"


# hum ------------------------------------------------------------------------------------------


def hum_message(
    net: str, length: float, hum: Hum, off: float, hot: float, limits: Mapping[str, Limit]
) -> str:
    """The finding in words; ``off`` (V) is surely off at ``hot`` K."""
    share = limits["share"].value
    return (
        f"{say(length, 'm')} of wire on {net} beside a mains cable can pick up {say(hum.stray, 'A')}"
        f" ({say(limits['stray'].value, 'F')} for each metre, from memory). That is {say(hum.volts, 'V')} at"
        f' the base of {hum.transistor}, which is off in "{hum.situation.label}": more than'
        f" {say(share * off, 'V')}, {say(share, 'ratio', 2)} of the {say(off, 'V')} that are surely off at"
        f" {celsius(hot)}."
    )


def hum_evidence(
    net: str, length: float, hum: Hum, off: float, hot: float, stray: Limit
) -> Iterator[Quantity]:
    pointer = wire_pointer(net)
    yield Quantity("l", f"length of the wire on {net}", length, "m", "declared", pointer)
    farads = stray.value * length
    yield Quantity("C_w", "stray capacitance of the wire", farads, "F", "assumed", None, stray.source)
    yield Quantity("I_hum", "current that the mains sends into it", hum.stray, "A")
    yield Quantity("Z", f"volts at the base of {hum.transistor} per ampere into it", hum.ohms, "ohm")
    yield Quantity("V_hum", f"what is left of it at the base of {hum.transistor}", hum.volts, "V")
    yield Quantity("V_BE,off", f"surely off at {celsius(hot)}", off, "V")


def lower(hum: Hum, off: float, share: float) -> str:
    ohms = node_against_hum(off, share, hum.stray)
    return f"or let no more than {say(ohms, 'ohm')} hold the base of {hum.transistor} while it is off"


def quieter(study: Study, net: str, hum: Hum, allowed: float, hertz: float) -> tuple[Proposal, ...]:
    """A capacitor from base to emitter, for a corner of 5 Hz and for the ``allowed`` V of hum."""
    part = study.circuit.parts[hum.transistor]
    if part.pins["base"] == net or hum.ohms <= 0.0:
        return ()
    shunt = shunt_against_hum(hum.stray, hertz, allowed)
    farads = round_up(max(filter_for(CORNER, hum.ohms), shunt), study.preferences.film, 0.1)
    pins = {"a": part.pins["base"], "b": part.pins["emitter"]}
    new = new_part(study.circuit, "C", "capacitor", pins, capacitance=farads, dielectric="film")
    what = f"{new.name} of {say(farads, 'F')} from the base of {hum.transistor} to its emitter"
    return (Proposal(what, Fitting((new,)).changes(study.circuit)),)


# series resistance ----------------------------------------------------------------------------


def series_message(net: str, transistor: str, test: Test) -> str:
    what = "nothing stands" if test.left == 0.0 else f"only {say(test.left, 'ohm')} stand"
    return (
        f"{what} between the wire on {net} and the base of {transistor}: a touch, a spark or a distant"
        f" stroke of lightning meets the base first. {say(test.right, 'ohm')} or more belong there, at the"
        " box wall (common practice)."
    )


def resistor_before(study: Study, net: str, transistor: str, ohms: float) -> tuple[Proposal, ...]:
    """A resistor in front of the base, where the wire is on the base itself."""
    part = study.circuit.parts[transistor]
    if part.pins["base"] != net or part.kind not in TRANSISTORS:
        return ()
    fresh = new_net(study.circuit, net)
    resistor = new_part(study.circuit, "R", "resistor", {"a": net, "b": fresh}, resistance=ohms)
    fitting = Fitting((resistor,), ((transistor, "base", fresh),))
    what = f"{resistor.name} of {say(ohms, 'ohm')} between {net} and the base of {transistor}"
    return (Proposal(what, fitting.changes(study.circuit)),)


# voltage drop ---------------------------------------------------------------------------------


def thicker(net: str, area: float | None, wanted: float) -> Proposal | None:
    """The thinnest common wire of ``wanted`` m2 or more; ``None`` where none is that thick."""
    thick = next((a for a in AREAS if a >= wanted), None)
    if thick is None:
        return None
    change = Change(wire_pointer(net, "wire_area"), area, document_text(thick, "area"))
    return Proposal(f"a wire of {say(thick, 'm2')} on {net}", (change,))
