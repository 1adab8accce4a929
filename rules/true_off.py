"""A switch that is meant to be off is off: at every level of its driver, hot, and at the worst supply."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import TYPE_CHECKING

from rules.analysis.off_states import (
    NOT_OFF,
    Driven,
    always_on,
    base_drive,
    beyond_off,
    drivers_of,
    off_readings,
)
from rules.analysis.operating import supposed
from rules.analysis.readings import worst_reading
from rules.analysis.stress import clean
from rules.analysis.worst_case import at_worst
from rules.contract import API_LEVEL, Dial, Lesson, limits_of
from rules.off_words import conducting_message, half_off_message, level_shifter, off_evidence, pull_harder
from rules.outcomes import not_applicable, satisfied, violated
from rules.wording import member_pointer
from schemas.finding import Grounds, Limit, Outcome, Proposal, Quantity, Severity, Test

if TYPE_CHECKING:
    from rules.analysis.readings import Reading
    from rules.analysis.roles import Stage
    from rules.analysis.states import State
    from rules.analysis.study import Situation, Study

SPARE = Limit(
    "spare",
    0.0,
    "V",
    "a policy may ask for more; V_BE,off is 0.45 V at 25 degC, from memory",
    "what has to be left to the base-emitter voltage that is surely off",
)

PASSING = """\
format: thumbrule/1
name: compost-blower
ground: gnd
parts:
  V1: {kind: supply, voltage: 5 V, pins: {plus: rail, minus: gnd}}
  U1: {kind: driver, low: 0.1 V, high: 4.8 V, rest: high, pins: {out: order, reference: gnd}}
  R1: {kind: resistor, resistance: 1 kohm, pins: {a: order, b: base}}
  R2: {kind: resistor, resistance: 10 kohm, pins: {a: base, b: rail}}
  Q1: {kind: pnp, beta: {min: 100, max: 300}, pins: {collector: out, base: base, emitter: rail}}
  L1: {kind: load, resistance: 200 ohm, inductive: false, pins: {plus: out, minus: gnd}}
"""
FAILING = PASSING.replace("voltage: 5 V", "voltage: 12 V")
_SWITCHES = ("switch", "unstated")


class TrueOff:
    """Base-emitter voltage of every switch where it is meant to be off, against what is surely off."""

    slug = "true-off"
    title = "A switch that turns off"
    protects = "a load from never going out"
    api_level = API_LEVEL
    limits: Mapping[str, Limit] = limits_of(SPARE)
    grounds = Grounds(
        rule_of_thumb="Off is what the emitter says: the base within 0.4 V of it, hot, at the highest"
        " supply.",
        formula="V_BE = (V_E - V_drive,off) * R_BE/(R_B + R_BE) <= V_BE,off(T_max);"
        "  V_BE,off falls by 2 mV per kelvin",
        symbols={
            "V_BE": "base-emitter voltage where it is meant to be off, V",
            "V_E": "emitter potential, V",
            "V_drive,off": "level of the driver that means off, V",
            "R_B": "resistor from the driver to the base, ohm",
            "R_BE": "resistor from base to emitter, ohm",
            "V_BE,off": "base-emitter voltage that is surely off, V",
        },
        source="the divider rule; V_BE,off 0.45 V at 25 degC from memory, so that no more than a warning"
        " rests on it; an error is where the junction conducts",
        holds="in every resting state in which a switch is off, and at the level of its driver on the side of"
        " its emitter",
        fails="for a driver whose output is open at that level (it has none), and for what leakage does",
    )
    lesson = Lesson(
        why="A transistor compares its base with its own emitter, not with ground. A PNP switch on a 12 V"
        " rail is off when its base stands at 12 V; a 5 V output at its high level is 7 V away from that.",
        breaks="It works on the bench as long as driver and switch share one rail. With the rail higher than"
        " the driver, neither level turns it off, and the output pin carries the base current of a rail it"
        " was not made for. A base at 0.6 V is not off either: hot, the transistor conducts there.",
        mend="A small NPN transistor in between takes the level up to the rail. Where the two rails lie near"
        " each other, a smaller resistor from base to emitter divides the rest away. A zener or an LED in"
        " series with the base takes its own drop off, as a stop-gap.",
        failing=FAILING,
        passing=PASSING,
        dial=Dial("/parts/U1/high", "4.8 V", "4.4 V"),
        derivation="rules.derivations.true_off:DERIVATION",
    )

    def check(self, study: Study) -> Iterable[Outcome]:
        """Outcomes per switch: where it is off, and per driver whose off level leaves it on."""
        if not study.roles.stages:
            yield not_applicable(self, (), "there is no transistor")
        for name in sorted(study.roles.stages):
            yield from self._stage(study, study.roles.stages[name])

    def _stage(self, study: Study, stage: Stage) -> Iterator[Outcome]:
        name, about = stage.transistor, (stage.transistor,)
        if stage.intent not in _SWITCHES or (stage.intent == "unstated" and not stage.emitter_on_rail):
            yield not_applicable(self, about, f"{name} is no switch: {stage.why}")
            return
        drivers = drivers_of(study, stage)
        stuck = [(d, on) for d in drivers if (on := always_on(study, name, d))]
        for driven, there in stuck:
            yield from self._stuck(study, stage, driven, there[0])
        found = off_readings(study, name)
        if not found and not stuck:
            rests = any(s.timed is None and s.state.devices[name] == "off" for s in study.situations())
            reason = "nothing settles its base where it is off" if rests else "it rests off in no state"
            yield not_applicable(self, about, f"{name}: {reason}")
        for reading in found:
            held_by = _holding(drivers, reading.base)
            yield self._off(study, stage, reading, held_by, reading is worst_reading(found, "max"))

    def _off(
        self, study: Study, stage: Stage, reading: Reading, driven: Driven | None, is_worst: bool
    ) -> Outcome:
        name, about, state = stage.transistor, (stage.transistor,), reading.state
        volts = clean(base_drive(state, name) or 0.0)
        limit = self._limit(state)
        test = Test.at_most(volts, limit, "V")
        told = tuple(off_evidence(study, stage, state, driven))
        if test.holds:
            return satisfied(self, about, reading.situation, test, told)
        conducts = volts >= state.mode.network.resolved.assumptions["vbe_on"]
        severity: Severity = "error" if conducts else "warning"
        made: tuple[Proposal, ...] = ()
        if study.proposing and is_worst:
            made = tuple(pull_harder(study, stage, reading.base.state, volts, limit))
        message = half_off_message(study, stage, reading.situation, volts, limit, conducts)
        return self._violated(study, stage, reading.situation, test, severity, message, told, made)

    def _limit(self, state: State) -> float:
        """The greatest base-emitter voltage (V) that is surely off at the corner of a state."""
        return state.mode.network.resolved.assumptions["vbe_off"] - self.limits["spare"].value

    def _stuck(self, study: Study, stage: Stage, driven: Driven, situation: Situation) -> Iterator[Outcome]:
        name = stage.transistor
        without = supposed(study, situation.state, regions={name: "off"})
        if without is None or base_drive(without, name) is None:
            without = situation.state
        cornered = at_worst(situation, lambda state: beyond_off(state, name), "max", without)
        cases = [(situation, without)]
        if cornered is not None:
            cases.append((cornered.situation, cornered.state))
        for place, state in cases:
            volts = base_drive(state, name) or 0.0
            limit = self._limit(state)
            test = Test.at_most(volts, limit, "V")
            told = off_evidence(study, stage, state, driven)
            made: list[Proposal] = []
            if study.proposing and place is cases[-1][0]:
                made.extend(pull_harder(study, stage, without, volts, limit))
                made.extend(level_shifter(study, stage, driven))
            message = conducting_message(stage, driven, place, volts, limit)
            advice = _advice(stage, driven)
            parts = (name, driven.driver)
            yield self._violated(study, stage, place, test, "error", message, told, made, parts, advice)

    def _violated(
        self,
        study: Study,
        stage: Stage,
        situation: Situation,
        test: Test,
        severity: Severity,
        message: str,
        told: Iterable[Quantity],
        made: Iterable[Proposal],
        parts: tuple[str, ...] = (),
        advice: Iterable[str] = (),
    ) -> Outcome:
        return violated(
            self,
            study,
            (stage.transistor,),
            situation,
            test,
            severity,
            message,
            told,
            role="never off" if parts else NOT_OFF,
            parts=parts or (stage.transistor,),
            nets=(),
            pointers=(member_pointer(stage.transistor, "pins"),),
            proposals=made,
            advice=advice,
        )


def _holding(drivers: Iterable[Driven], situation: Situation) -> Driven | None:
    """The one of the drivers of a base that stands at the level that means off in a situation."""
    levels = situation.state.mode.network.configuration.drivers
    return next((driven for driven in drivers if levels.get(driven.driver) == driven.off), None)


def _advice(stage: Stage, driven: Driven) -> Iterator[str]:
    if stage.kind == "pnp":
        yield (
            f"or an open-collector output in place of {driven.driver}, if it stands the whole rail: off, it"
            " has no level, and the resistor from base to emitter decides"
        )
    yield "a zener or an LED in series with the base takes its own drop off, as a stop-gap"


RULE = TrueOff()
