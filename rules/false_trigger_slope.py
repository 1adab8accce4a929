"""A latch does not set itself when a rail or a contact moves fast."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping
from typing import TYPE_CHECKING

from rules.analysis.additions import Fitting, new_part
from rules.analysis.formulas.cutoff import off_voltage
from rules.analysis.formulas.supply import critical_slope, filter_at_least, step_at_base
from rules.analysis.latches.edges import Base, bases
from rules.analysis.latches.find import Latch
from rules.analysis.preferred import round_up
from rules.analysis.resolve import SUPPLIES
from rules.analysis.study import Situation
from rules.contract import API_LEVEL, Dial, Lesson, limits_of
from rules.latch_words import ambient, each_latch, quoted, the_latch
from rules.outcomes import not_applicable, satisfied, violated
from rules.wording import assumption, celsius, listed, member_pointer, part_quantity, say
from schemas.finding import Grounds, Limit, Outcome, Proposal, Quantity, Severity, Test

if TYPE_CHECKING:
    from rules.analysis.study import Study

SLOPE = Limit(
    "slope", 1e6, "V/s", "1 V/us where nobody knows; common practice, no source", "steepest edge of a rail"
)
SURE = Limit(
    "sure",
    3.0,
    "",
    "common practice, no source",
    "slope that sets the latch over the steepest edge, where the document states the capacitance",
)
EDGE = Limit("edge", 1.0, "", "definition: the edge sets it", "the same where it does set the latch")
CAPACITANCE = Limit(
    "capacitance",
    5e-12,
    "F",
    "3 to 8 pF in the sheets of small-signal types; from memory",
    "collector-base capacitance of a transistor whose document states none",
)
STEP = Limit("step", 0.5, "", "common practice, no source", "share of V_BE,off that a step may leave")
USUAL = 10e-9  # F, the least filter that is fitted: common practice, no source

PASSING = """\
format: thumbrule/1
name: potting-bench-memory
ground: gnd
parts:
  V1: {kind: supply, voltage: 12 V, pins: {plus: rail, minus: gnd}}
  S1: {kind: contact, rest: open, pins: {a: rail, b: set}}
  R5: {kind: resistor, resistance: 33 kohm, pins: {a: set, b: b1}}
  Q2: {kind: pnp, beta: 150, collector_base: 5 pF, pins: {collector: out, base: b2, emitter: rail}}
  R4: {kind: resistor, resistance: 4.7 kohm, pins: {a: rail, b: b2}}
  R3: {kind: resistor, resistance: 4.7 kohm, pins: {a: b2, b: c1}}
  Q1: {kind: npn, beta: 200, collector_base: 5 pF, pins: {collector: c1, base: b1, emitter: gnd}}
  R2: {kind: resistor, resistance: 47 kohm, pins: {a: out, b: b1}}
  R1: {kind: resistor, resistance: 10 kohm, pins: {a: b1, b: gnd}}
  L1: {kind: load, resistance: 1 kohm, pins: {plus: out, minus: gnd}}
"""
FAILING = PASSING.replace("10 kohm", "82 kohm").replace("47 kohm", "470 kohm")


class FalseTriggerSlope:
    """The slope of a rail that lifts each base of a latch through its collector-base capacitance."""

    slug = "false-trigger-slope"
    title = "Edges that set a latch"
    protects = "a latch from being set by a fast rail, a contact or a spark"
    api_level = API_LEVEL
    limits: Mapping[str, Limit] = limits_of(SLOPE, SURE, EDGE, CAPACITANCE, STEP)
    grounds = Grounds(
        rule_of_thumb="A base is held so firmly or filtered so well that an edge of 3 V/us leaves it off; of"
        " 1 V/us where the capacitance is a guess.",
        formula="S_crit = V_BE,off(T_max)/(R_B*2*C_CB) >= 3*S;  with a filter: dV*2*C_CB/C_f <= 0.5*V_BE,off",
        symbols={
            "S_crit": "slope of the rail that lifts the base, V/s",
            "V_BE,off(T_max)": "base-emitter voltage that is surely off at the hottest, V",
            "R_B": "all that holds the base, in parallel, ohm",
            "C_CB": "collector-base capacitance of one transistor, F; twice, for the pair pushes together",
            "S": "steepest edge, V/s",
            "dV": "step of the rail, V",
            "C_f": "capacitor from base to emitter, F",
        },
        source="I = C*dV/dt and Ohm's law; own comparison with exponential junctions: 8.2 kohm and 5 pF set"
        " themselves above 11.7 V/us, where the formula with 0.6 V says 7.3; 1 V/us, 3 times and a half:"
        " common practice, no source; 5 pF: from memory",
        holds="for the off state, nothing conducting, every resistor at its greatest",
        fails="for edges that couple in by the wiring, and for a capacitor that joins the base to the other"
        " rail on purpose",
    )
    lesson = Lesson(
        why="Every collector is tied to its base by a few picofarads. A rail that rises fast sends a current"
        " through them, and what holds the base turns that current into a voltage. At half a volt the latch"
        " believes that it was triggered.",
        breaks="On the bench the supply comes up slowly and nothing happens. A battery that is clipped on, a"
        " relay nearby or a long wire rises a thousand times faster. Large bleeds save current and make it"
        " worse.",
        mend="A capacitor of 10 nF from base to emitter, right at the transistor: it makes a divider with the"
        " picofarads. It also slows the trigger down, so look at its length again. Or smaller bleeds.",
        failing=FAILING,
        passing=PASSING,
        dial=Dial("/parts/R1/resistance", "10 kohm", "24 kohm"),
        derivation="rules.derivations.false_trigger_slope:DERIVATION",
    )

    def check(self, study: Study) -> Iterable[Outcome]:
        """Outcomes per latch and base that is off."""
        return each_latch(self, study, self._latch)

    def _latch(self, study: Study, latch: Latch) -> Iterator[Outcome]:
        found = tuple(bases(study, latch))
        if not found:
            yield not_applicable(self, latch.members, "no member is off in a state that exists")
        for base in found:
            if math.isinf(base.resistance):
                reason = f"nothing holds the base of {base.transistor}: leakage sets it, no edge is needed"
                yield not_applicable(self, (base.transistor,), reason)
            elif base.resistance > 0.0:
                yield self._base(study, latch, base)

    def _base(self, study: Study, latch: Latch, base: Base) -> Outcome:
        name = base.transistor
        stated = study.known(name, "collector_base")
        farads = self.limits["capacitance"].value if stated is None else stated.value
        off = off_voltage(study.resolved.assumptions["vbe_off"], study.resolved.ambient.high)
        slope, step = self.limits["slope"].value, _rail(study)
        critical = critical_slope(off, base.resistance, farads)
        # a capacitance from memory gets no margin on top, and is no more than a warning
        margin = self.limits["edge" if stated is None else "sure"].value
        test = Test.at_least(critical, margin * slope, "V/s")
        where = Situation(base.state.name, "every resistor at its greatest", base.state)
        told = tuple(self._evidence(study, base, farads, off, critical, step))
        left = step_at_base(step, farads, base.filtered) if base.filtered > 0.0 else math.inf
        if test.holds:
            return satisfied(self, (name,), where, test, told)
        if left <= self.limits["step"].value * off:
            filtered = Test.at_most(left, self.limits["step"].value * off, "V")
            return satisfied(self, (name,), where, filtered, told)
        severity: Severity = "warning"
        if critical < self.limits["edge"].value * slope and stated is not None:
            severity = "error"
        message = (
            f"{the_latch(latch)} may set itself in {quoted(base.state.name)} by an edge of"
            f" {_slope(critical)} on its rail: through {say(farads, 'F')} between collector and base it lifts"
            f" the base of {name}, which {say(base.resistance, 'ohm')} hold, to the {say(off, 'V')} that are"
            f" no longer surely off; limit {_slope(test.right)}, with edges of {_slope(slope)}"
            f"{'' if stated else '; capacitance from memory'}."
        )
        if base.filters:
            message += f" {listed(base.filters)} there is too small: a step leaves {say(left, 'V')}."
        return violated(
            self,
            study,
            (name,),
            where,
            test,
            severity,
            message,
            told,
            role="edge at the base",
            parts=(name,),
            nets=(study.circuit.parts[name].pins["base"],),
            pointers=[member_pointer(part, "resistance") for part in base.holding],
            proposals=self._filter(study, base, farads, off, step) if study.proposing else (),
            advice=(f"or smaller resistors at the base of {name}, which cost trigger and holding current",),
        )

    def _filter(
        self, study: Study, base: Base, farads: float, off: float, step: float
    ) -> Iterator[Proposal]:
        """A capacitor from base to emitter, 10 nF or as much as the step wants."""
        circuit, pins = study.circuit, study.circuit.parts[base.transistor].pins
        least = max(filter_at_least(step, farads, off, self.limits["step"].value), 0.9 * USUAL)
        value = round_up(least, study.preferences.film, study.resolved.assumptions["film_tolerance"])
        made = new_part(
            circuit,
            "C",
            "capacitor",
            {"a": pins["base"], "b": pins["emitter"]},
            capacitance=value,
            dielectric="film",
        )
        summary = f"{made.name} {say(value, 'F')} from base to emitter of {base.transistor}"
        yield Proposal(summary, Fitting((made,)).changes(circuit))

    def _evidence(
        self, study: Study, base: Base, farads: float, off: float, critical: float, step: float
    ) -> Iterator[Quantity]:
        known = part_quantity(study, base.transistor, "collector_base", "C_CB", "collector to base")
        if known is None:
            limit = self.limits["capacitance"]
            known = Quantity("C_CB", limit.meaning, farads, "F", "assumed", None, limit.source)
        yield known
        yield Quantity("R_B", "all that holds the base, in parallel", base.resistance, "ohm")
        for name in base.holding:
            held = part_quantity(study, name, "resistance", name, "at the base")
            if held is not None:
                yield held
        for name in base.filters:
            held = part_quantity(study, name, "capacitance", name, "from the base to the side of its emitter")
            if held is not None:
                yield held
        hot = study.resolved.ambient.high
        yield Quantity("V_BE,off(T)", f"surely off at {celsius(hot)}", off, "V")
        yield ambient(study, "high", "T_max", "hottest ambient", hot)
        yield assumption(study, "vbe_off", "V_BE,off", "surely off at 25 degC; 2 mV/K less when hot")
        limit = self.limits["slope"]
        yield Quantity("S", limit.meaning, limit.value, "V/s", "assumed", None, limit.source)
        yield Quantity("S_crit", "slope that lifts the base", critical, "V/s")
        yield Quantity("dV", "greatest step of the rail", step, "V")


def _slope(value: float) -> str:
    return f"{value / 1e6:.3g} V/us"


def _rail(study: Study) -> float:
    """The greatest step that a rail can make: the highest voltage of any source, V."""
    found = [
        abs(study.value(part.name, end))
        for part in study.circuit.parts.values()
        for end in ("voltage", "high")
        if part.kind in SUPPLIES
    ]
    return max(found, default=0.0)


RULE = FalseTriggerSlope()
