"""No transistor passes more collector current than it stands, at rest or for a moment."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import TYPE_CHECKING

from rules.analysis.formulas.ratings import allowed
from rules.analysis.loads import Load, heaviest, loads
from rules.analysis.resolve import TRANSISTORS
from rules.analysis.states import State
from rules.analysis.stress import stress_corner
from rules.analysis.surges import after, surges
from rules.contract import API_LEVEL, Dial, Lesson, limits_of
from rules.outcomes import not_applicable, of_each
from rules.ratings_words import (
    BRIEF,
    SHORT,
    Mark,
    Place,
    Rated,
    Verdict,
    graded,
    marks,
    rating,
    told,
)
from rules.transistor_words import larger_type
from rules.wording import say
from schemas.finding import Grounds, Limit, Outcome, Quantity

if TYPE_CHECKING:
    from rules.analysis.study import Study
    from schemas.circuit import Part

SHARE = Limit(
    "share",
    0.75,
    "",
    "derating documents take about 75 % of I_C (ECSS-Q-ST-30-11C, NASA EEE-INST-002); from memory",
    "share of the rated collector current that is in use at most",
)
RATING = Limit(
    "rating",
    0.1,
    "A",
    "the lowest I_C of common small-signal types: 100 mA for BC547B (NXP) and BC557B (ST)",
    "rated collector current of a transistor whose document and type state none",
)
PEAK = Limit(
    "peak",
    2.0,
    "",
    "sheets that state a peak current I_CM state about twice I_C; from memory",
    "multiple of the rated collector current for a moment",
)

PASSING = """\
format: thumbrule/1
name: stage-lantern
ground: gnd
parts:
  V1: {kind: supply, voltage: 12 V, pins: {plus: rail, minus: gnd}}
  U1: {kind: driver, low: 0 V, high: 5 V, pins: {out: order, reference: gnd}}
  R1: {kind: resistor, resistance: 330 ohm, pins: {a: order, b: base}}
  Q1: {kind: npn, type: 2N3904, pins: {collector: lamp, base: base, emitter: gnd}}
  LP1: {kind: load, resistance: 120 ohm, inductive: false, pins: {plus: rail, minus: lamp}}
"""
FAILING = PASSING.replace("120 ohm", "68 ohm")


class CollectorCurrent:
    """Greatest collector current of every transistor: at rest at its worst corner, and along runs."""

    slug = "collector-current"
    title = "Current of a transistor"
    protects = "a transistor from losing its gain, and its bond wires from melting"
    api_level = API_LEVEL
    limits: Mapping[str, Limit] = limits_of(SHARE, RATING, PEAK, BRIEF, SHORT)
    grounds = Grounds(
        rule_of_thumb="A transistor carries no more than three quarters of its rated collector current.",
        formula="I_C,max <= 0.75*I_C,r;  saturated: I_C = (V_S - V_CE,sat)/R_L",
        symbols={
            "I_C,max": "greatest collector current, A",
            "I_C,r": "rated collector current, A",
            "V_S": "highest supply voltage, V",
            "V_CE,sat": "saturation voltage, V",
            "R_L": "least resistance of the load, ohm",
        },
        source=f"I_C from the sheets of the types; 0.75: {SHARE.source}; twice it for a moment: from memory",
        holds="at rest at the worst of all tolerances; along each run at the highest supply voltage",
        fails="for a cold lamp or a motor that starts: they draw 5 to 15 times the current that their"
        " resistance in the document tells, for a tenth of a second or longer",
    )
    lesson = Lesson(
        why="Gain falls long before the part burns: above the current at which the maker promises a gain it"
        " drops steeply, the transistor leaves saturation and heats up. Beyond the rating the bond wires and"
        " the metal on the chip age.",
        breaks="A pulse of microseconds may go up to the peak current of the sheet, where there is one. The"
        " inrush of a lamp is no such pulse: a filament takes a tenth of a second to warm up.",
        mend="A larger type. Its gain is another one, so look at the base resistor again.",
        failing=FAILING,
        passing=PASSING,
        dial=Dial("/parts/LP1/resistance", "120 ohm", "68 ohm"),
        derivation="rules.derivations.collector_current:DERIVATION",
    )

    def check(self, study: Study) -> Iterable[Outcome]:
        """Outcomes per transistor: at rest, and for a moment."""
        return of_each(self, study, TRANSISTORS, "transistor", self._transistor)

    def _transistor(self, study: Study, part: Part) -> Iterator[Outcome]:
        name = part.name
        rated = rating(study, name, "current", "I_C,r", self.limits["rating"])
        assert rated is not None
        limits = marks(rated, self.limits["share"].value, "A", "rated current")
        careful = limits[-1].value
        sign = 1.0 if part.kind == "npn" else -1.0

        def collector(state: State) -> float | None:
            current = state.currents[name]["collector"]
            return None if current is None else sign * current

        found = loads(study, collector, lambda amperes: 2.0 * amperes > careful)
        verdicts = list(self._verdicts(study, part, rated, limits, found))
        if not verdicts:
            yield not_applicable(self, (name,), f"no state determines the current of {name}")
        for verdict in verdicts:
            mark = verdict.mark
            if mark is None:
                yield told(self, name, verdict)
                continue
            words = "carries" if verdict.role == "current" else "for a moment carries"
            wanted = verdict.value / self.limits["share" if verdict.role == "current" else "peak"].value
            yield told(
                self,
                name,
                verdict,
                f"{name} {words} {say(verdict.value, 'A')} {verdict.place.words}; {mark.words}.",
                advice=larger_type(part, "current", "I_C", wanted, "A"),
            )

    def _verdicts(
        self, study: Study, part: Part, rated: Rated, limits: tuple[Mark, ...], found: tuple[Load, ...]
    ) -> Iterator[Verdict]:
        brief = self.limits["brief"].value
        lasting = heaviest(found, True, brief)
        if lasting is not None:
            yield _verdict(part, lasting.value, Place.of(lasting), "current", limits, rated)
        times = self.limits["peak"].value
        most = allowed(rated.value, times)
        words = f"limit {say(most, 'A')}, {times:g} times its rated {say(rated.value, 'A')} (from memory)"
        if not rated.stated:
            words += ", assumed for lack of one"
        moment = (Mark("warning", most, words),)
        pulse = heaviest(found, False, brief)
        if pulse is not None:
            yield _verdict(part, pulse.value, Place.of(pulse), "peak current", moment, rated)
        surge = surges(study, stress_corner(study)).get(part.name)
        if surge is not None:
            still = after(study, surge, part.name, self.limits["short"].value)
            yield _verdict(part, still, Place.of(surge), "peak current", moment, rated)


def _verdict(
    part: Part, amperes: float, place: Place, role: str, limits: tuple[Mark, ...], rated: Rated
) -> Verdict:
    amperes = max(0.0, amperes)
    mark, test = graded(amperes, limits, "A")
    proof = (Quantity("I_C", f"collector current of {part.name}", amperes, "A"), rated.quantity)
    return Verdict(amperes, place, role, mark, test, proof)


RULE = CollectorCurrent()
