"""At the threshold the timing resistor still brings the base current that takes the stage over."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from rules.analysis.delay_corners import Corner, delay_corners
from rules.analysis.delays import Delay, delay_with
from rules.analysis.formulas.timing import STEERING, faster_for_steering, steering_resistor_at_most
from rules.analysis.leakage import FILM_LARGEST, STATED, promise_of
from rules.analysis.preferred import nearest, round_down, steps_down_from, steps_in
from rules.analysis.requirements import delay_window
from rules.analysis.resolve import dielectric_of
from rules.analysis.retiming import charging_resistor
from rules.analysis.steering import Steered, Steering, steering_of
from rules.contract import API_LEVEL, Dial, Lesson, limits_of
from rules.delay_words import (
    changes,
    each_delay,
    no_nominal,
    not_applicable,
    place,
    role_of,
    satisfied,
    undecided,
    violated,
)
from rules.wording import from_to, listed, member_pointer, new_resistance, part_quantity, say, times
from schemas.finding import Change, Grounds, Limit, Outcome, Proposal, Quantity, Severity, Test, identity
from schemas.quantities import document_text

if TYPE_CHECKING:
    from rules.analysis.study import Study

LEAST = Limit("least", 1.0, "", "by definition", "margin below which the pair does not switch over")
WANTED = Limit(
    "wanted",
    3.0,
    "",
    "common practice, no source",
    "current that the resistor should bring over what steering takes",
)
DECADES = 1.0  # of preferred values tried
KEPT = 0.1  # of the delay; a pair that moves it by more is not proposed where nothing is required
LARGEST = 4.7e-3  # F; larger timing capacitors are not proposed

PASSING = """\
format: thumbrule/1
name: summerhouse-lamp
ground: gnd
ambient: {low: 0 degC, nominal: 15 degC, high: 35 degC}
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
FAILING = PASSING.replace("100 kohm", "680 kohm")


@dataclass(frozen=True, eq=False)
class Case:
    """One steering at the corner at which its margin is least."""

    delay: Delay
    steering: Steering
    sums: Steered
    worst: Corner
    charging: float
    needed: float
    steered: float
    gain: float
    leakage: float
    threshold: float

    @property
    def capacitor(self) -> str:
        return self.delay.timed.capacitor

    @property
    def dry(self) -> float:
        """The margin at the same corner with a capacitor that does not leak."""
        return self.charging / self.needed


class SteerCurrent:
    """Current of the timing resistor at the threshold against the least base current that steers."""

    slug = "steer-current"
    title = "Timing resistor against the base it has to feed"
    protects = "a timer that reaches its threshold from not being able to switch"
    api_level = API_LEVEL
    limits: Mapping[str, Limit] = limits_of(LEAST, WANTED)
    grounds = Grounds(
        rule_of_thumb="At the threshold a timing resistor brings three times the base current that steers.",
        formula="m = I_ch / (I_B + I_L), I_B = I_E/(beta + 1);  R <= (V_inf - V_th - 0.1 V)/(3*(I_B + I_L))",
        symbols={
            "m": "margin, 1",
            "I_ch": "current of the timing resistor with the capacitor 0.1 V past the threshold, A",
            "I_E": "emitter current that has to be taken over, A",
            "I_B": "base current that carries it, A",
            "beta": "current gain of the steering transistor at that current (of a Darlington, the product)",
            "I_L": "leakage limit of the timing capacitor at the temperature of the corner, A",
            "V_inf": "voltage the capacitor aims at, V",
            "V_th": "capacitor voltage at which the two bases stand level, V",
        },
        source="Kirchhoff's current law at the capacitor; 0.1 V is about 4 kT/q, the span over which an"
        " emitter-coupled pair takes over (textbook, from memory); the three: common practice, no source",
        holds="for an emitter-coupled pair whose one base waits at a timing capacitor",
        fails="for a stage with its emitter on a rail: its drive is judged where it rests (min-beta-drive)",
    )
    lesson = Lesson(
        why="What counts is what the resistor brings when the capacitor stands at the threshold, not at the"
        " start, where it brings twice as much. There it has to carry the whole tail current over the gain"
        " of the weakest transistor, and what the capacitor leaks. With ideal junctions the pair switches"
        " over at level bases; a real one needs 20 to 50 mV more, so level is not enough.",
        breaks="A large resistor and a small film capacitor look like the clean way to a long delay. The base"
        " current then becomes what the leakage was before: with a weak transistor in the cold the capacitor"
        " stops just above the threshold, the pair shares its current for ever, and the output neither stays"
        " nor lets go.",
        mend="A smaller resistor with a larger capacitor, if it is the base current that counts; a larger"
        " capacitor leaks more by the same factor, so against leakage it does nothing. A transistor or a"
        " Darlington pair with more gain, or less current to steer.",
        failing=FAILING,
        passing=PASSING,
        dial=Dial("/parts/R1/resistance", "100 kohm", "680 kohm"),
        derivation="rules.derivations.steer_current:DERIVATION",
    )

    def check(self, study: Study) -> Iterable[Outcome]:
        """One outcome per delay, at its worst corner."""
        return each_delay(self, study, self._delay, cycles=True)

    def _delay(self, study: Study, delay: Delay) -> Iterator[Outcome]:
        case = _case(self, study, delay)
        yield case if isinstance(case, Outcome) else self._judge(study, case)

    def _judge(self, study: Study, case: Case) -> Outcome:
        severity, test = self._verdict(case.worst.value)
        if severity is None:
            return satisfied(self, case.delay, test, case.worst.label, _margin(case))
        wanted = self.limits["wanted"].value
        # a capacitor that alone takes what is missing is what timing-leakage speaks of
        cause = None
        if case.leakage > 0.0 and case.dry >= wanted:
            cause = identity("timing-leakage", (case.capacitor,), (), role_of(case.delay))
        made = list(_faster(study, case, wanted)) if study.proposing else []
        return violated(
            self,
            case.delay,
            test,
            severity,
            case.worst.label,
            _message(study, case, test, self.limits["least"].value),
            _evidence(study, case, wanted),
            pointers=(member_pointer(case.capacitor, "capacitance"),),
            parts=case.steering.chain,
            proposals=made,
            advice=_advice(study, case, wanted, bool(made)) if study.proposing else (),
            cause=cause,
        )

    def _verdict(self, margin: float) -> tuple[Severity | None, Test]:
        least, wanted = self.limits["least"].value, self.limits["wanted"].value
        if margin < least:
            return "error", Test.at_least(margin, least, "")
        return ("warning" if margin < wanted else None), Test.at_least(margin, wanted, "")


def _case(rule: SteerCurrent, study: Study, delay: Delay) -> Case | Outcome:
    steering = steering_of(study, delay)
    if isinstance(steering, str):
        return not_applicable(rule, delay, f"{place(delay)}: {steering}")
    promise = promise_of(study, delay.timed.capacitor, delay.timed.threshold)
    if isinstance(promise, str):
        return undecided(rule, delay, f"{promise} is missing: the leakage limit is k times C times it")
    corners = delay_corners(study, delay)
    sums = Steered(corners, steering, promise, delay.opposed)
    found = corners.worst(sums.margin, -1.0)
    if found is None:
        return no_nominal(rule, delay)
    row = found.row[None]
    courses = corners.courses(row)
    return Case(
        delay,
        steering,
        sums,
        found,
        float(sums.charging(courses)[0]),
        float(sums.needed(courses, row)[0]),
        float(sums.steered(courses)[0]),
        float(sums.gain(row)[0]),
        float(sums.leakage(row)[0]),
        float(sums.threshold(courses)[0]),
    )


def _message(study: Study, case: Case, test: Test, least: float) -> str:
    takes, from_ = listed(case.steering.chain), listed(case.steering.partners)
    leak = f", and {case.capacitor} may leak {say(case.leakage, 'A')}" if case.leakage > 0.0 else ""
    brings = f"{say(max(case.charging, 0.0), 'A')} flow into {case.capacitor}"
    resistor = charging_resistor(study, case.delay)
    if resistor is not None and case.charging > 0.0:
        brings = f"{resistor} brings {say(case.charging, 'A')}"
    end = (
        f" {place(case.delay)} may never end."
        if test.right == least
        else " It switches over, with little to spare."
    )
    return (
        f"{takes} has to take {say(case.steered, 'A')} from {from_} once {case.capacitor} stands at"
        f" {say(case.threshold, 'V')}: {say(case.needed, 'A')} of base current{leak}."
        f" {say(STEERING, 'V')} further {brings}: {times(case.worst.value)} times what it takes, at"
        f" {case.worst.label}; limit {test.right:g}.{end}"
    )


def _margin(case: Case) -> Iterator[Quantity]:
    yield Quantity("m", "current brought over current taken, at the worst corner", case.worst.value, "")
    yield Quantity("m_0", "the same at nominal values", case.worst.nominal, "")


def _evidence(study: Study, case: Case, wanted: float) -> Iterator[Quantity]:
    yield from _margin(case)
    yield Quantity("I_ch", "current into the capacitor 0.1 V past the threshold", case.charging, "A")
    yield Quantity("I_E", f"current taken over from {listed(case.steering.partners)}", case.steered, "A")
    gains = [study.resolved.beta(name, "min") for name in case.steering.chain]
    meaning = f"steered over base current of {listed(case.steering.chain)} at the corner"
    yield Quantity("beta + 1", meaning, case.gain, "", "derived", gains[0].pointer, gains[0].source)
    yield Quantity("I_B", "base current that carries it", case.needed, "A")
    promise = case.sums.promise
    if case.leakage > 0.0:
        told = (promise.origin, promise.pointer, promise.source)
        yield Quantity("I_L", f"leakage limit at the corner: {promise.wording}", case.leakage, "A", *told)
        yield Quantity("m_dry", "the margin without leakage", case.dry, "")
    yield Quantity("V_th", "capacitor voltage at which the bases stand level", case.threshold, "V")
    resistor = charging_resistor(study, case.delay)
    if resistor is not None:
        known = part_quantity(study, resistor, "resistance", "R", "timing resistor")
        if known is not None:
            yield known
        if case.charging > 0.0:
            ohms = case.worst.point.get((resistor, "resistance"), study.value(resistor, "resistance"))
            aim = case.threshold + STEERING + case.charging * ohms
            meaning = "(V_inf - V_th - 0.1 V)/(3*(I_B + I_L)), with this very capacitor"
            most = steering_resistor_at_most(aim, case.threshold, case.needed, case.leakage, wanted)
            yield Quantity("R_max", meaning, most, "ohm")
    yield from changes(case.worst, "")


def _faster(study: Study, case: Case, wanted: float) -> Iterator[Proposal]:
    """A smaller resistor and a larger capacitor together, the delay kept; nothing where it cannot help."""
    resistor = charging_resistor(study, case.delay)
    if resistor is None or case.charging <= 0.0:
        return
    factor = faster_for_steering(case.charging, case.needed, case.leakage, wanted)
    if factor is None:
        return
    now = study.value(resistor, "resistance")
    own, series = study.preferences.resistor, study.series(case.capacitor)
    bound = round_down(now / factor, own)
    window = delay_window(study, case.delay)
    film = dielectric_of(study.circuit.parts[case.capacitor]) not in ("aluminium", "tantalum")
    largest = FILM_LARGEST if film else LARGEST
    found: list[tuple[float, float, float, float]] = []
    tried = itertools.chain([bound], steps_down_from(bound, own))
    for ohms in itertools.islice(tried, steps_in(own, DECADES)):
        farads = nearest(now * case.delay.farads / ohms, series)
        if farads > largest or (found and ohms < bound / 2.0):
            break
        values = {(resistor, "resistance"): ohms, (case.capacitor, "capacitance"): farads}
        trial = delay_with(study, case.delay, values)
        if trial is None or _margin_with(study, case, resistor, ohms, farads) < wanted:
            continue
        moved = abs(math.log(trial.duration / case.delay.duration))
        if moved <= KEPT if window is None else window.holds(trial.duration):
            found.append((round(moved, 9), -ohms, farads, trial.duration))
    if not found:
        return
    _, negative, farads, seconds = min(found)
    ohms = -negative
    was = study.value(case.capacitor, "capacitance")
    made = [
        new_resistance(study, resistor, ohms),
        Change(member_pointer(case.capacitor, "capacitance"), was, document_text(farads, "capacitance")),
    ]
    more = ""
    if case.sums.promise.wording == STATED:
        leak = _upwards(case.sums.promise.sheet * farads / was)
        made.append(Change(case.sums.promise.pointer, None, document_text(leak, "current")))
        more = f", its leakage in proportion {say(leak, 'A')}"
    yield Proposal(
        f"{from_to(study, resistor, ohms)} and {case.capacitor} {say(was, 'F')} to {say(farads, 'F')}{more}:"
        f" the delay {say(seconds, 's')} instead of {say(case.delay.duration, 's')}",
        tuple(made),
    )


def _upwards(value: float) -> float:
    """Two figures, rounded up."""
    step = 10.0 ** (math.floor(math.log10(value)) - 1)
    return float(f"{math.ceil(value / step - 1e-9) * step:.2g}")


def _margin_with(study: Study, case: Case, resistor: str, ohms: float, farads: float) -> float:
    """The worst margin with another resistor and capacitor."""
    corners = case.sums.corners
    own, grown = corners.delay.farads, farads / corners.delay.farads
    scaled = {
        (resistor, "resistance"): ohms / study.value(resistor, "resistance"),
        (case.capacitor, "capacitance"): farads / own,
    }
    changed = {
        p.key: replace(p, low=p.low * f, nominal=p.nominal * f, high=p.high * f)
        for p in corners.parameters
        for f in (scaled.get(p.key),)
        if f is not None
    }
    if len(changed) < 2:
        return -math.inf  # a part without tolerance is no parameter
    promise = case.sums.promise
    other = Steered(
        corners.with_intervals(changed),
        case.steering,
        replace(promise, sheet=promise.sheet * grown),
        case.delay.opposed,
    )
    found = other.corners.worst(other.margin, -1.0)
    return -math.inf if found is None else found.value


def _advice(study: Study, case: Case, wanted: float, proposed: bool) -> Iterator[str]:
    room = case.charging / wanted - case.leakage
    resistor = charging_resistor(study, case.delay)
    of_use = case.charging > wanted * case.leakage
    if not proposed and not of_use and case.leakage > 0.0 and resistor is not None:
        yield (
            f"a smaller {resistor} with a larger {case.capacitor} does not help: what it may leak,"
            f" {say(case.leakage, 'A')}, grows by the same factor as what {resistor} brings"
        )
    if room > 0.0:
        least = case.steered / room
        names = listed(case.steering.chain)
        yield (
            f"more gain: {times(least)} at {say(case.steered, 'A')} and the coldest instead of"
            f" {times(case.gain)} for {names}; a Darlington pair has it, and costs 0.7 V of threshold"
        )
        yield f"or less to steer: at most {say(room * case.gain, 'A')} instead of {say(case.steered, 'A')}"


RULE = SteerCurrent()
