"""A meter can tell the states of the circuit apart without becoming a part of it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from rules.analysis.formulas.field import node_at_most, reading_share
from rules.analysis.pickup import loosest, node_resistances
from rules.analysis.resolve import TRANSISTORS
from rules.contract import API_LEVEL, Dial, Lesson, limits_of
from rules.outcomes import not_applicable, violated_by
from rules.wording import say
from schemas.finding import Grounds, Limit, Outcome, Quantity, Test

if TYPE_CHECKING:
    from rules.analysis.study import Situation, Study
    from schemas.circuit import Part

METER = Limit(
    "meter", 10e6, "ohm", "digital multimeters: common practice, no source", "input resistance of the meter"
)
READING = Limit(
    "share", 0.95, "", "common practice, no source", "share of a voltage that the meter has to show"
)
APART = Limit(
    "apart", 0.5, "V", "common practice, no source", "least difference between two states that is told"
    " apart"
)
POINTER = 20e3 * 10.0  # ohm of a pointer meter of 20 kohm/V on its 10 V range: common practice, no source

PASSING = """\
format: thumbrule/1
name: beehive-door-watch
ground: gnd
parts:
  BT1: {kind: battery, voltage: 3 V, resistance: 10 ohm, pins: {plus: rail, minus: gnd}}
  S1: {kind: contact, rest: open, pins: {a: rail, b: door}}
  R1: {kind: resistor, resistance: 6.8 Mohm, pins: {a: door, b: base}}
  R2: {kind: resistor, resistance: 10 Mohm, pins: {a: base, b: gnd}}
  R3: {kind: resistor, resistance: 330 kohm, pins: {a: rail, b: out}}
  Q1: {kind: npn, beta: 200, icbo: 1 nA, pins: {collector: out, base: base, emitter: gnd}}
"""
FAILING = PASSING.replace("330 kohm", "3.3 Mohm")


@dataclass(frozen=True, slots=True)
class Point:
    """A net as a place to measure: how far apart (V) its readings are, and what is behind it (ohm)."""

    net: str
    apart: float
    ohms: float


class Testability:
    """For every transistor that switches: a net where a meter tells on from off."""

    slug = "testability"
    title = "Points to measure"
    protects = "the check on the bench from the meter"
    api_level = API_LEVEL
    limits: Mapping[str, Limit] = limits_of(METER, READING, APART)
    grounds = Grounds(
        rule_of_thumb="A meter is a part you add: 10 Mohm on what is up to half a megohm.",
        formula="R_m/(R_m + R_n) >= 0.95 at a net whose readings differ by 0.5 V",
        symbols={"R_m": "resistance of the meter, ohm", "R_n": "what is behind the net, ohm"},
        source="voltage divider; 10 Mohm, 95 % and 0.5 V: common practice, no source",
        holds="for every state at rest or waiting, with resistors at their greatest value; any net that"
        " tells the two states apart counts, so that a buffered neighbour is enough",
        fails="for pointer meters, which load far more, and for a finger on the lead",
    )
    lesson = Lesson(
        why="A multimeter of 10 megohm in parallel with a node of 220 kohm takes 2 % off the reading; on a"
        " node of several megohms it takes a third, and may tip the very state that was to be seen. What"
        " decides a state ought to show somewhere at an ordinary resistance: at a collector, at an"
        " emitter, at the load.",
        breaks="A pointer meter of 20 kohm for each volt is 200 kohm on its 10 V range: on a node of 220"
        " kohm it shows not even half. And a finger on a megohm node is a part too.",
        mend="Measure a neighbour that is buffered: an emitter follows its base, a collector answers it."
        " Where there is none, lower the resistor of one collector, or bring out a loop of wire at the"
        " next stage.",
        failing=FAILING,
        passing=PASSING,
        dial=Dial("/parts/R3/resistance", "330 kohm", "3.3 Mohm"),
        derivation="rules.derivations.testability:DERIVATION",
    )

    def check(self, study: Study) -> Iterable[Outcome]:
        """One outcome per transistor that is on in some states and off in others."""
        transistors = [part for part in study.circuit.parts.values() if part.kind in TRANSISTORS]
        if not transistors:
            yield not_applicable(self, (), "there is no transistor")
        for part in transistors:
            yield self._judge(study, part)

    def _judge(self, study: Study, part: Part) -> Outcome:
        about = (part.name,)
        sides: dict[bool, list[Situation]] = {True: [], False: []}
        for situation in study.situations():
            sides[situation.state.devices[part.name] != "off"].append(situation)
        if not (sides[True] and sides[False]):
            return not_applicable(self, about, f"{part.name} does not switch: it decides no state")
        meter, share = self.limits["meter"].value, self.limits["share"].value
        points = self._points(study, sides[True], sides[False])
        if not points:
            return self._nowhere(study, part, sides[True], sides[False])
        best = min(points, key=lambda point: (round(point.ohms, 3), -round(point.apart, 6), point.net))
        test = Test.at_least(reading_share(meter, best.ohms), share, "")
        evidence = self._evidence(best)
        if test.holds:
            return Outcome(self.slug, "satisfied", about, test=test, evidence=evidence)
        most = node_at_most(meter, share)
        message = (
            f"Nothing tells whether {part.name} is on without a meter of {say(meter, 'ohm')} disturbing"
            f" it: the best place is {best.net} with {say(best.ohms, 'ohm')} behind it, where the meter"
            f" shows {say(test.left, 'ratio')} of the voltage ({say(test.right, 'ratio')} wanted,"
            f" {say(most, 'ohm')} or less)."
        )
        return self._finding(part, test, message, evidence, best.net)

    def _points(self, study: Study, on: list[Situation], off: list[Situation]) -> list[Point]:
        """Nets whose readings tell the two sides apart."""
        loose, apart = loosest(study), self.limits["apart"].value

        def behind() -> list[dict[str, float]]:
            return [node_resistances(s.state, loose) for s in study.situations()]

        every = study.shared("node resistances", behind)
        gaps = {net: _gap(net, on, off) for net in study.circuit.net_names if net != study.circuit.ground}
        return [
            Point(net, gap, max(ohms[net] for ohms in every))
            for net, gap in gaps.items()
            if gap is not None and gap >= apart
        ]

    def _nowhere(self, study: Study, part: Part, on: list[Situation], off: list[Situation]) -> Outcome:
        apart = self.limits["apart"].value
        gap, net = max((_gap(net, on, off) or 0.0, net) for net in study.circuit.net_names)
        test = Test.at_least(gap, apart, "V")
        told = (Quantity("dV", f"difference of the readings at {net}", gap, "V"),)
        message = (
            f"No net tells whether {part.name} is on: the readings differ most at {net}, by"
            f" {say(gap, 'V')}, where {say(apart, 'V')} are told apart for sure."
        )
        return self._finding(part, test, message, told, net)

    def _evidence(self, best: Point) -> tuple[Quantity, ...]:
        meter = self.limits["meter"]
        return (
            Quantity("R_m", "resistance of the meter", meter.value, "ohm", "assumed", None, meter.source),
            Quantity("R_n", f"what is behind {best.net}", best.ohms, "ohm"),
            Quantity("dV", f"difference of the readings at {best.net}", best.apart, "V"),
            Quantity(
                "share",
                "what a pointer meter of 200 kohm would show there",
                reading_share(POINTER, best.ohms),
                "",
            ),
        )

    def _finding(
        self, part: Part, test: Test, message: str, evidence: tuple[Quantity, ...], net: str
    ) -> Outcome:
        return violated_by(
            self,
            part.name,
            (None, None),
            test,
            "note",
            message,
            evidence,
            role="reading",
            advice=(
                f"measure at {net} with a meter of higher resistance, or bring out a loop of wire"
                " behind the next stage that this one drives",
            ),
        )


def _gap(net: str, on: list[Situation], off: list[Situation]) -> float | None:
    """The least distance (V) of a reading on one side from one on the other; ``None`` if one is open."""
    sides = [[s.state.nets[net] for s in side] for side in (on, off)]
    if any(value is None for side in sides for value in side):
        return None
    return min(abs((a or 0.0) - (b or 0.0)) for a in sides[0] for b in sides[1])


RULE = Testability()
