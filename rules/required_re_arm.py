"""After a timed state its capacitor is back within the time that a requirement asks for, at every corner."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping
from functools import partial
from typing import TYPE_CHECKING

from rules.analysis.delay_corners import every_delay
from rules.analysis.rearm_corners import WorstWay, worst_way
from rules.analysis.recovery import NoRecovery, Recovery, recovery_of
from rules.analysis.requirements import Asked, Window, asked, means
from rules.contract import API_LEVEL, Dial, Lesson, limits_of
from rules.required_words import (
    limits,
    moved_by,
    none_asked,
    satisfied,
    undecided,
    violated,
    why_unknown,
)
from rules.reset_words import SHORTENING, Case, advice, evidence, message, proposals
from rules.wording import member_pointer, say
from schemas.finding import Grounds, Limit, Outcome, Proposal, Quantity, Test, identity

if TYPE_CHECKING:
    from rules.analysis.delays import Delay
    from rules.analysis.study import Study

PASSING = """\
format: thumbrule/1
name: terrace-sprinkler
ground: gnd
ambient: {low: 10 degC, nominal: 20 degC, high: 30 degC}
parts:
  V1: {kind: supply, voltage: 9 V, pins: {plus: rail, minus: gnd}}
  R1: {kind: resistor, resistance: 220 kohm, tolerance: 1 %, pins: {a: rail, b: slow}}
  C1: {kind: capacitor, capacitance: 10 uF, tolerance: 5 %, dielectric: film, pins: {plus: slow, minus: gnd}}
  S1: {kind: contact, rest: closed, pins: {a: slow, b: drain}}
  R5: {kind: resistor, resistance: 1 kohm, pins: {a: drain, b: gnd}}
  R2: {kind: resistor, resistance: 390 kohm, tolerance: 1 %, pins: {a: slow, b: base}}
  R3: {kind: resistor, resistance: 120 kohm, tolerance: 1 %, pins: {a: base, b: gnd}}
  R4: {kind: resistor, resistance: 47 kohm, pins: {a: rail, b: out}}
  Q1: {kind: npn, beta: 200, pins: {collector: out, base: base, emitter: gnd}}
requirements:
  - {kind: re-arm, at_most: 0.1 s}
"""
FAILING = PASSING.replace("1 kohm", "4.7 kohm")


class RequiredReArm:
    """Time back of each timing capacitor that a requirement means, over all tolerances."""

    slug = "required-re-arm"
    title = "Required re-arm time"
    protects = "the next period, at the pace at which the document wants to start it"
    api_level = API_LEVEL
    limits: Mapping[str, Limit] = limits_of(SHORTENING)
    grounds = Grounds(
        rule_of_thumb="A timer is ready again when the next period comes out no more than 5 % short.",
        formula="t_back = sum of tau*ln(i_0/i_1) down to V_0,max = V_inf*(1 - (1-x)^eps) <= t_rearm",
        symbols={
            "t_back": "time from the end of the state to V_0,max, s",
            "t_rearm": "accepted time, s",
            "tau": "time constant of one piece of the way, s",
            "i_0, i_1": "currents at its ends, A",
            "V_inf": "voltage the capacitor aims at while timing, V",
            "x": "threshold over V_inf, 1",
            "eps": "accepted shortening, 1",
        },
        source="the requirement of the document; OpenStax, University Physics 2, sec. 10.5; the 5 %: common"
        " practice, no source",
        holds="from the moment at which the timed state ends, or its stimulus is withdrawn, at the corner at"
        " which the way takes longest",
        fails="with leakage, which helps the capacitor back; for the very first period after switching on",
    )
    lesson = Lesson(
        why="The way back has its own time constant, and the tolerance of the same capacitor is in it. What"
        " counts is not an empty capacitor but one that is empty enough: from 3 % of the aim a threshold at"
        " half of it comes 5 % too early.",
        breaks="A way that ends at a diode leaves 0.7 V, and in the cold 0.75 V; the rest goes through the"
        " timing resistor itself, three or four of its time constants long. On a warm bench with a slow"
        " hand nobody sees it.",
        mend="Lower the resistor of the slowest piece, if it does not set the delay as well; else give the"
        " charge a road of its own. What the requirement should allow is the slowest way back, not the"
        " nominal one.",
        failing=FAILING,
        passing=PASSING,
        dial=Dial("/parts/R5/resistance", "1 kohm", "4.7 kohm"),
        derivation="rules.derivations.required_re_arm:DERIVATION",
    )

    def check(self, study: Study) -> Iterable[Outcome]:
        """Outcomes per requirement and delay that it means."""
        items = asked(study.circuit, "re-arm")
        if not items:
            yield none_asked(self, "re-arm")
        for item in items:
            found = [delay for delay in every_delay(study) if means(study.circuit, item, delay)]
            if not found:
                unknown = why_unknown(study)
                reason = "no delay of the circuit is meant by it: nothing is timed, or not in this state"
                yield undecided(self, item, (), f"not every state is known: {unknown}" if unknown else reason)
            judged = [outcome for delay in found for outcome in self._judge(study, item, delay)]
            sure = [outcome for outcome in judged if outcome.kind != "not-applicable"]
            yield from sure or judged

    def _judge(self, study: Study, item: Asked, delay: Delay) -> Iterator[Outcome]:
        about = (delay.timed.capacitor,)
        share = self.limits["shortening"].value
        way = recovery_of(study, delay.timed.corner, delay, share)
        if isinstance(way, NoRecovery):
            if way.decided:
                subject = (*about, item.label)
                yield Outcome(self.slug, "not-applicable", subject, way.reason, delay.timed.name)
            else:
                yield undecided(self, item, about, way.reason)
            return
        worst = study.shared(
            ("way back", delay, share), lambda: worst_way(study, delay, way, share) if way.complete else None
        )
        there: tuple[Recovery | NoRecovery, Delay] = (way, delay)
        seconds, corner = way.seconds, "nominal"
        if worst is not None:
            seconds, corner = worst.seconds, worst.corner
            if seconds > item.window.high or math.isinf(seconds):
                there = worst.worked_out()
        if isinstance(there[0], NoRecovery):
            yield undecided(self, item, about, f"at {corner}: {there[0].reason}")
            return
        test = Test.at_most(seconds, item.window.high, "s")
        if not test.holds:
            case = Case(there[1], corner, there[0], Window(0.0, item.window.high, f"{item.pointer}/at_most"))
            yield self._violated(study, item, way, worst, case, delay, test)
        else:
            unknown = why_unknown(study)
            if unknown:
                yield undecided(self, item, about, f"not every state is known: {unknown}")
            else:
                most = item.window.high
                told = (
                    Quantity("t_back", "time back to where the next period may start", seconds, "s"),
                    Quantity("t_rearm", "required re-arm time", most, "s", "declared", item.pointer),
                )
                yield satisfied(self, item, about, test, delay.timed.name, corner, told)

    def _violated(
        self,
        study: Study,
        item: Asked,
        way: Recovery,
        worst: WorstWay | None,
        case: Case,
        delay: Delay,
        test: Test,
    ) -> Outcome:
        share = self.limits["shortening"].value
        capacitor = delay.timed.capacitor
        text = message(case, test, share)
        if worst is not None:
            text += f" That is at {case.corner}; at nominal values it takes {say(way.seconds, 's')}."
        made: tuple[Proposal, ...] = ()
        told: list[str] = []
        nominal = Case(delay, delay.timed.corner, way, case.window)
        if study.proposing:
            if way.complete and math.isfinite(test.left):
                made, withheld = proposals(
                    study, nominal, share, partial(_worst_with, study, delay, way, share)
                )
                told.extend(withheld)
            told.extend(advice(study, nominal))
        return violated(
            self,
            item,
            test,
            text,
            self._evidence(item, study, case, way, worst),
            state=delay.timed.name,
            corner=case.corner,
            parts=(capacitor,),
            pointers=(member_pointer(capacitor, "capacitance"),),
            proposals=made,
            advice=told,
            cause=None if case.way.complete else identity("reset-path", (capacitor,), (), "way back"),
        )

    def _evidence(
        self, item: Asked, study: Study, case: Case, way: Recovery, worst: WorstWay | None
    ) -> Iterator[Quantity]:
        yield from limits(item, "t", "time back", "s")
        if way.complete:
            yield Quantity("t_back,nominal", "time back at nominal values", way.seconds, "s")
        yield from evidence(study, case, self.limits["shortening"].value)
        if worst is not None:
            yield from moved_by(worst.sensitivities, "s")


def _worst_with(
    study: Study, delay: Delay, way: Recovery, shortening: float, resistor: str, ohms: float
) -> float:
    """The time back at the worst corner with another resistor, s."""
    found = worst_way(study, delay, way, shortening, {(resistor, "resistance"): ohms})
    return math.inf if found is None else found.seconds


RULE = RequiredReArm()
