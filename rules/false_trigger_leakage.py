"""A latch does not set itself on a hot day."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import TYPE_CHECKING

from rules.analysis.formulas.cutoff import (
    COLDEST,
    HOTTEST,
    bleed_at_most,
    collector_base_leakage,
    off_voltage,
)
from rules.analysis.latches.cures import bleeds
from rules.analysis.latches.find import Latch, Rest
from rules.analysis.latches.heat import (
    base_voltage,
    failing_member,
    hottest,
    hottest_by_hand,
)
from rules.analysis.latches.margins import Lost, as_written, at_worst
from rules.analysis.preferred import round_down
from rules.contract import API_LEVEL, Dial, Lesson, limits_of
from rules.latch_words import ambient, at, each_latch, floating, place, situation, the_latch
from rules.outcomes import not_applicable, satisfied, violated
from rules.wording import (
    assumption,
    celsius,
    from_to,
    listed,
    member_pointer,
    new_resistance,
    part_quantity,
    say,
)
from schemas.finding import Grounds, Limit, Outcome, Proposal, Quantity, Severity, Test

if TYPE_CHECKING:
    from rules.analysis.study import Study

EDGE = Limit("edge", 0.0, "K", "definition: the off state has to exist", "critical above ambient temperature")
SURE = Limit(
    "sure", 15.0, "K", "common practice, no source", "critical above ambient temperature, to be sure"
)

PASSING = """\
format: thumbrule/1
name: beehive-swarm-flag
ground: gnd
ambient: {low: 0 degC, nominal: 25 degC, high: 50 degC}
parts:
  V1: {kind: supply, voltage: 12 V, pins: {plus: rail, minus: gnd}}
  S1: {kind: contact, rest: open, pins: {a: rail, b: set}}
  R5: {kind: resistor, resistance: 47 kohm, pins: {a: set, b: b1}}
  Q2: {kind: pnp, beta: {min: 100, max: 300}, icbo: 50 nA, pins: {collector: out, base: b2, emitter: rail}}
  R4: {kind: resistor, resistance: 22 kohm, pins: {a: rail, b: b2}}
  R3: {kind: resistor, resistance: 10 kohm, pins: {a: b2, b: c1}}
  Q1: {kind: npn, beta: {min: 100, max: 300}, icbo: 50 nA, pins: {collector: c1, base: b1, emitter: gnd}}
  R2: {kind: resistor, resistance: 100 kohm, pins: {a: out, b: b1}}
  R1: {kind: resistor, resistance: 47 kohm, pins: {a: b1, b: gnd}}
  L1: {kind: load, resistance: 1 kohm, pins: {plus: out, minus: gnd}}
states:
  waiting: {Q1: off, Q2: off}
  swarmed: {Q1: on, Q2: on}
"""
FAILING = PASSING.replace("22 kohm", "470 kohm")


class FalseTriggerLeakage:
    """The temperature at which collector-base leakage lifts a base that is meant to be off."""

    slug = "false-trigger-leakage"
    title = "Leakage that sets a latch"
    protects = "a latch from setting itself when it is hot"
    api_level = API_LEVEL
    limits: Mapping[str, Limit] = limits_of(EDGE, SURE)
    grounds = Grounds(
        rule_of_thumb="The bleeds of a latch keep both bases off up to 15 K above the hottest day.",
        formula="R_BE * sum(I_CBO(T)) <= V_BE,off(T);  I_CBO(T) = I_CBO * 2^((T - 25)/10);"
        "  V_BE,off(T) = 0.45 - 0.002*(T - 25)",
        symbols={
            "T": "temperature at which the off state is lost, degC",
            "I_CBO": "collector-base leakage at 25 degC, A, of every transistor that leaks into the base",
            "R_BE": "resistance from base to emitter, ohm",
            "V_BE,off": "base-emitter voltage that is surely off, V",
        },
        source="doubling: Bell, Electronic Devices and Circuits, ex. 5.18; 2 mV/K: NXP BC848 series Rev 07,"
        " notes 2 and 3; 0.45 V: from memory; 15 K: common practice, no source",
        holds="for a clean, dry board; V_BE,off is taken and not the drop of a conducting junction, because"
        " the first microampere counts: with the drop the temperature comes out 6 to 9 K higher",
        fails="where flux or damp add their 0.1 to 1 uA; and where makers state hot limits, doubling per 10 K"
        " overstates leakage by up to 20 times over 100 K",
    )
    lesson = Lesson(
        why="A transistor that is off still leaks from collector to base: nanoamperes at room temperature,"
        " twice as much for every 10 K. In a latch the leakage of both ends up in the same base, because the"
        " collector of one hangs on the base of the other. The bleed has to let it past below the voltage at"
        " which the transistor begins to amplify it.",
        breaks="The most sensitive latch is also the one that sets itself on a hot day: large bleeds spare"
        " trigger current and holding current, and pay in temperature. Without a bleed there is no off state"
        " at all, only the hope that nothing leaks.",
        mend="Lower the bleed of the base that is lifted first, then that of the other; then look at the"
        " holding margin and the trigger, which both feed the bleeds.",
        failing=FAILING,
        passing=PASSING,
        dial=Dial("/parts/R4/resistance", "22 kohm", "470 kohm"),
        derivation="rules.derivations.false_trigger_leakage:DERIVATION",
    )

    def check(self, study: Study) -> Iterable[Outcome]:
        """Outcomes per latch, resting place with a transistor that is off, and corner."""
        return each_latch(self, study, self._latch)

    def _latch(self, study: Study, latch: Latch) -> Iterator[Outcome]:
        judged = [rest for rest in latch.rests if len(rest.conducting) < len(latch.members)]
        judged = [rest for rest in judged if latch.start(rest) is not None]
        if not judged:
            yield not_applicable(self, latch.members, "no member is off in a state that exists")
        for rest in judged:
            for margin in (as_written, at_worst):
                yield self._judge(study, latch, rest, margin(latch, rest, hottest))

    def _judge(self, study: Study, latch: Latch, rest: Rest, lost: Lost) -> Outcome:
        hot = study.resolved.ambient.high
        test = Test.at_least(lost.value, hot + self.limits["sure"].value, "K")
        if test.holds:
            return satisfied(self, latch.members, situation(latch, rest, lost.corner), test)
        severity: Severity = "error" if lost.value < hot + self.limits["edge"].value else "warning"
        loose = floating(latch, rest)
        worst = study.proposing and lost is at_worst(latch, rest, hottest)
        proposals: tuple[Proposal, ...] = ()
        advice: tuple[str, ...] = ()
        if worst and (loose or lost.value <= COLDEST):
            spare = self.limits["sure"].value
            advice = tuple(_bleed_to_fit(study, latch, name, spare) for name in loose or latch.members)
        elif worst:
            proposals = _firmer(study, latch, rest, hot + self.limits["sure"].value)
        return violated(
            self,
            study,
            latch.members,
            situation(latch, rest, lost.corner),
            test,
            severity,
            _message(study, latch, rest, lost, loose, self.limits["sure"].value),
            _evidence(study, latch, rest, lost),
            role="leakage into a base",
            parts=latch.members,
            nets=(),
            pointers=_pointers(study, latch),
            proposals=proposals,
            advice=advice,
        )


def _message(
    study: Study, latch: Latch, rest: Rest, lost: Lost, loose: tuple[str, ...], sure: float
) -> str:
    hot = study.resolved.ambient.high
    limit = f"limit {celsius(hot + sure)}, {sure:g} K above the hottest ambient"
    where = f"{place(latch, rest)} ({at(lost.corner)})"
    if loose:
        bases = f"the base{'s' if len(loose) > 1 else ''} of {listed(loose)}"
        return f"Nothing holds {bases} in {where}: any leakage sets the latch, at every temperature; {limit}."
    if lost.value <= COLDEST:
        return f"{the_latch(latch)} cannot rest in {where} at any temperature once leakage flows; {limit}."
    member = failing_member(lost) or latch.members[0]
    volts = say(off_voltage(study.resolved.assumptions["vbe_off"], lost.value), "V")
    return (
        f"{the_latch(latch)} may set itself from {celsius(lost.value)} on: in {where} leakage then lifts the"
        f" base of {member} to {volts}, which is no longer surely off; {limit}."
    )


def _evidence(study: Study, latch: Latch, rest: Rest, lost: Lost) -> Iterator[Quantity]:
    hot = study.resolved.ambient.high
    if COLDEST < lost.value < HOTTEST:
        meaning = f"temperature at which the state is lost ({at(lost.corner)})"
        yield Quantity("T_crit", meaning, lost.value, "K")
        by_hand = hottest_by_hand(latch, rest, lost.corner)
        meaning = "the same, were a base off up to the drop of a conducting junction"
        yield Quantity("T_drop", meaning, by_hand.value, "K")
    yield ambient(study, "high", "T_max", "hottest ambient", hot)
    for name in latch.members:
        known = part_quantity(study, name, "icbo", f"I_CBO,{name}", "collector-base leakage at 25 degC")
        if known is not None:
            yield known
            leakage = collector_base_leakage(known.value, min(hot, HOTTEST))
            yield Quantity(f"I_{name}", f"the same at {celsius(hot)}", leakage, "A")
    yield assumption(study, "vbe_off", "V_BE,off", "surely off at 25 degC; 2 mV/K less when hot")
    member = failing_member(lost)
    if member is not None and COLDEST < hot < min(lost.value, HOTTEST):
        volts = base_voltage(lost, member, hot)
        if volts is not None:
            yield Quantity("V_BE", f"of {member} at {celsius(hot)}", volts, "V")
    for name in _bleeds(study, latch):
        known = part_quantity(study, name, "resistance", name, "from base to emitter")
        if known is not None:
            yield known


def _bleeds(study: Study, latch: Latch) -> tuple[str, ...]:
    names = {part for member in latch.members for part in study.roles.stages[member].bleeds}
    return tuple(sorted(name for name in names if study.circuit.parts[name].kind == "resistor"))


def _pointers(study: Study, latch: Latch) -> tuple[str, ...]:
    found = _bleeds(study, latch)
    if found:
        return tuple(member_pointer(name, "resistance") for name in found)
    return tuple(member_pointer(name, "pins") for name in latch.members)


def _firmer(study: Study, latch: Latch, rest: Rest, wanted: float) -> tuple[Proposal, ...]:
    """The bleeds lowered, one after the other, until the state is sure."""
    cure = bleeds(study, latch, rest, wanted)
    if cure is None:
        return ()
    names = listed([from_to(study, name, ohms) for name, ohms in sorted(cure.items())])
    summary = f"{names}: leakage stays below V_BE,off up to {celsius(wanted)}"
    return (Proposal(summary, tuple(new_resistance(study, name, cure[name]) for name in sorted(cure))),)


def _bleed_to_fit(study: Study, latch: Latch, member: str, sure: float) -> str:
    """The bleed that a base without one needs; the leakage of every member may end up in it."""
    hot = min(study.resolved.ambient.high + sure, HOTTEST)
    leakage = sum(collector_base_leakage(study.value(name, "icbo"), hot) for name in latch.members)
    pins = study.circuit.parts[member].pins
    where = f"from base to emitter of {member} (net {pins['base']} to net {pins['emitter']})"
    if not leakage > 0.0:
        return f"fit a resistor {where}"
    most = bleed_at_most(off_voltage(study.resolved.assumptions["vbe_off"], hot), leakage)
    ohms = round_down(most, study.preferences.resistor, 0.05)
    return (
        f"fit a resistor of at most {say(ohms, 'ohm')} {where}: a third of V_BE,off for the"
        f" {say(leakage, 'A')} that {listed(latch.members)} may leak at {celsius(hot)}"
    )


RULE = FalseTriggerLeakage()
