"""After a timed state its capacitor finds a way back before it is needed again."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import TYPE_CHECKING

from rules.analysis.recovery import NoRecovery, recovery_of
from rules.analysis.requirements import re_arm
from rules.contract import API_LEVEL, Dial, Lesson, limits_of
from rules.outcomes import violated_by
from rules.reset_words import SHORTENING, Case, advice, evidence, message
from rules.reset_words import proposals as propose
from schemas.finding import SEVERITIES, Grounds, Limit, Outcome, OutcomeKind, Severity, Test

if TYPE_CHECKING:
    from rules.analysis.delays import Delay
    from rules.analysis.study import Study

PATH = Limit(
    "path",
    1e6,
    "ohm",
    "common practice, no source: leakage of the board and the parts is of this order",
    "largest discharge resistance that counts as a path",
)
LARGE = Limit("large", 10e-6, "F", "common practice, no source", "capacitance from which that matters")

PASSING = """\
format: thumbrule/1
name: stair-sprinkler
ground: gnd
ambient: {low: 10 degC, nominal: 20 degC, high: 30 degC}
parts:
  V1: {kind: supply, voltage: 9 V, pins: {plus: rail, minus: gnd}}
  R1: {kind: resistor, resistance: 220 kohm, tolerance: 1 %, pins: {a: rail, b: slow}}
  C1: {kind: capacitor, capacitance: 10 uF, tolerance: 5 %, dielectric: film, pins: {plus: slow, minus: gnd}}
  S1: {kind: contact, rest: closed, pins: {a: slow, b: drain}}
  R5: {kind: resistor, resistance: 1 kohm, pins: {a: drain, b: gnd}}
  R2: {kind: resistor, resistance: 390 kohm, tolerance: 1 %, pins: {a: slow, b: base}}
  R3: {kind: resistor, resistance: 120 kohm, tolerance: 1 %, pins: {a: base, b: gnd}}
  R4: {kind: resistor, resistance: 47 kohm, pins: {a: rail, b: out}}
  Q1: {kind: npn, beta: 200, pins: {collector: out, base: base, emitter: gnd}}
"""
FAILING = PASSING.replace("1 kohm", "33 kohm")


class ResetPath:
    """Time until each timing capacitor is back where its next period starts."""

    slug = "reset-path"
    title = "Way back of the timing capacitor"
    protects = "the next period from what the last one left on the capacitor"
    api_level = API_LEVEL
    limits: Mapping[str, Limit] = limits_of(SHORTENING, PATH, LARGE)
    grounds = Grounds(
        rule_of_thumb="A timing capacitor is empty again, but for 5 % of a period, before it is needed.",
        formula="t_back = sum of tau*ln(i_0/i_1) down to V_0,max = V_inf*(1 - (1-x)^eps);  5*tau leave 0.7 %",
        symbols={
            "t_back": "time from the end of the timed state back to V_0,max, s",
            "tau": "R*C of each piece of the way, s",
            "i_0, i_1": "capacitor current at the start and the end of a piece, A",
            "V_0,max": "charge left over that costs the share eps of the next period, V",
            "V_inf": "voltage the capacitor aims at while it times, V",
            "x": "threshold over aim, 1",
            "eps": "accepted shortening of the next period, 1",
        },
        source="t = R*C*ln((V_inf - V_0)/(V_inf - V_th)) (OpenStax, University Physics 2, sec. 10.5), solved"
        " for V_0; five time constants: arithmetic; the delay itself as the limit where none is required:"
        " common practice, no source",
        holds="for a circuit that waits for the next stimulus with everything back at rest",
        fails="for an oscillator, whose way back is part of the period, and where the stimulus itself charges"
        " the capacitor anew",
    )
    lesson = Lesson(
        why="A timer is two circuits, and people draw the charging one. What is left on the plate is missing"
        " from the next period: with the capacitor half full the next one may last a few seconds.",
        breaks="A test that waits minutes between trials never shows it. A discharge diode looks like the"
        " cure, but it stops at 0.7 V; the rest leaves through the resistors only, and 0.7 V of 9 V are still"
        " a seventh of a period with the threshold at 44 %.",
        mend="Lower the resistor that governs the slowest piece of the way, if it does not set the delay as"
        " well. Else give the charge a road of its own: a diode towards a node that collapses when the"
        " state ends, and a bleed there; or a transistor or contact across the capacitor.",
        failing=FAILING,
        passing=PASSING,
        dial=Dial("/parts/R5/resistance", "1 kohm", "33 kohm"),
        derivation="rules.derivations.reset_path:DERIVATION",
    )

    def check(self, study: Study) -> Iterable[Outcome]:
        """Outcomes per timing capacitor, delay and corner."""
        cases: list[Case] = []
        others: dict[str, Outcome] = {}
        for corner in study.corners:
            found, out = study.delays(corner)
            for delay in found:
                way = recovery_of(study, corner, delay, self.limits["shortening"].value)
                if isinstance(way, NoRecovery):
                    others[delay.timed.capacitor] = self._other(delay, way)
                else:
                    cases.append(Case(delay, corner, way, re_arm(study, delay)))
            for left in out:
                reason = f"{left.capacitor} times nothing: {left.reason}"
                others.setdefault(
                    left.capacitor, Outcome(self.slug, "not-applicable", (left.capacitor,), reason)
                )
        judged = {case.capacitor for case in cases}
        if not judged and not others:
            yield Outcome(self.slug, "not-applicable", (), "there is no capacitor")
        yield from (others[name] for name in sorted(set(others) - judged))
        for capacitor in sorted(judged):
            yield from self._group(study, [case for case in cases if case.capacitor == capacitor])

    def _other(self, delay: Delay, way: NoRecovery) -> Outcome:
        kind: OutcomeKind = "not-applicable" if way.decided else "undecided"
        return Outcome(self.slug, kind, (delay.timed.capacitor,), way.reason, delay.timed.name)

    def _group(self, study: Study, cases: list[Case]) -> Iterator[Outcome]:
        """All states and corners of one capacitor; only the worst carries the cures."""
        judged = [(case, *self._judge(case)) for case in cases]
        worst = min(judged, key=_badness)[0]
        for case, severity, test in judged:
            if severity is None or test is None:
                about, state = (case.capacitor,), case.state
                yield Outcome(self.slug, "satisfied", about, "", state, case.corner, test)
                continue
            shortening = self.limits["shortening"].value
            wanted = study.proposing and case is worst
            made, withheld = propose(study, case, shortening) if wanted else ((), ())
            yield violated_by(
                self,
                case.capacitor,
                (case.state, case.corner),
                test,
                severity,
                message(case, test, shortening),
                evidence(study, case, shortening),
                role="way back",
                member="capacitance",
                proposals=made,
                advice=(*withheld, *advice(study, case)) if case is worst else (),
            )

    def _judge(self, case: Case) -> tuple[Severity | None, Test | None]:
        """No way back at all is an error; longer than the delay is a warning, where no re-arm time is asked.

        Where one is, required-re-arm judges the time.
        """
        path, large = self.limits["path"].value, self.limits["large"].value
        way = case.way
        if not way.complete:
            return "error", Test.at_most(abs(way.stays - way.goal), abs(way.enough - way.goal), "V")
        resistance = Test.at_most(way.largest_resistance, path, "ohm")
        if not resistance.holds and case.delay.farads > large:
            return "error", resistance
        if case.window is not None:
            return None, resistance if resistance.holds else None
        test = Test.at_most(way.seconds, case.limit, "s")
        return None if test.holds else "warning", test


def _badness(judged: tuple[Case, Severity | None, Test | None]) -> tuple[int, float, str, str]:
    case, severity, test = judged
    rank = len(SEVERITIES) if severity is None else SEVERITIES.index(severity)
    return rank, 0.0 if test is None else test.margin / test.right, case.state, case.corner


RULE = ResetPath()
