"""What battery-sag says: its evidence, and the cells that would do."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING

from rules.analysis.formulas.supply import internal_at_most
from rules.analysis.preferred import round_down
from rules.analysis.sag import Condition, current_of
from rules.analysis.standing import sources
from rules.wording import celsius, member_pointer, part_quantity, say, times
from schemas.finding import Change, Limit, Proposal, Quantity
from schemas.quantities import document_text

if TYPE_CHECKING:
    from rules.analysis.study import Situation, Study

CELLS = "E12"  # steps in which a lower internal resistance is looked for


def feeding(study: Study, battery: str) -> frozenset[str]:
    """Every part of the circuit where the battery is the only source beside contacts and drivers."""
    others = [name for name in sources(study.circuit) if name != battery]
    return frozenset() if others else frozenset(study.circuit.parts)


def evidence(
    study: Study, where: Situation, found: Condition, limits: Mapping[str, Limit]
) -> Iterator[Quantity]:
    """Every number behind a verdict on a battery in one situation."""
    battery = found.battery
    for member, symbol, meaning in (
        ("voltage", "E", f"voltage of {battery} without a load"),
        ("resistance", "r_new", f"internal resistance of {battery} when new"),
    ):
        known = part_quantity(study, battery, member, symbol, meaning)
        if known is not None:
            yield known
    factor = found.ohms / study.value(battery, "resistance")
    old, cold = limits["old"], limits["cold"]
    source = f"{times(old.value)} times when old, {times(cold.value)} times at -10 degC: {old.source}"
    meaning = f"the same old and at {celsius(found.kelvin)}, {times(factor)} times"
    yield Quantity("r", meaning, found.ohms, "ohm", "derived", None, source)
    current = current_of(where.state, battery)
    if current is not None:
        yield Quantity("I", f"from {battery} in the state", current, "A")
        yield Quantity("V_sag", "r*I", found.ohms * current, "V")


def better_cells(study: Study, where: Situation, found: Condition, share: float) -> tuple[Proposal, ...]:
    """A battery of so little internal resistance that the load leaves ``share`` of its voltage."""
    battery, current = found.battery, current_of(where.state, found.battery)
    volts, new = abs(study.value(battery, "voltage")), study.value(battery, "resistance")
    if not current or not volts:
        return ()
    load = max(volts / abs(current) - found.ohms, 1e-3)
    ohms = round_down(min(internal_at_most(share, load, found.ohms / new), 0.999 * new), CELLS)
    change = Change(member_pointer(battery, "resistance"), new, document_text(ohms, "resistance"))
    summary = f"{battery} of cells with {say(ohms, 'ohm')} instead of {say(new, 'ohm')} inside when new"
    return (Proposal(summary, (change,)),)
