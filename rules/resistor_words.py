"""What resistor-dissipation has to say: evidence, messages, the next body, and the Thevenin source."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from rules.analysis.formulas.ratings import greatest_heat, heat_of, heat_within
from rules.analysis.heat import Heat
from rules.analysis.loads import Load
from rules.analysis.operating import supposed
from rules.analysis.preferred import RATED_WATTS
from rules.analysis.roads import resisted
from rules.analysis.stress import Peak
from rules.ratings_words import Rated, Verdict
from rules.wording import member_pointer, part_quantity, say
from schemas.finding import Change, Proposal, Quantity

if TYPE_CHECKING:
    from rules.analysis.states import State
    from rules.analysis.study import Study
    from schemas.circuit import Part

NUDGE = 1.01  # another value of the resistor, from which the source behind it is read
MATCHED = 0.02  # of R; the worst value is told as matched where it lies that close to R_th


def message(name: str, verdict: Verdict) -> str:
    assert verdict.mark is not None
    what = "turns" if verdict.role == "load" else "for a moment turns"
    return f"{name} {what} {say(verdict.value, 'W')} into heat {verdict.place.words}; {verdict.mark.words}."


def evidence(
    study: Study, part: Part, seen: Load | Heat | Peak, rated: Rated, full: bool = False
) -> Iterator[Quantity]:
    """Every number behind the verdict; with ``full`` the source behind the resistor too."""
    name = part.name
    if isinstance(seen, Heat):
        yield Quantity("P", f"mean heat of {name} over that time", seen.power, "W")
        yield Quantity("t", "time it is the mean of", seen.span, "s")
        found = part_quantity(study, name, "resistance", name, "its resistance")
        if found is not None:
            yield found
        yield rated.quantity
        return
    if isinstance(seen, Peak):
        ohms = study.value(name, "resistance")
        yield Quantity("V", f"greatest voltage across {name} along all runs", seen.value, "V")
        yield Quantity("P", f"heat in {name} at that moment, V^2/R", heat_of(seen.value, ohms), "W")
        yield rated.quantity
        return
    state = seen.situation.state
    ohms = state.mode.network.resolved.value(name, "resistance")
    volts = resisted(state, (name,))
    yield Quantity("R", f"{name} at this corner", ohms, "ohm", "derived", member_pointer(name, "resistance"))
    if volts is not None:
        yield Quantity("V", f"across {name}", volts, "V")
        yield Quantity("P", f"heat in {name}, V^2/R", heat_of(volts, ohms), "W")
    behind = source_behind(study, state, part) if full else None
    if behind is not None:
        ends = (study.value(name, f"tolerance_{end}") for end in ("low", "high"))
        low, high = (study.value(name, "resistance") * (1.0 + share) for share in ends)
        most = heat_within(*behind, max(low, 1e-3 * high), high)
        yield Quantity("P_hand", f"the most within the tolerance of {name} alone, by hand", most, "W")
    if behind is not None and abs(behind[1] / ohms - 1.0) <= MATCHED:
        yield Quantity("V_th", f"open-circuit voltage of what feeds {name}", behind[0], "V")
        meaning = f"resistance of what feeds {name}: where it is the same the heat is greatest"
        yield Quantity("R_th", meaning, behind[1], "ohm")
        yield Quantity("P_max", "V_th^2/(4*R_th)", greatest_heat(*behind), "W")
    yield rated.quantity


def source_behind(study: Study, state: State, part: Part) -> tuple[float, float] | None:
    """(V, ohm) of the source that a resistor sees in the mode of a state; ``None`` where there is none such.

    From the voltage at two values of it: the mode is linear.
    """
    ohms = state.mode.network.resolved.value(part.name, "resistance")
    other = supposed(study, state, {(part.name, "resistance"): NUDGE * ohms})
    one, two = (None if there is None else resisted(there, (part.name,)) for there in (state, other))
    if one is None or two is None:
        return None
    currents = one / ohms, two / (NUDGE * ohms)
    fall = currents[0] - currents[1]
    if fall <= 0.0 or two <= one:
        return None
    inner = (two - one) / fall
    return one + currents[0] * inner, inner


def next_wattage(part: Part, rated: Rated, needed: float) -> Iterator[Proposal]:
    """The smallest usual body that stands ``needed`` W."""
    least = needed * (1.0 - 1e-9)
    larger = next((size for size in RATED_WATTS if size >= least and size > rated.value), None)
    if larger is not None:
        old = part.number("power")
        text = f"{larger:g} W"  # as they are sold: half a watt, not 500 mW
        change = Change(member_pointer(part.name, "power"), old, text)
        yield Proposal(f"{part.name}: a body for {text}", (change,))


def advice(study: Study, part: Part, verdict: Verdict) -> Iterator[str]:
    if verdict.role == "pulse":
        yield "the pulse curve of its maker settles what it stands for a moment; a wire-wound one stands more"
        return
    half = say(0.5 * study.value(part.name, "resistance"), "ohm")
    yield f"or two in series of {half} each, which share the heat"
