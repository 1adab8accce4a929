"""A delay hardly depends on how old the battery is."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from rules.analysis.crossing import Crossing
from rules.analysis.delay_corners import Corner
from rules.analysis.drifting import Supply
from rules.contract import API_LEVEL, Lesson, limits_of
from rules.delay_words import (
    changes,
    each_delay,
    no_nominal,
    not_applicable,
    place,
    satisfied,
    threshold_identity,
    violated,
)
from rules.wording import member_pointer, say, times
from schemas.finding import Grounds, Limit, Outcome, Quantity, Test

if TYPE_CHECKING:
    from rules.analysis.delays import Delay
    from rules.analysis.study import Study

SHARE = Limit(
    "share",
    0.3,
    "",
    "common practice, no source: 10 % over the life of a battery that falls by a third",
    "largest relative change of a delay per relative change of the battery voltage",
)

PASSING = """\
format: thumbrule/1
name: feeder-pause
ground: gnd
ambient: {low: 10 degC, nominal: 20 degC, high: 30 degC}
parts:
  BT1: {kind: battery, voltage: 6 V, low: 4.4 V, high: 6.4 V, resistance: 1 ohm, keyed: true,
        pins: {plus: rail, minus: gnd}}
  R1: {kind: resistor, resistance: 100 kohm, tolerance: 1 %, pins: {a: rail, b: slow}}
  C1: {kind: capacitor, capacitance: 10 uF, tolerance: 5 %, dielectric: film, pins: {plus: slow, minus: gnd}}
  S1: {kind: contact, rest: closed, pins: {a: slow, b: drain}}
  R6: {kind: resistor, resistance: 100 ohm, pins: {a: drain, b: gnd}}
  Q1: {kind: npn, beta: 200, pins: {collector: c1, base: slow, emitter: tail}}
  Q2: {kind: npn, beta: 200, pins: {collector: rail, base: half, emitter: tail}}
  R2: {kind: resistor, resistance: 10 kohm, tolerance: 1 %, pins: {a: rail, b: half}}
  R3: {kind: resistor, resistance: 10 kohm, tolerance: 1 %, pins: {a: half, b: gnd}}
  RE: {kind: resistor, resistance: 4.7 kohm, pins: {a: tail, b: gnd}}
  R4: {kind: resistor, resistance: 10 kohm, pins: {a: rail, b: c1}}
  Q3: {kind: pnp, beta: 150, pins: {collector: out, base: c1, emitter: rail}}
  R5: {kind: resistor, resistance: 1 kohm, pins: {a: out, b: gnd}}
"""
FAILING = """\
format: thumbrule/1
name: feeder-pause
ground: gnd
ambient: {low: 10 degC, nominal: 20 degC, high: 30 degC}
parts:
  BT1: {kind: battery, voltage: 6 V, low: 4.4 V, high: 6.4 V, resistance: 1 ohm, keyed: true,
        pins: {plus: rail, minus: gnd}}
  R1: {kind: resistor, resistance: 100 kohm, tolerance: 1 %, pins: {a: rail, b: slow}}
  C1: {kind: capacitor, capacitance: 10 uF, tolerance: 5 %, dielectric: film, pins: {plus: slow, minus: gnd}}
  S1: {kind: contact, rest: closed, pins: {a: slow, b: drain}}
  R6: {kind: resistor, resistance: 100 ohm, pins: {a: drain, b: gnd}}
  R2: {kind: resistor, resistance: 330 kohm, tolerance: 1 %, pins: {a: slow, b: base}}
  R3: {kind: resistor, resistance: 180 kohm, tolerance: 1 %, pins: {a: base, b: gnd}}
  R4: {kind: resistor, resistance: 47 kohm, pins: {a: rail, b: out}}
  Q1: {kind: npn, beta: 200, pins: {collector: out, base: base, emitter: gnd}}
"""


@dataclass(frozen=True, eq=False)
class Case:
    """A delay, one battery, and the corner at which the delay follows it most."""

    delay: Delay
    battery: str
    supply: Supply
    worst: Corner

    @property
    def capacitor(self) -> str:
        return self.delay.timed.capacitor

    def at(self, volts: float) -> tuple[float, float, float]:
        """(delay s, threshold V, aim V) at a battery voltage, at the corner."""
        row = self.supply.at(self.worst.row[None], volts)
        corners = self.supply.corners
        courses, crossing = corners.courses(row), Crossing(corners)
        seconds = float(corners.seconds(row)[0])
        return seconds, float(crossing.threshold(courses, row)[0]), float(crossing.aim(courses, row)[0])


class DelaySupply:
    """Relative change of each delay per relative change of the battery voltage."""

    slug = "delay-supply"
    title = "Delay over the life of the battery"
    protects = "a delay from the ageing battery"
    api_level = API_LEVEL
    limits: Mapping[str, Limit] = limits_of(SHARE)
    grounds = Grounds(
        rule_of_thumb="Threshold and charge come from one rail, so that the ruler shrinks with the cloth.",
        formula="S_V = ln(t_high/t_low) / ln(V_high/V_low);  a fixed threshold: -[x/(1-x)] / ln(1/(1-x))",
        symbols={
            "S_V": "per cent of the delay per per cent of the battery voltage, 1",
            "t_high, t_low": "delay at the highest and the lowest battery voltage, s",
            "V_high, V_low": "highest and lowest battery voltage, V",
            "x": "threshold over aim, 1",
        },
        source="difference of the delay itself over the range of the battery; with a fixed threshold the"
        " derivative of t = R*C*ln(V_inf/(V_inf - V_th)), which sees only V_th/V_inf",
        holds="for a battery; a supply that is held by a regulator does not age",
        fails="where divider and timing resistor hang on two points of one rail: what flows between them"
        " through the battery or a switch is seen by one of them only",
    )
    lesson = Lesson(
        why="The time to reach a fixed share of the rail does not know how high it is. The time to reach"
        " a fixed voltage, a base-emitter drop or a zener, does: the old battery takes longer to get there,"
        " by S per cent for each per cent, and S is 1 at the very least.",
        breaks="On the bench the supply stands still. The timer drifts by a third over one set of batteries,"
        " slowly, so that nobody sees it.",
        mend="Take the threshold from a divider across the rail that feeds the timing resistor; let a pair"
        " of transistors compare the two. A base-emitter drop is left in the sum: the higher the threshold,"
        " the less it counts.",
        failing=FAILING,
        passing=PASSING,
        undialled="what the threshold is taken from is a matter of wiring: no value turns a share"
        " of the rail into a fixed drop",
        derivation="rules.derivations.delay_supply:DERIVATION",
    )

    def check(self, study: Study) -> Iterable[Outcome]:
        """One outcome per delay and battery, at its worst corner."""
        return each_delay(self, study, self._delay)

    def _delay(self, study: Study, delay: Delay) -> Iterator[Outcome]:
        batteries = sorted(p.name for p in study.circuit.parts.values() if p.kind == "battery")
        if not batteries:
            yield not_applicable(self, delay, "no battery feeds it: what a regulator holds does not age")
        for battery in batteries:
            yield self._outcome(study, delay, battery)

    def _outcome(self, study: Study, delay: Delay, battery: str) -> Outcome:
        supply = Supply(study, delay, battery)
        if not supply.applies:
            return not_applicable(self, delay, f"{battery} has no voltage of its own to vary")
        worst = supply.corners.extreme(supply.size, 1.0, thrifty=True)
        if worst is None:
            return no_nominal(self, delay)
        case = Case(delay, battery, supply, worst)
        test = Test.at_most(worst.value, self.limits["share"].value, "")
        if test.holds:
            return satisfied(self, delay, test, worst.label, _exponent(case))
        return violated(
            self,
            delay,
            test,
            "warning",
            worst.label,
            _message(case, test),
            _evidence(study, case),
            pointers=(member_pointer(battery, "voltage"), member_pointer(case.capacitor, "capacitance")),
            parts=(battery,),
            advice=tuple(_advice(case)) if study.proposing else (),
            cause=threshold_identity(delay) if math.isinf(worst.value) else None,
        )


def _message(case: Case, test: Test) -> str:
    low, high = case.at(case.supply.low), case.at(case.supply.high)
    fresh = (
        f"{place(case.delay)} lasts {say(high[0], 's')} with {case.battery} at {say(case.supply.high, 'V')}"
    )
    if math.isinf(low[0]):
        return (
            f"{fresh} and never ends at {say(case.supply.low, 'V')}: there the threshold lies beyond what"
            f" {case.capacitor} aims at."
        )
    changes_by = f"{times(test.left)} per cent for each per cent, at {case.worst.label}; limit {test.right:g}"
    return (
        f"{fresh} and {say(low[0], 's')} at {say(case.supply.low, 'V')}: {changes_by}. The threshold"
        f" {_moves(high[1], low[1])}, what {case.capacitor} aims at {_moves(high[2], low[2])}."
    )


def _moves(before: float, after: float) -> str:
    if abs(after - before) <= 1e-3 * abs(before):
        return f"stays at {say(before, 'V')}"
    return f"falls from {say(before, 'V')} to {say(after, 'V')}"


def _exponent(case: Case) -> Iterator[Quantity]:
    if math.isfinite(case.worst.value):
        meaning = "per cent of the delay per per cent of the battery voltage, at the corner"
        yield Quantity("S_V", meaning, case.worst.value, "")
    if math.isfinite(case.worst.nominal):
        yield Quantity("S_V0", "the same at nominal values", case.worst.nominal, "")


def _evidence(study: Study, case: Case) -> Iterator[Quantity]:
    yield from _exponent(case)
    for name, volts in (("low", case.supply.low), ("high", case.supply.high)):
        known = study.resolved.values[case.battery, name]
        told = (known.origin, known.pointer, known.source if known.origin == "assumed" else None)
        seconds, threshold, aim = case.at(volts)
        yield Quantity(f"V_{name}", f"{name}est battery voltage", volts, "V", *told)
        if math.isfinite(seconds):
            yield Quantity(f"t_{name}", f"delay at {say(volts, 'V')}", seconds, "s")
        yield Quantity(f"V_th,{name}", f"threshold at {say(volts, 'V')}", threshold, "V")
        if math.isfinite(aim):
            yield Quantity(f"V_inf,{name}", f"voltage the capacitor aims at, at {say(volts, 'V')}", aim, "V")
    yield from changes(case.worst, "")


def _advice(case: Case) -> Iterator[str]:
    yield (
        "make the threshold a share of the rail: a divider across it, and an emitter-coupled pair that"
        f" compares {case.capacitor} with its tap"
    )
    yield "or regulate the rail that charges the capacitor, if the threshold is to stay as it is"


RULE = DelaySupply()
