"""No resistor turns more power into heat than its body stands, at its hottest value and ambient."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import TYPE_CHECKING

from rules.analysis.formulas.ratings import allowed, derated, heat_of
from rules.analysis.heat import Heat, heats, hottest
from rules.analysis.loads import Load, heaviest, loads
from rules.analysis.runs import episodes
from rules.analysis.stress import Peak, peaks_along, stress_corner, unfinished_runs
from rules.contract import API_LEVEL, Dial, Lesson, limits_of
from rules.outcomes import not_applicable, of_each
from rules.ratings_words import (
    BRIEF,
    Mark,
    Place,
    Rated,
    Verdict,
    graded,
    of_run,
    percent,
    rating,
    told,
)
from rules.resistor_words import advice, evidence, message, next_wattage
from rules.wording import say
from schemas.finding import Grounds, Limit, Outcome, Quantity

if TYPE_CHECKING:
    from rules.analysis.study import Study
    from schemas.circuit import Part

SHARE = Limit(
    "share",
    0.6,
    "",
    "NASA EEE-INST-002 takes 0.6 of the power of a resistor (style RM, as quoted in a public code"
    " excerpt); the document itself not read",
    "share of the rated power that is in use at most",
)
POWER = Limit(
    "power",
    0.25,
    "W",
    "the usual small leaded resistor is a quarter-watt film part; common practice, no source",
    "rated power of a resistor whose document states none",
)
PULSE = Limit(
    "pulse",
    5.0,
    "",
    "leaded film resistors stand about five times their power for a second; from memory",
    "multiple of the rated power that a pulse may have",
)
FULL = Limit(
    "full", 343.15, "K", "70 degC for film resistors (IEC 60115); from memory", "where derating begins"
)
ZERO = Limit(
    "zero", 428.15, "K", "155 degC for film resistors (IEC 60115); from memory", "where nothing is left"
)

PASSING = """\
format: thumbrule/1
name: propagator-heater-lamp
ground: gnd
parts:
  V1: {kind: supply, voltage: 12 V, pins: {plus: rail, minus: gnd}}
  R1: {kind: resistor, resistance: 1.2 kohm, power: 0.25 W, pins: {a: rail, b: glow}}
  D1: {kind: led, forward: 2 V, current: 20 mA, pins: {anode: glow, cathode: gnd}}
"""
FAILING = PASSING.replace("1.2 kohm", "560 ohm")


class ResistorDissipation:
    """Power of every resistor: at rest at its worst value, in pulses, and over the period of a run."""

    slug = "resistor-dissipation"
    title = "Heat in a resistor"
    protects = "a resistor and what stands next to it from heat"
    api_level = API_LEVEL
    limits: Mapping[str, Limit] = limits_of(SHARE, POWER, PULSE, BRIEF, FULL, ZERO)
    grounds = Grounds(
        rule_of_thumb="A resistor works at no more than 60 % of its rated power; a quarter watt at 0.15 W.",
        formula="P = V^2/R <= 0.6*P_r*d(T);  behind R_th: P_max = V_th^2/(4*R_th) at R = R_th;"
        "  d(T) = (155 degC - T)/(155 degC - 70 degC) from 70 degC on",
        symbols={
            "P": "power turned into heat, W",
            "V": "voltage across the resistor, V",
            "R": "its resistance, ohm",
            "P_r": "rated power up to 70 degC, W",
            "d": "what is left of it at an ambient of T, 1",
            "V_th": "open-circuit voltage of what feeds it, V",
            "R_th": "resistance of what feeds it, ohm",
        },
        source=f"P: Joule's and Ohm's laws; 0.6: {SHARE.source}; five times for a second and the derating"
        " line of film resistors: from memory",
        holds="for a resistor in free air at the highest ambient temperature of the document",
        fails="in a closed box that warms up, beside a hotter part, and for pulses so short that the film is"
        " hot before the body is: ask the pulse curve of the maker",
    )
    lesson = Lesson(
        why="The rating is what the body survives. From the line that falls to nothing at 155 degC a"
        " quarter-watt film resistor heats up by about 340 K per watt, so 0.15 W make it 50 K hotter than"
        " the air: its value drifts and the electrolytic beside it ages.",
        breaks="The worst value is not always an end of the tolerance: fed through another resistor the"
        " power is greatest where the two are equal, and less on both sides. And a pulse is no load: the"
        " body takes seconds to warm up, so a button held for a moment may ask for several times as much.",
        mend="Take the next larger body, the value stays. Or share the power between two in series, each"
        " of half the value.",
        failing=FAILING,
        passing=PASSING,
        dial=Dial("/parts/R1/resistance", "1.2 kohm", "560 ohm"),
        derivation="rules.derivations.resistor_dissipation:DERIVATION",
    )

    def check(self, study: Study) -> Iterable[Outcome]:
        """Outcomes per resistor: lasting load, pulses, and the heat along runs."""
        return of_each(self, study, ("resistor",), "resistor", self._resistor)

    def _resistor(self, study: Study, part: Part) -> Iterator[Outcome]:
        rated = rating(study, part.name, "power", "P_r", self.limits["power"])
        assert rated is not None
        ceiling = self._careful(study, rated)
        found = loads(study, lambda s: s.power[part.name], lambda watts: 4.0 * watts > ceiling)
        peak = self._peak(study, part)
        running = tuple(self._along_runs(study, part, rated, peak)) if peak is not None else ()
        if any(verdict.role == "load" for verdict in running):
            found = tuple(load for load in found if not load.repeats)  # the mean over the period counts
        verdicts = [*self._at_rest(study, part, rated, found), *running]
        if not verdicts:
            yield not_applicable(self, (part.name,), "no state determines its power")
            return
        worst = max(verdicts, key=lambda verdict: verdict.gravity)
        for verdict in verdicts:
            if verdict.mark is None:
                yield told(self, part.name, verdict)
                continue
            is_worst = verdict is worst and study.proposing
            watts = verdict.value * (1.0 if verdict.role == "load" else 1.0 / self.limits["pulse"].value)
            share = self.limits["share"].value if verdict.role == "load" else 1.0
            left = self._left(study)
            made = next_wattage(part, rated, watts / share / left) if is_worst and left > 0.0 else ()
            yield told(
                self,
                part.name,
                verdict,
                message(part.name, verdict),
                member="power" if rated.quantity.origin == "declared" else "resistance",
                proposals=made,
                advice=advice(study, part, verdict) if is_worst else (),
            )
        if peak is not None and all(verdict.mark is None for verdict in verdicts):
            for reason in unfinished_runs(study):
                yield Outcome(self.slug, "undecided", (part.name,), reason)

    def _left(self, study: Study) -> float:
        """The share of the rated power that the highest ambient temperature leaves."""
        full, zero = self.limits["full"].value, self.limits["zero"].value
        return derated(1.0, study.resolved.ambient.high, full, zero)

    def _careful(self, study: Study, rated: Rated) -> float:
        return allowed(rated.value, self.limits["share"].value) * self._left(study)

    def _at_rest(self, study: Study, part: Part, rated: Rated, found: tuple[Load, ...]) -> Iterator[Verdict]:
        brief = self.limits["brief"].value
        for lasting in (True, False):
            load = heaviest(found, lasting, brief)
            if load is not None:
                too_much = graded(load.value, self._marks(study, rated, lasting), "W")[0] is not None
                proof = tuple(evidence(study, part, load, rated, too_much))
                yield self._verdict(study, rated, load.value, Place.of(load), lasting, proof)

    def _peak(self, study: Study, part: Part) -> Peak | None:
        """The greatest voltage across a resistor along runs, either way; ``None`` where it is never warm."""
        ends = part.pins["a"], part.pins["b"]
        every = peaks_along(study, stress_corner(study))
        found = [peak for pair in (ends, ends[::-1]) if (peak := every.get(pair)) is not None]
        return max(found, key=lambda peak: peak.value, default=None)

    def _along_runs(self, study: Study, part: Part, rated: Rated, peak: Peak) -> Iterator[Verdict]:
        """The mean of a period where the moment alone is more than a load may be, and the worst second."""
        span, corner = self.limits["brief"].value, stress_corner(study)
        most = heat_of(peak.value, study.value(part.name, "resistance"))
        pulse = self.limits["pulse"].value * rated.value * self._left(study)
        periods = any(episode.timeline.period for episode in episodes(study, corner))
        if most <= self._careful(study, rated) or (most <= pulse and not periods):
            proof = tuple(evidence(study, part, peak, rated))
            yield self._verdict(study, rated, most, Place.of(peak), False, proof)
            return
        found = tuple(heats(study, corner, part.name, span))
        for periodic in (True, False):
            heat = hottest(heat for heat in found if heat.periodic is periodic)
            if heat is not None:
                yield self._run_verdict(study, part, rated, heat)

    def _run_verdict(self, study: Study, part: Part, rated: Rated, heat: Heat) -> Verdict:
        place = of_run(heat, stress_corner(study).label(study))
        proof = tuple(evidence(study, part, heat, rated))
        return self._verdict(study, rated, heat.power, place, heat.periodic, proof)

    def _verdict(
        self,
        study: Study,
        rated: Rated,
        watts: float,
        place: Place,
        lasting: bool,
        proof: tuple[Quantity, ...],
    ) -> Verdict:
        limits = self._marks(study, rated, lasting)
        mark, test = graded(watts, limits, "W")
        return Verdict(watts, place, "load" if lasting else "pulse", mark, test, proof)

    def _marks(self, study: Study, rated: Rated, lasting: bool) -> tuple[Mark, ...]:
        """The limits of a load or of a pulse at the highest ambient temperature, the gravest first."""
        left = self._left(study)
        whole = rated.value * left
        words = "its rated " if rated.stated else "an assumed rating of "
        words += say(rated.value, "W") + ("" if left == 1.0 else f", {say(whole, 'W')} in this heat")
        if not lasting:
            times = self.limits["pulse"].value
            most = times * whole
            return (Mark("warning", most, f"limit {say(most, 'W')}, {times:g} times {words} (from memory)"),)
        share = self.limits["share"].value
        part = share * whole
        careful = Mark("warning", part, f"limit {say(part, 'W')}, {percent(share)} of {words}")
        if not rated.stated:
            return (careful,)
        return (Mark("error", whole, f"more than {words}"), careful)


RULE = ResistorDissipation()
