"""No transistor gets hotter than its junction stands, in any state it can rest in."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import TYPE_CHECKING

from rules.analysis.formulas.ratings import junction_temperature
from rules.analysis.heat import passing_heat
from rules.analysis.loads import Load, heaviest, loads
from rules.analysis.operating import operating_point
from rules.analysis.resolve import TRANSISTORS
from rules.analysis.stress import moves, stress_corner
from rules.contract import API_LEVEL, Dial, Lesson, limits_of
from rules.outcomes import not_applicable, of_each
from rules.ratings_words import (
    BRIEF,
    HIGHEST_JUNCTION,
    Mark,
    Place,
    Rated,
    Verdict,
    careful_power,
    graded,
    of_run,
    power_at,
    rating,
    told,
)
from rules.transistor_words import half_on, larger_type, most_at_its_load, point_evidence
from rules.wording import celsius, say
from schemas.finding import Grounds, Limit, Origin, Outcome, Quantity, Severity

if TYPE_CHECKING:
    from rules.analysis.study import Study
    from schemas.circuit import Part

SHARE = Limit(
    "share",
    0.5,
    "",
    "derating documents take 50 to 65 % of the power (MIL-HDBK-338B, ECSS-Q-ST-30-11C); from memory",
    "share of the power at the highest ambient temperature that is in use at most",
)
JUNCTION = Limit(
    "junction",
    383.15,
    "K",
    "110 degC, as derating documents take it (ECSS-Q-ST-30-11C); from memory",
    "junction temperature in use at most",
)
POWER = Limit(
    "power",
    0.5,
    "W",
    "the lowest of common small-signal types in a plastic case: 500 mW for BC547B (NXP) and BC557B (ST)",
    "power at 25 degC of a transistor whose document and type state none",
)

PASSING = """\
format: thumbrule/1
name: incubator-follower
ground: gnd
parts:
  V1: {kind: supply, voltage: 9 V, pins: {plus: rail, minus: gnd}}
  R1: {kind: resistor, resistance: 1 kohm, pins: {a: rail, b: base}}
  R2: {kind: resistor, resistance: 1 kohm, pins: {a: base, b: gnd}}
  Q1: {kind: npn, type: 2N3904, pins: {collector: rail, base: base, emitter: out}}
  R3: {kind: resistor, resistance: 220 ohm, power: 1 W, pins: {a: out, b: gnd}}
"""
FAILING = PASSING.replace("220 ohm", "56 ohm")


class TransistorDissipation:
    """Power and junction temperature of every transistor in every stable state, at its hottest corner."""

    slug = "transistor-dissipation"
    title = "Heat in a transistor"
    protects = "the junction of a transistor from heat"
    api_level = API_LEVEL
    limits: Mapping[str, Limit] = limits_of(SHARE, JUNCTION, POWER, HIGHEST_JUNCTION, BRIEF)
    grounds = Grounds(
        rule_of_thumb="A transistor turns no more than half of its power into heat, and its junction stays"
        " below 110 degC.",
        formula="P = V_CE*I_C + V_BE*I_B <= 0.5*P_25*(T_jmax - T_A)/(T_jmax - 25 degC);"
        "  T_j = T_A + P*Theta;  with a load R_L: P_max = V_S^2/(4*R_L) at V_CE = V_S/2",
        symbols={
            "P": "power turned into heat, W",
            "V_CE": "voltage across the transistor, V",
            "I_C": "collector current, A",
            "V_BE": "base-emitter voltage, V",
            "I_B": "base current, A",
            "P_25": "rated power at 25 degC, W",
            "T_jmax": "greatest junction temperature, K",
            "T_A": "highest ambient temperature, K",
            "T_j": "junction temperature, K",
            "Theta": "thermal resistance from junction to ambient, K/W",
            "V_S": "supply voltage, V",
            "R_L": "load resistance, ohm",
        },
        source="P_25, T_jmax and Theta from the sheets of the types; 0.5 and 110 degC: from memory",
        holds="for a transistor in free air: in states that last longer than a second, in the worst second"
        " of a slow passage from off to on",
        fails="on a heat sink or a copper area, which take more, and in a closed box, which warms up itself",
    )
    lesson = Lesson(
        why="Switched off it carries no current, saturated it drops no voltage: both times it stays cool."
        " In between it does both. With a resistor as its load the heat is greatest where just half of the"
        " supply stands across it.",
        breaks="The rated power holds at 25 degC only; at 60 degC a part for 150 degC has lost a quarter of"
        " it. A state between the two of a latch is hot on paper, but nothing ever rests there.",
        mend="Drive a switch harder, so that it saturates. Of a linear stage lower the voltage across it or"
        " its current, or take a larger case.",
        failing=FAILING,
        passing=PASSING,
        dial=Dial("/parts/R3/resistance", "220 ohm", "56 ohm"),
        derivation="rules.derivations.transistor_dissipation:DERIVATION",
    )

    def check(self, study: Study) -> Iterable[Outcome]:
        """Outcomes per transistor, lasting states and passing ones."""
        return of_each(self, study, TRANSISTORS, "transistor", self._transistor)

    def _transistor(self, study: Study, part: Part) -> Iterator[Outcome]:
        name = part.name
        power = rating(study, name, "power", "P_25", self.limits["power"])
        most = rating(study, name, "junction", "T_jmax", self.limits["highest_junction"])
        assert power is not None
        assert most is not None
        thermal = rating(study, name, "thermal", "Theta", None)
        limits = self._marks(study, power, most, thermal)
        careful = limits[-1].value
        found = loads(study, lambda state: state.power[name], lambda watts: 10.0 * watts > careful)
        cases = [
            (load, lasting)
            for lasting in (True, False)
            if (load := heaviest(found, lasting, self.limits["brief"].value)) is not None
        ]
        if not cases:
            yield not_applicable(self, (name,), f"no state determines the power of {name}")
        yield from self._passing(study, part, limits[0], power)
        for load, lasting in cases:
            # for a moment only the rating itself counts
            allowed_here = limits if lasting else limits[:1]
            yield self._told(study, part, load, allowed_here, (power, most, thermal))

    def _marks(self, study: Study, power: Rated, most: Rated, thermal: Rated | None) -> tuple[Mark, ...]:
        """Limits on the power at the highest ambient temperature, the gravest first."""
        ambient = study.resolved.ambient.high
        whole = power_at(power, most, ambient)
        words = f"its {say(power.value, 'W')} are {say(whole, 'W')} at {celsius(ambient)}"
        grave: Severity = "error" if power.stated else "warning"
        if not power.stated:
            words = f"an assumed rating of {say(power.value, 'W')} is {say(whole, 'W')} at {celsius(ambient)}"
        found = [Mark(grave, whole, words)]
        careful = [careful_power(whole, self.limits["share"].value, ambient)]
        if thermal is not None:
            cool = self.limits["junction"].value
            for kelvin, told_as, into in (
                (most.value, "its junction stands", found),
                (cool, "limit for its junction", careful),
            ):
                watts = max(0.0, (kelvin - ambient) / thermal.value)
                into.append(Mark(into[0].severity, watts, f"{told_as} {celsius(kelvin)}"))
        least = min(found, key=lambda mark: mark.value)
        return (least, min(careful, key=lambda mark: mark.value)) if power.stated else (least,)

    def _passing(self, study: Study, part: Part, whole: Mark, power: Rated) -> Iterator[Outcome]:
        """The worst second of a slow passage through the active region, against the rating itself."""
        if not moves(study):
            return
        corner = stress_corner(study)
        heat = passing_heat(study, corner, part.name, self.limits["brief"].value, whole.value)
        if heat is None:
            return
        # a second is not enough to heat the whole part up: no more than a warning
        mark, test = graded(heat.power, (Mark("warning", whole.value, whole.words),), "W")
        place = of_run(heat, corner.label(study))
        proof = (Quantity("P", f"mean heat in {part.name} over that time", heat.power, "W"), power.quantity)
        verdict = Verdict(heat.power, place, "passing heat", mark, test, proof)
        message = (
            f"{part.name} turns {say(heat.power, 'W')} into heat {place.words}, half on as it passes; "
            f"{whole.words}."
        )
        advice = ("a faster passage: a smaller capacitor, or a stage that snaps over",)
        yield told(self, part.name, verdict, message, advice=advice)

    def _told(
        self,
        study: Study,
        part: Part,
        load: Load,
        limits: tuple[Mark, ...],
        rated: tuple[Rated, Rated, Rated | None],
    ) -> Outcome:
        name, state = part.name, load.situation.state
        watts = max(0.0, load.value)
        mark, test = graded(watts, limits, "W")
        power, most, thermal = rated
        ambient = study.resolved.ambient.high
        origin: Origin = "assumed" if study.circuit.ambient is None else "declared"
        proof = [
            Quantity("P", f"heat in {name}", watts, "W"),
            *point_evidence(state, name),
            *(most_at_its_load(study, state, name) if mark is not None else ()),
            power.quantity,
            most.quantity,
            Quantity("T_A", "highest ambient temperature", ambient, "K", origin, "/ambient/high"),
        ]
        hot = ""
        if thermal is not None:
            kelvin = junction_temperature(ambient, watts, thermal.value)
            hot = f", its junction at {celsius(kelvin)}"
            proof += [thermal.quantity, Quantity("T_j", f"junction of {name}", kelvin, "K")]
        verdict = Verdict(watts, Place.of(load), "heat", mark, test, tuple(proof))
        if mark is None:
            return told(self, name, verdict)
        point = operating_point(state, name)
        message = f"{name} turns {say(watts, 'W')} into heat {verdict.place.words}{hot}; {mark.words}."
        return told(
            self,
            name,
            verdict,
            message,
            advice=self._advice(part, watts, power, limits),
            cause=half_on(study, name, point),
        )

    def _advice(self, part: Part, watts: float, power: Rated, limits: tuple[Mark, ...]) -> Iterator[str]:
        wanted = power.value * watts / limits[-1].value if limits[-1].value > 0.0 else 2.0 * power.value
        yield "less voltage across it: a resistor in its collector lead or a lower rail takes part of it"
        yield from larger_type(part, "power", "a power", wanted, "W")


RULE = TransistorDissipation()
