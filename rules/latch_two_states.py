"""A latch rests in each of its places at every corner."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import TYPE_CHECKING

from rules.analysis.latches.find import Latch, Rest
from rules.analysis.latches.margins import (
    Corner,
    as_written,
    at_worst,
    existence,
    present,
    reserve,
    warmest,
    written,
)
from rules.contract import API_LEVEL, Dial, Lesson, limits_of
from rules.latch_words import (
    STATES_ROLE,
    STATES_RULE,
    at,
    corner_values,
    each_latch,
    floating,
    gains_of,
    missing,
    more_hold,
    place,
    pointers,
    quoted,
    situation,
    the_latch,
)
from rules.outcomes import not_applicable, satisfied, violated
from rules.wording import listed
from schemas.finding import Grounds, Limit, Outcome, Proposal, Quantity, Severity, Test

if TYPE_CHECKING:
    from rules.analysis.study import Study

PLACES = Limit(
    "places",
    2.0,
    "",
    "definition of a latch: two stable states and an unstable one between them"
    " (any text on pulse circuits, e.g. Venkata Rao, Pulse and Digital Circuits, ch. 9)",
    "places in which it can rest",
)

PASSING = """\
format: thumbrule/1
name: full-watering-can
ground: gnd
ambient: {low: 0 degC, nominal: 20 degC, high: 40 degC}
parts:
  V1: {kind: supply, voltage: 9 V, low: 8 V, high: 10 V, pins: {plus: rail, minus: gnd}}
  S1: {kind: contact, rest: open, pins: {a: rail, b: set}}
  R5: {kind: resistor, resistance: 33 kohm, pins: {a: set, b: b1}}
  S2: {kind: contact, rest: open, pins: {a: b1, b: gnd}}
  Q2: {kind: pnp, beta: {min: 100, max: 300}, pins: {collector: out, base: b2, emitter: rail}}
  R4: {kind: resistor, resistance: 10 kohm, pins: {a: rail, b: b2}}
  R3: {kind: resistor, resistance: 4.7 kohm, pins: {a: b2, b: c1}}
  Q1: {kind: npn, beta: {min: 100, max: 300}, pins: {collector: c1, base: b1, emitter: gnd}}
  R2: {kind: resistor, resistance: 47 kohm, pins: {a: out, b: b1}}
  R1: {kind: resistor, resistance: 22 kohm, pins: {a: b1, b: gnd}}
  L1: {kind: load, resistance: 470 ohm, pins: {plus: out, minus: gnd}}
states:
  empty: {Q1: off, Q2: off}
  full: {Q1: on, Q2: on}
"""
FAILING = PASSING.replace(
    "R2: {kind: resistor, resistance: 47 kohm", "R2: {kind: resistor, resistance: 220 kohm"
)


class LatchTwoStates:
    """Both resting places at every gain, and at the worst corner of supply, temperature and resistances."""

    slug = STATES_RULE
    title = "Both states of a latch at every corner"
    protects = "the two resting places of a latch"
    api_level = API_LEVEL
    limits: Mapping[str, Limit] = limits_of(PLACES)
    grounds = Grounds(
        rule_of_thumb="A latch keeps its off state and its on state with the weakest transistors, the lowest"
        " supply and in the cold.",
        formula="states: off (+1), middle (-1), on (+1);  sign det M_SS = -1 for the middle one",
        symbols={
            "M_SS": "reduced matrix over the conducting junctions, ohm; its sign is the state's",
        },
        source=PLACES.source,
        holds="for transistors that drive each other, collector to base; for a latch that lets go of itself,"
        " while its capacitor holds it",
        fails="where a base hangs open: nothing then says what off is (see false-trigger-leakage)",
    )
    lesson = Lesson(
        why="A latch is a promise of two resting places. Between them lies a third state, which nobody can"
        " measure, because the circuit leaves it at once: it is the fence, and its height is the immunity"
        " to noise. With too little gain, supply or feedback the on state and the fence meet and vanish,"
        " and the latch forgets at once what it was told.",
        breaks="A latch that lets go of itself after a while has only its off state at rest: its on state"
        " exists while a capacitor holds its voltage, and is looked for there. Three resting places are no"
        " better than two: one of them was not meant.",
        mend="On missing: more feedback, a lower resistor from the output to the base it holds. Off missing:"
        " a firmer bleed from base to emitter.",
        failing=FAILING,
        passing=PASSING,
        dial=Dial("/parts/R2/resistance", "47 kohm", "220 kohm"),
        derivation="rules.derivations.latch_two_states:DERIVATION",
    )

    def check(self, study: Study) -> Iterable[Outcome]:
        """Outcomes per latch and corner."""
        return each_latch(self, study, self._latch)

    def _latch(self, study: Study, latch: Latch) -> Iterator[Outcome]:
        loose = floating(latch)
        if loose:
            reason = (
                f'nothing holds the base of {listed(loose)} in "{latch.rests[0].name}": it is not defined'
            )
            yield not_applicable(self, latch.members, reason)
            return
        for corner, there in corners(study, latch):
            lost = [rest for rest in latch.rests if rest not in there]
            test = Test.at_least(float(len(there)), float(len(latch.rests)), "")
            if lost and not latch.sets["typical"].complete:
                reason = f"not every state was found: {latch.sets['typical'].reason}"
                yield Outcome(self.slug, "undecided", latch.members, reason, lost[0].name, corner.label)
            elif lost:
                yield self._missing(study, latch, corner, lost[0], test)
            else:
                yield satisfied(self, latch.members, situation(latch, latch.rests[-1], corner), test)
        yield from self._too_many(study, latch)

    def _missing(self, study: Study, latch: Latch, corner: Corner, rest: Rest, test: Test) -> Outcome:
        where = f"{place(latch, rest)} ({at(corner)})"
        message = f"{the_latch(latch)} cannot rest in {where}: only {_left(latch, rest)}."
        proposals: tuple[Proposal, ...] = ()
        advice: tuple[str, ...] = ()
        if rest.is_off:
            advice = ("a firmer bleed from base to emitter of each member keeps the off state",)
        elif study.proposing and at_worst(latch, rest, reserve).corner.label == corner.label:
            proposals = more_hold(study, latch, rest)
        return self._violated(
            study, latch, corner, rest, test, message, evidence(study, latch, rest, corner), proposals, advice
        )

    def _too_many(self, study: Study, latch: Latch) -> Iterator[Outcome]:
        """More resting places than two: one of them was not meant."""
        for gain in study.corners:
            there = {latch.conducting(state): state.name for state in latch.states(gain)}
            test = Test.at_most(float(len(there)), self.limits["places"].value, "")
            if test.holds:
                continue
            rest = latch.rests[-1]
            corner = written(latch, rest, gain)
            message = (
                f"{the_latch(latch)} can rest in {len(there)} places ({at(corner)}):"
                f" {listed(map(quoted, there.values()))}; a latch is meant to have two."
            )
            found = gains_of(study, latch, rest, gain)
            yield self._violated(study, latch, corner, rest, test, message, found, severity="note")

    def _violated(
        self,
        study: Study,
        latch: Latch,
        corner: Corner,
        rest: Rest,
        test: Test,
        message: str,
        found: Iterable[Quantity],
        proposals: Iterable[Proposal] = (),
        advice: Iterable[str] = (),
        severity: Severity = "error",
    ) -> Outcome:
        return violated(
            self,
            study,
            latch.members,
            situation(latch, rest, corner),
            test,
            severity,
            message,
            found,
            role=STATES_ROLE if severity == "error" else "surplus resting place",
            parts=latch.members,
            nets=(),
            pointers=pointers(study, latch),
            proposals=proposals,
            advice=advice,
        )


def corners(study: Study, latch: Latch) -> Iterator[tuple[Corner, tuple[Rest, ...]]]:
    """Each corner that was looked at, and the resting places that exist there."""
    for gain in study.corners:
        there = tuple(rest for rest in latch.rests if latch.state(rest, gain) is not None)
        yield written(latch, latch.rests[-1], gain), there
    for rest in latch.rests:
        others = tuple(other for other in latch.rests if other is not rest)
        if rest.is_off:
            corner = warmest(latch, rest)
            exists = present(latch, rest, corner, "max")
        else:
            lost = at_worst(latch, rest, reserve)
            corner = lost.corner
            exists = not missing(lost) or not missing(existence(latch, rest, corner))
        if corner.label not in study.corners:
            yield corner, (*others, rest) if exists else others


def _left(latch: Latch, rest: Rest) -> str:
    others = [quoted(other.name) for other in latch.rests if other is not rest]
    return f"{listed(others)} {'is' if len(others) == 1 else 'are'} left"


def evidence(study: Study, latch: Latch, rest: Rest, corner: Corner) -> Iterator[Quantity]:
    """Gains and corner, and how much gain the state would need."""
    gain = corner.label if corner.label in study.corners else ("max" if rest.is_off else "min")
    yield from gains_of(study, latch, rest, gain)
    yield from corner_values(study, corner)
    if rest.is_off:
        return
    for symbol, lost in (
        ("M", as_written(latch, rest, reserve)),
        ("M_worst", at_worst(latch, rest, reserve)),
    ):
        needs = (
            f"the gain that {quoted(rest.name)} needs" if lost.value else "what it needs: no gain is enough"
        )
        meaning = f"least gain over {needs} ({at(lost.corner)})"
        yield Quantity(symbol, meaning, lost.value, "")


RULE = LatchTwoStates()
