"""A delay is much the same in the cold and in the heat."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from rules.analysis.crossing import Crossing
from rules.analysis.delay_corners import Corner
from rules.analysis.drifting import Weather
from rules.analysis.formulas.drift import DRIFTS, capacitance_drift
from rules.analysis.leakage import choices, promise_of
from rules.analysis.resolve import dielectric_of
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
from rules.wording import celsius, member_pointer, say
from schemas.finding import Grounds, Limit, Outcome, Proposal, Quantity, Test

if TYPE_CHECKING:
    from rules.analysis.delays import Delay
    from rules.analysis.study import Study

RATE = Limit(
    "rate",
    0.005,
    "1/K",
    "common practice, no source: 20 % over 40 K, the tolerance of an electrolytic once more",
    "largest relative change of a delay per kelvin",
)

PASSING = """\
format: thumbrule/1
name: cold-frame-vent
ground: gnd
ambient: {low: -5 degC, nominal: 15 degC, high: 40 degC}
parts:
  V1: {kind: supply, voltage: 6 V, pins: {plus: rail, minus: gnd}}
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
name: cold-frame-vent
ground: gnd
ambient: {low: -5 degC, nominal: 15 degC, high: 40 degC}
parts:
  V1: {kind: supply, voltage: 6 V, pins: {plus: rail, minus: gnd}}
  R1: {kind: resistor, resistance: 100 kohm, tolerance: 1 %, pins: {a: rail, b: slow}}
  C1: {kind: capacitor, capacitance: 10 uF, tolerance: 5 %, dielectric: film, pins: {plus: slow, minus: gnd}}
  S1: {kind: contact, rest: closed, pins: {a: slow, b: drain}}
  R6: {kind: resistor, resistance: 100 ohm, pins: {a: drain, b: gnd}}
  R2: {kind: resistor, resistance: 330 kohm, tolerance: 1 %, pins: {a: slow, b: base}}
  R3: {kind: resistor, resistance: 91 kohm, tolerance: 1 %, pins: {a: base, b: gnd}}
  R4: {kind: resistor, resistance: 47 kohm, pins: {a: rail, b: out}}
  Q1: {kind: npn, beta: 200, pins: {collector: out, base: base, emitter: gnd}}
"""


@dataclass(frozen=True, eq=False)
class Case:
    """A delay, its weather, and the corner at which it changes most per kelvin."""

    delay: Delay
    weather: Weather
    worst: Corner

    @property
    def capacitor(self) -> str:
        return self.delay.timed.capacitor

    def seconds(self, kelvin: float) -> float:
        """The delay at a temperature, at the corner."""
        return float(self.weather.seconds(self.worst.row[None], kelvin)[0])

    def threshold(self, kelvin: float) -> float:
        """Where the capacitor is met at a temperature, V."""
        row = self.weather.at(self.worst.row[None], kelvin)
        courses = self.weather.corners.courses(row)
        return float(Crossing(self.weather.corners).threshold(courses, row)[0])

    @property
    def ends(self) -> tuple[float, float]:
        return self.weather.low, self.weather.high

    @property
    def steepest(self) -> float:
        """The end at which it has changed most per kelvin, K."""
        middle, nominal = self.weather.nominal, self.seconds(self.weather.nominal)
        there = [end for end in self.ends if abs(end - middle) >= 1.0]
        return max(there, key=lambda end: abs(self.seconds(end) / nominal - 1.0) / abs(end - middle))


class DelayTemperature:
    """Relative change of each delay per kelvin over the ambient range."""

    slug = "delay-temperature"
    title = "Delay over temperature"
    protects = "a delay from the weather"
    api_level = API_LEVEL
    limits: Mapping[str, Limit] = limits_of(RATE)
    grounds = Grounds(
        rule_of_thumb="A delay changes by no more than half a per cent per kelvin.",
        formula="(1/t)*dt/dT = alpha_C + S*(1/V_th)*dV_th/dT",
        symbols={
            "t": "delay, s",
            "T": "temperature, K",
            "alpha_C": "relative change of the capacitance per kelvin, 1/K",
            "S": "sensitivity of the delay to its threshold, 1 (see threshold-sensitivity)",
            "V_th": "capacitor voltage at which the delay ends, V",
        },
        source="differences of the delay itself between the ends of the ambient range; -2 mV/K per junction,"
        " 0.5 %/K of gain, 0.1 to 0.3 %/K of an aluminium capacitor: from memory",
        holds="with the whole circuit at one temperature; resistors are taken as steady: metal film moves"
        " by a hundredth of a per cent per kelvin at most",
        fails="where the box is warmed by its own load, and for dew on nodes of megohms",
    )
    lesson = Lesson(
        why="A threshold made from one base-emitter drop falls by 2 mV of 0.7 V per kelvin, 0.3 %; near the"
        " top of the curve the delay makes twice that of it. From a warm day to a frosty night that is a"
        " quarter. A threshold of the same height made by two junctions back to back hardly moves.",
        breaks="The two drifts go opposite ways in an ordinary charge: warmer, the threshold is lower and the"
        " capacitor larger. That looks like compensation, and below freezing it is none: an electrolytic"
        " loses a fifth on the way to -25 degC.",
        mend="Let a second junction drift alike: an emitter-coupled pair, or a diode at the foot of the"
        " divider. A higher threshold. A film capacitor, once the threshold holds still.",
        failing=FAILING,
        passing=PASSING,
        undialled="one junction's drift is cancelled by another one or it is not: no value of the"
        " pair brings it back",
        derivation="rules.derivations.delay_temperature:DERIVATION",
    )

    def check(self, study: Study) -> Iterable[Outcome]:
        """One outcome per delay, at its worst corner."""
        return each_delay(self, study, self._delay)

    def _delay(self, study: Study, delay: Delay) -> Iterator[Outcome]:
        weather = Weather(study, delay)
        if not weather.applies:
            yield not_applicable(self, delay, "the ambient temperature has no range")
            return
        worst = weather.corners.extreme(weather.rate, 1.0, thrifty=True)
        yield no_nominal(self, delay) if worst is None else self._judge(study, Case(delay, weather, worst))

    def _judge(self, study: Study, case: Case) -> Outcome:
        limit = self.limits["rate"].value
        test = Test.at_most(case.worst.value, limit, "1/K")
        if test.holds:
            return satisfied(self, case.delay, test, case.worst.label, _rate(case))
        made = tuple(_film(study, case, limit)) if study.proposing else ()
        return violated(
            self,
            case.delay,
            test,
            "warning",
            case.worst.label,
            _message(case, test),
            _evidence(study, case),
            pointers=(member_pointer(case.capacitor, "capacitance"),),
            proposals=made,
            advice=tuple(_advice(case)) if study.proposing else (),
            # a delay that never ends at one end of the range has lost its threshold
            cause=threshold_identity(case.delay) if math.isinf(case.worst.value) else None,
        )


def _message(case: Case, test: Test) -> str:
    weather, end = case.weather, case.steepest
    nominal, there = case.seconds(weather.nominal), case.seconds(end)
    if math.isinf(there):
        return (
            f"{place(case.delay)} lasts {say(nominal, 's')} at {celsius(weather.nominal)} and never ends at"
            f" {celsius(end)}: there the threshold lies beyond what {case.capacitor} aims at."
        )
    return (
        f"{place(case.delay)} lasts {say(nominal, 's')} at {celsius(weather.nominal)} and {say(there, 's')}"
        f" at {celsius(end)}: {say(test.left, 'ratio')} per kelvin, at {case.worst.label}; limit"
        f" {say(test.right, 'ratio')}. {_share_words(case)}"
    )


def _share_words(case: Case) -> str:
    threshold, capacitance = _shares(case)
    words = (
        f"The capacitance makes {say(capacitance, 'ratio', 2)}, the threshold"
        f" {say(threshold, 'ratio', 2)} per kelvin"
    )
    return f"{words}." if threshold * capacitance > 0.0 else f"{words}: they go opposite ways."


def _shares(case: Case) -> tuple[float, float]:
    """Relative change of the delay per kelvin by threshold and by capacitance, towards the worse end."""
    weather, end = case.weather, case.steepest
    span = end - weather.nominal
    capacitance = (1.0 + float(weather.corners.drift_at(end))) / (
        1.0 + float(weather.corners.drift_at(weather.nominal))
    )
    whole = case.seconds(end) / case.seconds(weather.nominal)
    return (whole / capacitance - 1.0) / span, (capacitance - 1.0) / span


def _rate(case: Case) -> Iterator[Quantity]:
    if math.isfinite(case.worst.value):
        yield Quantity("r", "relative change of the delay per kelvin, at the corner", case.worst.value, "1/K")
    yield Quantity("r_0", "the same at nominal values", case.worst.nominal, "1/K")


def _evidence(study: Study, case: Case) -> Iterator[Quantity]:
    weather = case.weather
    yield from _rate(case)
    names = {weather.low: "low", weather.nominal: "nominal", weather.high: "high"}
    for kelvin, name in names.items():
        seconds = case.seconds(kelvin)
        if math.isfinite(seconds):
            yield Quantity(f"t_{name}", f"delay at {celsius(kelvin)}, at the corner", seconds, "s")
            yield Quantity(f"V_th,{name}", f"threshold at {celsius(kelvin)}", case.threshold(kelvin), "V")
    part = study.circuit.parts[case.capacitor]
    drift = DRIFTS[dielectric_of(part)]
    yield Quantity(
        "alpha_C",
        "relative change of the capacitance per kelvin, towards the worse end",
        _shares(case)[1],
        "1/K",
        "assumed",
        member_pointer(case.capacitor, "dielectric"),
        drift.source,
    )
    yield from changes(case.worst, "1/K")


def _film(study: Study, case: Case, limit: float) -> Iterator[Proposal]:
    """A film capacitor of the same value, where it is the capacitance that drifts and there is one."""
    promise = promise_of(study, case.capacitor, case.delay.timed.threshold)
    if isinstance(promise, str) or math.isinf(case.worst.value):
        return
    threshold, _ = _shares(case)
    for option in choices(study, case.capacitor, promise):
        if not any(change.new == "film" for change in option.changes):
            continue
        end, middle = case.steepest, case.weather.nominal
        film = float(capacitance_drift("film", end) - capacitance_drift("film", middle)) / (end - middle)
        after = abs(threshold + film)
        if after <= limit:
            yield Proposal(f"{option.summary} ({say(after, 'ratio', 2)} per kelvin)", option.changes)


def _advice(case: Case) -> Iterator[str]:
    if math.isinf(case.worst.value):
        yield "bring the threshold nearer to 63 % of the aim"
        return
    threshold, capacitance = _shares(case)
    if abs(threshold) > abs(capacitance):
        yield (
            "it is the threshold that drifts: put a diode at the foot of the divider that makes it, or meet"
            " it with an emitter-coupled pair; then a second junction takes the same 2 mV/K off"
        )
    else:
        yield f"it is {case.capacitor} that drifts: a film capacitor does so a tenth as much"


RULE = DelayTemperature()
