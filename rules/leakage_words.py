"""What timing-leakage has to say: the case, its message, its evidence, the ways out of it."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from rules.analysis.corners.parameters import TEMPERATURE
from rules.analysis.course import current_at, seconds, stall
from rules.analysis.courses import Courses
from rules.analysis.delay_corners import delay_corners
from rules.analysis.elements import Array
from rules.analysis.formulas.timing import (
    leakage_ratio,
    leakage_ratio_of_time_constant,
    smallest_leakage_ratio,
)
from rules.analysis.leakage import STATED, Promise, film_limit, promise_of
from rules.analysis.resolve import dielectric_of
from rules.analysis.retiming import fraction, nearer_threshold, with_film
from rules.analysis.steering import leakage_factor
from rules.wording import ZERO_CELSIUS, celsius, member_pointer, part_quantity, say, times, with_position
from schemas.finding import Change, Origin, Proposal, Quantity
from schemas.quantities import document_text

if TYPE_CHECKING:
    from rules.analysis.delays import Delay
    from rules.analysis.study import Study
    from rules.analysis.timeline.model import Timeline

GAINS = ("min", "typical", "max")
_STILL = 1e-15  # A
_FACTOR_SOURCE = "3 times per 40 K for aluminium, 10 times per 60 K for tantalum and film; from memory"


@dataclass(frozen=True, eq=False)
class Case:
    """One delay at one corner with what its capacitor may leak there.

    ``charging`` is the least current (A) on the way to the threshold;
    ``slowed`` the delay (s) with the limit, infinite where it never ends.
    """

    delay: Delay
    corner: str
    promise: Promise
    charging: float
    slowed: float
    rated_share: float = 1.0  # rated capacitance over that at the corner: the limit goes by the rated one
    base: Delay | None = None  # the same delay at nominal values, of a case at another corner

    @property
    def nominal(self) -> Delay:
        """The delay on which other values are tried."""
        return self.base or self.delay

    @property
    def harder(self) -> float:
        """How much larger the ratio is than that of the nominal delay."""
        ends = [abs(i) for s in self.nominal.segments for i in (s.current_start, s.current_end)]
        return self.ratio / leakage_ratio(self.promise.limit, min(ends))

    @property
    def ratio(self) -> float:
        return leakage_ratio(self.promise.limit, self.charging)

    @property
    def capacitor(self) -> str:
        return self.delay.timed.capacitor

    @property
    def state(self) -> str:
        return self.delay.timed.name


def case_of(study: Study, corner: str, delay: Delay) -> Case | str:
    """The case, or the pointer of the value that is missing."""
    promise = promise_of(study, delay.timed.capacitor, delay.timed.threshold)
    if isinstance(promise, str):
        return promise
    ends = [abs(current) for s in delay.segments for current in (s.current_start, s.current_end)]
    share = study.value(delay.timed.capacitor, "capacitance") / delay.farads
    slowed = seconds(delay.segments, delay.farads, promise.limit)
    return Case(delay, corner, promise, min(ends), slowed, share)


def worst_case(study: Study, delay: Delay) -> Case | None:
    """The case at the corner of all tolerances at which the ratio is largest; ``None`` where there is none.

    The limit of a sheet is that of the rated capacitance: the tolerance of the capacitor moves the delay, not
    the ratio.
    """
    promise = promise_of(study, delay.timed.capacitor, delay.timed.threshold)
    if isinstance(promise, str):
        return None
    corners = delay_corners(study, delay)
    dielectric = dielectric_of(study.circuit.parts[delay.timed.capacitor])

    def ratio(courses: Courses, points: Array) -> Array:
        least = np.minimum(np.abs(courses.first), np.abs(courses.last)).min(axis=1)
        limit = promise.sheet * leakage_factor(dielectric, corners.column(points, TEMPERATURE))
        # a course that comes to rest before its threshold without any leakage is no case of it
        return np.where(least > _STILL, limit / least, np.nan)

    found = corners.worst(ratio, 1.0)
    if found is None:
        return None
    there = case_of(study, found.label, corners.delay_at(found.row))
    return None if isinstance(there, str) else replace(there, base=delay)


def never_ends(study: Study, case: Case) -> tuple[str, Timeline] | None:
    """A stimulus whose run, with leakage at its limit, never ends; at typical gains and nominal values."""
    from rules.analysis.timeline.timelines import UnknownStart

    if not study.proposing or not case.delay.opposed:
        return None
    for name in sorted(set(study.circuit.stimuli) & set(case.delay.timed.configuration.reached_by)):
        try:
            run = study.timeline(name, leakage="limit")
        except UnknownStart:
            continue
        if run.verdict == "never-ends" and case.capacitor in run.final:
            return name, run
    return None


def smallest_ratio(case: Case) -> float | None:
    """e*k*t*V_R/V_inf at the temperature judged; ``None`` where it does not apply."""
    promise, aim, start = case.promise, case.delay.segments[0].aim, case.delay.start
    if promise.grade is None or promise.rated is None or aim is None:
        return None
    if start * aim < 0.0 or abs(aim) <= abs(start):
        return None
    k = promise.grade * promise.factor * case.rated_share
    return smallest_leakage_ratio(k, case.delay.duration, promise.rated, abs(aim - start))


def message(case: Case, limit: float, run: tuple[str, Timeline] | None = None) -> str:
    """The finding in words, with its numbers and ``limit``; ``run`` is a course that never ends."""
    delay, promise, timed = case.delay, case.promise, case.delay.timed
    sheet = say(promise.sheet, "A")
    cold = f"{sheet} stated" if promise.wording == STATED else f"{sheet} in the sheet, {promise.wording}"
    where = f'"{with_position(timed.name, timed.configuration)}"'
    verb = "charge" if delay.opposed else "discharge"
    at = "" if case.corner in GAINS else f", at {case.corner}"
    base = (
        f"{case.capacitor} may leak {say(promise.limit, 'A')} at {celsius(promise.temperature)}"
        f" ({cold}), {times(case.ratio)} times the"
        f" {say(case.charging, 'A')} that {verb} it at the threshold of {say(timed.threshold, 'V')}{at};"
        f" limit {limit:g}."
    )
    before, after = say(delay.duration, "s"), say(case.slowed, "s")
    if not delay.opposed:
        return f"{base} Leakage shortens {where} from {before} to {after}."
    stop = stall(delay.segments, promise.limit)
    if stop is not None:
        there = f"{'stop' if abs(stop - delay.start) > 1e-6 else 'stay'} at {say(stop, 'V')}"
        words = (
            f"{base} The threshold is never reached: {where} may never end instead of after {before};"
            f" {case.capacitor} would {there}. With this capacitor no delay is guaranteed."
        )
        if run is not None:
            name, timeline = run
            words += f' Run through "{name}" with that leakage at nominal values: {timeline.reason}.'
        return words
    return f"{base} {where} may last {after} instead of {before}."


def evidence(study: Study, case: Case, run: tuple[str, Timeline] | None = None) -> Iterator[Quantity]:
    """Every number behind the finding; ``run`` is a course that never ends."""
    delay, promise, timed = case.delay, case.promise, case.delay.timed
    told = (promise.origin, promise.pointer, promise.source)
    yield Quantity("rho", "leakage limit over current at the threshold", case.ratio, "")
    yield Quantity("I_ch", "least current into the capacitor on the way to the threshold", case.charging, "A")
    hot = f"leakage limit at the highest ambient temperature: {promise.wording}"
    yield Quantity("I_L", hot, promise.limit, "A", *told)
    yield Quantity("I_L,sheet", "the limit of the sheet, at 20 to 25 degC", promise.sheet, "A", *told)
    yield Quantity("rho_sheet", "the ratio with the figure of the sheet", promise.sheet / case.charging, "")
    yield Quantity("f_T", "factor on the limit", promise.factor, "", "assumed", None, _FACTOR_SOURCE)
    ambient: Origin = "declared" if study.circuit.ambient is not None else "assumed"
    hottest = promise.temperature - ZERO_CELSIUS
    yield Quantity("T", "highest ambient temperature", hottest, "degC", ambient, "/ambient/high")
    yield Quantity("V_th", "capacitor voltage at which the timed state ends", timed.threshold, "V")
    for known in (
        part_quantity(study, case.capacitor, "capacitance", "C", "capacitance"),
        part_quantity(study, case.capacitor, "voltage", "V_R", "rated voltage"),
    ):
        if known is not None:
            yield known
    if promise.grade is not None:
        yield Quantity("k", "limit per capacitance and rated volt, cold", promise.grade, "1/s", *told)
    yield from _of_the_course(case)
    yield Quantity("t", "delay without leakage", delay.duration, "s")
    if math.isfinite(case.slowed):
        yield Quantity("t_L", "delay with the limit as a constant current", case.slowed, "s")
    if promise.rated is not None:
        as_resistor = seconds(delay.segments, delay.farads, 0.0, promise.limit / promise.rated)
        if math.isfinite(as_resistor):
            yield Quantity("t_R", "delay with the limit as a resistance V_R/I_L", as_resistor, "s")
    stop = stall(delay.segments, promise.limit)
    if stop is not None:
        yield Quantity("V_stop", "where the capacitor would stop", stop, "V")
    if run is not None:
        meaning = f'where the run through "{run[0]}" with this leakage comes to rest, at nominal values'
        yield Quantity("V_run", meaning, run[1].final[case.capacitor], "V")


def _of_the_course(case: Case) -> Iterator[Quantity]:
    promise, first, threshold = case.promise, case.delay.segments[0], case.delay.timed.threshold
    if first.aim is not None and first.tau is not None and first.tau > 0.0:
        yield Quantity("V_inf", "voltage the capacitor aims at", first.aim, "V")
        yield Quantity("tau", "time constant on the way", first.tau, "s")
        grade = promise.grade if promise.by_charge else None
        beyond = first.aim * threshold > 0.0 and abs(first.aim) > abs(threshold)
        if grade is not None and promise.rated is not None and beyond:
            k = grade * promise.factor * case.rated_share
            by_tau = leakage_ratio_of_time_constant(
                k, first.tau, promise.rated, abs(first.aim), abs(threshold)
            )
            meaning = "k*f_T*tau*V_R/(V_inf-V_th): the hand sum, without any base current"
            yield Quantity("rho_tau", meaning, by_tau, "")
    x = fraction(case.delay)
    if x is not None:
        yield Quantity("x", "threshold as a share of the way to the aim", x, "")
    least = smallest_ratio(case)
    if least is not None:
        meaning = "e*k*f_T*t*V_R/V_inf: least ratio for this delay at any R, C and threshold"
        yield Quantity("rho_min", meaning, least, "")


def other_ways(study: Study, case: Case, remark: float) -> tuple[tuple[Proposal, ...], tuple[str, ...]]:
    """Film with a larger resistor, a threshold nearer to 63 %, a selected part; proposed if it suffices."""
    proposals: list[Proposal] = []
    words: list[str] = []
    if case.delay.opposed:
        words.extend(_film(study, case))
        least = smallest_ratio(case)
        if least is not None and least > remark:
            words.append(
                f"no choice of R, C and threshold gets below {times(least)} for this delay with this grade of"
                " capacitor"
            )
            if case.promise.by_charge:
                words.append(
                    "how R*C is split does not matter: a larger C with a smaller R is charged more and leaks"
                    " more by the same factor"
                )
        else:
            made, said = _threshold(study, case, remark)
            proposals.extend(made)
            words.extend(said)
    words.extend(_selected(case))
    return tuple(proposals), tuple(words)


def _film(study: Study, case: Case) -> Iterator[str]:
    nominal = case.nominal
    film = with_film(study, nominal)
    if film is None:
        return
    timed = nominal.timed
    swap = f"film of {say(film.farads, 'F')} with {film.part} {say(film.ohms, 'ohm')}"
    alone = current_at(nominal.segments[0], timed.threshold)
    base = abs(alone - timed.current)
    if film.delay is None:
        brought = abs(alone) * study.value(film.part, "resistance") / film.ohms
        drawn = f", and the threshold itself draws {say(base, 'A')}" if base > 1e-3 * brought else ""
        yield (
            f"{swap}: the state would not end. {film.part} would bring {say(brought, 'A')} at the"
            f" threshold{drawn}"
        )
        return
    left = abs(film.delay.timed.current)
    after = case.harder * film_limit(film.farads, case.promise.temperature) / left
    yield (
        f"{swap}: ratio {times(after)}, with {say(left, 'A')} left at the threshold; that current also has"
        " to feed the base that takes over, at its least gain"
    )


def _threshold(study: Study, case: Case, remark: float) -> tuple[list[Proposal], list[str]]:
    nominal = case.nominal
    moved = nearer_threshold(study, nominal)
    if moved is None or moved.delay is None or not case.promise.by_charge:
        return [], []
    own = study.value(case.capacitor, "capacitance")
    after = case.harder * case.promise.limit * moved.farads / own / abs(moved.delay.timed.current)
    summary = (
        f"threshold nearer to 63 %: {moved.part} {say(moved.ohms, 'ohm')},"
        f" {case.capacitor} {say(moved.farads, 'F')}"
    )
    if after <= remark:
        new = ((moved.part, "resistance", moved.ohms), (case.capacitor, "capacitance", moved.farads))
        changes = tuple(
            Change(member_pointer(part, member), study.value(part, member), document_text(value, member))
            for part, member, value in new
        )
        return [Proposal(f"{summary} (ratio {times(after)})", changes)], []
    if after < 0.9 * case.ratio:
        return [], [f"{summary}: the ratio falls from {times(case.ratio)} to {times(after)}"]
    return [], []


def _selected(case: Case) -> Iterator[str]:
    allowed = 0.1 * case.charging / case.promise.factor
    if math.isfinite(allowed) and case.promise.wording != STATED:
        yield (
            f"bench sheet: charge {case.capacitor} through 1 kohm at its rated voltage for ten minutes, then"
            f" measure: it must leak less than {say(allowed, 'A')} at 20 degC, a tenth of the current at the"
            f" threshold once hot; then write the figure down as {member_pointer(case.capacitor, 'leakage')}"
        )
