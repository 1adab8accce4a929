"""The path from base to emitter lets the leakage out, and leaves the drive alone."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping
from typing import TYPE_CHECKING

from rules.analysis.drive import Drive, cornered, drives, why_not_judged
from rules.analysis.formulas.cutoff import (
    COLDEST,
    HOTTEST,
    ROOM,
    VBE_OFF_SLOPE,
    bleed_at_most,
    collector_base_leakage,
    off_voltage,
)
from rules.analysis.formulas.feeding import leakage_drop
from rules.analysis.off_states import base_drive, resistance_at_base
from rules.analysis.open_bases import is_fed
from rules.analysis.operating import everywhere, place_of, sign_of
from rules.analysis.preferred import round_up
from rules.contract import API_LEVEL, Dial, Lesson, limits_of
from rules.off_words import bleed_to, bleeds_evidence
from rules.outcomes import not_applicable, satisfied, violated
from rules.wording import celsius, from_to, listed, new_resistance, part_quantity, say, where
from schemas.finding import Grounds, Limit, Outcome, Proposal, Quantity, Severity, Test

if TYPE_CHECKING:
    from rules.analysis.roles import Stage
    from rules.analysis.study import Situation, Study

SHARE = Limit(
    "share", 1.0 / 3.0, "", "common practice, no source", "share of V_BE,off that leakage may raise at most"
)
PICK_UP = Limit(
    "pick_up", 0.0, "A", "none by default; a policy may set it for long wires", "stray current into the base"
)
ROBBED = Limit(
    "robbed", 0.5, "", "common practice, no source", "share of the base current that the bleed may take"
    " beside it"
)
AMPLE = Limit(
    "ample", 3.0, "", "common practice, no source", "overdrive with which the bleed may take what it likes"
)
AWAY = 0.1  # V from collector to base below which there is nothing to leak

PASSING = """\
format: thumbrule/1
name: woodshed-counter
ground: gnd
ambient: {low: 0 degC, nominal: 20 degC, high: 60 degC}
parts:
  V1: {kind: supply, voltage: 9 V, pins: {plus: rail, minus: gnd}}
  S1: {kind: contact, rest: open, pins: {a: rail, b: feed}}
  R1: {kind: resistor, resistance: 22 kohm, pins: {a: feed, b: base}}
  R2: {kind: resistor, resistance: 47 kohm, pins: {a: base, b: gnd}}
  R3: {kind: resistor, resistance: 1 kohm, pins: {a: rail, b: out}}
  Q1: {kind: npn, beta: {min: 150, max: 400}, icbo: 100 nA, pins: {collector: out, base: base, emitter: gnd}}
"""
FAILING = PASSING.replace("47 kohm", "470 kohm")


class BaseBleed:
    """Voltage that leakage raises at every base that is off; what a bleed takes from a switch that is on."""

    slug = "base-bleed"
    title = "Resistance from base to emitter"
    protects = "a transistor from turning itself on when it is hot, and its drive from a bleed too small"
    api_level = API_LEVEL
    limits: Mapping[str, Limit] = limits_of(SHARE, PICK_UP, ROBBED, AMPLE)
    grounds = Grounds(
        rule_of_thumb="Leakage raises the base by a third of what is surely off, and no more.",
        formula="R_BE * I_CBO(T_max) <= V_BE,off(T_max) / 3;  I_CBO doubles every 10 K;"
        "  V_BE / R_BE <= 0.5 * I_B",
        symbols={
            "R_BE": "resistance from base to emitter, by every path, ohm",
            "I_CBO": "collector-base leakage, A",
            "V_BE,off": "base-emitter voltage that is surely off, V",
            "V_BE": "base-emitter voltage of the conducting transistor, V",
            "I_B": "base current, A",
        },
        source="Bell, Electronic Devices and Circuits, ex. 5.18 (doubling); V_BE,off from memory; the third"
        " and the half are common practice, no source",
        holds="in every resting state in which the transistor is off and something settles its base: a"
        " driver, a conducting transistor or a resistor, whatever the leakage finds",
        fails="for a base that nothing settles (it has no bleed at all); and for noise, which may ask for"
        " less",
    )
    lesson = Lesson(
        why="The collector junction leaks into the base. Without a way out the transistor takes it for base"
        " current and amplifies it; with a resistor to the emitter it becomes a voltage, and nothing happens"
        " as long as that stays far below what turns the junction on.",
        breaks="The leakage doubles every 10 K while the voltage that is surely off falls by 2 mV per kelvin:"
        " 1 Mohm that is ample at 25 degC turns the transistor on at 70 degC. The other way round, a bleed"
        " of a few hundred ohms takes the drive: V_BE / R_BE goes past the base.",
        mend="Between the two there is room for a factor of a hundred. Take 10 kohm to 100 kohm, less where"
        " the wires are long, and count what it takes in the sum for the base resistor.",
        failing=FAILING,
        passing=PASSING,
        dial=Dial("/parts/R2/resistance", "47 kohm", "330 kohm"),
        derivation="rules.derivations.base_bleed:DERIVATION",
    )

    def check(self, study: Study) -> Iterable[Outcome]:
        """Outcomes per transistor: each resting state in which it is off, each drive that a bleed shares."""
        if not study.roles.stages:
            yield not_applicable(self, (), "there is no transistor")
        for name in sorted(study.roles.stages):
            yield from self._off(study, study.roles.stages[name])
            yield from self._on(study, study.roles.stages[name])

    def _off(self, study: Study, stage: Stage) -> Iterator[Outcome]:
        name, about, hot = stage.transistor, (stage.transistor,), study.resolved.ambient.high
        try:
            surely = off_voltage(study.resolved.assumptions["vbe_off"], hot)
        except ValueError:
            reason = f"no base-emitter voltage is surely off at {celsius(hot)}: give /assumptions/vbe_off"
            yield Outcome(self.slug, "undecided", about, reason)
            return
        leak = collector_base_leakage(study.value(name, "icbo"), min(max(hot, COLDEST), HOTTEST))
        found = list(_seen(study, stage))
        if not found:
            yield not_applicable(
                self, about, f"{name} has no DC path from base to emitter, or it rests off in no state"
            )
            return
        worst = max(found, key=lambda item: item[1])
        for situation, ohms in found:
            yield self._leaking(
                study, stage, situation, ohms, leak, surely, (situation, ohms) == worst
            )

    def _leaking(
        self,
        study: Study,
        stage: Stage,
        situation: Situation,
        ohms: float,
        leak: float,
        surely: float,
        is_worst: bool,
    ) -> Outcome:
        name, hot = stage.transistor, study.resolved.ambient.high
        pick_up, share = self.limits["pick_up"].value, self.limits["share"].value
        rise = leakage_drop(ohms, leak, pick_up)
        test = Test.at_most(rise, share * surely, "V")
        told = [
            Quantity("R_BE", f"resistance from base to emitter of {name} by every path", ohms, "ohm"),
            *(q for q in (part_quantity(study, name, "icbo", "I_CBO,25", "its leakage at 25 degC"),) if q),
            Quantity("I_CBO", f"its leakage at {celsius(hot)}", leak, "A"),
            Quantity("V_BE,off", f"surely off at {celsius(hot)}", surely, "V"),
            Quantity("dV_BE", "what the leakage raises at its base", rise, "V"),
        ]
        if test.holds:
            return satisfied(self, (name,), situation, test, told)
        turns_on = study.resolved.assumptions["vbe_on"] - VBE_OFF_SLOPE * (hot - ROOM)
        severity: Severity = "error" if rise >= turns_on else "warning"
        end = "that turns it on" if rise >= turns_on else f"{say(surely, 'V')} is surely off there"
        message = (
            f"At {celsius(hot)} {name} leaks {say(leak, 'A')} into its base, which finds {say(ohms, 'ohm')}"
            f" to the emitter ({where(situation)}): {say(rise, 'V')}; limit {say(test.right, 'V')}, and"
            f" {end}."
        )
        made: tuple[Proposal, ...] = ()
        if study.proposing and is_worst:
            wanted = bleed_at_most(surely, leak + pick_up, share)
            made = tuple(bleed_to(study, stage, ohms, wanted))
        return violated(
            self,
            study,
            (name,),
            situation,
            test,
            severity,
            message,
            told,
            role="leakage",
            parts=(name,),
            nets=(),
            proposals=made,
        )

    def _on(self, study: Study, stage: Stage) -> Iterator[Outcome]:
        about = (stage.transistor,)
        if not stage.bleeds or why_not_judged(study, stage):
            return
        found = (*drives(study, stage)[0], *cornered(study, stage))
        worst = max(found, key=lambda drive: _taken(drive) - drive.base, default=None)
        for drive in found:
            taken, robbed = _taken(drive), self.limits["robbed"].value
            test = Test.at_most(taken, robbed * drive.base, "A")
            told = [
                Quantity("I_B", "base current", drive.base, "A"),
                Quantity("I_BE", f"what {listed(stage.bleeds)} takes beside it", taken, "A"),
                Quantity("ODF", "overdrive factor", drive.factor, ""),
                *bleeds_evidence(study, stage),
            ]
            if test.holds:
                yield satisfied(self, about, drive.situation, test, told)
                continue
            if drive.factor >= self.limits["ample"].value:
                # what is left is enough all the same
                enough = Test.at_least(drive.factor, self.limits["ample"].value, "")
                yield satisfied(self, about, drive.situation, enough, told)
                continue
            if drive.gain.value * (drive.base + taken) < self.limits["ample"].value * drive.collector:
                reason = f"{stage.transistor} would be short of drive without any bleed too"
                yield not_applicable(self, about, reason)
                continue
            verb = "takes" if len(stage.bleeds) == 1 else "take"
            message = (
                f"{listed(stage.bleeds)} {verb} {say(taken, 'A')} past the base of {stage.transistor}, which"
                f" gets {say(drive.base, 'A')} and is short of drive ({where(drive.situation)}); limit"
                f" {say(test.right, 'A')}."
            )
            made = tuple(_larger(study, stage, drive)) if study.proposing and drive is worst else ()
            yield violated(
                self,
                study,
                about,
                drive.situation,
                test,
                "warning",
                message,
                told,
                role="robbed drive",
                parts=(stage.transistor, *stage.bleeds),
                nets=(),
                proposals=made,
            )


def _seen(study: Study, stage: Stage) -> Iterator[tuple[Situation, float]]:
    """Each place in which the transistor rests off with something to leak, and the resistance there."""
    name = stage.transistor
    told: set[tuple[object, ...]] = set()
    for situation in everywhere(study):
        state = situation.state
        key = (*place_of(situation), tuple(sorted(state.devices.items())))
        if situation.timed is not None or state.devices[name] != "off" or key in told:
            continue
        told.add(key)
        collector, base = state.nets[stage.collector], state.nets[stage.base]
        if base is None or base_drive(state, name) is None:
            continue
        # behind an LED that is dark, nothing settles the collector but the leakage itself
        fed = is_fed(state, name) if collector is None else sign_of(state, name) * (collector - base) >= AWAY
        if not fed:
            continue
        ohms = resistance_at_base(study, state, name)
        if ohms is not None and math.isfinite(ohms):
            yield situation, max(0.0, ohms)


def _taken(drive: Drive) -> float:
    """What the bleeds of a switch take from its base while it is on, A."""
    resolved = drive.saturated.mode.network.resolved
    return sum(
        resolved.assumptions["vbe_on"] / resolved.value(part, "resistance") for part in drive.stage.bleeds
    )


def _larger(study: Study, stage: Stage, drive: Drive) -> Iterator[Proposal]:
    """A bleed that leaves three quarters of what is fed to the base."""
    if len(stage.bleeds) != 1:
        return
    part, fed = stage.bleeds[0], drive.base + _taken(drive)
    if fed <= 0.0:
        return
    vbe = drive.saturated.mode.network.resolved.assumptions["vbe_on"]
    ohms = round_up(4.0 * vbe / fed, study.preferences.resistor, -study.value(part, "tolerance_low"))
    if ohms > study.value(part, "resistance"):
        summary = f"{from_to(study, part, ohms)}: three quarters of what is fed go into the base"
        yield Proposal(summary, (new_resistance(study, part, ohms),))


RULE = BaseBleed()
