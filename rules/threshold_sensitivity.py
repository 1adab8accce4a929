"""A capacitor crosses its threshold while it still moves."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from rules.analysis.crossing import Crossing
from rules.analysis.delay_corners import Corner, delay_corners
from rules.analysis.requirements import delay_window
from rules.analysis.retiming import fraction, nearer_threshold
from rules.contract import API_LEVEL, Dial, Lesson, limits_of
from rules.delay_words import changes, each_delay, no_nominal, place, satisfied, violated
from rules.wording import member_pointer, new_resistance, say, times
from schemas.finding import Change, Grounds, Limit, Outcome, Proposal, Quantity, Severity, Test
from schemas.quantities import document_text

if TYPE_CHECKING:
    from rules.analysis.delays import Delay
    from rules.analysis.study import Study

FLAT = Limit(
    "flat", 0.8, "", "common practice, no source", "threshold over aim from which the crossing is flat"
)
CRAWL = Limit(
    "crawl", 0.95, "", "common practice, no source", "threshold over aim from which the delay is chance"
)
SWING = Limit(
    "swing",
    1.0,
    "V",
    "common practice, no source: 2 mV/K and 0.05 V from part to part are then more than a tenth",
    "least voltage between the start and the threshold",
)
KEPT = 0.2  # of the delay; what may be left of it where nothing is required

PASSING = """\
format: thumbrule/1
name: kettle-reminder
ground: gnd
parts:
  V1: {kind: supply, voltage: 9 V, pins: {plus: rail, minus: gnd}}
  R1: {kind: resistor, resistance: 100 kohm, tolerance: 1 %, pins: {a: rail, b: slow}}
  C1: {kind: capacitor, capacitance: 10 uF, tolerance: 5 %, dielectric: film, pins: {plus: slow, minus: gnd}}
  S1: {kind: contact, rest: closed, pins: {a: slow, b: drain}}
  R5: {kind: resistor, resistance: 100 ohm, pins: {a: drain, b: gnd}}
  R2: {kind: resistor, resistance: 330 kohm, tolerance: 1 %, pins: {a: slow, b: base}}
  R3: {kind: resistor, resistance: 100 kohm, tolerance: 1 %, pins: {a: base, b: gnd}}
  R4: {kind: resistor, resistance: 100 kohm, pins: {a: rail, b: out}}
  Q1: {kind: npn, beta: 200, pins: {collector: out, base: base, emitter: gnd}}
"""
FAILING = PASSING.replace(
    "100 kohm, tolerance: 1 %, pins: {a: base", "51 kohm, tolerance: 1 %, pins: {a: base"
)


@dataclass(frozen=True, eq=False)
class Case:
    """One delay with the corner at which its crossing is flattest, and that at which its swing is least."""

    delay: Delay
    crossing: Crossing
    flattest: Corner
    smallest: Corner

    def at(self, corner: Corner) -> tuple[float, float, float]:
        """(threshold V, aim V, sensitivity) at a corner."""
        row = corner.row[None]
        courses = self.crossing.corners.courses(row)
        sums = self.crossing
        found = (sums.threshold(courses, row), sums.aim(courses, row), sums.sensitivity(courses, row))
        threshold, aim, sensitivity = (float(values[0]) for values in found)
        return threshold, aim, sensitivity


class ThresholdSensitivity:
    """Threshold over aim, and the voltage between start and threshold."""

    slug = "threshold-sensitivity"
    title = "Flat crossing of a threshold"
    protects = "a delay from small errors of its threshold"
    api_level = API_LEVEL
    limits: Mapping[str, Limit] = limits_of(FLAT, CRAWL, SWING)
    grounds = Grounds(
        rule_of_thumb="A threshold lies between a volt and four fifths of what the capacitor aims at.",
        formula="S = (dt/t)/(dV_th/V_th) = [x/(1-x)] / ln(1/(1-x)),  x = V_th/V_inf",
        symbols={
            "S": "per cent of the delay per per cent of the threshold, 1",
            "x": "threshold over aim, 1",
            "V_th": "capacitor voltage at which the delay ends, V",
            "V_inf": "voltage the capacitor aims at, V",
        },
        source="derivative of t = R*C*ln(V_inf/(V_inf - V_th)) (OpenStax, University Physics 2, sec. 10.5);"
        " 1.1 at 0.2, 1.7 at 0.63, 2.5 at 0.8, 6.3 at 0.95; the limits: common practice, no source",
        holds="for a charge from 0 V; one that falls or turns round is judged by the x that is as sensitive",
        fails="for noise: a regenerative stage crosses in one go however flat the course; it lets drift pass",
    )
    lesson = Lesson(
        why="Near the top of its curve the voltage crawls. At 95 % of the aim a threshold one per cent off"
        " moves the delay by six, and the aim itself counts as much the other way round: small errors"
        " become minutes.",
        breaks="The loop of a latch narrows the moment of switching, not the place: a snap at the wrong time"
        " is still at the wrong time. A threshold of one base-emitter drop is the other end: it moves by"
        " 2 mV per kelvin and by 50 mV from part to part, a tenth of the whole way.",
        mend="Move the divider of the threshold towards 63 % of the aim and scale C by the logarithms. Take"
        " threshold and aim from one rail, so that both move together.",
        failing=FAILING,
        passing=PASSING,
        dial=Dial("/parts/R3/resistance", "100 kohm", "51 kohm"),
        derivation="rules.derivations.threshold_sensitivity:DERIVATION",
    )

    def check(self, study: Study) -> Iterable[Outcome]:
        """One outcome per delay, at its worst corner."""
        return each_delay(self, study, self._delay)

    def _delay(self, study: Study, delay: Delay) -> Iterator[Outcome]:
        crossing = Crossing(delay_corners(study, delay))
        flattest = crossing.corners.worst(crossing.fraction, 1.0)
        smallest = crossing.corners.worst(crossing.swing, -1.0)
        if flattest is None or smallest is None:
            yield no_nominal(self, delay)
        else:
            yield self._judge(study, Case(delay, crossing, flattest, smallest))

    def _judge(self, study: Study, case: Case) -> Outcome:
        severity, test, corner = self._verdict(case)
        if severity is None:
            return satisfied(self, case.delay, test, corner.label, _places(case, corner))
        made = tuple(self._nearer(study, case)) if study.proposing else ()
        return violated(
            self,
            case.delay,
            test,
            severity,
            corner.label,
            _message(case, test, corner),
            _evidence(case, corner, test),
            pointers=(member_pointer(case.delay.timed.capacitor, "capacitance"),),
            proposals=made,
            advice=() if made else tuple(_advice(test)),
        )

    def _verdict(self, case: Case) -> tuple[Severity | None, Test, Corner]:
        flat, crawl, swing = (self.limits[name].value for name in ("flat", "crawl", "swing"))
        x = case.flattest.value
        if x > crawl:
            return "error", Test.at_most(x, crawl, ""), case.flattest
        if x > flat:
            return "warning", Test.at_most(x, flat, ""), case.flattest
        test = Test.at_least(case.smallest.value, swing, "V")
        if not test.holds:
            return "warning", test, case.smallest
        return None, Test.at_most(x, flat, ""), case.flattest

    def _nearer(self, study: Study, case: Case) -> Iterator[Proposal]:
        """The threshold nearer to 63 % of the aim, the delay kept by C."""
        moved = nearer_threshold(study, case.delay)
        if moved is None or moved.delay is None:
            return
        before, after = case.delay.duration, moved.delay.duration
        window = delay_window(study, case.delay)
        kept = abs(after / before - 1.0) <= KEPT if window is None else window.holds(after)
        x = fraction(moved.delay)
        if not kept or x is None:
            return
        capacitor = case.delay.timed.capacitor
        was = study.value(capacitor, "capacitance")
        yield Proposal(
            f"threshold at {say(x, 'ratio')} of the aim: {moved.part} {say(moved.ohms, 'ohm')}, {capacitor}"
            f" {say(moved.farads, 'F')}; the delay {say(after, 's')} instead of {say(before, 's')}",
            (
                new_resistance(study, moved.part, moved.ohms),
                Change(
                    member_pointer(capacitor, "capacitance"), was, document_text(moved.farads, "capacitance")
                ),
            ),
        )


def _message(case: Case, test: Test, corner: Corner) -> str:
    threshold, aim, sensitivity = case.at(corner)
    capacitor = case.delay.timed.capacitor
    if test.unit == "V":
        return (
            f"{capacitor} moves by {say(test.left, 'V')} only until {place(case.delay)} ends, at"
            f" {corner.label}; limit {say(test.right, 'V')}. A base-emitter drop that is 50 mV off, or 25 K"
            f" warmer, moves the delay by {say(0.05 / test.left, 'ratio', 2)}."
        )
    ends = place(case.delay)
    if math.isinf(sensitivity):
        return (
            f"{capacitor} aims at {say(aim, 'V')} and never crosses its threshold at {corner.label}: {ends}"
            f" does not end there. At nominal values the threshold is {times(case.flattest.nominal)} of the"
            f" aim; limit {test.right:g}."
        )
    per_cent = f"one per cent of the threshold moves {ends} by {times(sensitivity)} per cent"
    if abs(threshold / aim - test.left) > 0.01 * test.left:
        return (
            f"{capacitor} goes from {say(case.delay.start, 'V')} towards {say(aim, 'V')} and is stopped at"
            f" {say(threshold, 'V')}, at {corner.label}: {per_cent}, as with a charge from 0 V to"
            f" {times(test.left)} of its aim; limit {test.right:g}."
        )
    return (
        f"{capacitor} crosses {say(threshold, 'V')} on its way to {say(aim, 'V')}, {times(test.left)} of the"
        f" aim, at {corner.label}; limit {test.right:g}. There {per_cent}."
    )


def _evidence(case: Case, corner: Corner, test: Test) -> Iterator[Quantity]:
    yield from _places(case, corner)
    yield Quantity("dV", "least voltage between start and threshold", case.smallest.value, "V")
    yield Quantity("t", "delay at nominal values, without leakage", case.delay.duration, "s")
    yield from changes(corner, "V" if test.unit == "V" else "")


def _places(case: Case, corner: Corner) -> Iterator[Quantity]:
    threshold, aim, sensitivity = case.at(corner)
    yield Quantity("x", "threshold over aim, as sensitive as a charge from 0 V", case.flattest.value, "")
    yield Quantity("x_0", "the same at nominal values", case.flattest.nominal, "")
    yield Quantity("V_th", "capacitor voltage at the end of the delay, at the corner", threshold, "V")
    if math.isfinite(aim):
        yield Quantity("V_inf", "voltage the capacitor aims at, at the corner", aim, "V")
    yield Quantity("V_0", "capacitor voltage at the start", case.delay.start, "V")
    if math.isfinite(sensitivity):
        yield Quantity("S", "per cent of the delay per per cent of the threshold", sensitivity, "")


def _advice(test: Test) -> Iterator[str]:
    if test.unit == "V":
        yield "put a divider, a zener or a second transistor in the way, so that the threshold lies higher"
        return
    yield "lower the threshold, or raise what the capacitor aims at: no single divider resistor does it here"


RULE = ThresholdSensitivity()
