"""A second period, set off as soon as it may be, is not much shorter than the first."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import TYPE_CHECKING

from rules.analysis.requirements import asked, means
from rules.analysis.second_period import Retimed, at_slowest, retimed, stays_moved, stimulated
from rules.contract import API_LEVEL, Dial, Lesson, limits_of
from rules.outcomes import broken, not_applicable
from rules.wording import member_pointer, part_quantity, say
from schemas.finding import Finding, Grounds, Limit, Outcome, Quantity, Test, identity
from schemas.quantities import format_quantity

if TYPE_CHECKING:
    from rules.analysis.delays import Delay
    from rules.analysis.study import Study

SHARE = Limit("share", 0.8, "", "common practice, no source", "least second period, as a share of the first")
LESS = 1.0 - 1e-6  # a ratio that is smaller by rounding is no smaller
DOUBTFUL = 0.15  # above the limit, within which the tolerances are asked too

PASSING = """\
format: thumbrule/1
name: compost-fan-timer
ground: gnd
ambient: {low: 10 degC, nominal: 20 degC, high: 30 degC}
parts:
  V1: {kind: supply, voltage: 9 V, pins: {plus: rail, minus: gnd}}
  R1: {kind: resistor, resistance: 220 kohm, tolerance: 1 %, pins: {a: rail, b: slow}}
  C1: {kind: capacitor, capacitance: 10 uF, tolerance: 5 %, dielectric: film, pins: {plus: slow, minus: gnd}}
  S1: {kind: contact, rest: closed, pins: {a: slow, b: drain}}
  R5: {kind: resistor, resistance: 4.7 kohm, pins: {a: drain, b: gnd}}
  R2: {kind: resistor, resistance: 390 kohm, tolerance: 1 %, pins: {a: slow, b: base}}
  R3: {kind: resistor, resistance: 120 kohm, tolerance: 1 %, pins: {a: base, b: gnd}}
  R4: {kind: resistor, resistance: 47 kohm, pins: {a: rail, b: out}}
  Q1: {kind: npn, beta: 200, pins: {collector: out, base: base, emitter: gnd}}
stimuli:
  poke: [{at: 0 s, part: S1, to: open}, {at: 2 s, part: S1, to: closed}]
requirements:
  - {kind: re-arm, stimulus: poke, at_most: 0.3 s}
"""
FAILING = PASSING.replace("at_most: 0.3 s", "at_most: 50 ms")


class RetriggerShortening:
    """The second of two periods on the timeline, as long after the first as a requirement says."""

    slug = "retrigger-shortening"
    title = "Period after the period"
    protects = "the second period from the charge that the first one left"
    api_level = API_LEVEL
    limits: Mapping[str, Limit] = limits_of(SHARE)
    grounds = Grounds(
        rule_of_thumb="Set off again as soon as it may be, a timer still runs for four fifths of its time.",
        formula="T' = tau*ln((V_inf - V_0)/(V_inf - V_th)) >= 0.8*T",
        symbols={
            "T'": "second period, s",
            "T": "first period, from rest, s",
            "tau": "time constant while it times, s",
            "V_inf": "voltage the capacitor aims at, V",
            "V_th": "threshold, V",
            "V_0": "voltage that is left on it as the second stimulus comes, V",
        },
        source="charging curve: OpenStax, University Physics 2, sec. 10.5; four fifths: common practice, no"
        " source; the pause that a re-arm requirement states, else one period: common practice, no source",
        holds="for the same stimulus twice, each followed from its first move to the end of the timed state",
        fails="for a third stimulus within the second period, and with leakage, which helps the charge away",
    )
    lesson = Lesson(
        why="What is left on the plate is missing from the next period. The way back has a time constant of"
        " its own, and nobody waits for it: the second press comes when it comes.",
        breaks="A test that waits minutes between trials never shows it. With a discharge diode 0.7 V stay;"
        " with the timing resistor alone a second period a few seconds later may last a tenth.",
        mend="Give the charge a quicker way out (a diode to a node that collapses, a bleed there), or keep"
        " the trigger from acting until the capacitor is back.",
        failing=FAILING,
        passing=PASSING,
        dial=Dial("/requirements/0/at_most", "0.3 s", "50 ms"),
        derivation="rules.derivations.retrigger_shortening:DERIVATION",
    )

    def check(self, study: Study) -> Iterable[Outcome]:
        """Outcomes per capacitor and stimulus."""
        found = list(stimulated(study))
        if not found:
            told = "no stimulus of the document sets a delay off"
            yield not_applicable(
                self, (), told if study.circuit.stimuli else "the document names no stimulus"
            )
        for delay, stimulus in found:
            yield from self._judge(study, delay, stimulus)

    def _judge(self, study: Study, delay: Delay, stimulus: str) -> Iterator[Outcome]:
        name, share = delay.timed.capacitor, self.limits["share"].value
        about = (name, stimulus)
        stuck = stays_moved(study, stimulus)
        if stuck:
            yield not_applicable(self, about, f'"{stimulus}" leaves {stuck} moved: it cannot come again')
            return
        two = retimed(study, delay, stimulus)
        if two is None:
            yield not_applicable(self, about, f'"{stimulus}" does not set off what {name} times')
            return
        if isinstance(two, Retimed) and share <= two.ratio < share * (1.0 + DOUBTFUL):
            slow = at_slowest(study, delay, stimulus)
            if isinstance(slow, str) or (isinstance(slow, Retimed) and slow.ratio < two.ratio * LESS):
                two = slow
        if isinstance(two, str):
            yield Outcome(self.slug, "undecided", about, two, delay.timed.name)
            return
        test = Test.at_least(two.second, share * two.first, "s")
        if test.holds:
            state, told = delay.timed.name, tuple(_periods(two))
            yield Outcome(self.slug, "satisfied", about, "", state, two.corner, test, evidence=told)
        else:
            yield self._violated(study, two, test)

    def _violated(self, study: Study, two: Retimed, test: Test) -> Outcome:
        name = two.delay.timed.capacitor
        finding = Finding(
            rule=self.slug,
            severity="warning",
            parts=(name,),
            nets=(),
            pointers=(member_pointer(name, "capacitance"),),
            state=two.delay.timed.name,
            corner=two.corner,
            message=_message(two, test),
            evidence=tuple(_evidence(study, two)),
            test=test,
            grounds=self.grounds,
            role=f"second period after {two.stimulus}",
            caused_by=_cause(study, two),
        )
        return broken(finding, (name, two.stimulus))


def _cause(study: Study, two: Retimed) -> str:
    """The finding about the way back of the same capacitor: there its cures are told."""
    name = two.delay.timed.capacitor
    if two.window is not None:
        for item in asked(study.circuit, "re-arm"):
            if means(study.circuit, item, two.delay) and item.window.high == two.window.high:
                return identity("required-re-arm", (name,), (), item.label)
    return identity("reset-path", (name,), (), "way back")


def _message(two: Retimed, test: Test) -> str:
    name = two.delay.timed.capacitor
    whose = "as soon as a requirement allows" if two.window is not None else "one period"
    over = "after the first period and its stimulus are over"
    begins = f'"{two.stimulus}" again {say(two.pause, "s")} {over} ({whose})'
    if two.second == 0.0:
        return f"{begins} sets nothing off: {say(two.left, 'V')} are still on {name}."
    return (
        f"{begins} gives {say(two.second, 's')} instead of {say(two.first, 's')},"
        f" {format_quantity(two.ratio, 'ratio', 3)} of it: {say(two.left, 'V')} are still on {name}; limit"
        f" {say(test.right, 's')}."
    )


def _periods(two: Retimed) -> Iterator[Quantity]:
    yield Quantity("T", "first period, from rest", two.first, "s")
    yield Quantity("T'", "second period", two.second, "s")


def _evidence(study: Study, two: Retimed) -> Iterator[Quantity]:
    name = two.delay.timed.capacitor
    yield from _periods(two)
    if two.window is None:
        yield Quantity("t_pause", "pause between the two, one period", two.pause, "s")
    else:
        meaning = "pause between the two, the required re-arm time"
        yield Quantity("t_pause", meaning, two.pause, "s", "declared", two.window.pointer)
    yield Quantity("V_0", f"voltage left on {name}", two.left, "V")
    yield Quantity("V_0,rest", f"voltage of {name} at rest", two.start, "V")
    known = part_quantity(study, name, "capacitance", "C", "capacitance")
    if known is not None:
        yield known
    at_once = retimed(study, two.delay, two.stimulus, 0.0)
    if isinstance(at_once, Retimed):
        yield Quantity("T'_0", "second period right after the first, nominal values", at_once.second, "s")


RULE = RetriggerShortening()
