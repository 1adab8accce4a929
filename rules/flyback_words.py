"""What flyback-path has to say: messages, evidence, and the diode that mends it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

from rules.analysis.additions import Fitting, new_part
from rules.analysis.coils import Opening, first_pin, last_pin, opener
from rules.analysis.formulas.coils import release_time, stored_energy
from rules.analysis.resolve import SUPPLIES, Known
from rules.analysis.stress import Peak
from rules.moments import moment
from rules.wording import listed, part_quantity, say
from schemas.finding import Limit, Proposal, Quantity

if TYPE_CHECKING:
    from rules.analysis.requirements import Window
    from rules.analysis.study import Study
    from schemas.circuit import Part

SIGNAL_DIODE = 0.1  # A, up to which a 1N4148 is proposed (I_F 150 mA average, Panjit)
RECTIFIER = 1.0  # A, up to which a 1N4001 is (1 A average at 75 degC, Diodes Inc)
AGREES = 0.01  # of the time on the timeline; the closed form is told where it agrees that well


@dataclass(frozen=True, eq=False)
class Kick:
    """The collector peak (``peak``) of one transistor at a coil, with its rating."""

    coil: str
    transistor: str
    peak: Peak
    rated: Known


def broken_message(study: Study, opening: Opening, peak: float | None, stands: Quantity) -> str:
    """No path: what opens how much, and what comes of it."""
    by = listed(opener(study, opening)) or "something"
    verb = "opens" if len(opener(study, opening)) == 1 else "open"
    start = (
        f"The {say(abs(opening.current), 'A')} of {opening.coil} have no path when {by} {verb}"
        f" (after {opening.episode.what})"
    )
    if peak is None:
        return (
            f"{start}: they break through as an arc or through a junction. Its inductance is not stated;"
            f" relays reach hundreds of volts, {stands.symbol} is {say(stands.value, 'V')}."
        )
    return (
        f"{start}: they charge the stray capacitance of the winding to about {say(peak, 'V')} and break"
        f" through; {stands.symbol} is {say(stands.value, 'V')}."
    )


def broken_evidence(
    study: Study, opening: Opening, peak: float | None, stands: Quantity, stray: Limit
) -> Iterator[Quantity]:
    """Every number behind a coil without a path."""
    name = opening.coil
    yield Quantity("I_0", f"current of {name} as it is opened", abs(opening.current), "A")
    henry = part_quantity(study, name, "inductance", "L", "inductance")
    if henry is not None:
        yield henry
        energy = stored_energy(henry.value, abs(opening.current))
        yield Quantity("W", "energy L*I_0^2/2 in the coil", energy, "J")
        yield Quantity("C_stray", stray.meaning, stray.value, "F", "assumed", None, stray.source)
    if peak is not None:
        yield Quantity("V_pk", "I_0*sqrt(L/C_stray)", peak, "V")
    yield stands


def kick_message(kick: Kick, limit: float) -> str:
    """The collector goes too high although the coil has a path."""
    rated = kick.rated.value
    told = f"V_CEO is {say(rated, 'V')}"
    told = told if limit == rated else f"limit {say(limit, 'V')}, {told}"
    return (
        f"{kick.coil} lifts the collector of {kick.transistor} to {say(kick.peak.value, 'V')} above its"
        f" emitter {moment(kick.peak)}; {told}."
    )


def kick_evidence(kick: Kick) -> Iterator[Quantity]:
    rated = kick.rated
    source = None if rated.origin == "declared" else rated.source
    yield Quantity("V_CE", f"collector of {kick.transistor} against its emitter", kick.peak.value, "V")
    meaning = f"rating of {kick.transistor}"
    yield Quantity("V_CEO", meaning, rated.value, "V", rated.origin, rated.pointer, source)


def late_message(opening: Opening, wanted: Window) -> str:
    return (
        f"{opening.coil} lets go {say(opening.released, 's')} after its switch has opened (after"
        f" {opening.episode.what}); limit {say(wanted.high, 's')}, the required re-arm time."
    )


def late_evidence(study: Study, opening: Opening, wanted: Window) -> Iterator[Quantity]:
    """The release time on the timeline and, for a path of constant voltage, by the closed form."""
    name = opening.coil
    yield Quantity("t", "time from opening to release", opening.released, "s")
    yield Quantity("t_rearm", "required re-arm time", wanted.high, "s", "declared", wanted.pointer)
    yield Quantity("I_0", f"current of {name} as it is opened", abs(opening.current), "A")
    yield Quantity("I_rel", "current at which it lets go", opening.release, "A")
    by_hand = diode_release(study, opening, study.resolved.assumptions["diode_forward"])
    if by_hand is not None and abs(by_hand / opening.released - 1.0) < AGREES:
        yield Quantity("t_hand", "(L/R)*ln((I_0*R + V_d)/(I_rel*R + V_d))", by_hand, "s")


def diode_release(study: Study, opening: Opening, against: float) -> float | None:
    """The release time (s) with ``against`` V across the coil; ``None`` without inductance or resistance."""
    henry = study.known(opening.coil, "inductance")
    ohms = study.value(opening.coil, "resistance")
    if henry is None or ohms <= 0.0 or abs(opening.current) <= opening.release:
        return None
    return release_time(henry.value, ohms, abs(opening.current), opening.release, against)


def diode_across(study: Study, opening: Opening) -> Proposal:
    """A diode that takes the current over, of a type that carries it."""
    circuit = study.circuit
    entry, leaving = first_pin(circuit, opening.coil), last_pin(circuit, opening.coil)
    if opening.current < 0.0:
        entry, leaving = leaving, entry
    size = abs(opening.current)
    kind = "1N4148" if size <= SIGNAL_DIODE else "1N4001" if size <= RECTIFIER else ""
    fitted = new_part(circuit, "D", "diode", {"anode": leaving, "cathode": entry}, type=kind)
    drop = study.resolved.assumptions["diode_forward"]
    seconds = diode_release(study, opening, drop)
    lets_go = "" if seconds is None else f"; {opening.coil} lets go in {say(seconds, 's')}"
    named = f"{kind} " if kind else ""
    summary = (
        f"{named}{fitted.name} across {opening.coil}, anode at {leaving}, cathode at {entry}: the"
        f" {say(size, 'A')} go round in it{lets_go}"
    )
    return Proposal(summary, Fitting((fitted,)).changes(circuit))


def advice(study: Study, opening: Opening, one_way: bool) -> Iterator[str]:
    """Faster release, or a part for both directions."""
    if not one_way:
        yield (
            f"the current of {opening.coil} goes both ways: no single diode will do; two zeners back to back"
            " across it, or a resistor, or a capacitor and a resistor"
        )
        return
    drop = study.resolved.assumptions["diode_forward"]
    slow = diode_release(study, opening, drop)
    zener = max((abs(study.value(p.name, "voltage")) for p in _supplies(study)), default=0.0)
    fast = diode_release(study, opening, drop + zener) if zener else None
    if slow is not None and fast is not None:
        yield (
            f"with a {say(zener, 'V', 2)} zener in series with that diode it lets go in {say(fast, 's')}"
            f" instead of {say(slow, 's')}; {say(2.0 * zener + drop, 'V')} then stand at the switch"
        )


def _supplies(study: Study) -> list[Part]:
    return [p for p in study.circuit.parts.values() if p.kind in SUPPLIES]
