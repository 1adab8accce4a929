"""A delay stays within what a requirement asks for, at every corner and with leakage at its limit."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import TYPE_CHECKING

from rules.analysis.requirements import Asked, Relation, asked
from rules.analysis.stays import Measured, Ruler, Stays
from rules.contract import API_LEVEL, Dial, Lesson, limits_of
from rules.required_delay_words import cures, evidence, leaking, message, unknown_leakage
from rules.required_words import none_asked, regions, satisfied, undecided, violated, why_unknown
from schemas.finding import Grounds, Limit, Outcome, Quantity, Test, identity

if TYPE_CHECKING:
    from rules.analysis.study import Study

PASSING = """\
format: thumbrule/1
name: stair-lamp
ground: gnd
ambient: {low: 10 degC, nominal: 20 degC, high: 30 degC}
parts:
  V1: {kind: supply, voltage: 9 V, pins: {plus: rail, minus: gnd}}
  R1: {kind: resistor, resistance: 180 kohm, pins: {a: rail, b: slow}}
  C1: {kind: capacitor, capacitance: 10 uF, voltage: 63 V, dielectric: film, pins: {plus: slow, minus: gnd}}
  S1: {kind: contact, rest: closed, pins: {a: slow, b: drain}}
  R5: {kind: resistor, resistance: 100 ohm, pins: {a: drain, b: gnd}}
  R2: {kind: resistor, resistance: 330 kohm, pins: {a: slow, b: base}}
  R3: {kind: resistor, resistance: 100 kohm, pins: {a: base, b: gnd}}
  R4: {kind: resistor, resistance: 47 kohm, pins: {a: rail, b: out}}
  Q1: {kind: npn, beta: 200, pins: {collector: out, base: base, emitter: gnd}}
states:
  waiting: {Q1: off}
stimuli:
  switch: [{at: 0 s, part: S1, to: open}, {at: 5 s, part: S1, to: closed}]
requirements:
  - {kind: delay, name: wait, stimulus: switch, state: waiting, target: 0.9 s, within: 50 %}
"""
FAILING = PASSING.replace("180 kohm", "300 kohm")


class RequiredDelay:
    """Time in a named state after a stimulus against its requirement, over all tolerances."""

    slug = "required-delay"
    title = "Required delay"
    protects = "the time that the document asks for"
    api_level = API_LEVEL
    limits: Mapping[str, Limit] = limits_of()
    grounds = Grounds(
        rule_of_thumb="A delay has to be right with the largest and the smallest capacitor of the bag.",
        formula="t_low <= t_min,  t_max <= t_high;  t = tau*ln((V_inf - V_0)/(V_inf - V_th)) piece by piece",
        symbols={
            "t_min": "least time in the state, s",
            "t_max": "greatest time in the state, leakage at its limit, s",
            "t_low": "least accepted time, s",
            "t_high": "greatest accepted time, s",
            "tau": "R*C of the charging path, s",
            "V_inf": "voltage the capacitor aims at, V",
            "V_0": "voltage it starts from, V",
            "V_th": "voltage at which the state ends, V",
        },
        source="the requirement of the document; the times are exact exponentials of the hand model; extreme"
        " value analysis: common practice",
        holds="from the first action of the stimulus, or from when the state is entered after it, to the"
        " moment at which the devices are no longer as the state says",
        fails="at the end of life, when an electrolytic may have lost another 20 %; for a stimulus that comes"
        " again before the capacitor is back (see required-re-arm)",
    )
    lesson = Lesson(
        why="The time on paper is the middle of a wide range. The capacitor alone is 20 % either way, the"
        " resistors move the time and the threshold, the leakage of an electrolytic takes its part of a"
        " charging current that is smallest just where the time is decided.",
        breaks="On the bench one set of parts is tried, at one temperature, with a fresh battery. A wide"
        " window that is placed wrongly fails as surely as one that is too narrow: the range is not even"
        " symmetrical about its nominal value.",
        mend="Put the range into the middle of the window by ratio, not by difference: one resistor does it."
        " Where the resistor would become too large to steer the stage, take a larger capacitor of its own"
        " series and a smaller resistor. Where the range is wider than the window only closer parts help,"
        " or a window that can be met.",
        failing=FAILING,
        passing=PASSING,
        dial=Dial("/parts/R1/resistance", "180 kohm", "300 kohm"),
        derivation="rules.derivations.required_delay:DERIVATION",
    )

    def check(self, study: Study) -> Iterable[Outcome]:
        """Outcomes per requirement and side of its window."""
        items = asked(study.circuit, "delay")
        if not items:
            yield none_asked(self, "delay")
        for item in items:
            yield from self._judge(study, item)

    def _judge(self, study: Study, item: Asked) -> Iterator[Outcome]:
        found = study.shared(("required-delay", item.pointer), lambda: Ruler(study, item).stays())
        if isinstance(found, str):
            yield undecided(self, item, (), f"how long it takes is not known: {found}")
            return
        if found is None:
            yield self._never(study, item)
            return
        parts = () if found.delay is None else (found.delay.timed.capacitor,)
        if found.missing:
            yield self._lost(item, found, parts)
        cured = False
        for relation, limit in item.window.sides():
            end = found.low if relation == ">=" else found.high
            make = Test.at_least if relation == ">=" else Test.at_most
            test = make(end.seconds, limit, "s")
            if not test.holds:
                yield self._violated(study, item, found, relation, end, test, study.proposing and not cured)
                cured = True
                continue
            reason = self._open(study, found, relation)
            if reason:
                yield undecided(self, item, parts, reason)
            else:
                yield satisfied(self, item, parts, test, item.state, end.corner)

    def _open(self, study: Study, found: Stays, relation: Relation) -> str:
        """Why a side that is met is not sure; empty where it is."""
        unknown = why_unknown(study)
        if unknown:
            return f"not every state is known: {unknown}"
        pointer = unknown_leakage(study, found, relation)
        if pointer:
            return f"{pointer} is missing: without it nobody knows what the capacitor may leak"
        return ""

    def _never(self, study: Study, item: Asked) -> Outcome:
        stimulus = item.text("stimulus")
        text = (
            f'After "{stimulus}" the circuit never gets into the state "{item.state}"'
            f" ({regions(study, item)}): there is no delay to measure."
        )
        count = Quantity("n", f'times that "{item.state}" is entered', 0.0, "")
        test = Test.at_least(0.0, 1.0, "")
        return violated(self, item, test, text, (count,), state=item.state, corner="nominal")

    def _lost(self, item: Asked, found: Stays, parts: tuple[str, ...]) -> Outcome:
        corners = "; or ".join(found.missing[:3])
        text = (
            f'At {corners} the state "{item.state}" is not there after "{item.text("stimulus")}", or it does'
            " not end as it does at nominal values: the delay is not the required one."
        )
        count = Quantity("n", f'times that "{item.state}" is entered at {found.missing[0]}', 0.0, "")
        test = Test.at_least(0.0, 1.0, "")
        corner = found.missing[0]
        return violated(self, item, test, text, (count,), state=item.state, corner=corner, parts=parts)

    def _violated(
        self,
        study: Study,
        item: Asked,
        found: Stays,
        relation: Relation,
        end: Measured,
        test: Test,
        cured: bool,
    ) -> Outcome:
        parts = () if found.delay is None else (found.delay.timed.capacitor,)
        cause = None
        if parts and item.window.holds(found.low.dry) and item.window.holds(found.high.dry):
            # only leakage takes it out of its window, and that is judged where it belongs
            role = "charging" if found.delay is not None and found.delay.opposed else "discharging"
            cause = identity("timing-leakage", parts, (), role)
        proposals, advice = cures(study, item, found) if cured else ((), ())
        return violated(
            self,
            item,
            test,
            message(study, item, found, relation, end),
            evidence(study, item, found),
            state=item.state,
            corner=end.corner if not leaking(end) else f"{end.corner}, leakage at its limit",
            parts=parts,
            proposals=proposals,
            advice=advice,
            cause=cause,
        )


RULE = RequiredDelay()
