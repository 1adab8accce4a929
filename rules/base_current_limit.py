"""Something limits the current into every base, at rest and at the first moment of every run."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping
from typing import TYPE_CHECKING

from rules.analysis.base_loops import Bare, Pulse, bare_bases, base_current, pulses
from rules.analysis.hazards import greatest_draw
from rules.analysis.readings import Asked, Reading, readings, worst_reading
from rules.base_words import (
    bare_message,
    by_hand,
    limit_bare,
    limit_resting,
    pulse_message,
    rating_evidence,
    resting_message,
)
from rules.contract import API_LEVEL, Dial, Lesson, limits_of
from rules.outcomes import not_applicable, satisfied, violated_by
from schemas.finding import Grounds, Limit, Outcome, Proposal, Quantity, Severity, Test

if TYPE_CHECKING:
    from rules.analysis.states import State
    from rules.analysis.study import Situation, Study
    from schemas.circuit import Part

COLLECTOR = Limit(
    "collector",
    0.1,
    "A",
    "the lowest I_C,max of common small-signal types: BC547 and BC557 (sheets)",
    "I_C,max of a transistor whose document and type state none",
)
SHARE = Limit("share", 0.2, "", "from memory", "share of I_C,max that a base may take for long")
NEAR = 0.1  # of the limit; no tolerance makes ten of less than that
PULSE = Limit("pulse", 1.0, "", "from memory", "the same for the first moment of a run")

PASSING = """\
format: thumbrule/1
name: birdbath-valve
ground: gnd
parts:
  V1: {kind: supply, voltage: 12 V, pins: {plus: rail, minus: gnd}}
  U1: {kind: driver, low: 0 V, high: 5 V, resistance: 40 ohm, pins: {out: order, reference: gnd}}
  R1: {kind: resistor, resistance: 1.5 kohm, pins: {a: order, b: base}}
  Q1: {kind: npn, beta: {min: 100, max: 300}, pins: {collector: valve, base: base, emitter: gnd}}
  L1: {kind: load, resistance: 330 ohm, inductive: false, pins: {plus: rail, minus: valve}}
"""
FAILING = PASSING.replace(
    "  R1: {kind: resistor, resistance: 1.5 kohm, pins: {a: order, b: base}}\n", ""
).replace("base: base", "base: order")


class BaseCurrentLimit:
    """Greatest base current of every transistor, and bases that an ideal voltage drives bare."""

    slug = "base-current-limit"
    title = "What limits the base current"
    protects = "a base-emitter junction, and whatever drives it, from a current that nothing limits"
    api_level = API_LEVEL
    limits: Mapping[str, Limit] = limits_of(COLLECTOR, SHARE, PULSE)
    grounds = Grounds(
        rule_of_thumb="A base hangs on a resistor, or its emitter does.",
        formula="I_B = (V_drive - V_BE) / R <= I_C,max / 5;  of a charged capacitor: (V_C - V_BE) / R"
        " <= I_C,max;  R_B = (V_drive - V_BE) / I_B,wanted",
        symbols={
            "I_B": "base current, A",
            "V_drive": "what drives the base, above the emitter, V",
            "V_C": "voltage of a capacitor that is put onto the base, V",
            "V_BE": "base-emitter voltage, V",
            "R": "resistance in the base loop, ohm",
            "I_C,max": "rated collector current, A",
        },
        source="Ohm's law; I_C,max from the sheets of the types; the fifth and the whole of it from memory,"
        " so that they are warnings; an error where nothing at all limits it, or past the rating itself",
        holds="at rest at the worst of all tolerances, and at the beginning of each stretch of every run at"
        " the highest supply voltage",
        fails="for what the capacitor's own series resistance takes off, which is not in the document",
    )
    lesson = Lesson(
        why="A base-emitter junction is a diode: 0.1 V more and it takes 49 times the current at 25 degC. A"
        " stiff voltage above 0.7 V therefore sets no current at all; the thinnest wire does, or the output"
        " that drives it.",
        breaks="An emitter follower needs no base resistor: the emitter resistor times the gain is in the"
        " loop. A capacitor is as stiff as an output for the first microseconds: charged to 9 V and put onto"
        " a base, it gives all it has at once.",
        mend="A resistor in the base lead for the current that is wanted: three times what the least gain"
        " needs, at the lowest drive.",
        failing=FAILING,
        passing=PASSING,
        dial=Dial("/parts/R1/resistance", "1.5 kohm", "47 ohm"),
        derivation="rules.derivations.base_current_limit:DERIVATION",
    )

    def check(self, study: Study) -> Iterable[Outcome]:
        """Outcomes per transistor: bare bases, its resting states, its first moments along runs."""
        if not study.roles.stages:
            yield not_applicable(self, (), "there is no transistor")
        bare = {item.transistor: item for item in bare_bases(study)}
        for name in sorted(study.roles.stages):
            part = study.circuit.parts[name]
            if name in bare:
                yield self._bare(study, part, bare[name])
            yield from self._resting(study, part, name in bare)

    def _resting(self, study: Study, part: Part, told: bool) -> Iterator[Outcome]:
        name = part.name

        def amperes(state: State) -> float | None:
            return base_current(state, name)

        def on(situation: Situation) -> Asked | None:
            return None if situation.state.devices[name] == "off" else amperes

        careful = self.limits["share"].value * self._rated(study, part)
        found = readings(study, on, "max", lambda value: value > NEAR * careful)
        pulse = pulses(study).get(name)
        if not found and pulse is None and not told:
            yield not_applicable(self, (name,), f"{name} conducts in no state")
        for reading in found:
            yield self._steady(study, part, reading, reading is worst_reading(found, "max"))
        if pulse is not None and pulse.value > max((r.value for r in found), default=0.0):
            yield self._pulse(study, part, pulse)

    def _rated(self, study: Study, part: Part) -> float:
        """The rated collector current, A; of a type that is not named at least what it carries."""
        known = study.known(part.name, "current")
        if known is not None:
            return known.value
        carried = study.shared(
            ("collector current", part.name), lambda: greatest_draw(study, part.name, "collector")
        )
        return max(self.limits["collector"].value, carried)

    def _steady(self, study: Study, part: Part, reading: Reading, is_worst: bool) -> Outcome:
        rated, known = self._rated(study, part), study.known(part.name, "current") is not None
        test = Test.at_most(reading.value, self.limits["share"].value * rated, "A")
        evidence = [
            Quantity("I_B", f"base current of {part.name}", reading.value, "A"),
            *rating_evidence(study, part, rated, self.limits["collector"]),
            *by_hand(study, part, reading),
        ]
        if test.holds:
            return satisfied(self, (part.name,), reading.situation, test, evidence)
        severity: Severity = "error" if known and reading.value > rated else "warning"
        made = tuple(limit_resting(study, part, reading, test.right)) if study.proposing and is_worst else ()
        return violated_by(
            self,
            part.name,
            reading.situation.place,
            test,
            severity,
            resting_message(part, reading, rated, known, test),
            evidence,
            role="base current",
            proposals=made,
        )

    def _pulse(self, study: Study, part: Part, pulse: Pulse) -> Outcome:
        rated, known = self._rated(study, part), study.known(part.name, "current") is not None
        test, about = Test.at_most(pulse.value, self.limits["pulse"].value * rated, "A"), (part.name,)
        corner = pulse.episode.timeline.corner
        evidence = (
            Quantity("I_B", f"first current into the base of {part.name}", pulse.value, "A"),
            *rating_evidence(study, part, rated, self.limits["collector"]),
            Quantity("t", "time from the beginning of the run", pulse.at, "s"),
        )
        if test.holds:
            return Outcome(
                self.slug, "satisfied", about, "", pulse.state, corner, test, evidence=evidence
            )
        message = pulse_message(part, pulse, rated, known, test)
        place = pulse.state, corner
        return self._found(part, place, test, "warning", message, evidence, "first moment")

    def _bare(self, study: Study, part: Part, bare: Bare) -> Outcome:
        rated = self._rated(study, part)
        wanted = self.limits["share"].value * rated
        least = (bare.volts or 0.0) / wanted
        test = Test(0.0, ">=", least, "ohm", -max(least, math.ulp(1.0)))
        evidence = [*rating_evidence(study, part, rated, self.limits["collector"])]
        if bare.volts is not None:
            evidence.insert(0, Quantity("V", "voltage beyond that of the junction", bare.volts, "V"))
        message = bare_message(part, bare, least)
        place = bare.what, "typical"
        made = limit_bare(study, part, bare, wanted) if study.proposing else ()
        return self._found(part, place, test, "error", message, evidence, "no resistance", made)

    def _found(
        self,
        part: Part,
        place: tuple[str, str],
        test: Test,
        severity: Severity,
        message: str,
        evidence: Iterable[Quantity],
        role: str,
        made: Iterable[Proposal] = (),
    ) -> Outcome:
        return violated_by(
            self,
            part.name,
            place,
            test,
            severity,
            message,
            evidence,
            role=role,
            proposals=made,
            advice=("a resistor in the base lead, or in the lead of what drives it",),
        )


RULE = BaseCurrentLimit()
