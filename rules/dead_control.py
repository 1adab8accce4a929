"""Every contact and every driver does something, in some position of the others and in some state."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import TYPE_CHECKING

from rules.analysis.controls import Moved, controls, dead_end, moved, works_elsewhere
from rules.contract import API_LEVEL, Lesson, limits_of
from rules.outcomes import not_applicable, violated_by
from schemas.finding import Grounds, Limit, Outcome, Quantity, Test

if TYPE_CHECKING:
    from rules.analysis.study import Study

LEAST = Limit(
    "least",
    0.01,
    "",
    "common practice, no source",
    "largest relative change of a current, or of a capacitor voltage against the supply",
)

PASSING = """\
format: thumbrule/1
name: rabbit-hutch-fan
ground: gnd
parts:
  V1: {kind: supply, voltage: 6 V, pins: {plus: rail, minus: gnd}}
  U1: {kind: driver, low: 0 V, high: 5 V, pins: {out: order, reference: gnd}}
  R1: {kind: resistor, resistance: 2.2 kohm, pins: {a: order, b: base}}
  R2: {kind: resistor, resistance: 22 kohm, pins: {a: base, b: gnd}}
  Q1: {kind: npn, beta: {min: 100, max: 300}, pins: {collector: fan, base: base, emitter: gnd}}
  M1: {kind: load, resistance: 220 ohm, pins: {plus: rail, minus: fan}}
"""
FAILING = PASSING.replace("{a: order, b: base}", "{a: order, b: bass}")


class DeadControl:
    """Every contact and driver moved, in every position of the others and every state."""

    slug = "dead-control"
    title = "Control that does nothing"
    protects = "a switch, a button or an output from having no say in anything"
    api_level = API_LEVEL
    limits: Mapping[str, Limit] = limits_of(LEAST)
    grounds = Grounds(
        rule_of_thumb="Every control has a state in which it matters.",
        formula="max |I_1 - I_2|/max(|I_1|, |I_2|) >= 1 %;  or |V_C1 - V_C2| >= 1 % of V_S;  or a state more"
        " or less",
        symbols={
            "I_1, I_2": "current of another part in the two positions of the control, A",
            "V_C1, V_C2": "voltage of a capacitor in the two positions, V",
            "V_S": "supply voltage, V",
        },
        source="common practice, no source",
        holds="for every position of the other controls and every state, timed ones and unstable ones too; a"
        " net that only follows the control, without any current, does not count",
        fails="for a control whose work lies outside the document: flag its net as terminal",
    )
    lesson = Lesson(
        why="A control that changes no current anywhere is a control on paper only: its wire ends at a name"
        " that was spelt differently, or at a part that never conducts. On the bench it looks like a broken"
        " switch, and the search begins at the wrong end.",
        breaks="A reset does nothing while the latch is off, and a button in series with an open one does"
        " nothing either: one state in which it matters is enough. So every state has to be tried before a"
        " control is called dead.",
        mend="Trace it: from its pins on, where does the first current stop? A net with one pin, a diode the"
        " wrong way round and an output whose both levels read the same are the usual ends.",
        failing=FAILING,
        passing=PASSING,
        undialled="a control acts or it does not: what it does to a load may be small, its wire is never half"
        " there",
        derivation="rules.derivations.dead_control:DERIVATION",
    )

    def check(self, study: Study) -> Iterable[Outcome]:
        """One outcome per contact and driver."""
        names = controls(study)
        if not names:
            yield not_applicable(self, (), "there is no contact and no driver")
        for name in names:
            yield self._control(study, name)

    def _control(self, study: Study, name: str) -> Outcome:
        least = self.limits["least"].value
        if works_elsewhere(study.circuit, name):
            return not_applicable(self, (name,), "an unused throw, or its work lies off the board")
        case = moved(study, name, least)
        test = Test.at_least(case.change, least, "")
        if test.holds:
            seen = Quantity("change", f"relative change of {case.what}", case.change, "")
            return Outcome(self.slug, "satisfied", (name,), "", None, None, test, evidence=(seen,))
        if case.unknown or not case.looked:
            why = case.unknown or "there is none"
            reason = f"not every state in both positions of {name} is known: {why}"
            return Outcome(self.slug, "undecided", (name,), reason)
        return self._violated(study, case, test)

    def _violated(self, study: Study, case: Moved, test: Test) -> Outcome:
        part = study.circuit.parts[case.control]
        ends = "open and closed" if part.kind == "contact" else "low and high"
        return violated_by(
            self,
            part.name,
            (None, None),
            test,
            "warning",
            f"{part.name} does nothing: {ends}, {case.looked} states compared, no other current and"
            f" no capacitor changes by more than {case.change:.2%}; limit at least {test.right:.0%} in one of"
            " them.",
            (
                Quantity("change", "largest relative change of anything else", case.change, ""),
                Quantity("n", "states compared, both positions together", float(case.looked), ""),
            ),
            role="no effect",
            advice=_advice(study, part.name),
            cause=dead_end(study, part.name),
        )


def _advice(study: Study, name: str) -> Iterator[str]:
    pins = study.circuit.parts[name].pins
    if len(set(pins.values())) == 1:
        yield f"both pins of {name} are on {next(iter(pins.values()))}: lead one of them elsewhere"
        return
    yield f"trace {name} from its pins on, to the first part that carries nothing, or take it out"
    yield "if its work lies off the board, flag the net that leaves as terminal"


RULE = DeadControl()
