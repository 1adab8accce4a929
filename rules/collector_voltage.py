"""No transistor sees more between collector and emitter than it stands, with what a coil adds."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import TYPE_CHECKING

from rules.analysis.coils import coil_names, switches_at
from rules.analysis.resolve import TRANSISTORS
from rules.analysis.stress import (
    KICK,
    Peak,
    above,
    at_rest,
    collector_pair,
    peaks_along,
    stress_corner,
    unfinished_runs,
)
from rules.contract import API_LEVEL, Dial, Lesson, limits_of
from rules.outcomes import not_applicable, of_each
from rules.ratings_words import Mark, Place, Rated, Verdict, graded, marks, rating, told
from rules.transistor_words import types_that_stand
from rules.wording import listed, say
from schemas.finding import Grounds, Limit, Outcome, Quantity, identity

if TYPE_CHECKING:
    from rules.analysis.study import Study
    from schemas.circuit import Part

SHARE = Limit(
    "share",
    0.75,
    "",
    "derating documents take about 75 % of V_CE (ECSS-Q-ST-30-11C, NASA EEE-INST-002); from memory",
    "share of V_CEO that is in use at most",
)
RATING = Limit(
    "rating",
    40.0,
    "V",
    "the lowest V_CEO of common small-signal types: 40 V for 2N3904 and 2N3906 (Multicomp) and 2N2222A"
    " (Semelab, NXP)",
    "V_CEO of a transistor whose document and type state none",
)

PASSING = """\
format: thumbrule/1
name: hen-house-hatch
ground: gnd
parts:
  V1: {kind: supply, voltage: 24 V, pins: {plus: rail, minus: gnd}}
  U1: {kind: driver, low: 0 V, high: 5 V, pins: {out: order, reference: gnd}}
  R1: {kind: resistor, resistance: 10 kohm, pins: {a: order, b: base}}
  Q1: {kind: npn, type: 2N3904, pins: {collector: hatch, base: base, emitter: gnd}}
  R2: {kind: resistor, resistance: 10 kohm, pins: {a: rail, b: hatch}}
"""
FAILING = PASSING.replace("24 V", "36 V")


class CollectorVoltage:
    """Greatest collector-emitter voltage of every transistor, at rest and along every run."""

    slug = "collector-voltage"
    title = "Voltage across a transistor"
    protects = "the collector of a transistor from breakdown"
    api_level = API_LEVEL
    limits: Mapping[str, Limit] = limits_of(SHARE, RATING)
    grounds = Grounds(
        rule_of_thumb="A transistor that is off sees no more than three quarters of V_CEO.",
        formula="V_CE,max <= 0.75*V_CEO;  off at a resistive load: V_CE = V_S;"
        "  at a coil with a clamp: V_CE = V_S + V_clamp",
        symbols={
            "V_CE,max": "greatest voltage from collector to emitter, V",
            "V_CEO": "rated voltage with the base open, V",
            "V_S": "highest supply voltage, V",
            "V_clamp": "drop of what the coil current takes when the transistor opens, V",
        },
        source=f"V_CEO from the sheets of the types; 0.75: {SHARE.source}",
        holds="at rest at the worst of all tolerances, along each run at the highest supply voltage",
        fails="with a resistor from base to emitter the transistor stands somewhat more, up to V_CER; no"
        " maker of these types promises how much",
    )
    lesson = Lesson(
        why="A transistor that is off has nothing in series with it that drops anything: it sees the whole"
        " rail, at the highest voltage the rail ever has, and a coil puts its own voltage on top as it is"
        " switched off.",
        breaks="V_CEO holds with the base open, the weakest case. A resistor from base to emitter makes the"
        " part stand more, and some circuits live on that; it is luck, not a promise.",
        mend="A type for a higher voltage, or a clamp that lets the coil give back less: a plain diode adds"
        " 0.7 V, a zener in its way adds its own voltage.",
        failing=FAILING,
        passing=PASSING,
        dial=Dial("/parts/V1/voltage", "24 V", "36 V"),
        derivation="rules.derivations.collector_voltage:DERIVATION",
    )

    def check(self, study: Study) -> Iterable[Outcome]:
        """Outcomes per transistor: the worst resting state, and the worst moment of all runs."""
        return of_each(self, study, TRANSISTORS, "transistor", self._transistor)

    def _transistor(self, study: Study, part: Part) -> Iterator[Outcome]:
        name, pair = part.name, collector_pair(part)
        rated = rating(study, name, "vceo", "V_CEO", self.limits["rating"])
        assert rated is not None
        limits = marks(rated, self.limits["share"].value, "V", "V_CEO")
        careful = limits[-1].value
        resting = at_rest(study, pair, lambda _, volts: volts > 0.5 * careful)
        moving = above(resting, peaks_along(study, stress_corner(study, coils=True)).get(pair), KICK)
        cases = [peak for peak in (resting, moving) if peak is not None]
        if not cases or pair[0] == pair[1]:
            yield not_applicable(self, (name,), f"no state determines what stands across {name}")
            return
        verdicts = [_verdict(part, peak, limits, rated) for peak in cases]
        for peak, verdict in zip(cases, verdicts, strict=True):
            mark = verdict.mark
            if mark is None:
                yield told(self, name, verdict)
                continue
            yield told(
                self,
                name,
                verdict,
                f"{say(verdict.value, 'V')} stand across {name} {verdict.place.words}; {mark.words}.",
                advice=self._advice(part, verdict.value),
                cause=None if peak.at is None else _kick(study, part, mark),
            )
        if all(verdict.mark is None for verdict in verdicts) and coil_names(study.circuit):
            for reason in unfinished_runs(study):
                yield Outcome(self.slug, "undecided", (name,), reason)

    def _advice(self, part: Part, volts: float) -> Iterator[str]:
        wanted = volts / self.limits["share"].value
        stand = types_that_stand(part, "vceo", wanted)
        types = f": {listed(stand, 'or')}" if stand else ""
        yield f"a type with V_CEO of {say(wanted, 'V')} or more stands it{types}"


def _verdict(part: Part, peak: Peak, limits: tuple[Mark, ...], rated: Rated) -> Verdict:
    volts = max(0.0, peak.value)
    mark, test = graded(volts, limits, "V")
    proof = (Quantity("V_CE", f"greatest voltage across {part.name}", volts, "V"), rated.quantity)
    role = "collector voltage" if peak.at is None else "collector peak"
    return Verdict(volts, Place.of(peak), role, mark, test, proof)


def _kick(study: Study, part: Part, mark: Mark) -> str | None:
    """The finding on the coil that lifts this collector above its rating, which is the root of it."""
    if mark.severity != "error":
        return None
    coils = [name for name in coil_names(study.circuit) if part.name in switches_at(study, name)]
    if not coils:
        return None
    return identity("flyback-path", tuple(sorted((coils[0], part.name))), (), "collector peak")


RULE = CollectorVoltage()
