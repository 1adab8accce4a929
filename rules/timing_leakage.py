"""A timing capacitor leaks far less than what still charges it at the threshold."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import TYPE_CHECKING

from rules.analysis.delay_corners import every_delay
from rules.analysis.leakage import choices
from rules.contract import API_LEVEL, Dial, Lesson, limits_of
from rules.leakage_words import Case, case_of, evidence, message, never_ends, other_ways, worst_case
from rules.outcomes import broken
from rules.wording import member_pointer, times
from schemas.finding import Finding, Grounds, Limit, Outcome, Proposal, Quantity, Severity, Test

if TYPE_CHECKING:
    from rules.analysis.delays import Delay
    from rules.analysis.study import Study

STALL = Limit(
    "stall",
    0.5,
    "",
    "common practice, no source: the limit may be met, the current falls by the tolerances of R and supply",
    "ratio from which the threshold may never be reached",
)
SHARE = Limit(
    "share",
    0.1,
    "",
    "common practice, no source: R <= (V - V_th) / (10 * I_L)",
    "largest leakage over charging current at the threshold",
)
REMARK = Limit(
    "remark",
    0.03,
    "",
    "common practice, no source",
    "ratio below which leakage is lost in the tolerance of the capacitor",
)

PASSING = """\
format: thumbrule/1
name: sprout-fan
ground: gnd
ambient: {low: 10 degC, nominal: 20 degC, high: 30 degC}
parts:
  V1: {kind: supply, voltage: 9 V, pins: {plus: rail, minus: gnd}}
  R1: {kind: resistor, resistance: 220 kohm, tolerance: 1 %, pins: {a: rail, b: slow}}
  C1: {kind: capacitor, capacitance: 10 uF, tolerance: 5 %, voltage: 63 V, dielectric: film, leakage: 10 nA,
       pins: {plus: slow, minus: gnd}}
  S1: {kind: contact, rest: closed, pins: {a: slow, b: drain}}
  R5: {kind: resistor, resistance: 100 ohm, pins: {a: drain, b: gnd}}
  R2: {kind: resistor, resistance: 390 kohm, tolerance: 1 %, pins: {a: slow, b: base}}
  R3: {kind: resistor, resistance: 120 kohm, tolerance: 1 %, pins: {a: base, b: gnd}}
  R4: {kind: resistor, resistance: 47 kohm, pins: {a: rail, b: out}}
  Q1: {kind: npn, beta: 200, pins: {collector: out, base: base, emitter: gnd}}
"""
FAILING = PASSING.replace("63 V, dielectric: film, leakage: 10 nA", "16 V, dielectric: aluminium")


class TimingLeakage:
    """Leakage limit of each timing capacitor over its current at the threshold."""

    slug = "timing-leakage"
    title = "Leakage of the timing capacitor"
    protects = "a delay from stretching or from never ending"
    api_level = API_LEVEL
    limits: Mapping[str, Limit] = limits_of(STALL, SHARE, REMARK)
    grounds = Grounds(
        rule_of_thumb="At the threshold a timing capacitor gets at least ten times what it may leak.",
        formula="rho = I_L / I_ch = k*tau*V_R / (V_inf - V_th);  smallest: e*k*t*V_R / V_inf",
        symbols={
            "rho": "leakage over charging current, 1",
            "I_L": "leakage limit at the highest ambient temperature, A",
            "I_ch": "current into the capacitor at the threshold, A",
            "k": "leakage per charge at rated voltage, 1/s: the unit that 0.01CV leaves out",
            "tau": "R*C of the charging path, s",
            "V_R": "rated voltage, V",
            "V_inf": "voltage the capacitor aims at, V",
            "V_th": "capacitor voltage at which the timed state ends, V",
            "t": "delay, s",
        },
        source="k 0.01 for aluminium up to 100 V, at 20 degC after 2 min (Panasonic series SU), 0.002 for the"
        " low-leakage grade (Nichicon series KL); 3 times per 40 K, from memory; the tenth: common practice",
        holds="as a promise: a capacitor within its data sheet may leak this much, constant over the voltage",
        fails="for one particular part: after some minutes at voltage most leak ten to a hundred times less,"
        " after a year on the shelf more. Below the rated voltage the limit says too much",
    )
    lesson = Lesson(
        why="What the resistor brings splits into what charges the capacitor and what leaks through it. The"
        " charging current is least at the threshold, and there the two meet. The 0.01CV of a sheet hides a"
        " unit, 1/s: an aluminium capacitor may lose its charge at rated voltage in 100 s, so a delay of that"
        " order is a matter of luck.",
        breaks="The limit holds for the rated voltage after minutes of forming; a part that was in use last"
        " week leaks far less, one from the drawer may leak more. So the circuit works on the bench and"
        " sticks in the shed after the winter.",
        mend="A low-leakage grade, a film capacitor, a lower rated voltage (the limit is per rated, not per"
        " applied volt), a threshold nearer to 63 % of the aim. A larger C with a smaller R changes nothing:"
        " both currents grow alike. Or measure the part and write its leakage into the document.",
        failing=FAILING,
        passing=PASSING,
        dial=Dial("/parts/C1/leakage", "10 nA", "5 uA"),
        derivation="rules.derivations.timing_leakage:DERIVATION",
    )

    def check(self, study: Study) -> Iterable[Outcome]:
        """Outcomes per timing capacitor, delay and gain at nominal values, and at the worst corner of all."""
        cases: list[Case] = []
        others: dict[str, Outcome] = {}
        for corner in study.corners:
            found, out = study.delays(corner)
            for delay in found:
                made = case_of(study, corner, delay)
                if isinstance(made, Case):
                    cases.append(made)
                else:
                    others[delay.timed.capacitor] = self._undecided(delay, made)
            for left in out:
                others.setdefault(
                    left.capacitor, Outcome(self.slug, "not-applicable", (left.capacitor,), left.reason)
                )
        for delay in every_delay(study):
            worst = worst_case(study, delay)
            if worst is not None:
                cases.append(worst)
        judged = {case.capacitor for case in cases}
        if not judged and not others:
            yield Outcome(self.slug, "not-applicable", (), "there is no capacitor")
        yield from (others[name] for name in sorted(set(others) - judged))
        for key in sorted({(case.capacitor, case.delay.opposed) for case in cases}):
            yield from self._group(study, [c for c in cases if (c.capacitor, c.delay.opposed) == key])

    def _undecided(self, delay: Delay, missing: str) -> Outcome:
        reason = f"{missing} is missing: the limit is k times C times the rated voltage"
        return Outcome(self.slug, "undecided", (delay.timed.capacitor,), reason, delay.timed.name)

    def _group(self, study: Study, cases: list[Case]) -> Iterator[Outcome]:
        """All states and corners of one capacitor in one direction; only the worst carries the cures."""
        worst = min(cases, key=lambda case: (-case.ratio, case.state, case.corner))
        for case in cases:
            severity, test = self._judge(case.ratio, case.delay.opposed)
            if severity is None:
                told = (Quantity("rho", "leakage limit over current at the threshold", case.ratio, ""),)
                about, state = (case.capacitor,), case.state
                yield Outcome(self.slug, "satisfied", about, "", state, case.corner, test, evidence=told)
                continue
            proposals, advice = self._cures(study, case) if study.proposing and case is worst else ((), ())
            run = never_ends(study, case) if case is worst and severity == "error" else None
            finding = Finding(
                rule=self.slug,
                severity=severity,
                parts=(case.capacitor,),
                nets=(),
                pointers=(case.promise.pointer, member_pointer(case.capacitor, "capacitance")),
                state=case.state,
                corner=case.corner,
                message=message(case, test.right, run),
                evidence=tuple(evidence(study, case, run)),
                test=test,
                grounds=self.grounds,
                role="charging" if case.delay.opposed else "discharging",
                advice=advice,
            )
            yield broken(finding, (case.capacitor,), proposals)

    def _judge(self, ratio: float, opposed: bool) -> tuple[Severity | None, Test]:
        """Severity and test of a ratio; leakage that helps only shortens the state and is never an error."""
        stall_at, share, remark = (self.limits[name].value for name in ("stall", "share", "remark"))
        if opposed and ratio >= stall_at:
            return "error", Test(ratio, "<", stall_at, "", stall_at - ratio)
        if ratio > share:
            return "warning", Test.at_most(ratio, share, "")
        return "note" if ratio > remark else None, Test.at_most(ratio, remark, "")

    def _cures(self, study: Study, case: Case) -> tuple[tuple[Proposal, ...], tuple[str, ...]]:
        """What gets below the last limit is proposed; what does not is told with its numbers."""
        proposals: list[Proposal] = []
        advice: list[str] = []
        for option in choices(study, case.capacitor, case.promise):
            after = case.ratio * option.limit / case.promise.limit
            severity, test = self._judge(after, case.delay.opposed)
            if severity is None:
                proposals.append(Proposal(f"{option.summary} (ratio {times(after)})", option.changes))
            else:
                advice.append(
                    f"{option.summary}: the ratio falls from {times(case.ratio)} to {times(after)},"
                    f" still above {test.right:g}: {_ARTICLE[severity]}"
                )
        made, words = other_ways(study, case, self.limits["remark"].value)
        return (*proposals, *made), (*advice, *words)


_ARTICLE = {"error": "an error", "warning": "a warning", "note": "a note"}

RULE = TimingLeakage()
