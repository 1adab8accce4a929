"""No current is pushed into the plus pin of a source, or into an output that is high."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import TYPE_CHECKING

from rules.analysis.elements import SOURCES
from rules.analysis.feeding_back import (
    RECHARGEABLE,
    Fed,
    bringers,
    fed,
    givers,
    left_alone,
    level_shift,
    turned_diodes,
)
from rules.analysis.source_diodes import series_diode
from rules.contract import API_LEVEL, Dial, Lesson, limits_of
from rules.outcomes import not_applicable, satisfied, violated
from rules.wording import listed, member_pointer, part_quantity, say, where
from schemas.finding import Grounds, Limit, Outcome, Proposal, Quantity, Test

if TYPE_CHECKING:
    from rules.analysis.study import Study
    from schemas.circuit import Part

CURRENT = Limit(
    "current", 0.1e-3, "A", "common practice, no source", "current into a source or a high output"
)
LIFT = Limit(
    "lift",
    0.3,
    "V",
    "from memory: absolute limits of logic parts are given as their supply + 0.3 V",
    "voltage of a pin above its own level",
)

PASSING = """\
format: thumbrule/1
name: mushroom-house-fan
ground: gnd
parts:
  V1: {kind: supply, voltage: 9 V, pins: {plus: rail, minus: gnd}}
  U1: {kind: driver, low: 0 V, high: 9 V, resistance: 50 ohm, pins: {out: order, reference: gnd}}
  R1: {kind: resistor, resistance: 4.7 kohm, pins: {a: order, b: base}}
  R2: {kind: resistor, resistance: 47 kohm, pins: {a: rail, b: base}}
  Q1: {kind: pnp, beta: {min: 100, max: 300}, pins: {collector: fan, base: base, emitter: rail}}
  M1: {kind: load, resistance: 330 ohm, pins: {plus: fan, minus: gnd}}
"""
FAILING = PASSING.replace("high: 9 V", "high: 5 V")


class BackFeed:
    """Current into every source and every high output, in every situation and at its worst corner."""

    slug = "back-feed"
    title = "Current pushed back into a source"
    protects = "a lower rail or an output from being pushed above itself"
    api_level = API_LEVEL
    limits: Mapping[str, Limit] = limits_of(CURRENT, LIFT)
    grounds = Grounds(
        rule_of_thumb="Current leaves the plus pin of a source; nothing pushes it back in.",
        formula="I_in <= 0.1 mA;  V_pin = V_level + I_in*r <= V_level + 0.3 V;"
        "  I_in = (V_S - V_drops - V_level)/(R + r)",
        symbols={
            "I_in": "current into the plus pin, A",
            "V_pin": "voltage of the pin, V",
            "V_level": "open-circuit voltage of the source, or the level of the output, V",
            "r": "its internal resistance, ohm",
            "V_S": "the higher rail, V",
            "V_drops": "junction drops on the way, V",
            "R": "resistance on the way, ohm",
        },
        source="Kirchhoff's voltage law; 0.1 mA: common practice, no source; 0.3 V: from memory",
        holds="for every state at rest or waiting; a regulator can give current but not take any",
        fails="for a battery of a chemistry that is charged on purpose; for an output at its low level, whose"
        " work it is to take current; for one that would stand less than 0.3 V above its level if left alone",
    )
    lesson = Lesson(
        why="A PNP with its emitter on 12 V ties its base to 11.3 V. A 5 V output that goes high to turn it"
        " off is then still 6.3 V below: the transistor never turns off, and the output eats the base"
        " current through its own protection, into a supply that nothing but its small load pulls down.",
        breaks="Two supplies joined by a diode are no such case while the diode points away from the lower"
        " one. A regulator does not take current: a rail that is fed back simply rises. A battery that may"
        " not be charged leaks or worse.",
        mend="An NPN between the output and the base resistor: the output then drives a base at its own"
        " level, and the higher voltage stays on the collector. For a supply, a diode in its lead.",
        failing=FAILING,
        passing=PASSING,
        dial=Dial("/parts/U1/high", "9 V", "5 V"),
        derivation="rules.derivations.back_feed:DERIVATION",
    )

    def check(self, study: Study) -> Iterable[Outcome]:
        """Outcomes per source: every situation and the worst corner of each."""
        sources = [part for part in study.circuit.parts.values() if part.kind in SOURCES]
        if not sources:
            yield not_applicable(self, (), "there is no source")
        alone = len(givers(study)) < 2
        for part in sources:
            if alone:
                reason = "it is the only source: everything else only takes power"
                yield Outcome(self.slug, "satisfied", (part.name,), reason)
            elif part.text("chemistry") in RECHARGEABLE:
                yield not_applicable(self, (part.name,), "a battery of its chemistry may be charged")
            else:
                yield from self._source(study, part)

    def _source(self, study: Study, part: Part) -> Iterator[Outcome]:
        found = list(fed(study, part))
        cases = [case for case in found if case is not None]
        if len(cases) < len(found):
            reason = f"the circuit does not determine the current of {part.name} in every state"
            yield Outcome(self.slug, "undecided", (part.name,), reason)
        if not found:
            yield not_applicable(self, (part.name,), "it is high in no state")
        if not cases:
            return
        worst = max(cases, key=lambda case: case.into)
        for case in cases:
            test = self._test(study, part, case)
            if test.holds:
                yield satisfied(self, (part.name,), case.situation, test, _evidence(study, case))
            else:
                yield self._violated(study, part, case, test, case is worst)

    def _test(self, study: Study, part: Part, case: Fed) -> Test:
        current = Test.at_most(case.into, self.limits["current"].value, "A")
        lift = Test.at_most(case.lifted, self.limits["lift"].value, "V")
        if current.holds and not lift.holds:
            return lift
        if part.kind == "driver" and not current.holds:
            # a pull-up to its own rail, a little above its level, pushes it nowhere
            alone = left_alone(study, case)
            if alone is not None and alone - case.level <= self.limits["lift"].value:
                return Test.at_most(alone - case.level, self.limits["lift"].value, "V")
        return current

    def _violated(self, study: Study, part: Part, case: Fed, test: Test, is_worst: bool) -> Outcome:
        driver = part.kind == "driver"
        pin = "output" if driver else "plus pin"
        through = listed(bringers(study, case))
        by = f" through {through}" if through else ""
        alone = left_alone(study, case)
        lone = "" if alone is None else f"; left alone the pin would stand at {say(alone, 'V')}"
        message = (
            f"{say(case.into, 'A')} flow into the {pin} of {case.source}{by} in {where(case.situation)};"
            f" limit {say(self.limits['current'].value, 'A')}. Its own level is {say(case.level, 'V')}{lone}."
        )
        if test.unit == "V":
            message = (
                f"The {pin} of {case.source} is pushed {say(case.lifted, 'V')} above its own level of"
                f" {say(case.level, 'V')} in {where(case.situation)}; limit {say(test.right, 'V')}."
            )
        evidence = list(_evidence(study, case))
        if alone is not None:
            evidence.append(Quantity("V_alone", "voltage of the pin with the source taken off", alone, "V"))
        return violated(
            self,
            study,
            (part.name,),
            case.situation,
            test,
            "error",
            message,
            evidence,
            role="fed back",
            parts=(part.name,),
            nets=(part.pins["out" if driver else "plus"],),
            pointers=(member_pointer(part.name, "pins"),),
            proposals=_proposals(study, part, case) if study.proposing and is_worst else (),
            advice=_advice(part) if is_worst else (),
        )


def _evidence(study: Study, case: Fed) -> Iterator[Quantity]:
    yield Quantity("I_in", f"current into {case.source}", case.into, "A")
    yield Quantity("V_level", f"own level of {case.source}", case.level, "V")
    own = part_quantity(study, case.source, "resistance", "r", f"internal resistance of {case.source}")
    if own is not None:
        yield own
    yield Quantity("V_pin", "V_level + I_in*r", case.pin, "V")


def _proposals(study: Study, part: Part, case: Fed) -> tuple[Proposal, ...]:
    if part.kind != "driver":
        return (*turned_diodes(study, case), series_diode(study, part.name, "nothing flows back"))
    shift = level_shift(study, case)
    return () if shift is None else (shift,)


def _advice(part: Part) -> Iterator[str]:
    if part.kind == "driver":
        yield (
            f"an output that only pulls down does as well, with a pull-up to the rail that {part.name} drives"
            " against, if it stands that rail"
        )
    else:
        yield f"say `chemistry` where {part.name} is a battery that is charged on purpose"


RULE = BackFeed()
