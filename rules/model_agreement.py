"""The hand model and the junction model tell the same of every state."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import TYPE_CHECKING

from rules.analysis.junction.refine import NOTABLE, Refined, refine
from rules.analysis.junction.small_signal import small_signal
from rules.analysis.named import passes_at_power_up
from rules.contract import API_LEVEL, Lesson, limits_of
from rules.outcomes import not_applicable, satisfied, violated
from rules.wording import member_pointer, say, where
from schemas.finding import Grounds, Limit, Outcome, Quantity, Severity, Test

if TYPE_CHECKING:
    from rules.analysis.states import State
    from rules.analysis.study import Situation, Study

APART = Limit(
    "apart",
    NOTABLE,
    "V",
    "common practice, no source: what a fixed 0.7 V leaves open from microamperes to tens of milliamperes",
    "largest difference of a node voltage between the two models",
)

PASSING = """\
format: thumbrule/1
name: dovecote-lamp
ground: gnd
parts:
  V1: {kind: supply, voltage: 6 V, pins: {plus: rail, minus: gnd}}
  S1: {kind: contact, rest: open, pins: {a: rail, b: feed}}
  R1: {kind: resistor, resistance: 4.7 kohm, pins: {a: feed, b: base}}
  R2: {kind: resistor, resistance: 22 kohm, pins: {a: base, b: gnd}}
  R3: {kind: resistor, resistance: 330 ohm, pins: {a: rail, b: lamp}}
  Q1: {kind: npn, beta: 150, pins: {collector: lamp, base: base, emitter: gnd}}
"""
FAILING = """\
format: thumbrule/1
name: dovecote-counter
ground: gnd
parts:
  V1: {kind: supply, voltage: 9 V, pins: {plus: rail, minus: gnd}}
  R1: {kind: resistor, resistance: 120 kohm, pins: {a: rail, b: base}}
  R2: {kind: resistor, resistance: 10 kohm, pins: {a: base, b: gnd}}
  R3: {kind: resistor, resistance: 47 kohm, pins: {a: rail, b: out}}
  Q1: {kind: npn, beta: 300, pins: {collector: out, base: base, emitter: gnd}}
states:
  counting: {Q1: active}
"""


class ModelAgreement:
    """Every stable state of the hand model, solved again with exponential junctions at 25 degC."""

    slug = "model-agreement"
    title = "Hand model against junction model"
    protects = "a reader from numbers that rest on the fixed drop of a junction"
    api_level = API_LEVEL
    limits: Mapping[str, Limit] = limits_of(APART)
    grounds = Grounds(
        rule_of_thumb="Work with 0.7 V and 0.2 V, then ask what the answer would be with 0.6 V.",
        formula="I = I_S * (exp(v / V_T) - 1);  |V_junction - V_hand| <= 0.3 V at every net",
        symbols={
            "I": "junction current, A",
            "I_S": "saturation current, A",
            "v": "junction voltage, V",
            "V_T": "k*T/q, 25.7 mV at 25 degC",
            "V_junction": "node voltage with exponential junctions, V",
            "V_hand": "node voltage with fixed drops, V",
        },
        source="J. J. Ebers and J. L. Moll, Large-signal behavior of junction transistors, Proc. IRE 42,"
        " 1954; from memory. The limit: common practice, no source",
        holds="at 25 degC, with typical gains and a saturation current of small-signal parts",
        fails="for power devices, and for LEDs and diodes that are far from their usual current",
    )
    lesson = Lesson(
        why="A junction has no threshold: its current grows tenfold for every 60 mV. Hand work replaces the"
        " curve by one number, which is right within 50 mV over a decade of current or two. Where a result"
        " hangs on those 50 mV times a gain, it is the curve that decides.",
        breaks="A base that a divider alone holds near 0.7 V, without an emitter resistor, is the classic"
        " case: by hand it is off, and in fact it takes a current that the gain multiplies.",
        mend="Let a resistor set the current: in series with the base, or from emitter to the rail. Then the"
        " drop is a small part of the sum, and both models agree.",
        failing=FAILING,
        passing=PASSING,
        undialled="the models part in a narrow band of base voltages, within which several states"
        " come and go: the margin does not fall steadily",
        derivation="rules.derivations.model_agreement:DERIVATION",
    )

    def check(self, study: Study) -> Iterable[Outcome]:
        """One outcome per stable state at typical gains."""
        judged = False
        for situation in study.situations("typical"):
            if situation.state.devices:
                judged = True
                if situation.timed is not None and passes_at_power_up(study, situation.timed):
                    reason = f'the supply only passes through "{where(situation)}" as it comes on'
                    yield not_applicable(self, tuple(sorted(situation.state.devices)), reason)
                else:
                    yield from self._judge(study, situation)
        if not judged:
            yield not_applicable(self, (), "there is no junction")

    def _judge(self, study: Study, situation: Situation) -> Iterator[Outcome]:
        state = situation.state
        subject = tuple(sorted(state.devices))
        refined, most = refine(state), self.limits["apart"].value
        if not refined.converged:
            # nothing near it: the state itself hangs on the fixed drop
            apart = Test.at_most(max(abs(refined.disagreement.volts), 2.0 * most), most, "V")
            message = (
                f'The junction model has no state like "{where(situation)}": {refined.reason}. What the hand'
                " model says of it rests on its fixed drops."
            )
            yield self._told(study, situation, subject, apart, "warning", message, refined)
            return
        growing = small_signal(refined).growing
        if growing and situation.timed is None:
            apart = Test.at_most(float(growing), 0.0, "")
            message = (
                f'"{where(situation)}" is a state on paper only: with junction capacitances and its own'
                f" capacitors {growing} natural mode{'s' if growing > 1 else ''} grow"
                f"{'' if growing > 1 else 's'}, so it does not last."
            )
            yield self._told(study, situation, subject, apart, "warning", message, refined)
            return
        # saturated transistors on top of one another: each is counted with more than it keeps
        spare = state.mode.network.resolved.assumptions["vce_sat"]
        most += spare * max(0, _stacked(state, refined.disagreement.net) - 1)
        test = Test.at_most(abs(refined.disagreement.volts), most, "V")
        if test.holds:
            # about the whole circuit: with a part added to it, it is still the same that is judged
            yield satisfied(self, (), situation, test)
            return
        net = refined.disagreement.net
        hand, real = state.nets[net], refined.nets[net]
        message = (
            f'In "{where(situation)}" net {net} lies at {say(hand or 0.0, "V")} with fixed junction drops and'
            f" at {say(real or 0.0, 'V')} with exponential junctions: {say(test.left, 'V')} apart. Take the"
            " numbers of this state as rough."
        )
        yield self._told(study, situation, subject, test, "note", message, refined)

    def _told(
        self,
        study: Study,
        situation: Situation,
        subject: tuple[str, ...],
        test: Test,
        severity: Severity,
        message: str,
        refined: Refined,
    ) -> Outcome:
        net = refined.disagreement.net
        evidence = [
            Quantity("V_hand", f"net {net}, fixed drops", situation.state.nets[net] or 0.0, "V"),
            Quantity("V_junction", f"net {net}, exponential junctions", refined.nets[net] or 0.0, "V"),
        ]
        evidence.extend(
            Quantity(f"V_{junction.device}", f"{junction.name} junction of {junction.device}", v, "V")
            for junction, v, i in zip(
                situation.state.mode.network.junctions,
                (refined.assembly.sense @ refined.x).tolist(),
                refined.junction_currents.tolist(),
                strict=True,
            )
            if i > 1e-6 and junction.name in ("forward", "on")
        )
        # about the whole circuit, so that it stays the same finding when a part is added
        return violated(
            self,
            study,
            (),
            situation,
            test,
            severity,
            message,
            evidence,
            role=f"state {situation.label}",
            parts=(),
            nets=(),
            pointers=[member_pointer(name, "pins") for name in subject],
        )


def _stacked(state: State, net: str) -> int:
    """How many saturated transistors a current from a net passes, one after the other."""
    transistors = {
        name: state.mode.network.resolved.circuit.parts[name]
        for name, region in state.devices.items()
        if region == "saturated"
    }
    count = 0
    while True:
        here = next((name for name, part in transistors.items() if part.pins["collector"] == net), None)
        if here is None:
            return count
        count, net = count + 1, transistors.pop(here).pins["emitter"]


RULE = ModelAgreement()
