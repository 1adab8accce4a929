"""What thermal-runaway has to say: evidence, message, and the emitter resistor that mends it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

from rules.analysis.additions import Fitting, new_net, new_part
from rules.analysis.formulas.drive import THERMAL_VOLTAGE
from rules.analysis.formulas.thermal import DROP_PER_KELVIN, emitter_resistor_at_least
from rules.analysis.preferred import round_up
from rules.analysis.warming import Warming
from rules.ratings_words import Place, Rated
from rules.wording import celsius, from_to, new_resistance, say, times
from schemas.finding import Proposal, Quantity

if TYPE_CHECKING:
    from rules.analysis.study import Situation, Study
    from schemas.circuit import Part

HARDLY = 0.8  # kelvin back on a kelvin, above which the end is too far off to be told


@dataclass(frozen=True, eq=False)
class Case:
    """One transistor in one situation, and how it warms itself there."""

    situation: Situation
    found: Warming


def place_of_case(case: Case) -> Place:
    return Place.at(case.situation)


def message(name: str, case: Case, thermal: Rated, limit: str) -> str:
    found = case.found
    assumed = "" if thermal.stated else " (assumed)"
    rise = times(1.0 / (1.0 - found.gain)) if found.gain < HARDLY else ""
    end = f" Its rise over the air ends {rise} times as large as without that." if rise else ""
    return (
        f"One kelvin more at the junction of {name} brings back {times(found.gain)} K"
        f" {place_of_case(case).words}: {say(found.point.vce, 'V')} and {say(found.point.collector, 'A')} at"
        f" {say(thermal.value, 'K/W')}{assumed}, with {say(found.bias.emitter, 'ohm')} in its emitter lead;"
        f" {limit}.{end}"
    )


def evidence(part: Part, case: Case, thermal: Rated) -> Iterator[Quantity]:
    """Every number of the sum."""
    name, found = part.name, case.found
    yield thermal.quantity
    yield Quantity("V_CE", f"across {name}", found.point.vce, "V")
    yield Quantity("I_C", f"collector current of {name}", found.point.collector, "A")
    yield Quantity("R_E", "resistance that its emitter sees", found.bias.emitter, "ohm")
    yield Quantity("R_B", "resistance that its base sees", found.bias.base, "ohm")
    yield Quantity("beta", f"gain of {name} here", found.point.beta, "")
    yield Quantity(
        "V_T", "thermal voltage, kT/q at 300 K", THERMAL_VOLTAGE, "V", "assumed", None, "definition"
    )
    yield Quantity("T_j", f"junction of {name} without the loop", found.junction, "K")
    yield Quantity("I_CBO", "its leakage at that temperature", found.leakage, "A")
    yield Quantity("S", "collector current per leakage current", found.stability, "")
    yield Quantity(
        "c",
        "fall of V_BE per kelvin",
        DROP_PER_KELVIN,
        "V/K",
        "assumed",
        None,
        "NXP BC848 series Rev 07, note 2",
    )
    yield Quantity("K_V", "kelvin that follow on one kelvin by V_BE", found.drop, "")
    yield Quantity("K_L", "kelvin that follow on one kelvin by leakage", found.leak, "")
    yield Quantity("K", "kelvin that follow on one kelvin", found.gain, "")
    if found.settles:
        yield Quantity("R_L", "fall of V_CE per ampere: more current, less heat", found.bias.load, "ohm")


def with_emitter_resistor(
    study: Study, part: Part, case: Case, thermal: Rated, wanted: float
) -> Iterator[Proposal]:
    """A larger resistor in the emitter lead, or one where there is none."""
    found = case.found
    # less current is less heat and less leakage: the proof says whether that leaves enough
    spare = wanted - found.leak if found.leak < wanted else wanted
    point, bias = found.point, found.bias
    needed = emitter_resistor_at_least(
        thermal.value, point.vce, point.collector, bias.base, point.beta, spare
    )
    if needed <= 0.0:
        return
    stage = study.roles.stages[part.name]
    arms = [arm for arm in stage.emitter_arms if study.circuit.parts[arm.part].kind == "resistor"]
    if len(arms) == 1 and not stage.emitter_on_rail:
        name = arms[0].part
        low = -study.value(name, "tolerance_low")
        ohms = round_up(max(needed, study.value(name, "resistance")), study.preferences.resistor, low)
        summary = f"{from_to(study, name, ohms)}: its drop takes back what the heat gives"
        yield Proposal(summary, (new_resistance(study, name, ohms),))
        return
    low = study.resolved.assumptions["resistor_tolerance"]
    ohms = round_up(max(needed - bias.emitter, 1.0), study.preferences.resistor, low)
    net = new_net(study.circuit, stage.emitter)
    made = new_part(study.circuit, "R", "resistor", {"a": net, "b": stage.emitter}, resistance=ohms)
    fitting = Fitting((made,), ((part.name, "emitter", net),))
    yield Proposal(
        f"{made.name} {say(ohms, 'ohm')} in the emitter lead of {part.name}: its drop takes back what the"
        " heat gives",
        fitting.changes(study.circuit),
    )


def advice(part: Part, case: Case) -> Iterator[str]:
    yield (
        f"less voltage across {part.name} helps in proportion; so does a larger case or a cooling plate"
        f" (its junction is at {celsius(case.found.junction)} without the loop)"
    )
    if case.found.leak > case.found.drop:
        yield "leakage does most of it: a smaller resistance at the base leads it away before it is amplified"
