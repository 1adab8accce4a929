"""Every trigger is strong enough, lasts long enough, and does no harm when it stays."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping
from typing import TYPE_CHECKING

from rules.analysis.corners.labels import label
from rules.analysis.corners.parameters import at, parameters
from rules.analysis.timeline.timelines import gains
from rules.analysis.trigger_drive import Amplitude, amplitude, too_weak, vertices
from rules.analysis.trigger_width import held_for_ever, least_width
from rules.analysis.triggers import NoTrigger, Trigger, named_stimuli, triggers
from rules.contract import API_LEVEL, Dial, Lesson, limits_of
from rules.outcomes import not_applicable, violated_by
from rules.trigger_words import (
    amplitude_advice,
    amplitude_evidence,
    amplitude_message,
    coupled,
    held_evidence,
    held_message,
    parked,
    parked_evidence,
    parked_message,
    quicker,
    stronger,
    width_evidence,
    width_message,
)
from schemas.finding import Grounds, Limit, Outcome, Severity, Test

if TYPE_CHECKING:
    from rules.analysis.study import Study

DRIVE = Limit(
    "drive", 2.0, "", "common practice, no source", "drive of a trigger over the least that switches over"
)
WIDTH = Limit(
    "width", 3.0, "", "common practice, no source", "time a trigger lasts over the least that switches over"
)
PARKED = Limit(
    "parked",
    0.5,
    "",
    "common practice, no source",
    "share of a rated dissipation that a part may take while a trigger stays",
)

PASSING = """\
format: thumbrule/1
name: rain-barrel-lamp
ground: gnd
parts:
  V1: {kind: supply, voltage: 9 V, pins: {plus: rail, minus: gnd}}
  Q2: {kind: pnp, beta: 200, pins: {collector: lamp, base: b2, emitter: rail}}
  R1: {kind: resistor, resistance: 10 kohm, pins: {a: rail, b: b2}}
  R2: {kind: resistor, resistance: 6.8 kohm, pins: {a: b2, b: c1}}
  Q1: {kind: npn, beta: 200, pins: {collector: c1, base: b1, emitter: gnd}}
  R3: {kind: resistor, resistance: 68 kohm, pins: {a: lamp, b: b1}}
  R4: {kind: resistor, resistance: 22 kohm, pins: {a: b1, b: gnd}}
  C1: {kind: capacitor, capacitance: 100 nF, dielectric: film, pins: {a: b1, b: gnd}}
  LP1: {kind: load, resistance: 1 kohm, pins: {plus: lamp, minus: gnd}}
  S1: {kind: contact, rest: open, pins: {a: rail, b: float}}
  R5: {kind: resistor, resistance: 33 kohm, pins: {a: float, b: b1}}
stimuli:
  full: [{at: 0 s, part: S1, to: closed}, {at: 0.1 s, part: S1, to: open}]
"""
FAILING = PASSING.replace("resistance: 33 kohm", "resistance: 150 kohm")


class TriggerRule:
    """Amplitude, width and holding of every stimulus that switches something over."""

    slug = "trigger"
    title = "Strength and length of a trigger"
    protects = "a latch or timer from triggers that it misses, and from one that never goes"
    api_level = API_LEVEL
    limits: Mapping[str, Limit] = limits_of(DRIVE, WIDTH, PARKED)
    grounds = Grounds(
        rule_of_thumb="A trigger brings twice the current and lasts three times as long as it takes.",
        formula="I_trig/I_fold >= 2, I_fold = V_BE/R_BE + V_BE2/(R_B2*beta_1);"
        "  t_w >= 3*t_w,min, t_w,min = tau_f*ln(V_p/(V_p - V_m))",
        symbols={
            "I_trig": "current the trigger brings at the voltage at which the state of rest is lost, A",
            "I_fold": "current at which it is lost, A",
            "V_BE, R_BE": "drop of the transistor it turns on, and all that bleeds its base, V, ohm",
            "V_BE2, R_B2": "the same of the transistor that this one turns on, V, ohm",
            "beta_1": "gain of the first transistor, 1",
            "t_w": "time the trigger lasts, s",
            "t_w,min": "time until the loop carries itself, s",
            "tau_f": "time constant of the filter at the base, s",
            "V_p": "voltage the filter aims at while the trigger lasts, V",
            "V_m": "base voltage of the unstable state in the middle, V",
        },
        source="Kirchhoff's laws at the state in which a second solution meets the state of rest; charging"
        " curve: OpenStax, University Physics 2, sec. 10.5; twice and three times: common practice, no"
        " source",
        holds="for a contact or output that moves, with the capacitors that time something at rest and all"
        " others settled; for one that is coupled by a capacitor, at the very first moment",
        fails="for the junctions themselves, which want less current warm and more cold than a fixed drop"
        " says, and for a trigger without a resistor of its own, whose current nothing limits",
    )
    lesson = Lesson(
        why="A latch has a fence between its two resting places: a third state that no one ever measures. A"
        " trigger must lift the circuit over it, and stay until the loop carries itself. Every bleed and"
        " every filter that keeps false triggers away makes the fence higher and the way longer.",
        breaks="Bounce is many triggers of a millisecond each. A filter that swallows bounce swallows short"
        " triggers too. A trigger that stays, a float that hangs or a thumb that rests, may keep a timer from"
        " ever ending, or set it off again and again.",
        mend="A smaller resistor in series with the trigger, a smaller filter capacitor at the base; a"
        " capacitor in series with a trigger that may stay, with a resistor that empties it.",
        failing=FAILING,
        passing=PASSING,
        dial=Dial("/parts/R5/resistance", "33 kohm", "150 kohm"),
        derivation="rules.derivations.trigger:DERIVATION",
    )

    def check(self, study: Study) -> Iterable[Outcome]:
        """Outcomes per stimulus: amplitude at its weakest corner, width, and what if it stays."""
        if not study.roles.transistors:
            yield not_applicable(self, (), "there is no transistor")
            return
        found = triggers(study)
        if not found:
            yield not_applicable(self, (), "no contact or output moves")
        for item in found:
            if isinstance(item, NoTrigger):
                weak = too_weak(study, item)
                if weak is not None:
                    yield from self._strong(study, weak)
                    continue
                whose = f'"{item.stimulus}"' if item.stimulus is not None else item.part
                yield not_applicable(self, tuple(filter(None, (item.part,))), f"{whose}: {item.reason}")
                continue
            said = [*self._strong(study, item), *self._long(study, item), *self._held(study, item)]
            if not said:
                reason = f"nothing that {item.part} sets off could be told apart from what was there before"
                said = [not_applicable(self, (item.part,), reason)]
            yield from said

    def _strong(self, study: Study, trigger: Trigger) -> Iterator[Outcome]:
        cases = list(_amplitudes(study, trigger))
        if not cases:
            return
        wanted = self.limits["drive"].value
        place, worst = min(cases, key=lambda case: (case[1].factor, case[0]))
        test = Test.at_least(worst.factor, wanted, "")
        about, state = (trigger.part,), trigger.before.name
        if test.holds:
            told = tuple(amplitude_evidence(study, trigger, worst))
            yield Outcome(self.slug, "satisfied", about, "", state, place, test, evidence=told)
            return
        severity: Severity = "error" if worst.factor < 1.0 else "warning"
        proposals = stronger(study, trigger, worst, wanted) if study.proposing else ()
        yield violated_by(
            self,
            trigger.part,
            (state, place),
            test,
            severity,
            amplitude_message(trigger, worst, place, wanted),
            amplitude_evidence(study, trigger, worst),
            role="amplitude",
            proposals=proposals,
            advice=amplitude_advice(study, trigger, worst),
        )

    def _long(self, study: Study, trigger: Trigger) -> Iterator[Outcome]:
        if math.isinf(trigger.hold):
            return
        wanted = self.limits["width"].value
        least = least_width(study, trigger, trigger.hold / wanted)
        if math.isinf(least):
            return
        test = Test.at_least(trigger.hold, wanted * least, "s")
        about, state = (trigger.part,), trigger.before.name
        if test.holds:
            yield Outcome(self.slug, "satisfied", about, "", state, trigger.corner, test)
            return
        asked_for = trigger.stimulus in named_stimuli(study.circuit)
        severity: Severity = "error" if trigger.hold < least and asked_for else "warning"
        proposals = quicker(study, trigger, least, wanted) if study.proposing else ()
        yield violated_by(
            self,
            trigger.part,
            (state, trigger.corner),
            test,
            severity,
            width_message(trigger, least, wanted),
            width_evidence(study, trigger, least),
            role="width",
            proposals=proposals,
        )

    def _held(self, study: Study, trigger: Trigger) -> Iterator[Outcome]:
        if math.isinf(trigger.lasts):
            return  # a latch has nothing that would have to end
        held = held_for_ever(study, trigger)
        about = (trigger.part,)
        state, corner = trigger.after.name, trigger.corner
        if held.end == "unknown":
            reason = f"what a stimulus that stays leads to could not be followed: {held.reason}"
            yield Outcome(self.slug, "undecided", about, reason, state, corner)
            return
        harmless = held.end in ("over", "elsewhere")
        test = Test.at_most(0.0 if harmless else 1.0, 0.0, "")
        hot = parked(study, trigger, held, self.limits["parked"].value)
        if hot is not None:
            yield violated_by(
                self,
                trigger.part,
                (state, corner),
                Test.at_most(hot.watts, hot.limit, "W"),
                "warning",
                parked_message(trigger, hot),
                parked_evidence(hot),
                role="parked",
                advice=coupled(study, trigger),
            )
        if harmless:
            if hot is None:
                yield Outcome(self.slug, "satisfied", about, "", state, corner, test)
            return
        severity: Severity = "error" if held.end == "turned round" else "note"
        yield violated_by(
            self,
            trigger.part,
            (state, corner),
            test,
            severity,
            held_message(trigger, held),
            held_evidence(trigger),
            role="held",
            advice=coupled(study, trigger),
        )


def _amplitudes(study: Study, trigger: Trigger) -> Iterator[tuple[str, Amplitude]]:
    """(corner, amplitude) at nominal values, at the weakest corner and at the opposite one."""
    typical = gains(study, "typical")
    kick = False
    plain = amplitude(study, trigger, study.resolved, typical)
    if plain is None:
        plain, kick = amplitude(study, trigger, study.resolved, typical, True), True
    if plain is None:
        return
    yield "typical", plain
    every = parameters(study.resolved)
    for point in vertices(study, trigger):
        resolved, betas = at(study.resolved, point)
        found = amplitude(study, trigger, resolved, betas, kick)
        if found is not None:
            yield label(point, every), found


RULE = TriggerRule()
