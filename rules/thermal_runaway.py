"""No linear stage heats itself: a kelvin more brings back less than a kelvin."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import TYPE_CHECKING

from rules.analysis.loads import stay_of
from rules.analysis.operating import everywhere
from rules.analysis.resolve import TRANSISTORS
from rules.analysis.warming import Warming, warming
from rules.analysis.worst_case import at_worst
from rules.contract import API_LEVEL, Dial, Lesson, limits_of
from rules.outcomes import not_applicable, of_each
from rules.ratings_words import BRIEF, Mark, Rated, Verdict, graded, rating, told
from rules.runaway_words import Case, advice, evidence, message, place_of_case, with_emitter_resistor
from schemas.finding import Grounds, Limit, Outcome, Severity, Test

if TYPE_CHECKING:
    from rules.analysis.study import Situation, Study
    from schemas.circuit import Part

EDGE = Limit(
    "edge",
    1.0,
    "",
    "a loop that gives back what it was given does not come to rest (definition of loop gain)",
    "kelvin back on a kelvin, from which on it runs away",
)
CAREFUL = Limit(
    "careful",
    0.3,
    "",
    "the junction then rises 1/(1 - 0.3), 1.4 times as far as without the loop; common practice, no source",
    "kelvin back on a kelvin at most",
)
THERMAL = Limit(
    "thermal",
    250.0,
    "K/W",
    "the greatest of common small-signal types in plastic: 250 K/W for 2N3904 (Vishay) and BC557B (ST)",
    "thermal resistance of a transistor whose document and type state none",
)
DOUBTFUL = 0.2  # of the limit; below it no corner is asked for

PASSING = """\
format: thumbrule/1
name: seed-drawer-warmer
ground: gnd
parts:
  V1: {kind: supply, voltage: 10 V, pins: {plus: rail, minus: gnd}}
  V2: {kind: supply, voltage: 1.2 V, pins: {plus: set, minus: gnd}}
  R1: {kind: resistor, resistance: 100 ohm, pins: {a: set, b: base}}
  Q1: {kind: npn, beta: 150, ratings: {thermal: 200 K/W}, pins: {collector: rail, base: base, emitter: low}}
  R2: {kind: resistor, resistance: 22 ohm, pins: {a: low, b: gnd}}
"""
FAILING = PASSING.replace("22 ohm", "5.6 ohm").replace("1.2 V", "0.9 V")


class ThermalRunaway:
    """Loop gain of heat and current of every transistor that rests active."""

    slug = "thermal-runaway"
    title = "A stage that heats itself"
    protects = "a linear stage from drifting away with its own heat, and from dying of it"
    api_level = API_LEVEL
    limits: Mapping[str, Limit] = limits_of(EDGE, CAREFUL, THERMAL, BRIEF)
    grounds = Grounds(
        rule_of_thumb="A kelvin more at the junction brings back no more than 0.3 K; some ohms in the emitter"
        " lead see to it.",
        formula="K = Theta*V_CE*0.002/(R_E + R_B/beta + V_T/I_C) + Theta*V_CE*S*0.07*I_CBO <= 0.3;"
        "  S = (1 + beta)*(R_E + R_B)/(R_B + (1 + beta)*R_E);"
        "  R_E >= Theta*V_CE*0.002/0.3 - R_B/beta - V_T/I_C",
        symbols={
            "K": "kelvin that follow on one kelvin, 1",
            "Theta": "thermal resistance from junction to ambient, K/W",
            "V_CE": "voltage across the transistor, V",
            "R_E": "resistance that the emitter sees, ohm",
            "R_B": "resistance that the base sees, ohm",
            "beta": "current gain, 1",
            "V_T": "thermal voltage, 25.85 mV at 300 K, V",
            "I_C": "collector current, A",
            "S": "collector current per leakage current, 1",
            "I_CBO": "leakage at the junction temperature, doubled every 10 K, A",
        },
        source="V_BE falls 2 mV per kelvin: NXP BC848 series Rev 07, note 2; leakage doubles every 10 K:"
        " Bell, Ex. 5.18; Kirchhoff's laws around the base loop; 0.3: common practice, no source",
        holds="for a transistor that rests active with a stiff voltage across it",
        fails="where a collector resistor takes more than half of the supply: more current then brings less"
        " heat, and the stage settles by itself; and for parts that share a heat sink",
    )
    lesson = Lesson(
        why="A hotter junction needs 2 mV less per kelvin, so the bias drives more current through it, so it"
        " gets hotter. One number tells how that ends: how many kelvin come back for each kelvin. With half"
        " a kelvin it settles, but twice as hot; with one or more it does not settle.",
        breaks="A collector resistor that takes more than half of the supply turns it round: more current"
        " then leaves less voltage across the transistor, and the heat falls. At high temperature leakage"
        " joins in, which a base that hangs on a large resistance multiplies by the gain.",
        mend="Resistance in the emitter lead: the current then lifts the emitter and takes back what the heat"
        " gave. Less voltage across the transistor helps in proportion.",
        failing=FAILING,
        passing=PASSING,
        dial=Dial("/parts/Q1/ratings/thermal", "200 K/W", "600 K/W"),
        derivation="rules.derivations.thermal_runaway:DERIVATION",
    )

    def check(self, study: Study) -> Iterable[Outcome]:
        """Outcomes per transistor, the worst situation."""
        return of_each(self, study, TRANSISTORS, "transistor", self._transistor)

    def _transistor(self, study: Study, part: Part) -> Iterator[Outcome]:
        name = part.name
        intent = study.roles.stages[name].intent
        if intent == "switch":
            yield not_applicable(self, (name,), f"{name} is a switch: {study.roles.stages[name].why}")
            return
        thermal = rating(study, name, "thermal", "Theta", self.limits["thermal"])
        assert thermal is not None
        cases = tuple(self._cases(study, part, thermal))
        if not cases:
            yield not_applicable(self, (name,), f"{name} rests active in no lasting state")
            return
        for settles in (False, True):
            worst = max((c for c in cases if c.found.settles is settles), key=_order, default=None)
            if worst is not None:
                yield self._told(study, part, worst, thermal)

    def _cases(self, study: Study, part: Part, thermal: Rated) -> Iterator[Case]:
        """Every lasting situation; where it may matter also at the corner where it is hottest."""
        for situation in everywhere(study):
            if stay_of(study, situation) <= self.limits["brief"].value:
                continue
            found = self._warming(study, situation, part, thermal)
            if found is None:
                continue
            yield Case(situation, found)
            if situation.corner != "typical" or found.gain < DOUBTFUL * self.limits["careful"].value:
                continue
            there = at_worst(situation, lambda state: state.power[part.name], "max")
            if there is not None and there.found.holds:
                hot = self._warming(study, there.situation, part, thermal)
                if hot is not None:
                    yield Case(there.situation, hot)

    def _warming(self, study: Study, situation: Situation, part: Part, thermal: Rated) -> Warming | None:
        icbo = study.value(part.name, "icbo")
        return warming(situation.state, part.name, thermal.value, study.resolved.ambient.high, icbo)

    def _told(self, study: Study, part: Part, case: Case, thermal: Rated) -> Outcome:
        found, place = case.found, place_of_case(case)
        proof = tuple(evidence(part, case, thermal))
        if found.settles:
            # more current, less heat: the loop takes back what it gets
            taken = found.bias.load * found.point.collector
            test = Test.at_most(found.point.vce, taken, "V")
            return told(self, part.name, Verdict(found.point.vce, place, "settles", None, test, proof))
        careful = self.limits["careful"].value
        grave: Severity = "error" if thermal.stated else "warning"
        edge = Mark(grave, self.limits["edge"].value, "from 1 K on it runs away")
        mark, test = graded(found.gain, (edge, Mark("warning", careful, f"limit {careful:g} K")), "")
        verdict = Verdict(found.gain, place, "loop of heat", mark, test, proof)
        if mark is None:
            return told(self, part.name, verdict)
        made = with_emitter_resistor(study, part, case, thermal, careful) if study.proposing else ()
        return told(
            self,
            part.name,
            verdict,
            message(part.name, case, thermal, mark.words),
            proposals=made,
            advice=advice(part, case),
        )


def _order(case: Case) -> tuple[float, str, str]:
    return float(f"{case.found.gain:.9g}"), case.situation.label, case.situation.corner


RULE = ThermalRunaway()
