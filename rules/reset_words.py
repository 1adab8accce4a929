"""What reset-path has to say: the case, its message, its evidence, and the resistors that mend it."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

from rules.analysis.course import resistance_of
from rules.analysis.delays import Delay, delay_with
from rules.analysis.elements import capacitor_pins
from rules.analysis.formulas.timing import discharge_resistance_at_most, rearmed_voltage
from rules.analysis.frozen import Segment
from rules.analysis.preferred import round_down
from rules.analysis.rearming import levers, lowered
from rules.analysis.recovery import Recovery
from rules.analysis.requirements import Window, delay_window
from rules.analysis.retiming import fraction
from rules.wording import from_to, new_resistance, part_quantity, say, with_position
from schemas.finding import Limit, Proposal, Quantity, Test
from schemas.quantities import format_quantity

if TYPE_CHECKING:
    from rules.analysis.study import Study

SHORTENING = Limit(
    "shortening",
    0.05,
    "",
    "common practice, no source",
    "share of the next period that the charge left over may cost",
)
SHOWN = 6  # pieces of the way that the evidence lists
TRIED = 2  # resistors that are proposed
ROUNDS = 4  # values tried of each, until the worst corner keeps the limit as well
DRIFT = 0.2  # of the delay; the usual tolerance of an electrolytic (Panasonic SU, Nichicon KL)


@dataclass(frozen=True, eq=False)
class Case:
    """One delay at one corner and the way back after it; ``window`` is the re-arm requirement, if any."""

    delay: Delay
    corner: str
    way: Recovery
    window: Window | None

    @property
    def capacitor(self) -> str:
        return self.way.capacitor

    @property
    def state(self) -> str:
        return self.delay.timed.name

    @property
    def limit(self) -> float:
        return self.delay.duration if self.window is None else self.window.high


def message(case: Case, test: Test, shortening: float) -> str:
    """The finding in words, with its numbers and its limit."""
    way = case.way
    share = format_quantity(shortening, "ratio")
    after = f'after "{with_position(case.state, case.delay.timed.configuration)}"'
    whose = "the required re-arm time"
    if case.window is None:
        whose = "the delay itself, no re-arm time being required"
    if not way.complete:
        return (
            f"{case.capacitor} has no way back {after}: it stays at {say(way.stays, 'V')}, and only leakage"
            f" brings it to the {say(way.enough, 'V')} from which the next period is {share} short; limit"
            f" {say(case.limit, 's')}, {whose}."
        )
    slow = way.slowest
    through = f" {_piece(slow)}" if slow is not None else ""
    if test.unit == "ohm":
        return (
            f"{case.capacitor} empties only through {say(test.left, 'ohm')} {after}; limit"
            f" {say(test.right, 'ohm')}: with {say(case.delay.farads, 'F')} more than that is no better than"
            f" leakage.{through}"
        )
    return (
        f"{case.capacitor} takes {say(way.seconds, 's')} {after} to come back from {say(way.start, 'V')} to"
        f" {say(way.enough, 'V')}, where the next period is {share} short; limit"
        f" {say(case.limit, 's')}, {whose}.{through}"
    )


def _piece(segment: Segment) -> str:
    ohms = resistance_of(segment)
    through = "at a constant current" if ohms is None else f"through {say(abs(ohms), 'ohm')}"
    tau = f" (time constant {say(abs(segment.tau), 's')})" if segment.tau is not None else ""
    return (
        f"{say(segment.duration, 's')} of it pass from {say(segment.start, 'V')} to {say(segment.end, 'V')}"
        f" {through}{tau}."
    )


def evidence(study: Study, case: Case, shortening: float) -> Iterator[Quantity]:
    """Every number behind the finding, the way piece by piece."""
    way, delay = case.way, case.delay
    if way.complete:
        yield Quantity("t_back", "time back to where the next period may start", way.seconds, "s")
    else:
        yield Quantity("V_stay", "where the capacitor comes to rest", way.stays, "V")
    if case.window is not None:
        yield Quantity(
            "t_rearm", "required re-arm time", case.window.high, "s", "declared", case.window.pointer
        )
    yield Quantity("t", "delay without leakage", delay.duration, "s")
    if math.isfinite(way.five_tau):
        meaning = "five time constants of the slowest piece; they leave 0.7 %"
        yield Quantity("5*tau", meaning, way.five_tau, "s")
    yield Quantity("V_from", "capacitor voltage at the end of the timed state", way.start, "V")
    yield Quantity("V_0", "voltage the period starts from at its best", way.goal, "V")
    share = format_quantity(shortening, "ratio")
    yield Quantity("V_0,max", f"voltage from which the next period is {share} shorter", way.enough, "V")
    x, aim = fraction(delay), delay.segments[0].aim
    if x is not None and aim is not None and 0.0 < x < 1.0 and delay.start == 0.0:
        by_hand = math.copysign(rearmed_voltage(abs(aim), x, shortening), aim)
        yield Quantity("V_0,hand", "V_inf*(1 - (1-x)^eps): the same for one time constant", by_hand, "V")
    known = part_quantity(study, case.capacitor, "capacitance", "C", "capacitance")
    if known is not None:
        yield known
    for k, segment in enumerate(way.segments[:SHOWN], 1):
        ohms = resistance_of(segment)
        where = f"from {say(segment.start, 'V')} to {say(segment.end, 'V')}, {_busy(segment)}"
        if math.isfinite(segment.duration):
            yield Quantity(f"t_{k}", f"piece {k} of the way, {where}", segment.duration, "s")
        if ohms is not None and segment.tau is not None:
            yield Quantity(f"R_{k}", f"discharge resistance on piece {k}", abs(ohms), "ohm")
            yield Quantity(f"tau_{k}", f"time constant on piece {k}", abs(segment.tau), "s")


def _busy(segment: Segment) -> str:
    busy = [f"{name} {region}" for name, region in sorted(segment.devices.items()) if region != "off"]
    return ", ".join(busy) if busy else "all off"


def proposals(
    study: Study, case: Case, shortening: float, worst: Callable[[str, float], float] | None = None
) -> tuple[tuple[Proposal, ...], tuple[str, ...]]:
    """Lower resistors that bring it back in time; those that spoil a required delay are told instead.

    ``worst`` gives the time back (s) at the worst corner with a resistor at another value (ohm): where it is
    given, that keeps the limit, else the time at hand.
    """
    made: list[Proposal] = []
    withheld: list[str] = []
    window = delay_window(study, case.delay)
    typical = _typical(study, case)
    fixed = None if case.window is None else case.limit
    for name, weight in levers(study, case.way, case.delay, fixed is None, shortening)[:TRIED]:
        found = _lowered(study, case, (name, weight), fixed, shortening, worst)
        if found is None:
            continue
        ohms, way, delay = found
        then = delay_with(study, typical, {(name, "resistance"): ohms}) or delay
        summary = (
            f"{from_to(study, name, ohms)}: {case.capacitor} back in {say(way.seconds, 's')} instead of"
            f" {say(case.way.seconds, 's')}, the delay {say(then.duration, 's')} instead of"
            f" {say(typical.duration, 's')}"
        )
        reason = _spoils(window, typical.duration, then.duration)
        if reason:
            withheld.append(f"{summary}: not proposed, {reason}")
            continue
        made.append(Proposal(summary, (new_resistance(study, name, ohms),)))
    return tuple(made), tuple(withheld)


def _lowered(
    study: Study,
    case: Case,
    lever: tuple[str, float],
    fixed: float | None,
    shortening: float,
    worst: Callable[[str, float], float] | None,
) -> tuple[float, Recovery, Delay] | None:
    """A resistor low enough for the limit, at the worst corner where that can be asked."""
    goal = fixed
    for _ in range(ROUNDS):
        found = lowered(study, case.way, case.delay, lever, goal, shortening)
        if found is None or worst is None or goal is None or fixed is None:
            return found
        seconds = worst(lever[0], found[0])
        if seconds <= fixed:
            return found
        if math.isinf(seconds):
            return None
        goal *= 0.99 * fixed / seconds
    return None


def _spoils(window: Window | None, before: float, after: float) -> str:
    """Why a delay of ``after`` s instead of ``before`` s is not wanted; empty when it is fine."""
    if window is None:
        moved = after / before - 1.0
        if abs(moved) <= DRIFT:
            return ""
        return f"it moves the delay by {format_quantity(moved, 'ratio', 2)}, and the document names no delay"
    if window.distance(after) <= window.distance(before):
        return ""
    return f"{window.pointer} asks for {say(window.low, 's')} to {say(window.high, 's')}"


def _typical(study: Study, case: Case) -> Delay:
    """The same delay at typical gain, else the one at hand."""
    timed = case.delay.timed
    for other in study.delays("typical")[0]:
        same = other.timed.capacitor == timed.capacitor and other.timed.kind == timed.kind
        if same and other.timed.configuration.key == timed.configuration.key:
            return other
    return case.delay


def advice(study: Study, case: Case) -> Iterator[str]:
    """Roads for the charge that no changed value can make."""
    nodes = _collapsing(study, case)
    for anode, cathode, resistor in nodes:
        yield (
            f"fit a diode across {resistor}, anode at {anode}, cathode at {cathode}: the far end collapses"
            f" when the state ends, and {case.capacitor} empties through the diode down to about 0.7 V"
        )
    slow = case.way.slowest
    if slow is not None and not nodes and 0.0 < abs(slow.start) <= 0.75:
        yield (
            f"below {say(abs(slow.start), 'V')} no diode conducts, and the charge leaves through resistors;"
            f" a transistor or contact across {case.capacitor} that closes at the end of the state empties it"
        )
    yield from _bleed(study, case)


def _collapsing(study: Study, case: Case) -> list[tuple[str, str, str]]:
    """(anode, cathode, resistor between) of a diode that would empty the capacitor and is not fitted yet."""
    rails, timed = study.roles.rails, case.delay.timed
    part = study.circuit.parts[case.capacitor]
    first, second = (part.pins[pin] for pin in capacitor_pins(part))
    if (first in rails) == (second in rails) or not case.way.phases:
        return []
    net, other_end, side = (second, first, -1.0) if first in rails else (first, second, 1.0)
    after, during = case.way.phases[0].start_state.nets, timed.state.nets
    reached = (during[other_end] or 0.0) + side * timed.threshold  # of the net at the capacitor
    up = math.copysign(1.0, side * timed.threshold)
    diodes = {frozenset(p.pins.values()) for p in study.circuit.parts.values() if p.kind == "diode"}
    found = []
    for arm in study.roles.arms.get(net, ()):
        here, there, timing = after[net], after[arm.other], during[arm.other]
        fitted = frozenset((net, arm.other)) in diodes or study.circuit.parts[arm.part].kind != "resistor"
        if fitted or arm.other in rails or here is None or there is None or timing is None:
            continue
        if up * (here - there) > 1.0 and up * (timing - reached) > 0.0:
            found.append((net, arm.other, arm.part) if up > 0.0 else (arm.other, net, arm.part))
    return found


def _bleed(study: Study, case: Case) -> Iterator[str]:
    """The bleed across the capacitor that would do, and what it takes from the charging current."""
    farads, timed = case.delay.farads, case.delay.timed
    way = case.way
    if way.enough * way.start <= 0.0 or abs(way.start) <= abs(way.enough) or abs(way.goal) > abs(way.enough):
        return  # a resistor across it would not lead to where the period starts
    time_constants = math.log(way.start / way.enough)
    most = discharge_resistance_at_most(case.limit, farads, time_constants)
    ohms = round_down(most, study.preferences.resistor, 0.05)
    taken, left = abs(timed.threshold) / ohms, abs(timed.current)
    verdict = "" if taken < 0.1 * left else "; too much: switch it in only when the state has ended"
    yield (
        f"a bleed across {case.capacitor} has to be at most {say(ohms, 'ohm')}, and takes {say(taken, 'A')}"
        f" beside the {say(left, 'A')} that flow at the threshold{verdict}"
    )
