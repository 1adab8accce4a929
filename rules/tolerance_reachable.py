"""A requirement can be met with tolerances that are sold."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from functools import partial
from typing import TYPE_CHECKING

from rules.analysis.delay_corners import delay_corners, every_delay
from rules.analysis.named import range_of
from rules.analysis.reachable import of_delay, of_voltage, of_way_back
from rules.analysis.rearm_corners import worst_way
from rules.analysis.recovery import NoRecovery, recovery_of
from rules.analysis.requirements import Asked, asked, means
from rules.analysis.stays import Ruler, Stays
from rules.contract import API_LEVEL, Dial, Lesson, limits_of
from rules.outcomes import broken, not_applicable
from rules.reachable_words import CLASSES, Case, advice, evidence, message, proposals
from rules.reset_words import SHORTENING
from schemas.finding import (
    Finding,
    Grounds,
    Limit,
    Outcome,
    Severity,
    Test,
    identity,
)

if TYPE_CHECKING:
    from rules.analysis.states import State
    from rules.analysis.study import Study

CLOSE = Limit(
    "close",
    0.01,
    "",
    "1 % is what shops keep: common practice, no source",
    "closest tolerance of resistors that a design may ask for",
)

PASSING = """\
format: thumbrule/1
name: dough-proofing-fan
ground: gnd
parts:
  V1: {kind: supply, voltage: 9 V, pins: {plus: rail, minus: gnd}}
  R1: {kind: resistor, resistance: 180 kohm, pins: {a: rail, b: slow}}
  C1: {kind: capacitor, capacitance: 10 uF, tolerance: 10 %, dielectric: film, pins: {a: slow, b: gnd}}
  S1: {kind: contact, rest: closed, pins: {a: slow, b: drain}}
  R5: {kind: resistor, resistance: 100 ohm, pins: {a: drain, b: gnd}}
  R2: {kind: resistor, resistance: 330 kohm, pins: {a: slow, b: base}}
  R3: {kind: resistor, resistance: 100 kohm, pins: {a: base, b: gnd}}
  R4: {kind: resistor, resistance: 47 kohm, pins: {a: rail, b: out}}
  Q1: {kind: npn, beta: 200, pins: {collector: out, base: base, emitter: gnd}}
ambient: {low: 15 degC, nominal: 20 degC, high: 25 degC}
states:
  waiting: {Q1: off}
stimuli:
  switch: [{at: 0 s, part: S1, to: open}, {at: 3 s, part: S1, to: closed}]
requirements:
  - {kind: delay, stimulus: switch, state: waiting, target: 0.85 s, within: 45 %}
"""
FAILING = PASSING.replace("45 %", "15 %")


class ToleranceReachable:
    """The largest tolerance of resistors, and of capacitors, with which each requirement can be met."""

    slug = "tolerance-reachable"
    title = "Tolerances that a requirement asks for"
    protects = "a requirement from parts that nobody sells"
    api_level = API_LEVEL
    limits: Mapping[str, Limit] = limits_of(CLOSE, SHORTENING)
    grounds = Grounds(
        rule_of_thumb="What 1 % resistors cannot hold is no matter of resistors.",
        formula="x_max/x_min at 1 % <= x_high/x_low;  t = k*R*C: r <= (1 + w)/(1 + c) - 1",
        symbols={
            "x_max": "greatest value over all tolerances (of a voltage the difference is judged), s or V",
            "x_min": "least value, s or V",
            "x_high": "greatest accepted value, s or V",
            "x_low": "least accepted value, s or V",
            "w": "what the window allows above its middle, 1",
            "c": "tolerance of the capacitor, 1",
            "r": "tolerance that is left to the resistor, 1",
        },
        source="extreme value analysis: common practice, no source; 1 %: common practice, no source",
        holds="for one tolerance of all resistors, the capacitors as they are, and the other way round;"
        " over all gains, supplies and temperatures, without leakage",
        fails="where the range lies beside the window: one value moves it (the rule on the requirement says"
        " which)",
    )
    lesson = Lesson(
        why="A window has a width, and everything that moves the result spends some of it: the capacitor"
        " its 20 %, the supply, the gain, the weather. What is left over is what the resistors may take."
        " If that is nothing, no resistor on earth holds the requirement, and money spent on 1 % is lost.",
        breaks="Two 5 % parts in series are not 2.5 % at worst, only as a rule. A closer part does not help"
        " where the range lies beside the window; there another value does, at no cost.",
        mend="Spend where most is lost: a capacitor of 10 or 5 % first, then the supply by a reference,"
        " then the resistors. Or a trimmer over 1.2 times the range, set at the bench. Or ask for what"
        " can be had.",
        failing=FAILING,
        passing=PASSING,
        dial=Dial("/requirements/0/within", "45 %", "15 %"),
        derivation="rules.derivations.tolerance_reachable:DERIVATION",
    )

    def check(self, study: Study) -> Iterable[Outcome]:
        """One outcome per requirement with a tolerance: delays, ways back, voltages."""
        cases = [*self._delays(study), *self._ways_back(study), *self._voltages(study)]
        if not cases:
            yield not_applicable(self, (), "the document asks for no time and no voltage")
        for case in cases:
            yield case if isinstance(case, Outcome) else self._judge(study, case)

    def _delays(self, study: Study) -> Iterator[Case | Outcome]:
        for item in asked(study.circuit, "delay"):
            found = study.shared(("required-delay", item.pointer), Ruler(study, item).stays)
            if not isinstance(found, Stays) or found.delay is None or found.corners is None:
                yield self._left(item, "how long it takes follows from no single capacitor")
                continue
            window, capacitor = item.window, found.delay.timed.capacitor
            met = window.holds(found.low.seconds) and window.holds(found.high.seconds) and not found.missing
            cause = identity("required-delay", (capacitor,), (), item.label)
            spec = of_delay(found.corners, window)
            yield Case(item, spec, met, "s", found.delay.timed.name, (capacitor,), (), cause)

    def _ways_back(self, study: Study) -> Iterator[Case | Outcome]:
        share = self.limits["shortening"].value
        for item in asked(study.circuit, "re-arm"):
            delays = [d for d in every_delay(study) if means(study.circuit, item, d)]
            for delay in delays:
                way = recovery_of(study, delay.timed.corner, delay, share)
                if isinstance(way, NoRecovery) or not way.complete:
                    yield self._left(item, f"{delay.timed.capacitor} has no way back to time")
                    continue
                if way.seconds > item.window.high:
                    yield self._left(item, "it is not met at nominal values: no tolerance mends that")
                    continue
                spec = of_way_back(study, delay_corners(study, delay), way, share, item.window)
                parts = (delay.timed.capacitor,)
                cause = identity("required-re-arm", parts, (), item.label)
                worst = study.shared(
                    ("way back", delay, share),
                    partial(worst_way, study, delay, way, share),
                )
                if worst is None:
                    yield self._left(item, "no tolerance moves it")
                    continue
                met = worst.seconds <= item.window.high
                yield Case(item, spec, met, "s", delay.timed.name, parts, (), cause)

    def _voltages(self, study: Study) -> Iterator[Case | Outcome]:
        for item in asked(study.circuit, "net-voltage"):
            net = item.text("net")

            def volts(state: State, net: str = net) -> float | None:
                return state.nets[net]

            found = study.shared(
                ("net in state", item.state, net),
                partial(range_of, study, item.state, volts),
            )
            if found.low is None or found.high is None:
                yield self._left(item, f"nothing sets the voltage of {net} in this state")
                continue
            window = item.window
            met = window.holds(found.low.value) and window.holds(found.high.value) and not found.missing
            situation = found.low.situation
            if situation.timed is not None:
                yield self._left(item, "a timed state is judged along its course, where it is required")
                continue
            spec = of_voltage(study, situation.state, net, window)
            if not spec.two_sided and not window.holds(found.nominal):
                yield self._left(item, "it is not met at nominal values: no tolerance mends that")
                continue
            cause = identity("required-net-voltage", (), (net,), item.label)
            yield Case(item, spec, met, "V", situation.label, (), (net,), cause)

    def _left(self, item: Asked, reason: str) -> Outcome:
        return Outcome(self.slug, "not-applicable", (item.label,), reason, item.state or None)

    def _judge(self, study: Study, case: Case) -> Outcome:
        spec, close = case.spec, self.limits["close"].value
        unit = case.unit if not (spec.two_sided and spec.ratio) else ""
        if case.met and not spec.two_sided:
            return self._met(case)
        test = Test.at_most(spec.width((close, None)), spec.room, unit)
        if case.met and not test.holds:
            # closer parts than shops keep were chosen already, and they do it
            return self._met(case)
        if test.holds:
            return Outcome(self.slug, "satisfied", case.about, "", case.state, None, test)
        bare = spec.width((0.0, None))
        severity: Severity = "error" if bare > spec.room and spec.two_sided else "warning"
        return self._violated(study, case, severity, test, bare)

    def _met(self, case: Case) -> Outcome:
        reason = "it is met with the tolerances as they are"
        return Outcome(self.slug, "satisfied", case.about, reason, case.state)

    def _violated(self, study: Study, case: Case, severity: Severity, test: Test, bare: float) -> Outcome:
        spec = case.spec
        close = self.limits["close"].value
        resistors = spec.resistors_below(close) if bare <= spec.room else None
        capacitors = spec.capacitors(CLASSES) if spec.capacitor else None
        finding = Finding(
            rule=self.slug,
            severity=severity,
            parts=case.parts,
            nets=case.nets,
            pointers=(case.item.pointer,),
            state=case.state,
            corner=None,
            message=message(case, test, bare, resistors, capacitors, close),
            evidence=tuple(evidence(study, case, test, bare, resistors, capacitors, close)),
            test=test,
            grounds=self.grounds,
            role=case.item.label,
            advice=tuple(advice(case, capacitors)),
            caused_by=case.cause,
        )
        made = proposals(case, capacitors) if study.proposing else ()
        return broken(finding, case.about, made)


RULE = ToleranceReachable()
