"""What led-current has to say: messages, evidence, and the resistor that mends it."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import TYPE_CHECKING

from rules.analysis.additions import Fitting, new_net, new_part
from rules.analysis.elements import SOURCES
from rules.analysis.formulas.feeding import series_current, series_resistor_at_least
from rules.analysis.preferred import round_down, round_up
from rules.analysis.readings import Reading
from rules.analysis.roads import Road, across, over, resisted, threshold_of, volts_of
from rules.wording import from_to, listed, new_resistance, part_quantity, say, where
from schemas.finding import Limit, Proposal, Quantity, Test

if TYPE_CHECKING:
    from rules.analysis.states import State
    from rules.analysis.study import Study
    from schemas.circuit import Part


def may_be_dark(study: Study, part: Part, roads: Iterable[Road]) -> str:
    """Why an LED may be dark, empty where it may not."""
    roads = tuple(roads)
    bases = {stage.base for stage in study.roles.stages.values()} - study.roles.rails
    through = {
        name
        for road in roads
        for name, member in road.drops
        if member == "vbe_on" and study.roles.stages[name].intent != "follower"
        if (name, "vce_sat") not in road.drops
    }
    if set(part.pins.values()) & bases or through:
        return f"{part.name} sets a voltage at a base: its light is not asked for"
    zener = next((zener for road in roads if (zener := threshold_of(road))), "")
    if zener:
        return f"{zener} in series keeps {part.name} dark below a threshold on purpose"
    return ""


def over_message(part: Part, reading: Reading, rated: float, assumed: bool, test: Test) -> str:
    """Too much, with how much it stands."""
    stands = f"it is rated {say(rated, 'A')}" + (", from memory: its document states none" if assumed else "")
    return (
        f"{part.name} takes {say(reading.value, 'A')} ({where(reading.situation)}); limit"
        f" {say(test.right, 'A')}, {stands}."
    )


def dim_message(part: Part, reading: Reading, test: Test) -> str:
    """Too little."""
    if test.left <= 0.0:
        return (
            f"{part.name} stays dark ({where(reading.situation)}): nothing is left over for its current;"
            f" limit {say(test.right, 'A')}."
        )
    return (
        f"{part.name} gets no more than {say(test.left, 'A')} ({where(reading.situation)}): hardly seen;"
        f" limit {say(test.right, 'A')}."
    )


def share_message(study: Study, part: Part, reading: Reading, road: Road, test: Test) -> str:
    """A resistor without voltage, or no resistor at all."""
    if not road.resistive:
        return (
            f"No resistor is in series with {part.name}, which takes {say(reading.value, 'A')}"
            f" ({where(reading.situation)}): only inner resistances limit it; limit {say(test.right, 'V')} on"
            " a series resistor."
        )
    spread = study.resolved.assumptions["led_spread"]
    swing = spread / test.left if test.left > 0.0 else float("inf")
    return (
        f"{listed(road.resistive)} in series with {part.name} {'has' if len(road.resistive) == 1 else 'have'}"
        f" only {say(test.left, 'V')} ({where(reading.situation)}): {say(spread, 'V')} more or less at the"
        f" LED move its current by {say(100.0 * swing, '')} %; limit {say(test.right, 'V')}."
    )


def evidence(
    study: Study, part: Part, reading: Reading, road: Road | None, rated: Limit
) -> Iterator[Quantity]:
    """The numbers behind any verdict on an LED."""
    state = reading.state
    yield Quantity("I", f"current of {part.name}", reading.value, "A")
    known = part_quantity(study, part.name, "current", "I_F", f"rated current of {part.name}")
    yield known or Quantity("I_F", rated.meaning, rated.value, "A", "assumed", None, rated.source)
    yield Quantity("V_F", f"forward drop of {part.name} there", volts_of(state, (part.name, "forward")), "V")
    if road is None:
        return
    volts = across(state, road)
    if volts is not None:
        yield Quantity("V_S", f"from {road.top} to {road.bottom}", volts, "V")
    for name, member in road.drops:
        if name != part.name:
            yield Quantity(f"V_{name}", f"drop of {name} in series", volts_of(state, (name, member)), "V")
    own = own_resistors(study, road)
    for name in own:
        found = part_quantity(study, name, "resistance", name, "in series with it")
        if found is not None:
            yield found
    alone = bool(own) and sorted(own) == sorted(road.resistive) and not road.keeper
    if alone and volts is not None and volts >= 0.0:
        drops = sum(volts_of(state, drop) for drop in road.drops)
        ohms = sum(state.mode.network.resolved.value(name, "resistance") for name in own)
        hand = series_current(volts, drops, ohms)
        yield Quantity("I_hand", "current by hand, (V_S - drops)/R", hand, "A")


def own_resistors(study: Study, road: Road) -> tuple[str, ...]:
    """The resistors that carry the current of the LED and no other, the largest first."""
    found = [n for n in road.resistive if n in road.own and study.circuit.parts[n].kind == "resistor"]
    return tuple(sorted(found, key=lambda name: (-study.value(name, "resistance"), name)))


def _seen(study: Study, state: State, road: Road, amperes: float) -> float | None:
    """What the resistors of the LED alone have at a state, with what a source loses inside, V."""
    volts = over(state, road)
    if volts is None:
        return None
    inside = sum(
        study.value(p.name, "resistance")
        for p in study.circuit.parts.values()
        if p.kind in SOURCES and road.top in p.pins.values()
    )
    return volts + amperes * inside


def more_resistance(
    study: Study, part: Part, reading: Reading, road: Road | None, amperes: float
) -> tuple[tuple[Proposal, ...], tuple[str, ...]]:
    """The next larger resistor that keeps the current at ``amperes``; a new one where there is none."""
    if road is None:
        return (), ()
    if road.keeper:
        return (), (f"{road.keeper} sets this current: its emitter resistor, or its base voltage, moves it",)
    volts, series = _seen(study, reading.state, road, reading.value), study.preferences.resistor
    if volts is None or not volts > 0.0:
        return (), ()
    own = own_resistors(study, road)
    if not own:
        least = series_resistor_at_least(volts, 0.0, amperes)
        made = _fitted(study, part, round_up(least, series, study.resolved.assumptions["resistor_tolerance"]))
        return (made,), ()
    here = resisted(reading.state, own) or 0.0
    held = volts - here  # what other resistors on the road have
    others = sum(study.value(name, "resistance") for name in own[1:])
    held = max(0.0, held) * amperes / reading.value
    wanted = series_resistor_at_least(volts, held, amperes) - others if volts > held else 0.0
    if not wanted > 0.0:
        return (), ()
    ohms = round_up(wanted, series, -study.value(own[0], "tolerance_low"))
    if ohms <= study.value(own[0], "resistance"):
        return (), ()
    summary = f"{from_to(study, own[0], ohms)}: {part.name} takes {say(amperes, 'A')} at most"
    return (Proposal(summary, (new_resistance(study, own[0], ohms),)),), ()


def _fitted(study: Study, part: Part, ohms: float) -> Proposal:
    """A series resistor in the anode lead of an LED that has none of its own."""
    circuit, net = study.circuit, part.pins["anode"]
    inner = new_net(circuit, net)
    added = new_part(circuit, "R", "resistor", {"a": net, "b": inner}, resistance=ohms)
    fitting = Fitting((added,), ((part.name, "anode", inner),))
    summary = f"{added.name} {say(ohms, 'ohm')} in series with {part.name}"
    return Proposal(summary, fitting.changes(circuit))


def less_resistance(
    study: Study, part: Part, reading: Reading, road: Road | None, amperes: float
) -> tuple[Proposal, ...]:
    """The next smaller resistor with which the LED still gets ``amperes``."""
    own = own_resistors(study, road) if road is not None else ()
    if road is None or road.keeper or not own:
        return ()
    volts = over(reading.state, road)
    if volts is None or not volts > 0.0:
        return ()
    others = sum(study.value(name, "resistance") for name in road.resistive if name != own[0])
    wanted = volts / amperes - others
    if not wanted > 0.0:
        return ()
    ohms = round_down(wanted, study.preferences.resistor, study.value(own[0], "tolerance_high"))
    if ohms >= study.value(own[0], "resistance"):
        return ()
    summary = f"{from_to(study, own[0], ohms)}: {part.name} gets {say(amperes, 'A')} at the least"
    return (Proposal(summary, (new_resistance(study, own[0], ohms),)),)
