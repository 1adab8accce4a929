"""No base-emitter junction is driven backwards near its breakdown, at rest or for a moment."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import TYPE_CHECKING

from rules.analysis.resolve import TRANSISTORS
from rules.analysis.stress import above, along, at_rest, moves, reverse_pair, unfinished_runs
from rules.contract import API_LEVEL, Dial, Lesson, limits_of
from rules.emitter_words import Case, advice, evidence, message, proposals
from rules.moments import gravity
from rules.outcomes import not_applicable, of_each, violated_by
from schemas.finding import Grounds, Limit, Outcome, Severity, Test

if TYPE_CHECKING:
    from rules.analysis.study import Study
    from schemas.circuit import Part

RATING = Limit(
    "rating",
    5.0,
    "V",
    "the lowest V_EBO of common small-signal types: 5 V for 2N3906 (Multicomp), 2N2907A and BC557B, 6 V for"
    " 2N3904, 2N2222A and BC547B (sheets of onsemi, NXP, Fairchild, ST)",
    "V_EBO of a transistor whose document and type state none",
)
SHARE = Limit(
    "share",
    0.8,
    "",
    "common practice, no source (derating documents take 75 to 80 % of a rated voltage)",
    "share of V_EBO that is in use at most",
)
ALLOWANCE = Limit(
    "allowance",
    0.1,
    "",
    "own comparison: a 12 V flasher with LED collectors gives 9.19 V with fixed drops and 9.81 V with"
    " junctions that drop less at small currents (Ebers-Moll)",
    "what a moment of a run may reach above the value for fixed drops",
)


PASSING = """\
format: thumbrule/1
name: seed-tray-blinker
ground: gnd
parts:
  V1: {kind: supply, voltage: 3 V, pins: {plus: rail, minus: gnd}}
  R1: {kind: resistor, resistance: 1.5 kohm, pins: {a: rail, b: c1}}
  R2: {kind: resistor, resistance: 1.5 kohm, pins: {a: rail, b: c2}}
  R3: {kind: resistor, resistance: 47 kohm, pins: {a: rail, b: b1}}
  R4: {kind: resistor, resistance: 47 kohm, pins: {a: rail, b: b2}}
  C1: {kind: capacitor, capacitance: 4.7 uF, dielectric: film, pins: {a: c1, b: b2}}
  C2: {kind: capacitor, capacitance: 4.7 uF, dielectric: film, pins: {a: c2, b: b1}}
  Q1: {kind: npn, beta: 200, pins: {collector: c1, base: b1, emitter: gnd}}
  Q2: {kind: npn, beta: 200, pins: {collector: c2, base: b2, emitter: gnd}}
"""
FAILING = PASSING.replace("3 V", "12 V")


class BaseEmitterReverse:
    """Greatest reverse voltage of every base-emitter junction, at rest and along every run."""

    slug = "base-emitter-reverse"
    title = "Reverse voltage of the base-emitter junction"
    protects = "the gain of a transistor from its emitter junction breaking down, if only for a moment"
    api_level = API_LEVEL
    limits: Mapping[str, Limit] = limits_of(RATING, SHARE, ALLOWANCE)
    grounds = Grounds(
        rule_of_thumb="A base never stands more than 4 V on the wrong side of its emitter.",
        formula="V_EB,max <= 0.8*V_EBO;  cross-coupled stages: V_EB,max = V_S - V_LED - V_CE,sat - V_BE;"
        "  a steering transistor: V_EB,max = V_th - V_BE - V_B",
        symbols={
            "V_EB,max": "greatest reverse voltage of the junction (NPN: emitter above base), V",
            "V_EBO": "rated reverse voltage, V",
            "V_S": "supply voltage, V",
            "V_LED": "drop of an LED in the collector lead, V",
            "V_CE,sat": "saturation voltage, V",
            "V_BE": "base-emitter drop, V",
            "V_th": "base voltage of the transistor that holds the common emitter up, V",
            "V_B": "base voltage of the one that is held off, V",
        },
        source="V_EBO from the sheets of the types, 5 V without a type; 0.8 of it: common practice, no"
        " source; the second formula: Kirchhoff's voltage law at the moment of switching",
        holds="for every moment: at rest at the worst of all tolerances, along each run at the highest supply"
        " voltage and the greatest or least gain, with resistors at their nominal values",
        fails="where the junction did break down: what it then passes is not worked out, nor how far it"
        " clamps the voltage",
    )
    lesson = Lesson(
        why="The emitter is the most heavily doped region of a transistor, so its junction breaks down at 5"
        " to 8 V, long before the collector does. Broken down it conducts, and each time it takes a little"
        " gain away for good. A capacitor makes it happen: one end falls with a collector, and the charge"
        " takes the base down with it, below the emitter by nearly the whole supply.",
        breaks="A resistor in the way limits the current, not the ageing. Every cross-coupled flasher on 9 or"
        " 12 V breaks its junctions down at each change; it works on the bench, then it drifts. It is not"
        " seen in any resting state, only at the moment of the change.",
        mend="A diode in series with the base takes the reverse voltage, and a resistor from base to emitter"
        " keeps the base defined; the threshold rises by one diode drop, so work the time out again. Where"
        " the base is fed through a resistor, a diode across the junction the other way round is enough.",
        failing=FAILING,
        passing=PASSING,
        dial=Dial("/parts/V1/voltage", "3 V", "12 V"),
        derivation="rules.derivations.base_emitter_reverse:DERIVATION",
    )

    def check(self, study: Study) -> Iterable[Outcome]:
        """Outcomes per transistor: the worst resting state, and the worst moment of all runs."""
        return of_each(self, study, TRANSISTORS, "transistor", self._transistor)

    def _transistor(self, study: Study, part: Part) -> Iterator[Outcome]:
        about = (part.name,)
        pair = reverse_pair(part)
        if pair[0] == pair[1]:
            yield not_applicable(self, about, "base and emitter are tied together")
            return
        rated = study.known(part.name, "vebo")
        volts = self.limits["rating"].value if rated is None else rated.value
        careful, more = self.limits["share"].value * volts, 1.0 + self.limits["allowance"].value
        resting = at_rest(study, pair, lambda _, value: value > 0.5 * careful)
        moving = above(resting, along(study, pair, [limit / more for limit in (careful, volts)]))
        cases = [
            Case(part, peak, factor, volts, rated)
            for peak, factor in ((resting, 1.0), (moving, more))
            if peak
        ]
        if not cases:
            yield not_applicable(self, about, "base or emitter float whenever it is off: nothing reverses it")
            return
        judged = [(case, *_judge(case, careful, volts)) for case in cases]
        worst = max(judged, key=lambda each: gravity(each[1], each[2]))[0]
        sure = True
        for case, severity, test in judged:
            if severity is None:
                told, peak = tuple(evidence(study, case, self.limits["rating"])), case.peak
                yield Outcome(
                    self.slug, "satisfied", about, "", peak.state, peak.corner, test, evidence=told
                )
                continue
            sure = False
            yield self._violated(study, case, severity, test, case is worst)
        if sure and moves(study):
            for reason in unfinished_runs(study):
                yield Outcome(self.slug, "undecided", about, reason)

    def _violated(self, study: Study, case: Case, severity: Severity, test: Test, is_worst: bool) -> Outcome:
        name, careful = case.part.name, self.limits["share"].value * case.volts
        made, told = proposals(study, case, careful) if study.proposing and is_worst else ((), ())
        return violated_by(
            self,
            name,
            (case.peak.state, case.peak.corner),
            test,
            severity,
            message(study, case, test),
            evidence(study, case, self.limits["rating"]),
            role="reverse voltage",
            proposals=made,
            advice=(*told, *advice(study, case, careful)) if is_worst else (),
        )


def _judge(case: Case, careful: float, volts: float) -> tuple[Severity | None, Test]:
    if case.allowed > volts:
        return "error", Test.at_most(case.allowed, volts, "V")
    test = Test.at_most(case.allowed, careful, "V")
    return (None if test.holds else "warning"), test


RULE = BaseEmitterReverse()
