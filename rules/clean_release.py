"""A latch that lets go of itself leaves nothing behind in its load."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace
from typing import TYPE_CHECKING

from rules.analysis.formulas.cutoff import (
    COLDEST,
    HOTTEST,
    collector_base_leakage,
    open_base_leakage,
)
from rules.analysis.latches.find import Latch
from rules.analysis.latches.leftover import Leftover, current_in, leftovers
from rules.analysis.requirements import Window
from rules.analysis.tuning import Tuner
from rules.contract import API_LEVEL, Dial, Lesson, limits_of
from rules.latch_words import each_latch, floating, the_latch
from rules.outcomes import not_applicable, satisfied, violated
from rules.required_words import tuned_proposal
from rules.wording import celsius, listed, member_pointer, say
from schemas.finding import Grounds, Limit, Outcome, Proposal, Quantity, Test

if TYPE_CHECKING:
    from rules.analysis.study import Study

SHARE = Limit(
    "share", 0.01, "", "common practice, no source", "current left in a load, of what it gets while on"
)

PASSING = """\
format: thumbrule/1
name: cellar-stair-lamp
ground: gnd
ambient: {low: 5 degC, nominal: 20 degC, high: 40 degC}
parts:
  V1: {kind: supply, voltage: 9 V, pins: {plus: rail, minus: gnd}}
  S1: {kind: contact, rest: open, pins: {a: rail, b: step}}
  R9: {kind: resistor, resistance: 100 kohm, pins: {a: step, b: gnd}}
  C2: {kind: capacitor, capacitance: 470 nF, dielectric: film, pins: {a: step, b: kick}}
  R8: {kind: resistor, resistance: 18 kohm, pins: {a: kick, b: b1}}
  Q2: {kind: pnp, type: 2N3906, pins: {collector: lamp, base: b2, emitter: rail}}
  R5: {kind: resistor, resistance: 10 kohm, pins: {a: rail, b: b2}}
  R2: {kind: resistor, resistance: 470 ohm, pins: {a: b2, b: c1}}
  Q1: {kind: npn, type: 2N3904, pins: {collector: c1, base: b1, emitter: tail}}
  R3: {kind: resistor, resistance: 22 kohm, pins: {a: lamp, b: b1}}
  R4: {kind: resistor, resistance: 11 kohm, pins: {a: b1, b: gnd}}
  Q3: {kind: npn, type: 2N3904, pins: {collector: rail, base: timer, emitter: tail}}
  R1: {kind: resistor, resistance: 2.2 kohm, pins: {a: tail, b: gnd}}
  R6: {kind: resistor, resistance: 68 kohm, tolerance: 1 %, pins: {a: lamp, b: timer}}
  C1: {kind: capacitor, capacitance: 1 mF, tolerance: 10 %, voltage: 16 V, leakage: 1 uA,
       pins: {plus: timer, minus: gnd}}
  LP1: {kind: load, resistance: 820 ohm, pins: {plus: lamp, minus: gnd}}
  R7: {kind: resistor, resistance: 1 Mohm, pins: {a: rail, b: lamp}}
stimuli:
  foot: [{at: 0 s, part: S1, to: closed}, {at: 0.2 s, part: S1, to: open}]
requirements:
  - {kind: re-arm, stimulus: foot, at_most: 300 s}
"""
FAILING = PASSING.replace("1 Mohm", "33 kohm")


class CleanRelease:
    """Current left in every load once a timed latch has let go, leakage at the hottest included."""

    slug = "clean-release"
    title = "Nothing left after the release"
    protects = "a load from glowing or humming on after its time is over"
    api_level = API_LEVEL
    limits: Mapping[str, Limit] = limits_of(SHARE)
    grounds = Grounds(
        rule_of_thumb="After the release a load gets less than a hundredth of what it got before.",
        formula="I_left/I_on <= 0.01;  I_left = I_bypass + I_C, with an open base I_C = (beta + 1)*I_CBO(T)",
        symbols={
            "I_left": "current of the load in the off state, leakage at the hottest included, A",
            "I_on": "current of the load while the latch is on, A",
            "I_bypass": "what reaches the load past the transistor that switches it, A",
            "I_CBO(T)": "collector-base leakage at the hottest, A",
            "I_C": "what the transistor that switches it lets through while off, A",
            "beta": "gain of that transistor, 1",
        },
        source="Kirchhoff's current law at the load; a hundredth: common practice, no source",
        holds="for a latch that a capacitor lets go, at rest after the release and over all tolerances; that"
        " nothing but off may follow the release is for reset-wins to say",
        fails="for the while in which the timing capacitor still empties through the load: the current then"
        " falls away slowly, and is told beside the finding",
    )
    lesson = Lesson(
        why="A latch that lets go does it in one step: one transistor takes the last base current away from"
        " the other, and the loop that held them both turns round. After that only leakage is left, unless"
        " something leads past the switch.",
        breaks="An open base amplifies its own leakage; a resistor kept for comfort across the switch, a"
        " pull-up on the output or an indicator wired the wrong way feeds the load for ever. What the timing"
        " capacitor pushes back through a discharge diode fades by itself.",
        mend="A resistor from base to emitter of the transistor that switches the load; larger resistors"
        " beside it, or taken to the other rail.",
        failing=FAILING,
        passing=PASSING,
        dial=Dial("/parts/R7/resistance", "1 Mohm", "33 kohm"),
        derivation="rules.derivations.clean_release:DERIVATION",
    )

    def check(self, study: Study) -> Iterable[Outcome]:
        """Outcomes per latch that lets go by itself, and load."""
        return each_latch(self, study, self._latch)

    def _latch(self, study: Study, latch: Latch) -> Iterator[Outcome]:
        if not latch.timed:
            yield not_applicable(self, latch.members, "it does not let go by itself")
            return
        found = tuple(leftovers(study, latch))
        if not found:
            reason = "it has no load, or no off state to judge (latch-two-states)"
            yield not_applicable(self, latch.members, reason)
        for left in found:
            yield self._load(study, latch, left)

    def _load(self, study: Study, latch: Latch, left: Leftover) -> Outcome:
        about = (*latch.members, left.load)
        test = Test.at_most(max(left.rest.value, 0.0) / left.on, self.limits["share"].value, "")
        where = replace(left.situation, corner=left.rest.corner, state=left.rest.state)
        told = tuple(_evidence(study, latch, left))
        if test.holds and left.missing:
            reason = f"{listed(left.missing)} is missing: without it nobody knows what may leak there"
            return Outcome(self.slug, "undecided", about, reason, where.label, where.corner)
        if test.holds:
            return satisfied(self, about, where, test, told)
        most = test.right * left.on
        message = (
            f"{the_latch(latch)} lets go, but {say(left.rest.value, 'A')} stay in {left.load}"
            f" ({left.rest.corner}, leakage at the hottest included): {say(test.left, 'ratio')} of the"
            f" {say(left.on, 'A')} before; limit {say(test.right, 'ratio')}."
        )
        loose = floating(latch)
        if loose:
            message += f" The base of {listed(loose)} is open and amplifies its own leakage."
        return violated(
            self,
            study,
            about,
            where,
            test,
            "error",
            message,
            told,
            role="left in the load",
            parts=about,
            nets=(),
            pointers=(member_pointer(left.load, "pins"),),
            proposals=_less(left, study, most) if study.proposing else (),
            advice=("a resistor from base to emitter of whatever switches it, nothing that leads past it",),
        )


def _less(left: Leftover, study: Study, most: float) -> tuple[Proposal, ...]:
    """One resistor changed until little enough is left at every tolerance."""
    quantity = current_in(study, left.load, left.state)
    tuner = Tuner(left.leaky, left.state, quantity, Window(-math.inf, most, ""))
    return tuple(
        tuned_proposal(study, tuned, f"current left in {left.load}", "A") for tuned in tuner.one_resistor()
    )


def _evidence(study: Study, latch: Latch, left: Leftover) -> Iterator[Quantity]:
    kelvin = min(max(study.resolved.ambient.high, COLDEST), HOTTEST)
    hot = celsius(kelvin)
    yield Quantity("I_left", f"in {left.load} after the release, leakage at {hot}", left.rest.value, "A")
    yield Quantity("I_on", f"in {left.load} while the latch is on", left.on, "A")
    if left.after is not None:
        meaning = f"in {left.load} at once after the release; what a capacitor gives of it fades"
        yield Quantity("I_after", meaning, left.after, "A")
    for name in floating(latch):
        leakage = collector_base_leakage(study.value(name, "icbo"), kelvin)
        amperes = open_base_leakage(leakage, study.resolved.beta(name, "max").value)
        yield Quantity(f"I_CEO({name})", f"what {name} passes with its base open, at {hot}", amperes, "A")



RULE = CleanRelease()
