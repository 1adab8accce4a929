"""A charged capacitor does not empty through a contact, LED or diode without a resistance in its loop."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping
from typing import TYPE_CHECKING

from rules.analysis.charge import Pulse, pulses
from rules.analysis.formulas.supply import peak_current
from rules.charge_words import Case, evidence, message, series
from rules.contract import API_LEVEL, Dial, Lesson, limits_of
from rules.outcomes import broken, not_applicable
from rules.wording import member_pointer
from schemas.finding import Finding, Grounds, Limit, Outcome, Quantity, Severity, Test

if TYPE_CHECKING:
    from rules.analysis.resolve import Known
    from rules.analysis.study import Study

PATH = Limit("path", 10.0, "ohm", "common practice, no source", "least resistance in the loop of a contact")
LARGE = Limit(
    "large", 10e-6, "F", "common practice, no source", "capacitance from which a contact wants it"
)
ENERGY = Limit(
    "energy", 10e-6, "J", "common practice, no source", "energy below which a pulse is too short to hurt"
)
OWN = Limit(
    "own",
    10.0,
    "ohm",
    "common practice, no source",
    "the most that a capacitor without a stated series resistance has by itself",
)
PEAK = Limit(
    "peak", 2.0, "", "twice the rated current, from memory", "current of a moment over the rated one"
)
LED = Limit("led", 20e-3, "A", "common LEDs, from memory", "rated current where none is stated")
DIODE = Limit(
    "diode",
    0.15,
    "A",
    "1N4148, Panjit Rev 0.2 (7 Apr 2010), the smallest of the common types",
    "rated current where none is stated",
)

PASSING = """\
format: thumbrule/1
name: darkroom-timer-reset
ground: gnd
parts:
  V1: {kind: supply, voltage: 12 V, pins: {plus: rail, minus: gnd}}
  R1: {kind: resistor, resistance: 100 kohm, pins: {a: rail, b: timer}}
  C1: {kind: capacitor, capacitance: 470 uF, voltage: 16 V, pins: {plus: timer, minus: gnd}}
  R2: {kind: resistor, resistance: 100 ohm, pins: {a: timer, b: button}}
  S1: {kind: contact, rest: open, pins: {a: button, b: gnd}}
"""
FAILING = PASSING.replace("100 ohm", "2.2 ohm")


class StoredCharge:
    """First moment of every capacitor that empties through a contact, LED, zener or bare diode."""

    slug = "stored-charge"
    title = "Stored charge into contacts and junctions"
    protects = "contacts from welding, LEDs and diodes from the current that a capacitor gives for a moment"
    api_level = API_LEVEL
    limits: Mapping[str, Limit] = limits_of(PATH, LARGE, ENERGY, OWN, PEAK, LED, DIODE)
    grounds = Grounds(
        rule_of_thumb="Whatever a capacitor empties through has a resistor in the loop: 10 ohm for a contact,"
        " enough for its current of a moment for a junction.",
        formula="I_pk = (V_C - V_j)/(R_path + ESR) <= I_FSM;  R_s >= (V_C - V_j)/(0.5*I_rated)",
        symbols={
            "I_pk": "current in the first moment, A",
            "V_C": "voltage that the capacitor holds, V",
            "V_j": "fixed drops in the loop, V",
            "R_path": "resistance of the loop, ohm",
            "ESR": "series resistance of the capacitor, ohm",
            "I_FSM": "rated current of a moment, A; for a contact its rated current",
            "R_s": "resistor in the loop, ohm",
        },
        source="Ohm's law in the loop; 10 ohm from 10 uF on: common practice, no source; twice the rated"
        " current for a moment: from memory",
        holds="for the first moment after each event of every run, at the highest supply; a contact straight"
        " across a capacitor may close whenever that holds its greatest voltage",
        fails="for the supply coming on, where its internal resistance and that of the capacitor are rarely"
        " known; bases, collectors, and diodes behind a resistance are judged by the rules on their ratings",
    )
    lesson = Lesson(
        why="A capacitor ignores your current limits: only the resistance in its own loop counts. 470 uF at"
        " 12 V put 34 mJ into a contact within microseconds, at many amperes: the spot that touches first"
        " melts, and one day it stays closed.",
        breaks="Small capacitors hold too little to hurt; below some 10 uJ nobody needs a resistor. The own"
        " series resistance of an old electrolytic limits the peak, that of a new one does not.",
        mend="A resistor in series with the contact: 47 to 100 ohm empty a timing capacitor in well under a"
        " second all the same. For an LED or diode, as much as its current of a moment asks for.",
        failing=FAILING,
        passing=PASSING,
        dial=Dial("/parts/R2/resistance", "100 ohm", "2.2 ohm"),
        derivation="rules.derivations.stored_charge:DERIVATION",
    )

    def check(self, study: Study) -> Iterable[Outcome]:
        """Outcomes per capacitor, and per device that it empties through."""
        capacitors = [part.name for part in study.circuit.parts.values() if part.kind == "capacitor"]
        if not capacitors:
            yield not_applicable(self, (), "there is no capacitor")
            return
        found = pulses(study)
        for name in capacitors:
            mine = [pulse for key, pulse in sorted(found.items()) if key[0] == name]
            judged = [outcome for pulse in mine for outcome in self._pulse(study, pulse)]
            if judged:
                yield from judged
            else:
                reason = f"{name} empties through no contact, LED or bare diode, or it holds too little"
                yield not_applicable(self, (name,), reason)

    def _pulse(self, study: Study, pulse: Pulse) -> Iterator[Outcome]:
        farads = study.value(pulse.capacitor, "capacitance")
        energy = 0.5 * farads * pulse.stored**2
        if energy < self.limits["energy"].value:
            return
        own = study.known(pulse.capacitor, "esr")
        if pulse.straight:
            inside = self.limits["own"].value if own is None else own.value
        else:
            inside = 0.0 if own is None else own.value
        amperes = math.inf
        if pulse.ohms + inside > 0.0:
            amperes = peak_current(pulse.stored, pulse.drop, pulse.ohms + inside)
        case = Case(pulse, farads, energy, own, inside, amperes)
        if study.circuit.parts[pulse.device].kind == "contact":
            yield from self._contact(study, case)
        else:
            yield self._junction(study, case)

    def _contact(self, study: Study, case: Case) -> Iterator[Outcome]:
        """Rated current of the contact where it is stated; a resistance in the loop of a large capacitor."""
        rated = study.known(case.pulse.device, "current")
        if rated is not None:
            test = Test.at_most(case.amperes, rated.value, "A")
            if not test.holds or case.farads < self.limits["large"].value:
                yield self._told(study, case, test, None if test.holds else "warning", rated, rated.value)
                return
        if case.farads >= self.limits["large"].value:
            known = case.inside if case.own is not None else 0.0
            test = Test.at_least(case.pulse.ohms + known, self.limits["path"].value, "ohm")
            yield self._told(study, case, test, None if test.holds else "warning", rated, None)

    def _junction(self, study: Study, case: Case) -> Outcome:
        """Surge current where it is known; else twice the rated one, which is from memory."""
        name, kind = case.pulse.device, study.circuit.parts[case.pulse.device].kind
        surge = study.known(name, "surge")
        if surge is not None:
            test = Test.at_most(case.amperes, surge.value, "A")
            return self._told(study, case, test, None if test.holds else "error", surge, surge.value)
        rated = study.known(name, "current")
        value = self.limits["led" if kind == "led" else "diode"].value if rated is None else rated.value
        test = Test.at_most(case.amperes, self.limits["peak"].value * value, "A")
        return self._told(study, case, test, None if test.holds else "warning", rated, value)

    def _told(
        self,
        study: Study,
        case: Case,
        test: Test,
        severity: Severity | None,
        rated: Known | None,
        value: float | None,
    ) -> Outcome:
        pulse = case.pulse
        about = (pulse.capacitor, pulse.device)
        told: tuple[Quantity, ...] = tuple(evidence(study, case, rated, value))
        if severity is None:
            return Outcome(
                self.slug, "satisfied", about, "", pulse.state, pulse.corner, test, evidence=told
            )
        least = self.limits["path"].value
        made = (series(study, case, value, least),) if study.proposing else ()
        finding = Finding(
            rule=self.slug,
            severity=severity,
            parts=tuple(sorted(about)),
            nets=(),
            pointers=(member_pointer(pulse.device, "pins"),),
            state=pulse.state,
            corner=pulse.corner,
            message=message(case, test, rated, value, self.limits["large"].value),
            evidence=told,
            test=test,
            grounds=self.grounds,
            role="stored charge",
            advice=("a smaller capacitor, where the time allows it",),
        )
        return broken(finding, about, made)


RULE = StoredCharge()
