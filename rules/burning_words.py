"""What extra-low-voltage says of what could burn a wire: what a source can give, and a fuse against it."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from rules.analysis.additions import Fitting, new_net, new_part
from rules.analysis.hazards import declared_volts, greatest_draw
from rules.wording import member_pointer, part_quantity, say
from schemas.finding import Change, Proposal, Quantity, Test
from schemas.quantities import document_text

if TYPE_CHECKING:
    from rules.analysis.study import Study
    from schemas.circuit import Part

FUSES = (0.1, 0.16, 0.25, 0.315, 0.5, 0.63, 0.8, 1.0, 1.25, 1.6, 2.0, 2.5, 3.15, 4.0, 5.0, 6.3, 8.0, 10.0)
"""Rated currents of common fuses, A (IEC 60127 series; from memory)."""
FIERY = ("lead", "lithium")  # a short burns wires and cells: common practice, no source


def declared_voltage(study: Study, name: str) -> Quantity:
    """The declared voltage that is the largest in size."""
    part = study.circuit.parts[name]
    volts = declared_volts(part)
    member = next(m for m in ("voltage", "low", "high") if abs(part.number(m) or 0.0) == volts)
    found = part_quantity(study, name, member, "V", f"{member} voltage of {name}")
    assert found is not None
    return found


def abilities(study: Study, part: Part, able: tuple[float, float] | None) -> Iterator[Quantity]:
    """``able``: what it gives into a short (A) and at most to anything (W), where that is known."""
    yield declared_voltage(study, part.name)
    if able is not None:
        member = "current" if part.number("current") is not None else "resistance"
        symbol = "I_most" if member == "current" else "r"
        given = part_quantity(study, part.name, member, symbol, f"{member} of {part.name}")
        if given is not None:
            yield given
        yield Quantity("I_sc", f"what {part.name} gives into a short", able[0], "A")
        yield Quantity("P", f"the most power that {part.name} can give", able[1], "W")


def burns(part: Part, able: tuple[float, float] | None, test: Test) -> str:
    chemistry = part.text("chemistry")
    what = f"{part.name}, a {chemistry} {part.kind}," if chemistry in FIERY else part.name
    if able is None:
        much = "and nothing that is drawn limits what it gives into a short"
    else:
        limit = say(test.right, test.unit)
        much = (
            f"and can give {say(able[0], 'A')} into a short and up to {say(able[1], 'W')}: above the"
            f" {limit} (a limit from memory) of a source that needs none"
        )
    return f"{what} has no fuse {much}. A pinched wire would burn."


def new_fuse(study: Study, part: Part) -> tuple[tuple[Proposal, ...], tuple[str, ...]]:
    """A fuse of at most twice the greatest load current, in the lead that is not the reference."""
    load = greatest_draw(study, part.name, "plus")
    rated = max((f for f in FUSES if f <= 2.0 * load), default=FUSES[0])
    place = "the wires of the circuit have to bear what the fuse lets pass"
    if load > FUSES[-1] or rated <= load:
        return (), (f"a fuse close to {part.name}, above the {say(load, 'A')} that it gives; {place}",)
    pin = "plus" if part.pins["plus"] != study.circuit.ground else "minus"
    net = part.pins[pin]
    fresh = new_net(study.circuit, net)
    fuse = new_part(study.circuit, "F", "fuse", {"a": fresh, "b": net}, current=rated)
    fitting = Fitting((fuse,), ((part.name, pin, fresh),))
    what = f"a fuse {fuse.name} of {say(rated, 'A')} at {part.name}, which gives {say(load, 'A')} at most"
    return (Proposal(what, fitting.changes(study.circuit)),), (f"fit it close to {part.name}; {place}",)


def larger_fuse(part: Part, load: float) -> tuple[Proposal, ...]:
    """The next rating above ``load`` A, where that is no more than twice as much."""
    rated = next((f for f in FUSES if load < f <= 2.0 * load), None)
    if rated is None:
        return ()
    pointer = member_pointer(part.name, "current")
    change = Change(pointer, part.number("current"), document_text(rated, "current"))
    return (Proposal(f"{part.name} of {say(rated, 'A')}", (change,)),)
