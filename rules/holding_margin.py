"""The on state of a latch stays with weak transistors and a tired battery."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping
from typing import TYPE_CHECKING

from rules.analysis.formulas.latching import feedback_at_most, holding_voltage
from rules.analysis.latches.find import Latch, Rest
from rules.analysis.latches.margins import (
    Lost,
    as_written,
    at_worst,
    collector_current,
    existence,
    gains,
    highest_share,
    holding,
    reserve,
)
from rules.contract import API_LEVEL, Dial, Lesson, limits_of
from rules.latch_words import (
    RESERVE_ROLE,
    RESERVE_RULE,
    at,
    corner_values,
    each_latch,
    gains_of,
    holders,
    missing,
    more_hold,
    place,
    pointers,
    situation,
    states_identity,
    supplies,
    the_latch,
    weakest_supply,
)
from rules.outcomes import satisfied, violated
from rules.wording import listed, part_quantity, say, times
from schemas.finding import Grounds, Limit, Outcome, Proposal, Quantity, Severity, Test

if TYPE_CHECKING:
    from rules.analysis.study import Study

EDGE = Limit(
    "edge",
    1.0,
    "",
    "definition: below it the state does not exist",
    "reserve of gain without which it is lost",
)
SURE = Limit("sure", 2.0, "", "common practice, no source", "reserve of gain with which it surely holds")
SHARE = Limit(
    "supply share",
    0.7,
    "",
    "common practice, no source",
    "holding voltage over the lowest supply in use",
)

PASSING = """\
format: thumbrule/1
name: greenhouse-vent
ground: gnd
ambient: {low: 0 degC, nominal: 20 degC, high: 40 degC}
parts:
  BT1: {kind: battery, voltage: 9 V, low: 6.5 V, high: 9.6 V, resistance: 2 ohm, keyed: true,
        pins: {plus: rail, minus: gnd}}
  S1: {kind: contact, rest: open, pins: {a: rail, b: set}}
  R5: {kind: resistor, resistance: 22 kohm, pins: {a: set, b: b1}}
  Q2: {kind: pnp, beta: {min: 80, max: 300}, pins: {collector: out, base: b2, emitter: rail}}
  R4: {kind: resistor, resistance: 10 kohm, pins: {a: rail, b: b2}}
  R3: {kind: resistor, resistance: 2.2 kohm, pins: {a: b2, b: c1}}
  Q1: {kind: npn, beta: {min: 100, max: 300}, pins: {collector: c1, base: b1, emitter: gnd}}
  R2: {kind: resistor, resistance: 24 kohm, pins: {a: out, b: b1}}
  R1: {kind: resistor, resistance: 10 kohm, pins: {a: b1, b: gnd}}
  M1: {kind: load, resistance: 220 ohm, pins: {plus: out, minus: gnd}}
states:
  shut: {Q1: off, Q2: off}
  open: {Q1: on, Q2: on}
"""
FAILING = PASSING.replace("24 kohm", "56 kohm")


class HoldingMargin:
    """Reserve of gain and of supply voltage of every state that a latch holds itself."""

    slug = RESERVE_RULE
    title = "Reserve of the held state"
    protects = "the on state of a latch from weak transistors, a low supply and a heavy load"
    api_level = API_LEVEL
    limits: Mapping[str, Limit] = limits_of(EDGE, SURE, SHARE)
    grounds = Grounds(
        rule_of_thumb="A latch holds with half the least gain, and at 70 % of the lowest supply.",
        formula="M = 1/f >= 2;  V_hold = V_BE*(1 + R_f/R_BE) + V_CE,sat + R_f*I_B <= 0.7*V_S,min;"
        "  R_f <= (V_out - V_BE) / (2*I_C/beta_min + V_BE/R_BE)",
        symbols={
            "M": "reserve of gain, 1",
            "f": "smallest factor on all least gains of the loop at which the state is there and its output"
            " saturates, 1",
            "V_hold": "lowest supply voltage at which the state exists, V",
            "V_S,min": "lowest supply voltage in use, V",
            "R_f": "resistor from the output back to the base it holds, ohm",
            "R_BE": "resistor from that base to its emitter, ohm",
            "I_B": "base current still needed there, A",
            "V_out": "voltage of the output when on, V",
            "I_C": "collector current that the held transistor has to pass, A",
            "beta_min": "its least current gain, 1",
            "V_BE": "base-emitter voltage, V",
            "V_CE,sat": "saturation voltage, V",
        },
        source="definition of the on state; twice and 70 %: common practice, no source",
        holds="for any loop that holds itself; all gains fall together, so that a current source in the loop"
        " does not count as starved",
        fails="where an LED is the load: it is dark before the latch lets go; and at the moment of switching,"
        " where a load draws more",
    )
    lesson = Lesson(
        why="What holds a latch on is its own output, sent back through a resistor. That current has to feed"
        " the bleed first, and only what is left goes into the base. So the latch needs a certain voltage at"
        " its output, and gain enough to turn the rest into the current that keeps the output up.",
        breaks="Cold takes gain away and raises the drops; a battery sinks as it empties, and most when the"
        " load it holds on is heavy. A latch with an LED seems to hold further down than it does: the LED"
        " is dark already. The overdrive of one transistor is no measure: it may be a current source.",
        mend="Lower the feedback resistor to the next preferred value below the formula, or raise the bleed"
        " it feeds, as far as leakage lets you; then look at the trigger and the reset again.",
        failing=FAILING,
        passing=PASSING,
        dial=Dial("/parts/R2/resistance", "24 kohm", "56 kohm"),
        derivation="rules.derivations.holding_margin:DERIVATION",
    )

    def check(self, study: Study) -> Iterable[Outcome]:
        """Outcomes per latch, held state and corner, for the gain and for the supply."""
        return each_latch(self, study, self._latch)

    def _latch(self, study: Study, latch: Latch) -> Iterator[Outcome]:
        if latch.start(latch.ons[0]) is None and latch.named:
            yield from self._gain(study, latch, latch.ons[0], as_written(latch, latch.ons[0], reserve))
            return
        for rest in latch.ons:
            yield from self._rest(study, latch, rest)

    def _rest(self, study: Study, latch: Latch, rest: Rest) -> Iterator[Outcome]:
        for margin in (as_written, at_worst):
            yield from self._gain(study, latch, rest, margin(latch, rest, reserve))
        if weakest_supply(latch) is not None:
            for margin in (as_written, at_worst):
                yield from self._supply(study, latch, rest, margin(latch, rest, holding))

    def _gain(self, study: Study, latch: Latch, rest: Rest, lost: Lost) -> Iterator[Outcome]:
        sure, edge = self.limits["sure"].value, self.limits["edge"].value
        test = Test.at_least(lost.value, sure, "")
        if test.holds:
            told = (Quantity("M", "reserve of gain", lost.value, ""),) if math.isfinite(lost.value) else ()
            yield satisfied(self, latch.members, situation(latch, rest, lost.corner), test, told)
            return
        if lost.value == 0.0:
            message = (
                f"{the_latch(latch)} does not hold {place(latch, rest)} at any gain ({at(lost.corner)})."
            )
        elif lost.value < edge:
            message = (
                f"{the_latch(latch)} holds {place(latch, rest)} only with {times(1.0 / lost.value)} times its"
                f" least gain ({at(lost.corner)}); it should with 1/{sure:g} of it."
            )
        else:
            message = (
                f"{the_latch(latch)} holds {place(latch, rest)} with {times(lost.value)} times the gain it"
                f" needs ({at(lost.corner)}); limit {sure:g}."
            )
        severity: Severity = "error" if lost.value < edge else "warning"
        yield self._violated(study, latch, rest, lost, test, severity, message, RESERVE_ROLE)

    def _supply(self, study: Study, latch: Latch, rest: Rest, lost: Lost) -> Iterator[Outcome]:
        name = weakest_supply(latch) or ""
        volts, lowest = supplies(latch)[name]
        share = lost.value if math.isfinite(lost.value) else highest_share(latch)
        most = self.limits["supply share"].value
        test = Test.at_most(share * volts, most * lowest, "V")
        if test.holds:
            told = (
                Quantity("V_hold", f"{name} at which the state is lost", share * volts, "V"),
                Quantity("V_S,min", f"lowest voltage of {name} in use", lowest, "V"),
            )
            yield satisfied(self, latch.members, situation(latch, rest, lost.corner), test, told)
            return
        low = say(share * volts, "V")
        end = f"below {low}" if math.isfinite(lost.value) else f"at {low} already"
        message = (
            f"{the_latch(latch)} loses {place(latch, rest)} when {name} is {end} ({at(lost.corner)}); limit"
            f" {say(most * lowest, 'V')}, {most * 100:g} % of the {say(lowest, 'V')} to which"
            " it may fall."
        )
        message += _dark(study, latch, rest, lost)
        lost_in_use = not math.isfinite(lost.value) or share * volts > lowest
        severity: Severity = "error" if lost_in_use else "warning"
        yield self._violated(study, latch, rest, lost, test, severity, message, "holding voltage")

    def _violated(
        self,
        study: Study,
        latch: Latch,
        rest: Rest,
        lost: Lost,
        test: Test,
        severity: Severity,
        message: str,
        role: str,
    ) -> Outcome:
        measure = reserve if role == RESERVE_ROLE else holding
        worst = at_worst(latch, rest, measure)
        wanted = study.proposing and lost is worst
        limits = self.limits["sure"].value, self.limits["supply share"].value
        proposals: tuple[Proposal, ...] = more_hold(study, latch, rest, *limits) if wanted else ()
        return violated(
            self,
            study,
            latch.members,
            situation(latch, rest, lost.corner),
            test,
            severity,
            message,
            evidence(study, latch, rest, lost, self.limits["sure"].value),
            role=role,
            parts=latch.members,
            nets=(),
            pointers=pointers(study, latch),
            proposals=proposals,
            cause=states_identity(latch) if severity == "error" and _gone(latch, rest) else None,
        )


def _gone(latch: Latch, rest: Rest) -> bool:
    """True when the state itself is missing at some corner: that is the cause, not the margin."""
    lost = at_worst(latch, rest, reserve)
    return missing(lost) and missing(existence(latch, rest, lost.corner))


def _dark(study: Study, latch: Latch, rest: Rest, lost: Lost) -> str:
    """The LEDs that are on in the state, but not any more where it is lost."""
    start = latch.start(rest)
    junctions = lost.corner.network.junctions
    still = {junctions[k].device for k in lost.support}
    leds = [part.name for part in study.circuit.parts.values() if part.kind == "led"]
    dark = [name for name in leds if start is not None and start.devices[name] == "on" and name not in still]
    return f" {listed(dark)} {'is' if len(dark) == 1 else 'are'} dark before that." if dark else ""


def evidence(study: Study, latch: Latch, rest: Rest, lost: Lost, sure: float) -> Iterator[Quantity]:
    """Gains, corner, both margins, and the sums of paper where one resistor feeds the base back."""
    yield from gains_of(study, latch, rest, "min")
    yield from corner_values(study, lost.corner)
    for suffix, margin in (("", as_written), ("_worst", at_worst)):
        found = margin(latch, rest, reserve)
        yield Quantity(f"M{suffix}", f"reserve of gain ({at(found.corner)})", found.value, "")
    name = weakest_supply(latch)
    if name is not None:
        volts, _ = supplies(latch)[name]
        for suffix, margin in (("", as_written), ("_worst", at_worst)):
            found = margin(latch, rest, holding)
            if math.isfinite(found.value):
                meaning = f"{name} at which the state is lost ({at(found.corner)})"
                yield Quantity(f"V_hold{suffix}", meaning, found.value * volts, "V")
        low = part_quantity(study, name, "low", "V_S,min", f"lowest voltage of {name} in use")
        if low is not None:
            yield low
        found = as_written(latch, rest, holding)
        output = latch.outputs.get(rest.name)
        if output is not None and found.conditions is not None:
            meaning = f"collector current of {output} where it lets go"
            yield Quantity("I_hold", meaning, collector_current(found, output), "A")
    yield from _by_hand(study, latch, rest, sure)


def _by_hand(study: Study, latch: Latch, rest: Rest, sure: float) -> Iterator[Quantity]:
    held = holders(study, latch, rest)
    if held is None:
        return
    assumed = study.resolved.assumptions
    vbe, feedback, bleed = assumed["vbe_on"], study.value(held.feedback, "resistance"), held.bleed
    meaning = "R_f, from the output back to the base it holds"
    found = part_quantity(study, held.feedback, "resistance", held.feedback, meaning)
    if found is not None:
        yield found
    if bleed is not None and vbe > 0.0:
        by_hand = holding_voltage(vbe, assumed["vce_sat"], feedback, bleed)
        yield Quantity(
            "V_hold,hand", "V_BE*(1 + R_f/R_BE) + V_CE,sat: without any base current", by_hand, "V"
        )
    if held.output > vbe > 0.0 and held.collector > 0.0:
        most = feedback_at_most(
            held.output, vbe, held.collector, gains(latch, rest, "min")[held.member], sure, bleed
        )
        meaning = f"largest feedback for {sure:g} times the gain of {held.member}, by hand"
        yield Quantity("R_f,max", meaning, most, "ohm")


RULE = HoldingMargin()
