"""What zener-bias has to say, and the feed resistor that mends it."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from rules.analysis.formulas.feeding import zener_current, zener_resistor_at_most
from rules.analysis.preferred import round_down, round_up
from rules.analysis.readings import Reading
from rules.analysis.shunts import Shunt, feed_current
from rules.wording import celsius, from_to, new_resistance, part_quantity, say, where
from schemas.finding import Proposal, Quantity, Test

if TYPE_CHECKING:
    from rules.analysis.study import Study
    from schemas.circuit import Part


def knee_message(
    part: Part, reading: Reading, shunt: Shunt | None, left: float, knee: float, test: Test
) -> str:
    """Too little left."""
    place = where(reading.situation)
    if left <= 0.0:
        return (
            f"The load takes all that {shunt.feed if shunt else 'its feed'} brings, and nothing is left for"
            f" {part.name} ({place}): it holds no voltage; limit {say(test.right, 'A')}."
        )
    end = f"at {say(knee, 'A')} or less it is at its knee" if left <= knee else "below that its voltage sags"
    return f"{say(left, 'A')} are left for {part.name} ({place}); limit {say(test.right, 'A')}: {end}."


def power_message(
    study: Study, part: Part, reading: Reading, rated: float, assumed: bool, test: Test
) -> str:
    """Too much."""
    hot = celsius(study.resolved.ambient.high)
    stands = f"{say(rated, 'W')} are allowed at {hot}"
    stands += ", from memory: no rating is stated" if assumed else ""
    return (
        f"{part.name} turns {say(reading.value, 'W')} into heat ({where(reading.situation)}); limit"
        f" {say(test.right, 'W')}, {stands}."
    )


def evidence(
    study: Study, part: Part, reading: Reading, shunt: Shunt | None, left: float
) -> Iterator[Quantity]:
    """The numbers behind any verdict on a zener."""
    state = reading.state
    yield Quantity("I_Z", f"current left for {part.name}", left, "A")
    known = part_quantity(study, part.name, "zener", "V_Z", f"breakdown voltage of {part.name}")
    if known is not None:
        yield known
    if shunt is None:
        return
    far, near = state.nets[shunt.source], state.nets[shunt.rail]
    if far is not None and near is not None:
        yield Quantity("V_S", f"from {shunt.source} to {shunt.rail}", abs(far - near), "V")
    found = part_quantity(study, shunt.feed, "resistance", shunt.feed, "feeds it")
    if found is not None:
        yield found
    brought = feed_current(study, state, shunt)
    yield Quantity("I_R", f"what {shunt.feed} brings", brought, "A")
    load = max(0.0, brought - left)
    yield Quantity("I_load", "what the load takes", load, "A")
    if far is not None and near is not None:
        resolved = state.mode.network.resolved
        zener, ohms = resolved.value(part.name, "zener"), resolved.value(shunt.feed, "resistance")
        hand = zener_current(abs(far - near), zener, ohms, load)
        yield Quantity("I_Z_hand", "by hand, (V_S - V_Z)/R - I_load", hand, "A")


def feeds_more(
    study: Study, part: Part, reading: Reading, shunt: Shunt, least: float
) -> Iterator[Proposal]:
    """A smaller feed that leaves ``least`` A to the zener."""
    state = reading.state
    resolved = state.mode.network.resolved
    far, near = state.nets[shunt.source], state.nets[shunt.rail]
    if far is None or near is None:
        return
    zener = resolved.value(part.name, "zener")
    load = max(0.0, feed_current(study, state, shunt) - reading.value)
    if not abs(far - near) > zener:
        return
    most = zener_resistor_at_most(abs(far - near), zener, least, load)
    ohms = round_down(most, study.preferences.resistor, study.value(shunt.feed, "tolerance_high"))
    if ohms < study.value(shunt.feed, "resistance"):
        summary = f"{from_to(study, shunt.feed, ohms)}: it leaves {say(least, 'A')} to {part.name}"
        yield Proposal(summary, (new_resistance(study, shunt.feed, ohms),))


def feeds_less(
    study: Study, part: Part, reading: Reading, shunt: Shunt, watts: float
) -> Iterator[Proposal]:
    """A larger feed with which the zener takes ``watts``."""
    state = reading.state
    far, mid = state.nets[shunt.source], state.nets[shunt.net]
    near = state.nets[shunt.rail]
    if far is None or mid is None or near is None or mid == near:
        return
    brought = feed_current(study, state, shunt)
    taken = brought - reading.value / abs(mid - near)
    ohms = round_up(
        abs(far - mid) / (taken + watts / abs(mid - near)),
        study.preferences.resistor,
        -study.value(shunt.feed, "tolerance_low"),
    )
    if ohms > study.value(shunt.feed, "resistance"):
        summary = f"{from_to(study, shunt.feed, ohms)}: {part.name} takes {say(watts, 'W')} at most"
        yield Proposal(summary, (new_resistance(study, shunt.feed, ohms),))
