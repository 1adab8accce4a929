"""What diode-ratings has to say, and the type that stands it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING

from rules.analysis.part_types import PART_TYPES
from rules.ratings_words import Verdict
from rules.wording import member_pointer, say
from schemas.finding import Change, Proposal

if TYPE_CHECKING:
    from schemas.circuit import Part

_SAYS = {
    "forward current": "{name} carries {value} {place}; {limit}.",
    "surge": "{name} carries {value} for a moment, {place}; {limit}.",
    "heat": "{name} turns {value} into heat {place}; {limit}.",
    "reverse voltage": "{name} blocks {value} {place}; {limit}.",
}


def message(name: str, verdict: Verdict, clamped: str) -> str:
    assert verdict.mark is not None
    text = _SAYS[verdict.role].format(
        name=name,
        value=say(verdict.value, verdict.test.unit),
        place=verdict.place.words,
        limit=verdict.mark.words,
    )
    if not clamped:
        return text
    if verdict.role == "reverse voltage":
        return f"{text} Across a coil it is rated for twice the supply."
    return f"{text} It is the current of {clamped}, which goes on through it."


def other_type(
    part: Part, bears: Mapping[str, float], limits: Mapping[str, float], clamped: str
) -> Iterator[Proposal]:
    """The smallest published type that bears everything; nothing where the document states the ratings."""
    if part.values.get("ratings") is not None:
        return
    share = min(limits["reverse_share"], 1.0 / limits["clamp"]) if clamped else limits["reverse_share"]
    wanted = {
        "current": bears.get("forward current", 0.0) / limits["current_share"],
        "surge": bears.get("surge", 0.0),
        "reverse": bears.get("reverse voltage", 0.0) / share,
    }
    fitting = [
        known
        for known in PART_TYPES.values()
        if known.kind == "diode"
        and all(key in known.ratings and known.ratings[key].value >= value for key, value in wanted.items())
    ]
    if not fitting:
        return
    best = min(fitting, key=lambda known: (known.ratings["current"].value, known.ratings["reverse"].value))
    old = part.text("type")
    if best.name != old:
        change = Change(member_pointer(part.name, "type"), old, best.name)
        stands = f"{say(best.ratings['current'].value, 'A')}, {say(best.ratings['reverse'].value, 'V')}"
        yield Proposal(f"{part.name}: a {best.name} ({stands})", (change,))
