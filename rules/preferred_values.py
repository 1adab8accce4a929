"""Resistors and capacitors have values that a shop keeps."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING

from rules.analysis.formulas.field import rounding_error
from rules.analysis.preferred import SERIES, is_preferred, nearest, neighbours
from rules.contract import API_LEVEL, Dial, Lesson, limits_of
from rules.outcomes import not_applicable, violated_by
from rules.wording import listed, member_pointer, part_quantity, say
from schemas.circuit import Tolerance
from schemas.finding import Change, Grounds, Limit, Outcome, Proposal, Quantity, Test
from schemas.quantities import document_text

if TYPE_CHECKING:
    from rules.analysis.study import Study
    from schemas.circuit import Part

SAME = Limit(
    "same",
    1e-3,
    "",
    "own choice: less than the tolerance of any part in use here",
    "deviation from a preferred value that is only rounding",
)
MADE = Limit(
    "made",
    0.2,
    "",
    "own choice: resistors are sold at 20 % and better",
    "tolerance of a resistor above which it is no part from a series but a sensor, or something like it",
)
MEMBER = {"resistor": "resistance", "capacitor": "capacitance"}
CLOSE = ((0.01, "E96"), (0.005, "E192"), (0.02, "E48"))
"""Series in which resistors of a stated tolerance are sold too (IEC 60063:2015, tables 1 and 2)."""
FINER = {"E3": "E6", "E6": "E12", "E12": "E24", "E24": "E48", "E48": "E96", "E96": "E192"}
"""Capacitors one series finer than preferred still come off the shelf: common practice, no source."""

PASSING = """\
format: thumbrule/1
name: barn-lamp-marker
ground: gnd
parts:
  V1: {kind: supply, voltage: 12 V, pins: {plus: rail, minus: gnd}}
  R1: {kind: resistor, resistance: 4.7 kohm, pins: {a: rail, b: lit}}
  D1: {kind: led, forward: 2 V, pins: {anode: lit, cathode: gnd}}
"""
FAILING = PASSING.replace("4.7 kohm", "4.87 kohm")


class PreferredValues:
    """Every resistance and capacitance against the series of its tolerance."""

    slug = "preferred-values"
    title = "Preferred values"
    protects = "the parts list from values that nobody sells"
    api_level = API_LEVEL
    limits: Mapping[str, Limit] = limits_of(SAME, MADE)
    grounds = Grounds(
        rule_of_thumb="Design with any number, build with E24.",
        formula="abs(X/P - 1) = 0 for a member P of the series;  nearest member: at most sqrt(q) - 1 away",
        symbols={
            "X": "value in the document",
            "P": "nearest member of the series",
            "q": "ratio of two neighbours in the series, 1",
        },
        source="IEC 60063:2015, tables 1 and 2",
        holds="for resistors of the preferred series (E24 unless a policy says otherwise), of E96 where 1"
        " % is stated, and capacitors of the preferred series or the next finer one",
        fails="for sensors, trimmers and windings drawn as resistors, and for what is selected by hand",
    )
    lesson = Lesson(
        why="A series is laid out so that the tolerances of its members meet: every possible part has a"
        " place, and a shop need not keep more. Any number between two members has to be rounded anyway,"
        " and it is better rounded on paper, where it can be judged, than at the drawer.",
        breaks="The nearest member is often the wrong one. A base resistor goes down, a current limit goes"
        " up; between 1.3 and 1.5 the nearest lies up to 7.4 % off, more than the 5 % on the band. Members"
        " of E96 are sold at 1 % only, and a value of E24 is not one of E96.",
        mend="Take the member on the harmless side and judge the circuit again. Where no member fits, two"
        " parts in series or in parallel, or a trimmer over 1.2 times the range. Two parts of 5 % in series"
        " are still 5 % at worst.",
        failing=FAILING,
        passing=PASSING,
        dial=Dial("/parts/R1/resistance", "4.7 kohm", "4.87 kohm"),
        derivation="rules.derivations.preferred_values:DERIVATION",
    )

    def check(self, study: Study) -> Iterable[Outcome]:
        """One outcome per resistor and capacitor."""
        parts = [part for part in study.circuit.parts.values() if part.kind in MEMBER]
        if not parts:
            yield not_applicable(self, (), "there is no resistor and no capacitor")
        for part in parts:
            yield self._judge(study, part)

    def _judge(self, study: Study, part: Part) -> Outcome:
        about, value = (part.name,), study.value(part.name, MEMBER[part.kind])
        tolerance = part.values.get("tolerance")
        loose = isinstance(tolerance, Tolerance) and tolerance.high > self.limits["made"].value
        if part.kind == "resistor" and loose:
            reason = f"{part.name} is no part from a series: its tolerance is too wide"
            return not_applicable(self, about, reason)
        allowed = _allowed(study, part)
        found = min((nearest(value, series) for series in allowed), key=lambda p: (_off(value, p), p))
        test = Test.at_most(_off(value, found), self.limits["same"].value, "")
        evidence = _evidence(study, part, found, allowed[0])
        if test.holds:
            return Outcome(self.slug, "satisfied", about, test=test, evidence=evidence)
        made = _proposals(part, value, allowed[0]) if study.proposing else ()
        return violated_by(
            self,
            part.name,
            (None, None),
            test,
            "note",
            _message(part, value, found, allowed),
            evidence,
            role="value",
            member=MEMBER[part.kind],
            proposals=made,
            advice=_advice(part, value),
        )


def _off(value: float, member: float) -> float:
    """How far apart two values are by ratio, 1."""
    return max(value / member, member / value) - 1.0


def _allowed(study: Study, part: Part) -> tuple[str, ...]:
    """The series that count, the preferred one first."""
    preferred = study.series(part.name)
    if part.kind == "capacitor":
        return preferred, FINER.get(preferred, preferred)
    tolerance = part.values.get("tolerance")
    if not isinstance(tolerance, Tolerance):
        return (preferred,)
    return preferred, *(series for least, series in CLOSE if tolerance.high <= least * 1.001)


def _evidence(study: Study, part: Part, found: float, series: str) -> tuple[Quantity, ...]:
    member = MEMBER[part.kind]
    given = part_quantity(study, part.name, member, "X", f"{member} of {part.name}")
    assert given is not None
    numbers = SERIES[series]
    steps = [b / a for a, b in zip(numbers, (*numbers[1:], 10 * numbers[0]), strict=True)]
    worst, source = f"largest error of the nearest member of {series}", "IEC 60063:2015, tables 1 and 2"
    return (
        given,
        Quantity("P", f"nearest value that is sold for {part.name}", found, given.unit),
        Quantity("e", worst, rounding_error(max(steps)), "", "derived", None, source),
    )


def _message(part: Part, value: float, found: float, allowed: tuple[str, ...]) -> str:
    unit = "ohm" if part.kind == "resistor" else "F"
    series = listed(dict.fromkeys(allowed), "or")
    off = say(abs(found / value - 1.0), "ratio")
    return (
        f"{part.name} of {say(value, unit, 4)} is no member of {series}, in which such parts are sold; the"
        f" nearest is {say(found, unit, 4)}, {off} away."
    )


def _advice(part: Part, value: float) -> tuple[str, ...]:
    if part.kind == "resistor" and is_preferred(value, "E96"):
        return (f"or take it at 1 %, which is how this value is sold, and state that for {part.name}",)
    return ()


def _proposals(part: Part, value: float, series: str) -> tuple[Proposal, ...]:
    """Both neighbours, the nearer one first: which side is harmless only the circuit knows."""
    member = MEMBER[part.kind]
    unit = "ohm" if part.kind == "resistor" else "F"
    options = sorted(neighbours(value, series), key=lambda p: (_off(value, p), p))
    made = []
    for option in options:
        change = Change(member_pointer(part.name, member), value, document_text(option, member))
        made.append(Proposal(f"{part.name} {say(value, unit, 4)} to {say(option, unit)}", (change,)))
    return tuple(made)


RULE = PreferredValues()
