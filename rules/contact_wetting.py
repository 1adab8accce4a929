"""A contact gets enough voltage and current to break the film on its surfaces, and no more than it bears."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping
from typing import TYPE_CHECKING

from rules.analysis.additions import Fitting, new_net, new_part
from rules.analysis.corners.labels import NOMINAL
from rules.analysis.formulas.field import pull_at_most
from rules.analysis.preferred import round_down
from rules.analysis.resolve import SUPPLIES
from rules.analysis.wetting import Closing, Number, closing, greatest_current
from rules.contract import API_LEVEL, Dial, Lesson, limits_of
from rules.outcomes import not_applicable, violated_by
from rules.wording import from_to, member_pointer, new_resistance, part_quantity, say, with_position
from schemas.finding import Change, Grounds, Limit, Outcome, Proposal, Quantity, Severity, Test

if TYPE_CHECKING:
    from rules.analysis.study import Study
    from schemas.circuit import Part

SILVER = Limit(
    "silver",
    1e-3,
    "A",
    "wetting currents of 1 to 50 mA: common practice",
    "least current through a closing silver contact",
)
SURE = Limit(
    "silver_sure",
    10e-3,
    "A",
    "10 mA for silver that is to last: common practice, from memory",
    "current from which a silver contact cleans itself for years",
)
VOLTS = Limit(
    "silver_voltage",
    5.0,
    "V",
    "5 V to break a film of sulphide: common practice, from memory",
    "least voltage across an open silver contact",
)
GOLD = Limit(
    "gold",
    10e-6,
    "A",
    "10 uA for gold: common practice, from memory",
    "least current through a closing gold contact",
)
PULSE, PULSE_RESISTOR = 47e-9, 100.0  # F and ohm across a contact: common practice, no source

PASSING = """\
format: thumbrule/1
name: hen-house-door-lamp
ground: gnd
parts:
  V1: {kind: supply, voltage: 12 V, pins: {plus: rail, minus: gnd}}
  S1: {kind: contact, rest: open, material: silver, pins: {a: rail, b: door}}
  R1: {kind: resistor, resistance: 820 ohm, pins: {a: door, b: lit}}
  D1: {kind: led, forward: 2 V, pins: {anode: lit, cathode: gnd}}
"""
FAILING = PASSING.replace("820 ohm", "22 kohm")


class ContactWetting:
    """Current and voltage of every contact whose material is stated, and its rated current."""

    slug = "contact-wetting"
    title = "Wetting current of contacts"
    protects = "a contact from the film that grows on its surfaces"
    api_level = API_LEVEL
    limits: Mapping[str, Limit] = limits_of(SILVER, SURE, VOLTS, GOLD)
    grounds = Grounds(
        rule_of_thumb="A milliamp and five volts for silver, ten microamps for gold.",
        formula="max(I_closing, I_closed) >= I_wet;  V_open >= V_wet (silver);  I_closed <= I_rated",
        symbols={
            "I_closing": "current at the moment of closing, capacitors as charged before, A",
            "I_closed": "current once all has settled, A",
            "I_wet": "wetting current of the material, A",
            "V_open": "voltage across the open contact, V",
            "V_wet": "voltage that breaks the film, V",
            "I_rated": "rated current of the contact, A",
        },
        source="common practice: wetting currents of 1 to 50 mA; the values for gold and for the voltage from"
        " memory",
        holds="in the state in which most stands across the open contact, at the lowest corner of all"
        " tolerances; for a stated material",
        fails="for sealed reeds in a clean gas, which need as little as gold; for arcs of inductive loads",
    )
    lesson = Lesson(
        why="A contact is a pair of dirty surfaces. On silver a film of sulphide grows in a few months, and"
        " what breaks it is a spark of current: a milliamp behind a few volts. Gold grows no film, so that a"
        " few microamps are enough, but it burns away where a load sparks.",
        breaks="The button on the bench is new, pressed hard and often: it works at any current. The float"
        " that moves twice a year in a damp cellar does not. A current that is there only for the moment of"
        " closing counts too, and a capacitor gives it for nothing; straight across the contact, without a"
        " resistor, it welds it.",
        mend="A smaller pull resistor, V over 1 mA; it costs that current as long as the contact is closed,"
        " so for one that is closed at rest take gold, or a capacitor of 10 to 100 nF with 100 ohm across"
        " the contact, which gives a cleaning pulse at each closing.",
        failing=FAILING,
        passing=PASSING,
        dial=Dial("/parts/R1/resistance", "820 ohm", "22 kohm"),
        derivation="rules.derivations.contact_wetting:DERIVATION",
    )

    def check(self, study: Study) -> Iterable[Outcome]:
        """Outcomes per contact: its film by its material, and its rating where it has one."""
        contacts = [part for part in study.circuit.parts.values() if part.kind == "contact"]
        if not contacts:
            yield not_applicable(self, (), "there is no contact")
        for part in contacts:
            yield self._film(study, part)
            if part.number("current") is not None:
                yield self._rating(study, part)

    def _film(self, study: Study, part: Part) -> Outcome:
        about, material = (part.name,), part.text("material")
        if material is None:
            pointer = member_pointer(part.name, "material")
            return not_applicable(self, about, f"the material of {part.name} is not stated ({pointer})")
        case = study.shared(("closing", part.name), lambda: closing(study, part.name, material == "silver"))
        if case is None:
            return not_applicable(self, about, f"in no state does a voltage stand across {part.name}")
        wetting = case.wetting
        if wetting is None:
            reason = f"the current of {part.name} is not determined: it closes a loop of ideal parts"
            return Outcome(self.slug, "undecided", about, reason)
        severity, test = self._judge(str(material), wetting, case)
        evidence = tuple(_evidence(part, case))
        if severity is None:
            return Outcome(
                self.slug, "satisfied", about, "", case.before.label, wetting.corner, test, evidence=evidence
            )
        number = case.volts if test.unit == "V" else wetting
        made, told = self._cures(study, part, case, test) if study.proposing else ((), ())
        message = self._message(part, case, number, test, severity)
        return violated_by(
            self,
            part.name,
            (case.before.label, number.corner),
            test,
            severity,
            message,
            evidence,
            role="film",
            member="material",
            proposals=made,
            advice=told,
        )

    def _judge(self, material: str, wetting: Number, case: Closing) -> tuple[Severity | None, Test]:
        if material == "gold":
            test = Test.at_least(wetting.value, self.limits["gold"].value, "A")
            return (None if test.holds else "warning"), test
        least = Test.at_least(wetting.value, self.limits["silver"].value, "A")
        volts = Test.at_least(case.volts.value, self.limits["silver_voltage"].value, "V")
        for test in (volts, least):
            if not test.holds:
                return "warning", test
        sure = Test.at_least(wetting.value, self.limits["silver_sure"].value, "A")
        return (None if sure.holds else "note"), sure

    def _message(self, part: Part, case: Closing, number: Number, test: Test, severity: Severity) -> str:
        place = with_position(case.before.label, case.before.configuration)
        at = "" if number.corner == NOMINAL else f" at {number.corner}"
        limit = next(x for x in self.limits.values() if x.value == test.right and x.unit == test.unit)
        who = f"{part.name}, a {part.text('material')} contact,"
        if test.unit == "V":
            what = f"has {say(test.left, 'V')} across it{at} while it is open"
            why = "too little to break the film"
        else:
            what = f"switches {say(test.left, 'A')}{at}"
            why = "enough for a button that is used every day, not for years of rest"
            why = why if severity == "note" else "too little to keep its surfaces clean"
        source = f"limit {say(test.right, test.unit)}; {limit.source}"
        return f'{who} {what}, coming from "{place}": {why} ({source}).'

    def _cures(
        self, study: Study, part: Part, case: Closing, test: Test
    ) -> tuple[tuple[Proposal, ...], tuple[str, ...]]:
        """A smaller resistor beside the contact, or a capacitor that gives a cleaning pulse."""
        silver = part.text("material") == "silver"
        pointer = member_pointer(part.name, "material")
        gold = Proposal(f"a contact of gold for {part.name}", (Change(pointer, "silver", "gold"),))
        if test.unit == "V":
            return (gold,), ("or switch a higher voltage with it",)
        wanted = self.limits["silver_sure" if silver else "gold"].value
        made = list(_pulls(study, part, case, wanted))
        told = ("the current flows, and is paid for, as long as the contact is closed",) if made else ()
        if silver:
            made.extend((_pulse(study, part, case), gold))
        return tuple(made), told

    def _rating(self, study: Study, part: Part) -> Outcome:
        about = (part.name,)
        most = greatest_current(study, part.name)
        rated = part.number("current")
        assert rated is not None
        if most is None:
            return not_applicable(self, about, f"{part.name} carries no current in any state")
        test = Test.at_most(most.value, rated, "A")
        given = part_quantity(study, part.name, "current", "I_rated", f"rated current of {part.name}")
        carried = Quantity("I_closed", f"greatest current of {part.name} at {most.corner}", most.value, "A")
        evidence = tuple(q for q in (carried, given) if q is not None)
        if test.holds:
            return Outcome(self.slug, "satisfied", about, "", None, most.corner, test, evidence=evidence)
        carries = f"{part.name} carries {say(most.value, 'A')} at {most.corner}"
        message = f"{carries}: above its rated {say(rated, 'A')}."
        return violated_by(
            self,
            part.name,
            (None, most.corner),
            test,
            "error",
            message,
            evidence,
            role="rating",
            member="current",
            advice=("take a contact that is made for this current",),
        )


def _evidence(part: Part, case: Closing) -> Iterator[Quantity]:
    across = f"voltage across the open {part.name} at {case.volts.corner}"
    yield Quantity("V_open", across, case.volts.value, "V")
    for number, symbol, words in (
        (case.steady, "I_closed", "settled current"),
        (case.first, "I_closing", "current at the moment of closing"),
    ):
        if number is not None and math.isfinite(number.value):
            yield Quantity(symbol, f"{words} of {part.name} at {number.corner}", number.value, "A")


def _pulls(study: Study, part: Part, case: Closing, wanted: float) -> Iterator[Proposal]:
    """The resistor at the contact through which its current goes, small enough for the wanted current."""
    wetting = case.wetting
    if case.steady is None or wetting is None or case.steady.value <= 0.0:
        return
    parts = study.circuit.parts.values()
    fed = {net for p in parts if p.kind in SUPPLIES for net in p.pins.values()}
    here = set(part.pins.values()) - fed
    for other in parts:
        if other.kind != "resistor" or not here & set(other.pins.values()):
            continue
        now = study.value(other.name, "resistance")
        # what drives the current through it, at the corner found
        volts = case.steady.value * now
        ohms = round_down(pull_at_most(volts, wanted), study.series(other.name))
        if ohms < now:
            what = f"{from_to(study, other.name, ohms)}: {say(wanted, 'A')} or more through {part.name}"
            yield Proposal(what, (new_resistance(study, other.name, ohms),))


def _pulse(study: Study, part: Part, case: Closing) -> Proposal:
    """A capacitor with a resistor across the contact."""
    circuit = study.circuit
    middle = new_net(circuit, part.pins["b"])
    capacitor = new_part(
        circuit, "C", "capacitor", {"a": part.pins["a"], "b": middle}, capacitance=PULSE, dielectric="film"
    )
    resistor = new_part(
        circuit, "R", "resistor", {"a": middle, "b": part.pins["b"]}, resistance=PULSE_RESISTOR
    )
    peak = case.volts.value / PULSE_RESISTOR
    what = (
        f"{capacitor.name} of {say(PULSE, 'F')} with {resistor.name} of {say(PULSE_RESISTOR, 'ohm')} across"
        f" {part.name}: a pulse of {say(peak, 'A')} at each closing"
    )
    return Proposal(what, Fitting((capacitor, resistor)).changes(circuit))


RULE = ContactWetting()
