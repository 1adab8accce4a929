"""A delay keeps within what it is to be, with every part at the worse end of its tolerance."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from rules.analysis.closer import Closer, closer, spread_with
from rules.analysis.delay_corners import Corner, DelayCorners, delay_corners
from rules.analysis.formulas.drift import DRIFTS
from rules.analysis.requirements import Window, delay_requirement, delay_window
from rules.analysis.resolve import dielectric_of
from rules.contract import API_LEVEL, Dial, Lesson, limits_of
from rules.delay_words import (
    changes,
    each_delay,
    no_nominal,
    place,
    reason_of,
    satisfied,
    threshold_identity,
    violated,
)
from rules.wording import from_to, listed, member_pointer, new_resistance, say
from schemas.finding import Change, Grounds, Limit, Outcome, Proposal, Quantity, Severity, Test, identity

if TYPE_CHECKING:
    from rules.analysis.delays import Delay
    from rules.analysis.study import Study

SPREAD = Limit(
    "spread",
    0.3,
    "",
    "common practice, no source: a timer with an electrolytic of 20 % keeps within 30 to 40 %",
    "largest deviation from the nominal delay where the document asks for none",
)

ADJUSTABLE = 10.0  # a trimmer that spans more cannot be set; common practice, no source

PASSING = """\
format: thumbrule/1
name: propagator-fan
ground: gnd
parts:
  V1: {kind: supply, voltage: 9 V, pins: {plus: rail, minus: gnd}}
  R1: {kind: resistor, resistance: 100 kohm, tolerance: 1 %, pins: {a: rail, b: slow}}
  C1: {kind: capacitor, capacitance: 10 uF, tolerance: 5 %, dielectric: film, pins: {plus: slow, minus: gnd}}
  S1: {kind: contact, rest: closed, pins: {a: slow, b: drain}}
  R5: {kind: resistor, resistance: 100 ohm, pins: {a: drain, b: gnd}}
  R2: {kind: resistor, resistance: 330 kohm, tolerance: 1 %, pins: {a: slow, b: base}}
  R3: {kind: resistor, resistance: 100 kohm, tolerance: 1 %, pins: {a: base, b: gnd}}
  R4: {kind: resistor, resistance: 47 kohm, pins: {a: rail, b: out}}
  Q1: {kind: npn, beta: 200, pins: {collector: out, base: base, emitter: gnd}}
ambient: {low: 10 degC, nominal: 20 degC, high: 30 degC}
stimuli:
  switch: [{at: 0 s, part: S1, to: open}, {at: 2 s, part: S1, to: closed}]
"""
FAILING = PASSING.replace("tolerance: 5 %, dielectric: film", "tolerance: 20 %, voltage: 16 V")


@dataclass(frozen=True, eq=False)
class Case:
    """A delay with both ends of its range."""

    delay: Delay
    corners: DelayCorners
    low: Corner
    high: Corner
    window: Window | None

    @property
    def nominal(self) -> float:
        return self.low.nominal

    @property
    def worse(self) -> Corner:
        """The end that lies further away from the nominal delay, in relation to it."""
        return self.high if self.high.value / self.nominal > self.nominal / self.low.value else self.low

    @property
    def deviation(self) -> float:
        """The larger deviation from the nominal delay, 1."""
        return max(self.high.value / self.nominal - 1.0, 1.0 - self.low.value / self.nominal)

    @property
    def root_sum_square(self) -> float:
        """Half width of the usual spread, relative to the nominal delay; infinite where a part ends it."""
        halves = [(s.high - s.low) / 2.0 / self.nominal for s in self.low.shares]
        return math.sqrt(sum(h * h for h in halves if not math.isnan(h)))


class DelayTolerance:
    """Least and greatest delay over all tolerances."""

    slug = "delay-tolerance"
    title = "Tolerance of a delay"
    protects = "a delay from the sum of its tolerances"
    api_level = API_LEVEL
    limits: Mapping[str, Limit] = limits_of(SPREAD)
    grounds = Grounds(
        rule_of_thumb="A delay by an electrolytic may be a third shorter or two fifths longer than on paper.",
        formula="t_min, t_max = t at the corners;  rss = sqrt(sum((t(high) - t(low)) / (2*t_0))^2)",
        symbols={
            "t_0": "delay at nominal values, s",
            "t_min": "least delay over gains, supplies, values, drops and temperature, s",
            "t_max": "greatest delay over the same, s",
            "rss": "root-sum-square of the half widths of each alone, 1",
        },
        source="extreme value analysis and root-sum-square: common practice, no source; t follows each single"
        " value in one direction only, which is checked again at the corners found",
        holds="for parts within their tolerance when new, over the supplies and temperatures of the document,"
        " without leakage",
        fails="at the end of life, when an electrolytic may have lost another 20 %; where leakage counts (see"
        " timing-leakage). Root-sum-square is no worst case: about one circuit in a thousand lies outside",
    )
    lesson = Lesson(
        why="Each part moves the delay by its own tolerance times its share: R and C in full, the divider of"
        " the threshold by about half. The 20 % of an electrolytic are more than half of the sum, and most"
        " of the usual spread: root-sum-square weighs the largest most.",
        breaks="The linear sum of tolerances is wrong at both ends, the delay being no straight line: too"
        " low below and too low above. The tolerance on the sheet is at 20 degC and 120 Hz, new. Resistors"
        " of one bag go together, which helps ratios only.",
        mend="A capacitor of 10 % (low-leakage electrolytics come so) or film; only then 1 % resistors are"
        " worth their money. Put the nominal delay into the middle of the window, seen by ratio. Or make it"
        " adjustable over 1.2 times the spread, or write down a window that can be met.",
        failing=FAILING,
        passing=PASSING,
        dial=Dial("/parts/C1/tolerance", "5 %", "20 %"),
        derivation="rules.derivations.delay_tolerance:DERIVATION",
    )

    def check(self, study: Study) -> Iterable[Outcome]:
        """One outcome per delay, at the worse end of its range."""
        return each_delay(self, study, self._delay)

    def _delay(self, study: Study, delay: Delay) -> Iterator[Outcome]:
        corners = delay_corners(study, delay)
        low, high = corners.worst(corners.total, -1.0), corners.worst(corners.total, 1.0)
        if low is None or high is None:
            yield no_nominal(self, delay)
        else:
            yield self._judge(study, Case(delay, corners, low, high, delay_window(study, delay)))

    def _judge(self, study: Study, case: Case) -> Outcome:
        severity, test, corner = self._verdict(case)
        if severity is None:
            met = satisfied(self, case.delay, test, corner.label, _times(case))
            return replace(met, reason=_missing(case))
        made: tuple[Proposal, ...] = ()
        told: tuple[str, ...] = ()
        if study.proposing:
            made, told = _cures(study, case, self.limits["spread"].value)
        return violated(
            self,
            case.delay,
            test,
            severity,
            corner.label,
            _message(case, test, corner),
            _evidence(study, case),
            pointers=(member_pointer(case.delay.timed.capacitor, "capacitance"),),
            proposals=made,
            advice=(*told, *filter(None, (_missing(case),))),
            cause=_cause(study, case),
        )

    def _verdict(self, case: Case) -> tuple[Severity | None, Test, Corner]:
        """By its width against that of the window; where it lies in the window is for required-delay."""
        window = case.window
        if math.isinf(case.high.value):
            limit = case.nominal * (1.0 + self.limits["spread"].value) if window is None else window.high
            return "error", Test.at_most(math.inf, limit, "s"), case.high
        if window is None:
            test = Test.at_most(case.deviation, self.limits["spread"].value, "")
            return None if test.holds else "note", test, case.worse
        room = window.high / window.low if window.low > 0.0 else math.inf
        test = Test.at_most(case.high.value / case.low.value, room, "")
        return None if test.holds else "warning", test, case.worse


def _cause(study: Study, case: Case) -> str | None:
    """What a violation comes from: a threshold out of reach, else the requirement that it breaks."""
    if math.isinf(case.high.value):
        # a threshold that the aim does not reach at every corner is what threshold-sensitivity speaks of
        return threshold_identity(case.delay)
    item = delay_requirement(study, case.delay)
    return None if item is None else identity("required-delay", (case.delay.timed.capacitor,), (), item.label)


def _message(case: Case, test: Test, corner: Corner) -> str:
    low, high, nominal = (say(t, "s") for t in (case.low.value, case.high.value, case.nominal))
    span = f"{place(case.delay)} lasts {low} to {high} over all tolerances, {nominal} at nominal values"
    window = case.window
    if math.isinf(case.high.value):
        return (
            f"{place(case.delay)} lasts {nominal} at nominal values, but never ends at {corner.label}: there"
            f" {case.delay.timed.capacitor} comes to rest before its threshold."
        )
    why = reason_of(corner)
    blame = f" {why} {'move' if ' and ' in why else 'moves'} it most." if why else ""
    if window is None:
        return (
            f"{span}: {say(case.low.value / case.nominal - 1.0, 'ratio')} and"
            f" +{say(case.high.value / case.nominal - 1.0, 'ratio')}; limit {say(test.right, 'ratio')} either"
            f" way, the document asking for no delay.{blame}"
        )
    wanted = f"{say(window.low, 's')} to {say(window.high, 's')}"
    return (
        f"{span}: a factor of {test.left:.3g} from end to end, where the required {wanted} leave"
        f" {test.right:.3g}. No nominal delay can meet that.{blame}"
    )


def _missing(case: Case) -> str:
    """Where there is no delay to judge; empty where there is one everywhere that was looked at."""
    lost = sorted({*case.low.lost, *case.high.lost}, key=lambda label: (len(label), label))
    if not lost:
        return ""
    more = f" and {len(lost) - 1} other corners" if len(lost) > 1 else ""
    return f"at {lost[0]}{more} {place(case.delay)} is not there, or ends in another way: no delay to judge"


def _times(case: Case) -> Iterator[Quantity]:
    yield Quantity("t_0", "delay at nominal values, without leakage", case.nominal, "s")
    for corner, symbol, word in ((case.low, "t_min", "least"), (case.high, "t_max", "greatest")):
        if math.isfinite(corner.value):
            yield Quantity(symbol, f"{word} delay, {corner.label}", corner.value, "s")


def _evidence(study: Study, case: Case) -> Iterator[Quantity]:
    window = case.window
    yield from _times(case)
    rss = case.root_sum_square
    if math.isfinite(rss):
        meaning = "root-sum-square of what each tolerance does alone: the usual spread, no worst case"
        yield Quantity("rss", meaning, rss, "")
    if window is not None:
        for value, word in ((window.low, "least"), (window.high, "greatest")):
            if 0.0 < value < math.inf:
                yield Quantity(f"t_{word}", f"{word} delay required", value, "s", "declared", window.pointer)
    yield from changes(case.worse if math.isfinite(case.worse.value) else case.low, "s")
    part = study.circuit.parts[case.delay.timed.capacitor]
    drift = DRIFTS[dielectric_of(part)]
    for key, word in (("low", "least"), ("high", "greatest")):
        kelvin = getattr(study.resolved.ambient, key)
        moved = float(case.corners.drift_at(kelvin))
        meaning = f"change of the capacitance at the {word} ambient temperature"
        yield Quantity(f"dC_{key}", meaning, moved, "", "assumed", f"/ambient/{key}", drift.source)


def _cures(study: Study, case: Case, spread: float) -> tuple[tuple[Proposal, ...], tuple[str, ...]]:
    """Closer parts and another nominal delay, proposed where a window asks for it; else told in words."""
    window = case.window
    if window is None or math.isinf(case.high.value):
        return (), tuple(_told(study, case, spread))
    proposals = []
    for option in closer(study, case.corners, window):
        span = f"{say(option.low, 's')} to {say(option.high, 's')} over all tolerances"
        proposals.append(Proposal(f"{_words(study, option)}: {span}", _changes(study, option)))
    advice = () if proposals else _too_wide(study, case, window)
    return tuple(proposals), tuple(advice)


def _words(study: Study, option: Closer) -> str:
    words = []
    if option.ohms is not None:
        words.append(from_to(study, *option.ohms))
    if option.resistors:
        words.append(f"1 % for {listed(option.resistors)}")
    if option.capacitor is not None:
        words.append(f"{option.capacitor} of 10 %")
    return listed(words)


def _changes(study: Study, option: Closer) -> tuple[Change, ...]:
    made = [Change(member_pointer(part, "tolerance"), None, "1 %") for part in option.resistors]
    if option.capacitor is not None:
        made.append(Change(member_pointer(option.capacitor, "tolerance"), None, "10 %"))
    if option.ohms is not None:
        made.append(new_resistance(study, *option.ohms))
    return tuple(made)


def _told(study: Study, case: Case, spread: float) -> Iterator[str]:
    if math.isinf(case.high.value):
        yield "bring the threshold nearer to 63 % of the aim, where tolerances count least"
        return
    yield (
        "write the delay you need into the document as a requirement; what is judged then is that, not"
        f" {say(spread, 'ratio')}"
    )
    for resistors, capacitor, words in (
        (True, False, "1 % resistors alone"),
        (False, True, f"{case.delay.timed.capacitor} of 10 % alone"),
        (True, True, "both together"),
    ):
        found = spread_with(study, case.corners, resistors, capacitor)
        if found is not None:
            low, high = (end / case.nominal - 1.0 for end in found)
            yield f"{words}: {say(low, 'ratio')} and +{say(high, 'ratio')}"
    ratio = 1.2 * case.high.value / case.low.value
    if ratio < ADJUSTABLE:
        yield f"or make it adjustable over a factor of {ratio:.2g}, 1.2 times the spread"


def _too_wide(study: Study, case: Case, window: Window) -> Iterator[str]:
    found = spread_with(study, case.corners, True, True)
    if found is not None:
        yield (
            f"1 % resistors and {case.delay.timed.capacitor} of 10 % leave {say(found[0], 's')} to"
            f" {say(found[1], 's')}: too narrow a window for parts off the shelf; make the delay adjustable"
        )


RULE = DelayTolerance()
