"""A battery lasts a year where nothing happens, unless the document asks for something else."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping
from typing import TYPE_CHECKING

from rules.analysis.formulas.supply import standby_life
from rules.analysis.requirements import asked
from rules.analysis.standing import Drain, sources, standby
from rules.contract import API_LEVEL, Dial, Lesson, limits_of
from rules.outcomes import not_applicable, satisfied, violated
from rules.standing_words import cures, evidence, of_leakage, place
from rules.wording import listed, member_pointer, part_quantity, say
from schemas.finding import Grounds, Limit, Outcome, Quantity, Test

if TYPE_CHECKING:
    from rules.analysis.study import Study

LIFE = Limit(
    "life", 31_557_600.0, "s", "a year; common practice, no source", "least life of a battery in standby"
)
USABLE = Limit(
    "usable",
    0.8,
    "",
    "common practice, no source: the rest is left when the battery is no longer up to the circuit",
    "share of the rated capacity that can be used",
)
REQUIREMENTS = ("standing-current", "battery-life")

PASSING = """\
format: thumbrule/1
name: letter-box-flag
ground: gnd
parts:
  BT1: {kind: battery, voltage: 9 V, capacity: 0.55 Ah, keyed: true, pins: {plus: rail, minus: gnd}}
  R1: {kind: resistor, resistance: 1 Mohm, pins: {a: rail, b: base}}
  S1: {kind: contact, rest: closed, pins: {a: base, b: gnd}}
  Q1: {kind: npn, beta: 200, icbo: 50 nA, pins: {collector: flag, base: base, emitter: gnd}}
  R2: {kind: resistor, resistance: 47 kohm, pins: {a: rail, b: flag}}
"""
FAILING = PASSING.replace("1 Mohm", "100 kohm")


class StandingCurrent:
    """Usable capacity over the current of the resting state that draws least."""

    slug = "standing-current"
    title = "Standby current of a battery"
    protects = "a battery from being emptied by what nobody sees working"
    api_level = API_LEVEL
    limits: Mapping[str, Limit] = limits_of(LIFE, USABLE)
    grounds = Grounds(
        rule_of_thumb="A battery that waits lasts a year: 550 mAh are 50 uA.",
        formula="t = 0.8*Q/I >= 1 year",
        symbols={
            "t": "life of the battery in standby, s",
            "Q": "rated capacity, C",
            "I": "greatest current in the resting state that draws least, leakage included, A",
        },
        source="definition of charge; 0.8 and the year: common practice, no source",
        holds="for a circuit that waits most of its time, with every contact at rest",
        fails="for the share of the time that it spends in other states, and for a battery that runs down by"
        " itself in a year",
    )
    lesson = Lesson(
        why="A year has 8766 hours, so a 9 V block of 550 mAh has some 50 uA to spend. What draws day and"
        " night is not the load: it is a divider across the battery, a pull-up on a closed contact, the"
        " leakage of a capacitor.",
        breaks="Leakage is stated at its limit and for the hottest day, most parts leak a tenth of it. A"
        " circuit that is switched off by hand needs no such budget: draw the switch.",
        mend="Raise the resistors as far as what they feed allows, let a contact cut off what need not wait,"
        " take a larger battery; a latch of opposite transistors draws nothing but leakage while it is off.",
        failing=FAILING,
        passing=PASSING,
        dial=Dial("/parts/R1/resistance", "1 Mohm", "100 kohm"),
        derivation="rules.derivations.standing_current:DERIVATION",
    )

    def check(self, study: Study) -> Iterable[Outcome]:
        """One outcome per battery."""
        if any(asked(study.circuit, kind) for kind in REQUIREMENTS):
            yield not_applicable(self, (), "the document itself says what standby may draw")
            return
        batteries = sources(study.circuit, "battery")
        if not batteries:
            yield not_applicable(self, (), "there is no battery")
        for battery in batteries:
            yield from self._battery(study, battery)

    def _battery(self, study: Study, battery: str) -> Iterator[Outcome]:
        capacity = study.known(battery, "capacity")
        if capacity is None:
            reason = f"{member_pointer(battery, 'capacity')} is not given: no life to judge"
            yield not_applicable(self, (battery,), reason)
            return
        drain = standby(study, battery)
        if isinstance(drain, str):
            yield not_applicable(self, (battery,), drain)
            return
        share, wanted = self.limits["usable"].value, self.limits["life"].value
        amperes = max(drain.amperes, 0.0)
        life = standby_life(capacity.value, share, amperes) if amperes > 0.0 else math.inf
        test = Test.at_least(life, wanted, "s")
        usable = share * capacity.value
        told = [*self._evidence(study, battery, usable, life), *evidence(study, drain, (battery,))]
        if not test.holds:
            yield self._violated(study, battery, drain, test, told, usable / wanted)
        elif drain.missing:
            reason = f"{listed(drain.missing)} is missing: without it nobody knows what may leak there"
            yield Outcome(self.slug, "undecided", (battery,), reason, drain.situation.label, drain.corner)
        else:
            yield satisfied(self, (battery,), drain.situation, test, told)

    def _violated(
        self, study: Study, battery: str, drain: Drain, test: Test, told: list[Quantity], most: float
    ) -> Outcome:
        message = (
            f"{battery} lasts {say(test.left, 's')} in {place(drain)}, the state that draws least of it: it"
            f" brings {say(drain.amperes, 'A')}, and {say(most, 'A')} would be the most for"
            f" {say(test.right, 's')}.{of_leakage(study, drain)}"
        )
        proposals, advice = cures(study, drain, (battery,), most) if study.proposing else ((), ())
        return violated(
            self,
            study,
            (battery,),
            drain.situation,
            test,
            "note",
            message,
            told,
            role="standby",
            parts=(battery,),
            nets=(),
            pointers=(member_pointer(battery, "capacity"),),
            proposals=proposals,
            advice=(*advice, f"a contact between {battery} and the circuit, where it need not wait"),
        )

    def _evidence(self, study: Study, battery: str, usable: float, life: float) -> Iterator[Quantity]:
        rated = part_quantity(study, battery, "capacity", "Q", f"rated capacity of {battery}")
        if rated is not None:
            yield rated
        share = self.limits["usable"]
        yield Quantity(
            "Q_usable", f"usable of it, {say(share.value, 'ratio')}", usable, "C", source=share.source
        )
        if math.isfinite(life):
            yield Quantity("t", "life, usable capacity over the greatest current", life, "s")


RULE = StandingCurrent()
