"""What the rules on transistors that are off have to say, and the resistors and stages that mend them."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from rules.analysis.additions import Fitting, new_net, new_part
from rules.analysis.formulas.feeding import off_drive
from rules.analysis.off_states import Driven, base_drive, resistance_at_base
from rules.analysis.preferred import round_down
from rules.analysis.states import State
from rules.wording import assumption, celsius, from_to, new_resistance, part_quantity, say, where
from schemas.finding import Proposal, Quantity

if TYPE_CHECKING:
    from rules.analysis.roles import Stage
    from rules.analysis.study import Situation, Study

USUAL = 100e3  # ohm; the upper end of what is fitted against noise, common practice, no source
LEAST_BLEED = 100.0  # ohm; less takes more current than any small switch has


def temperature_of(study: Study, situation: Situation) -> str:
    """The temperature of a corner, where its name tells it: there the limit is lowest."""
    return f" at {celsius(study.resolved.ambient.high)}" if "degC" in situation.corner else ""


def off_evidence(
    study: Study, stage: Stage, state: State, driven: Driven | None
) -> Iterator[Quantity]:
    """The numbers behind a base that is meant to be off."""
    name = stage.transistor
    volts = base_drive(state, name)
    if volts is not None:
        meaning = f"base-emitter voltage of {name}, as it would be without its junction"
        yield Quantity("V_BE", meaning, volts, "V")
    yield assumption(study, "vbe_off", "V_BE,off", "base-emitter voltage that is surely off", state)
    for symbol, net, what in (("V_E", stage.emitter, "emitter"), ("V_C", stage.collector, "collector")):
        at = state.nets[net]
        if at is not None:
            yield Quantity(symbol, f"{what} of {name}", at, "V")
    if driven is not None:
        known = part_quantity(
            study, driven.driver, driven.off, "V_drive", f"{driven.off} level of {driven.driver}"
        )
        if known is not None:
            yield known
    yield from bleeds_evidence(study, stage)
    if driven is not None:
        yield from _by_hand(study, stage, state, driven)


def bleeds_evidence(study: Study, stage: Stage) -> Iterator[Quantity]:
    """The resistors from base to emitter."""
    for part in stage.bleeds:
        found = part_quantity(study, part, "resistance", part, "from base to emitter")
        if found is not None:
            yield found


def _by_hand(study: Study, stage: Stage, state: State, driven: Driven) -> Iterator[Quantity]:
    """The divider of paper, where one resistor leads from the driver to the base and nothing else does."""
    level = state.nets[study.circuit.parts[driven.driver].pins["out"]]
    emitter = state.nets[stage.emitter]
    alone = len(driven.way) == 1 and [arm.part for arm in stage.feeds] == list(driven.way)
    if not alone or level is None or emitter is None:
        return
    resolved = state.mode.network.resolved
    feed = resolved.value(driven.way[0], "resistance")
    siemens = sum(1.0 / resolved.value(part, "resistance") for part in stage.bleeds)
    hand = off_drive(emitter, level, feed, 1.0 / siemens if siemens else float("inf"))
    meaning = "the same by hand, (V_E - V_drive)*R_BE/(R_B + R_BE)"
    yield Quantity("V_BE_hand", meaning, hand if stage.kind == "pnp" else -hand, "V")


def conducting_message(stage: Stage, driven: Driven, situation: Situation, volts: float, limit: float) -> str:
    """A driver that turns a transistor off at neither level."""
    name = stage.transistor
    side = "below" if stage.kind == "pnp" else "above"
    return (
        f"{driven.driver} {driven.off} should turn {name} off and does not ({where(situation)}): its base"
        f" would still stand {say(volts, 'V')} {side} its emitter; limit {say(limit, 'V')}. What counts is"
        f" the emitter of {name}, not ground."
    )


def half_off_message(
    study: Study, stage: Stage, situation: Situation, volts: float, limit: float, conducts: bool
) -> str:
    """A base that is off by the hand model, but not surely."""
    name = stage.transistor
    side = "below" if stage.kind == "pnp" else "above"
    end = "it conducts" if conducts else "it may conduct a little"
    return (
        f"The base of {name} stands {say(volts, 'V')} {side} its emitter where it is meant to be off"
        f" ({where(situation)}); surely off is up to {say(limit, 'V')}{temperature_of(study, situation)}:"
        f" {end}."
    )


def bleed_to(study: Study, stage: Stage, seen: float, wanted: float) -> Iterator[Proposal]:
    """A resistor from base to emitter after which the base sees ``wanted`` ohm instead of ``seen``."""
    if not 0.0 < wanted < seen:
        return
    series = study.preferences.resistor
    if stage.bleeds:
        old = stage.bleeds[0]
        now = study.value(old, "resistance")
        high = study.value(old, "tolerance_high")
        rest = 1.0 / seen - 1.0 / (now * (1.0 + high))  # what else there is
        ohms = round_down(1.0 / (1.0 / wanted - max(0.0, rest)), series, high)
        if LEAST_BLEED <= ohms < now:
            summary = f"{from_to(study, old, ohms)}: it keeps the base of {stage.transistor} off"
            yield Proposal(summary, (new_resistance(study, old, ohms),))
        return
    tolerance = study.resolved.assumptions["resistor_tolerance"]
    ohms = round_down(min(USUAL, 1.0 / (1.0 / wanted - 1.0 / seen)), series, tolerance)
    if ohms < LEAST_BLEED:
        return
    circuit = study.circuit
    added = new_part(circuit, "R", "resistor", {"a": stage.base, "b": stage.emitter}, resistance=ohms)
    summary = f"{added.name} {say(ohms, 'ohm')} from base to emitter of {stage.transistor}"
    yield Proposal(summary, Fitting((added,)).changes(circuit))


def pull_harder(
    study: Study, stage: Stage, state: State, volts: float, limit: float
) -> Iterator[Proposal]:
    """A bleed that divides a base voltage of ``volts`` down to ``limit`` V."""
    seen = resistance_at_base(study, state, stage.transistor)
    if seen is None or not 0.0 < limit < volts or seen <= 0.0:
        return
    yield from bleed_to(study, stage, seen, seen * limit / volts)


def level_shifter(study: Study, stage: Stage, driven: Driven) -> Iterator[Proposal]:
    """An NPN stage between a low output and a PNP switch on a higher rail; it turns the level round."""
    parts, circuit = study.circuit.parts, study.circuit
    if stage.kind != "pnp" or len(driven.way) != 1 or parts[driven.way[0]].kind != "resistor":
        return
    feed, driver = parts[driven.way[0]], parts[driven.driver]
    pin = next(pin for pin, net in feed.pins.items() if net == stage.base)
    inner, out = new_net(circuit, stage.base), new_net(circuit, driver.pins["out"])
    shifter = new_part(
        circuit,
        "Q",
        "npn",
        {"collector": out, "base": inner, "emitter": driver.pins["reference"]},
        type="2N3904",
    )
    ohms = study.value(feed.name, "resistance")
    series = new_part(circuit, "R", "resistor", {"a": out, "b": stage.base}, resistance=ohms)
    made = [shifter, series]
    if not stage.bleeds:
        bleed = round_down(10.0 * ohms, study.preferences.resistor)
        pins = {"a": stage.base, "b": stage.emitter}
        made.append(new_part(circuit, "R", "resistor", pins, (series.name,), resistance=bleed))
    fitting = Fitting(tuple(made), ((feed.name, pin, inner),))
    summary = (
        f"{shifter.name} as a level shifter: {driven.driver} drives it through {feed.name}, and its collector"
        f" pulls the base of {stage.transistor} down through {series.name} {say(ohms, 'ohm')}; the level that"
        " turns it on is the other one then"
    )
    yield Proposal(summary, fitting.changes(circuit))
