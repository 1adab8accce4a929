"""The loop of a latch regenerates, also at the small currents at which it has to start."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping
from typing import TYPE_CHECKING

from rules.analysis.elements import RESISTIVE
from rules.analysis.formulas.latching import loop_gain
from rules.analysis.latches.cures import single
from rules.analysis.latches.find import Latch, Rest
from rules.analysis.latches.gain import gain_around, middle
from rules.analysis.latches.margins import (
    Corner,
    Lost,
    as_written,
    at_worst,
    existence,
    gains,
    reserve,
    survives,
)
from rules.analysis.states import collector_currents
from rules.contract import API_LEVEL, Dial, Lesson, limits_of
from rules.latch_words import (
    RESERVE,
    RESERVE_ROLE,
    RESERVE_RULE,
    at,
    each_latch,
    gains_of,
    holders,
    place,
    pointers,
    quoted,
    situation,
    states_identity,
    the_latch,
)
from rules.outcomes import satisfied, violated
from rules.wording import from_to, listed, new_resistance, part_quantity, times
from schemas.finding import Grounds, Limit, Outcome, Proposal, Quantity, Severity, Test, identity

if TYPE_CHECKING:
    from rules.analysis.study import Study

EDGE = Limit("edge", 1.0, "", "definition: below it nothing regenerates", "gain around the loop, at least")
POOR = Limit(
    "poor gain",
    0.3,
    "",
    "common practice, no source; small-signal gain at microamperes against that at milliamperes",
    "share of its least gain with which the loop still has to get on",
)

PASSING = """\
format: thumbrule/1
name: compost-lid
ground: gnd
parts:
  V1: {kind: supply, voltage: 9 V, pins: {plus: rail, minus: gnd}}
  S1: {kind: contact, rest: open, pins: {a: rail, b: set}}
  R5: {kind: resistor, resistance: 100 kohm, pins: {a: set, b: b1}}
  Q2: {kind: pnp, beta: {min: 60, max: 240}, pins: {collector: out, base: b2, emitter: rail}}
  R4: {kind: resistor, resistance: 22 kohm, pins: {a: rail, b: b2}}
  R3: {kind: resistor, resistance: 4.7 kohm, pins: {a: b2, b: c1}}
  Q1: {kind: npn, beta: {min: 60, max: 240}, pins: {collector: c1, base: b1, emitter: gnd}}
  R2: {kind: resistor, resistance: 56 kohm, pins: {a: out, b: b1}}
  R1: {kind: resistor, resistance: 47 kohm, pins: {a: b1, b: gnd}}
  L1: {kind: load, resistance: 390 ohm, pins: {plus: out, minus: gnd}}
states:
  shut: {Q1: off, Q2: off}
  open: {Q1: on, Q2: on}
"""
FAILING = PASSING.replace("56 kohm", "150 kohm")


class LoopGain:
    """Gain around the loop with every member active, and what is left of the latch at a third of it."""

    slug = "loop-gain"
    title = "Gain around the loop"
    protects = "the start of a latch, at the small currents where it has to regenerate"
    api_level = API_LEVEL
    limits: Mapping[str, Limit] = limits_of(EDGE, POOR)
    grounds = Grounds(
        rule_of_thumb="A loop regenerates with three tenths of its least gain, as poor as at microamperes.",
        formula="T = beta_1*beta_2 / (1 + R_f/R_L) > 1;  exactly: sign det M_SS = -1;  M >= 1/0.3",
        symbols={
            "T": "gain around the loop with both transistors active, 1",
            "beta_1, beta_2": "least gains, 1",
            "R_f": "resistor from the load back to the base it holds, ohm",
            "R_L": "load of the output, ohm",
            "M_SS": "reduced matrix over the conducting junctions, ohm",
            "M": "least gain over the gain at which the on state vanishes, 1",
        },
        source="current divider between load and feedback; the state between off and on has the sign -1"
        " (degree theory); 0.3: common practice, no source",
        holds="for the middle state, where regeneration starts; the gain of a published type is read at its"
        " currents",
        fails="where the gain given holds at milliamperes only: at microamperes a constant gain flatters",
    )
    lesson = Lesson(
        why="A latch starts small. As the trigger lifts the first base, the loop has to give back more than"
        " it gets, and it has to do so at the small currents that flow then. Each bleed takes a fixed"
        " current: below it the loop stays off, which is what bleeds are for; above it the gain decides.",
        breaks="Gain falls at small currents, to a half or a third of the figure in the sheet, and in the"
        " cold. A loop that is sure at milliamperes may hang there, half on, or fall back.",
        mend="A smaller feedback resistor, so that less of the output current goes into the load; a class of"
        " transistors with more gain; larger bleeds, as far as leakage and pick-up allow.",
        failing=FAILING,
        passing=PASSING,
        dial=Dial("/parts/R2/resistance", "56 kohm", "150 kohm"),
        derivation="rules.derivations.loop_gain:DERIVATION",
    )

    def check(self, study: Study) -> Iterable[Outcome]:
        """Outcomes per latch: the gain around the loop, and each held state at 0.3 times the least gain."""
        return each_latch(self, study, self._latch)

    def _latch(self, study: Study, latch: Latch) -> Iterator[Outcome]:
        around, edge = gain_around(study, latch, "min"), self.limits["edge"].value
        for rest in latch.ons:
            lost = as_written(latch, rest, existence)
            where = situation(latch, rest, lost.corner)
            test = Test.at_least(around, edge, "")
            if math.isfinite(around) and not test.holds:
                message = (
                    f"The gain around the loop of {listed(latch.members)} is {times(around)}"
                    f" ({at(lost.corner)}); limit {edge:g}: what comes back is less than what went in."
                )
                yield self._violated(study, latch, rest, lost, test, "error", message, around)
                continue
            if math.isfinite(around):
                told = (Quantity("T", "gain around the loop with every member active", around, ""),)
                yield satisfied(self, latch.members, where, test, told)
            test = Test.at_least(lost.value, 1.0 / self.limits["poor gain"].value, "")
            if test.holds:
                meaning = "least gain over the gain at which the state vanishes"
                told = (Quantity("M", meaning, lost.value, ""),)
                yield satisfied(self, latch.members, where, test, told if math.isfinite(lost.value) else ())
                continue
            yield self._poor(study, latch, rest, lost, test, around)

    def _poor(self, study: Study, latch: Latch, rest: Rest, lost: Lost, test: Test, around: float) -> Outcome:
        poor = self.limits["poor gain"].value
        limit = f"it should with {poor:g} times, as poor as gain is at microamperes"
        if lost.value < 1.0:
            what = f"has no {place(latch, rest)} with its least gain ({at(lost.corner)})"
            return self._violated(
                study, latch, rest, lost, test, "error", f"{the_latch(latch)} {what}; {limit}.", around
            )
        share = times(1.0 / lost.value)
        what = f"loses {place(latch, rest)} below {share} times its least gain ({at(lost.corner)})"
        return self._violated(
            study, latch, rest, lost, test, "warning", f"{the_latch(latch)} {what}; {limit}.", around
        )

    def _violated(
        self,
        study: Study,
        latch: Latch,
        rest: Rest,
        lost: Lost,
        test: Test,
        severity: Severity,
        message: str,
        around: float,
    ) -> Outcome:
        poor = self.limits["poor gain"].value
        return violated(
            self,
            study,
            latch.members,
            situation(latch, rest, lost.corner),
            test,
            severity,
            message,
            _evidence(study, latch, rest, lost, around),
            role="gain around the loop",
            parts=latch.members,
            nets=(),
            pointers=pointers(study, latch),
            proposals=tuple(_more(study, latch, rest, lost, poor)) if study.proposing else (),
            cause=_cause(latch, rest, severity),
            advice=("transistors of a class with more gain do the same without any other value",),
        )


def _cause(latch: Latch, rest: Rest, severity: Severity) -> str | None:
    """The state that is missing, or the reserve that is too small as it is, where one of them is told."""
    if severity == "error":
        return states_identity(latch)
    small = any(margin(latch, rest, reserve).value < RESERVE for margin in (as_written, at_worst))
    return identity(RESERVE_RULE, latch.members, (), RESERVE_ROLE) if small else None


def _more(study: Study, latch: Latch, rest: Rest, lost: Lost, poor: float) -> Iterator[Proposal]:
    """Resistors, each alone, with which the state is there at three tenths of the least gain."""

    def enough(corner: Corner) -> bool:
        return survives(latch, rest, corner, poor, False)

    for name, ohms in single(study, latch, rest, lost, lost.slopes, enough):
        summary = (
            f"{from_to(study, name, ohms)}: {quoted(rest.name)} exists with {poor:g} times the gain"
        )
        yield Proposal(summary, (new_resistance(study, name, ohms),))


def _evidence(study: Study, latch: Latch, rest: Rest, lost: Lost, around: float) -> Iterator[Quantity]:
    yield from gains_of(study, latch, rest, "min")
    if math.isfinite(around):
        yield Quantity("T", "gain around the loop with every member active", around, "")
    yield Quantity("M", "least gain over the gain at which the state vanishes", lost.value, "")
    state = middle(study, latch, "min")
    if state is not None:
        currents = collector_currents(state.mode.network, state.mode.betas, state.mode.solution)
        for name in latch.members:
            yield Quantity(
                f"I_{name}", f"collector current of {name} in the middle state", abs(currents[name]), "A"
            )
    yield from _by_hand(study, latch, rest)


def _by_hand(study: Study, latch: Latch, rest: Rest) -> Iterator[Quantity]:
    """T by hand, where the load is a resistance from the output to a rail."""
    held, output = holders(study, latch, rest), latch.outputs.get(rest.name)
    if held is None or output is None:
        return
    arms = [arm for arm in study.roles.stages[output].collector_arms if arm.part != held.feedback]
    loads = [arm.part for arm in arms if arm.other in study.roles.rails]
    others = [arm.part for arm in arms if arm.part not in loads]
    state = latch.start(rest)
    if not loads or state is None or any(any(state.currents[name].values()) for name in others):
        return
    parallel = 1.0 / sum(1.0 / study.value(name, "resistance") for name in loads)
    least = gains(latch, rest, "min")
    hand = loop_gain(least[held.member], least[output], study.value(held.feedback, "resistance"), parallel)
    yield Quantity("T_hand", "beta_1*beta_2 / (1 + R_f/R_L), by hand", hand, "")
    for name in (held.feedback, *loads):
        known = part_quantity(study, name, "resistance", name, "R_f" if name == held.feedback else "R_L")
        if known is not None and study.circuit.parts[name].kind in RESISTIVE:
            yield known


RULE = LoopGain()
