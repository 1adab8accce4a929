"""A net keeps the voltage that a requirement names for it, at every corner."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping
from typing import TYPE_CHECKING

from rules.analysis.named import End, Range, range_of
from rules.analysis.requirements import Asked, Relation, asked
from rules.analysis.tuning import Tuner
from rules.contract import API_LEVEL, Dial, Lesson, limits_of
from rules.required_words import (
    at_corner,
    ends,
    limits,
    moved_by,
    none_asked,
    nowhere,
    parameter_name,
    satisfied,
    side_words,
    tuned_proposal,
    undecided,
    violated,
    wanted,
    why_unknown,
)
from rules.wording import listed, say
from schemas.finding import Grounds, Limit, Outcome, Proposal, Quantity, Test

if TYPE_CHECKING:
    from rules.analysis.states import State
    from rules.analysis.study import Study

PASSING = """\
format: thumbrule/1
name: seed-tray-reference
ground: gnd
parts:
  V1: {kind: supply, voltage: 12 V, pins: {plus: rail, minus: gnd}}
  R1: {kind: resistor, resistance: 6.8 kohm, pins: {a: rail, b: base}}
  R2: {kind: resistor, resistance: 3.9 kohm, pins: {a: base, b: gnd}}
  Q1: {kind: npn, beta: {min: 100, max: 400}, pins: {collector: rail, base: base, emitter: ref}}
  R3: {kind: resistor, resistance: 1 kohm, pins: {a: ref, b: gnd}}
states:
  working: {Q1: active}
requirements:
  - {kind: net-voltage, net: ref, state: working, target: 3.6 V, within: 15 %}
"""
FAILING = PASSING.replace("6.8 kohm", "56 kohm").replace("3.9 kohm", "33 kohm")


class RequiredNetVoltage:
    """Voltage of a net in a named state against its requirement, over all tolerances."""

    slug = "required-net-voltage"
    title = "Required voltage of a net"
    protects = "the voltage that the document asks for on a net"
    api_level = API_LEVEL
    limits: Mapping[str, Limit] = limits_of()
    grounds = Grounds(
        rule_of_thumb="A voltage is right when it is right with the worst part of every bag.",
        formula="V_low <= V_min,  V_max <= V_high, both over all tolerances, gains, supplies, temperatures",
        symbols={
            "V_min": "least voltage of the net in the state, V",
            "V_max": "greatest voltage of the net in the state, V",
            "V_low": "least accepted voltage, V",
            "V_high": "greatest accepted voltage, V",
        },
        source="the requirement of the document; extreme value analysis: common practice",
        holds="in the state as it is named, with the contacts at rest where it exists there, else in every"
        " position; of a timed state from its start to its end",
        fails="for the moments between two states; a corner of a timed state is that of its beginning",
    )
    lesson = Lesson(
        why="A voltage on paper is one number; on the bench it is a range. Each resistor, the gain, the"
        " battery and the weather moves it, and all of them may move it the same way at once. Inside one"
        " state every voltage follows each of them in one direction only, so the two ends of the range lie"
        " at corners that can be found by asking which end of each tolerance is the worse one.",
        breaks="A divider that feeds a base carries the base current too: at the least gain the tap sags."
        " A fresh and an old battery move everything that is not referred to something else.",
        mend="Move one resistor to the middle of the window; take 1 % resistors where the sum of the"
        " tolerances is too wide; lower both resistors of the divider where the gain does it. Against the"
        " battery no resistor helps: take the voltage from a reference.",
        failing=FAILING,
        passing=PASSING,
        dial=Dial("/parts/R1/resistance", "6.8 kohm", "15 kohm"),
        derivation="rules.derivations.required_net_voltage:DERIVATION",
    )

    def check(self, study: Study) -> Iterable[Outcome]:
        """Outcomes per requirement and side of its window."""
        items = asked(study.circuit, "net-voltage")
        if not items:
            yield none_asked(self, "net-voltage")
        for item in items:
            yield from self._judge(study, item)

    def _judge(self, study: Study, item: Asked) -> Iterator[Outcome]:
        net = item.text("net")

        def volts(state: State) -> float | None:
            return state.nets[net]

        found = study.shared(("net in state", item.state, net), lambda: range_of(study, item.state, volts))
        if found.undetermined:
            where = listed(dict.fromkeys(f'"{name}"' for name in found.undetermined))
            yield undecided(
                self, item, (net,), f"nothing in the circuit sets the voltage of {net} in {where}"
            )
        if found.missing:
            yield nowhere(self, study, item, found.missing, (), (net,))
        if found.low is None or found.high is None:
            return
        unknown = why_unknown(study)
        cures = True
        for relation, limit in item.window.sides():
            end = found.low if relation == ">=" else found.high
            make = Test.at_least if relation == ">=" else Test.at_most
            test = make(end.value, limit, "V")
            if not test.holds:
                yield self._violated(study, item, found, relation, end, test, cures and study.proposing)
                cures = False  # they are the same for the other side
            elif unknown:
                yield undecided(self, item, (net,), f"not every state is known: {unknown}")
            else:
                symbol, word = ("V_min", "least") if relation == ">=" else ("V_max", "greatest")
                told = (Quantity(symbol, f"{word} voltage of {net}", end.value, "V"),)
                yield satisfied(self, item, (net,), test, end.situation.label, end.corner, told)

    def _violated(
        self,
        study: Study,
        item: Asked,
        found: Range,
        relation: Relation,
        end: End,
        test: Test,
        cures: bool,
    ) -> Outcome:
        net = item.text("net")
        assert found.low is not None
        assert found.high is not None
        side = side_words(item.window, relation, "V")
        span = f"{say(found.low.value, 'V')} to {say(found.high.value, 'V')}"
        message = (
            f"{net} comes to {say(end.value, 'V')} in {at_corner(end)}: {side}. Wanted is"
            f" {wanted(item, 'V')}; it is {say(found.nominal, 'V')} at nominal values and {span} over all"
            " tolerances."
        )
        evidence = [
            *limits(item, "V", f"voltage of {net}", "V"),
            *ends(found, "V", f"voltage of {net}", "V"),
            *moved_by(end.sensitivities, "V"),
        ]
        proposals, advice = _cures(study, item, found) if cures else ((), ())
        return violated(
            self,
            item,
            test,
            message,
            evidence,
            state=end.situation.label,
            corner=end.corner,
            nets=(net,),
            proposals=proposals,
            advice=advice,
        )


def _cures(study: Study, item: Asked, found: Range) -> tuple[tuple[Proposal, ...], tuple[str, ...]]:
    """Resistors that hold the window, else what is left to blame."""
    net = item.text("net")
    assert found.low is not None
    tuner = Tuner(study, found.low.situation.state, lambda state: state.nets[net], item.window)
    made = tuple(tuned_proposal(study, tuned, net, "V") for tuned in tuner.tuned())
    if made:
        return made, ()
    left = tuner.left("resistance")
    if left is None:
        return (), ()
    others = [s for s in found.low.sensitivities if s.parameter.kind != "resistance" and s.change != 0.0]
    blame = listed(parameter_name(s.parameter) for s in others[:3]) or "nothing"
    width, wide = left.high - left.low, item.window.high - item.window.low
    much = f" of the {say(wide, 'V')} that are accepted" if math.isfinite(wide) else ""
    return (), (
        f"no change of one resistor, of their tolerances, or of two resistors together holds it: with exact"
        f" resistors it would still range over {say(width, 'V')}{much}; what moves it then is {blame}",
    )


RULE = RequiredNetVoltage()
