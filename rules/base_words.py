"""What base-current-limit has to say, and the resistor that it puts into a base lead."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from rules.analysis.additions import Fitting, new_net, new_part
from rules.analysis.base_loops import Bare, Pulse
from rules.analysis.drive import drive_of
from rules.analysis.formulas.drive import saturated_collector_current
from rules.analysis.formulas.feeding import base_current_peak
from rules.analysis.off_states import base_drive
from rules.analysis.operating import sign_of, supposed
from rules.analysis.preferred import round_down
from rules.analysis.readings import Reading
from rules.analysis.resolve import SUPPLIES
from rules.ratings_words import rating
from rules.wording import from_to, new_resistance, say, where
from schemas.finding import Limit, Proposal, Quantity, Test

if TYPE_CHECKING:
    from rules.analysis.study import Study
    from schemas.circuit import Part

OVERDRIVE = 5.0  # for a new base resistor: three times is left with the tolerances of all else
USUAL = 1e-3  # A into a base whose load is not known


def resting_message(part: Part, reading: Reading, rated: float, known: bool, test: Test) -> str:
    """Too much for long."""
    return (
        f"{say(reading.value, 'A')} flow into the base of {part.name} ({where(reading.situation)}); limit"
        f" {say(test.right, 'A')}, a share of {_rating(rated, known)}, from memory."
    )


def pulse_message(part: Part, pulse: Pulse, rated: float, known: bool, test: Test) -> str:
    """Too much in the first moment of something."""
    when = "at once" if pulse.at == 0.0 else say(pulse.at, "s")
    by = f" {pulse.capacitor} is charged and gives it." if pulse.capacitor else ""
    return (
        f"{say(pulse.value, 'A')} flow into the base of {part.name} {when} after {pulse.episode.what}; limit"
        f" {say(test.right, 'A')}, a share of {_rating(rated, known)}, from memory.{by}"
    )


def bare_message(part: Part, bare: Bare, least: float) -> str:
    """Nothing at all in the way."""
    over = "" if bare.volts is None else f" {say(bare.volts, 'V')} more than its junction drops stand there;"
    limit = f" limit {say(least, 'ohm')} or more." if bare.volts is not None else " limit: some resistance."
    by = f" {bare.capacitor}, charged, is put straight onto it." if bare.capacitor else ""
    return f"Nothing limits the current into the base of {part.name} {bare.what}:{over}{limit}{by}"


def _rating(rated: float, known: bool) -> str:
    return f"I_C,max {say(rated, 'A')}" + ("" if known else " of a type that is not named")


def rating_evidence(study: Study, part: Part, rated: float, default: Limit) -> Iterator[Quantity]:
    """The rated collector current, or the one that is taken."""
    stated = rating(study, part.name, "current", "I_C,max", None)
    if stated is not None:
        yield stated.quantity
        return
    taken = default.source if rated == default.value else "what it carries in this circuit"
    yield Quantity("I_C,max", default.meaning, rated, "A", "assumed", None, taken)


def by_hand(study: Study, part: Part, reading: Reading) -> Iterator[Quantity]:
    """The sum of paper, where one resistor feeds the base and nothing bleeds it."""
    stage, state = study.roles.stages[part.name], reading.state
    if len(stage.feeds) != 1 or stage.bleeds:
        return
    feed, far, emitter = stage.feeds[0].part, state.nets[stage.feeds[0].other], state.nets[stage.emitter]
    if far is None or emitter is None:
        return
    resolved = state.mode.network.resolved
    step = max(0.0, sign_of(state, part.name) * (far - emitter))
    ohms = resolved.value(feed, "resistance")
    yield Quantity("V_drive", f"behind {feed}, above the emitter", step, "V")
    hand = base_current_peak(step, resolved.assumptions["vbe_on"], ohms)
    yield Quantity("I_B_hand", "base current by hand, (V_drive - V_BE)/R", hand, "A")


def limit_bare(study: Study, part: Part, bare: Bare, most: float) -> Iterator[Proposal]:
    """A resistor in the base lead for the current that is wanted; ``most`` is the limit for long, A."""
    if bare.volts is not None:
        least = study.value(part.name, "beta_min")
        wanted = min(0.5 * most, OVERDRIVE * _load(study, part) / least)
        yield _fitted(study, part, bare.volts / wanted)


def limit_resting(study: Study, part: Part, reading: Reading, most: float) -> Iterator[Proposal]:
    """The resistor that feeds the base raised, else one in its lead; ``most`` is the limit for long, A."""
    stage = study.roles.stages[part.name]
    drive = drive_of(study, stage, reading.base)
    wanted = 0.5 * most
    if not isinstance(drive, str) and stage.intent == "switch":
        wanted = min(wanted, OVERDRIVE * drive.collector / drive.gain.value)
    feeds = [arm.part for arm in stage.feeds if study.circuit.parts[arm.part].kind == "resistor"]
    state = reading.base.state
    carried = [(max(abs(amps or 0.0) for amps in state.currents[p].values()), p) for p in feeds]
    largest = max(carried, default=None)
    series = study.preferences.resistor
    if largest is not None and largest[0] > 0.5 * reading.value:
        ohms = round_down(study.value(largest[1], "resistance") * largest[0] / wanted, series)
        summary = f"{from_to(study, largest[1], ohms)}: {say(wanted, 'A')} into the base of {part.name}"
        yield Proposal(summary, (new_resistance(study, largest[1], ohms),))
        return
    without = supposed(study, state, regions={part.name: "off"})
    volts = base_drive(without, part.name) if without is not None else None
    vbe = study.resolved.assumptions["vbe_on"]
    if volts is not None and volts > vbe:
        yield _fitted(study, part, (volts - vbe) / wanted)


def _fitted(study: Study, part: Part, ohms: float) -> Proposal:
    circuit, base = study.circuit, part.pins["base"]
    inner = new_net(circuit, base)
    value = round_down(ohms, study.preferences.resistor)
    added = new_part(circuit, "R", "resistor", {"a": base, "b": inner}, resistance=value)
    fitting = Fitting((added,), ((part.name, "base", inner),))
    summary = f"{added.name} {say(value, 'ohm')} in the base lead of {part.name}"
    return Proposal(summary, fitting.changes(circuit))


def _load(study: Study, part: Part) -> float:
    """About what the collector has to carry, A: its smallest resistance at the largest supply."""
    stage = study.roles.stages[part.name]
    arms = [study.value(arm.part, "resistance") for arm in stage.collector_arms]
    supplies = [
        abs(study.value(p.name, "voltage"))
        for p in study.circuit.parts.values()
        if p.kind in SUPPLIES
    ]
    if not arms or not supplies:
        return USUAL * study.value(part.name, "beta_min") / OVERDRIVE
    return saturated_collector_current(max(supplies), study.resolved.assumptions["vce_sat"], min(arms))
