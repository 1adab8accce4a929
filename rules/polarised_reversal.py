"""Every polarised capacitor keeps its plus end the more positive one, at rest and for every moment."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from typing import TYPE_CHECKING

from rules.analysis.resolve import dielectric_of
from rules.analysis.stress import (
    HAIR,
    Peak,
    above,
    along,
    at_rest,
    is_polarised,
    moves,
    reversal_pair,
    unfinished_runs,
)
from rules.contract import API_LEVEL, Dial, Lesson, limits_of
from rules.moments import gravity
from rules.outcomes import not_applicable, violated_by
from rules.reversal_words import Case, advice, evidence, message, turned
from schemas.finding import Grounds, Limit, Outcome, Severity, Test

if TYPE_CHECKING:
    from rules.analysis.states import State
    from rules.analysis.study import Study
    from schemas.circuit import Part

_GUIDES = (
    "from memory: makers' guides for aluminium capacitors allow about 1 V, and up to 1.5 V for short times"
)
LASTING = Limit("lasting", 0.5, "V", _GUIDES, "reverse voltage at rest, beyond which it fails")
EVER = Limit("ever", 1.5, "V", _GUIDES, "reverse voltage beyond which it may fail at once")
PASSING_BY = Limit(
    "passing", 0.5, "V", "common practice, no source", "reverse voltage for a moment from which it ages"
)
SEEN = Limit("seen", 0.1, "V", "common practice, no source", "reverse voltage that is worth a remark")
TANTALUM = Limit(
    "tantalum",
    0.02,
    "",
    "Part Derating Parameters, System Reliability Center (Rome NY), tantalum capacitors: reverse voltage 2 %",
    "the same for tantalum, as a share of its rated voltage",
)
SWING = 0.25  # of a node voltage; more than all tolerances together move it

PASSING = """\
format: thumbrule/1
name: bird-box-microphone
ground: gnd
parts:
  V1: {kind: supply, voltage: 9 V, pins: {plus: rail, minus: gnd}}
  R1: {kind: resistor, resistance: 10 kohm, pins: {a: rail, b: capsule}}
  R2: {kind: resistor, resistance: 20 kohm, pins: {a: capsule, b: gnd}}
  R3: {kind: resistor, resistance: 68 kohm, pins: {a: rail, b: base}}
  R4: {kind: resistor, resistance: 15 kohm, pins: {a: base, b: gnd}}
  C1: {kind: capacitor, capacitance: 10 uF, voltage: 16 V, pins: {plus: capsule, minus: base}}
  Q1: {kind: npn, beta: 200, pins: {collector: out, base: base, emitter: low}}
  R5: {kind: resistor, resistance: 4.7 kohm, pins: {a: rail, b: out}}
  R6: {kind: resistor, resistance: 1 kohm, pins: {a: low, b: gnd}}
"""
FAILING = PASSING.replace("{plus: capsule, minus: base}", "{plus: base, minus: capsule}")


class PolarisedReversal:
    """Greatest reverse voltage of every polarised capacitor, at rest and along every run."""

    slug = "polarised-reversal"
    title = "Polarity of electrolytic capacitors"
    protects = "electrolytic capacitors from being charged the wrong way round, from gassing and venting"
    api_level = API_LEVEL
    limits: Mapping[str, Limit] = limits_of(LASTING, EVER, PASSING_BY, SEEN, TANTALUM)
    grounds = Grounds(
        rule_of_thumb="The plus end of an electrolytic capacitor never goes more than half a volt below the"
        " other end.",
        formula="V(-) - V(+) <= 0.5 V at rest, <= 1.5 V at any moment; better <= 0.1 V",
        symbols={"V(+), V(-)": "voltages of the plus and the minus end, V"},
        source=f"{_GUIDES}; half a volt and a tenth of a volt: common practice, no source",
        holds="for every moment: at rest at the worst of all tolerances, along each run at the highest supply"
        " voltage, with resistors at their nominal values",
        fails="for bipolar electrolytics, which have no plus end, and for film and ceramic parts",
    )
    lesson = Lesson(
        why="The oxide that insulates the plus plate was grown by current one way. Current the other way"
        " takes it off, makes gas, and ends with a vent or a bang. The plus end belongs at the node that is"
        " more positive at rest: work the node voltages out first, then draw the plus sign.",
        breaks="A coupling capacitor between two biased nodes may change its sign with the transistor in"
        " hand. The capacitors of a cross-coupled flasher are reversed by V_BE - V_CE,sat, half a volt, at"
        " the end of each period: they stand that. A large swing at one end reverses a capacitor that is"
        " right at rest.",
        mend="Turn it round; where the voltage goes both ways, fit a film or bipolar capacitor, or two of"
        " twice the value in series with their plus ends together.",
        failing=FAILING,
        passing=PASSING,
        dial=Dial("/parts/R2/resistance", "20 kohm", "2 kohm"),
        derivation="rules.derivations.polarised_reversal:DERIVATION",
    )

    def check(self, study: Study) -> Iterable[Outcome]:
        """Outcomes per polarised capacitor: the worst resting state, and the worst moment of all runs."""
        capacitors = [part for part in study.circuit.parts.values() if part.kind == "capacitor"]
        if not capacitors:
            yield not_applicable(self, (), "there is no capacitor")
        for part in capacitors:
            if is_polarised(part):
                yield from self._capacitor(study, part)
            else:
                yield not_applicable(self, (part.name,), f"{part.name} has no polarity")

    def _capacitor(self, study: Study, part: Part) -> Iterator[Outcome]:
        about, pair = (part.name,), reversal_pair(part)
        if pair[0] == pair[1]:
            yield not_applicable(self, about, "both ends are tied together")
            return
        marks = self._marks(study, part)
        resting = at_rest(study, pair, _is_doubtful(part, self.limits["seen"].value), lasting=True)
        moving = above(resting, along(study, pair, [limit for _, limit in marks[1]]))
        cases = [Case(part, peak) for peak in (resting, moving) if peak is not None]
        if not cases:
            yield not_applicable(self, about, "no voltage across it is defined")
            return
        judged = [(case, *_judge(case.peak, marks[case.peak.at is not None])) for case in cases]
        worst = max(judged, key=lambda each: gravity(each[1], each[2]))[0]
        sure = True
        for case, severity, test in judged:
            peak = case.peak
            if severity is None:
                told = tuple(evidence(study, case))
                yield Outcome(
                    self.slug, "satisfied", about, "", peak.state, peak.corner, test, evidence=told
                )
                continue
            sure = False
            yield self._violated(study, case, severity, test, case is worst)
        if sure and moves(study):
            for reason in unfinished_runs(study):
                yield Outcome(self.slug, "undecided", about, reason)

    def _marks(self, study: Study, part: Part) -> tuple[Sequence[tuple[Severity, float]], ...]:
        """Severities with their limits (V), the gravest first: at rest, and for a moment."""
        limits = {name: limit.value for name, limit in self.limits.items()}
        lasting, passing = limits["lasting"], limits["passing"]
        rated = study.known(part.name, "voltage")
        if dielectric_of(part) == "tantalum" and rated is not None:
            share = max(limits["seen"], limits["tantalum"] * rated.value)
            lasting, passing = min(lasting, share), min(passing, share)
        return (
            (("error", lasting), ("note", limits["seen"])),
            (("error", limits["ever"]), ("warning", passing), ("note", limits["seen"])),
        )

    def _violated(self, study: Study, case: Case, severity: Severity, test: Test, is_worst: bool) -> Outcome:
        name, peak = case.part.name, case.peak
        made = turned(study, case) if study.proposing and is_worst else ()
        return violated_by(
            self,
            name,
            (peak.state, peak.corner),
            test,
            severity,
            message(case, test),
            evidence(study, case),
            role="polarity",
            proposals=made,
            advice=advice(study, case, severity, bool(made)) if is_worst else (),
        )


def _is_doubtful(part: Part, seen: float) -> Callable[[State, float], bool]:
    """Where tolerances may turn the sign: the voltage is small beside those of its two ends."""
    ends = part.pins["plus"], part.pins["minus"]

    def doubtful(state: State, reverse: float) -> bool:
        size = max(abs(state.nets[net] or 0.0) for net in ends)
        return reverse != 0.0 and -reverse < SWING * size + seen

    return doubtful


def _judge(peak: Peak, marks: Sequence[tuple[Severity, float]]) -> tuple[Severity | None, Test]:
    for severity, limit in marks:
        if peak.value > limit + HAIR:
            return severity, Test.at_most(peak.value, limit, "V")
    return None, Test.at_most(min(peak.value, marks[-1][1]), marks[-1][1], "V")


RULE = PolarisedReversal()
