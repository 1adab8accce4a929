"""An LED gets enough current to be seen, and no more than it stands, at the worst corner of everything."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterable, Iterator, Mapping
from typing import TYPE_CHECKING, TypeAlias

from rules.analysis.readings import Asked, Reading, readings, worst_reading
from rules.analysis.roads import (
    BUDGET,
    Road,
    is_pulse,
    over,
    resisted,
    road_of,
    travellers,
)
from rules.contract import API_LEVEL, Dial, Lesson, limits_of
from rules.led_words import (
    dim_message,
    evidence,
    less_resistance,
    may_be_dark,
    more_resistance,
    over_message,
    share_message,
)
from rules.outcomes import not_applicable, of_each, satisfied, violated, violated_by
from rules.wording import listed, say
from schemas.finding import Grounds, Limit, Outcome, Proposal, Quantity, Severity, Test, identity

if TYPE_CHECKING:
    from rules.analysis.states import State
    from rules.analysis.study import Situation, Study
    from schemas.circuit import Part

RATED = Limit(
    "rated",
    20e-3,
    "A",
    "5 mm and 3 mm LEDs of common colours, from memory",
    "rated forward current of an LED whose document states none",
)
SHARE = Limit(
    "share", 0.8, "", "common practice, no source", "share of a stated rated current in use at most"
)
DIM = Limit(
    "dim", 1e-3, "A", "common practice, no source", "current below which an ordinary LED is hardly seen"
)
DIM_SHARE = Limit(
    "dim_share",
    0.05,
    "",
    "common practice, no source: low-current types, rated 4 to 7 mA, are seen at 0.2 mA",
    "the same as a share of the rated current, where that is less",
)
DROP = Limit(
    "drop",
    1.0,
    "V",
    "common practice, no source",
    "nominal voltage across the series resistor below which the spread of the LED sets the current",
)
Lit: TypeAlias = Callable[["Situation"], "Asked | None"]
LIT = 0.1  # of its greatest current; an LED with less only glows along

PASSING = """\
format: thumbrule/1
name: kettle-lamp
ground: gnd
parts:
  V1: {kind: supply, voltage: 9 V, pins: {plus: rail, minus: gnd}}
  S1: {kind: contact, rest: open, pins: {a: rail, b: feed}}
  R1: {kind: resistor, resistance: 560 ohm, pins: {a: feed, b: lamp}}
  D1: {kind: led, forward: 2 V, current: 20 mA, pins: {anode: lamp, cathode: gnd}}
"""
FAILING = PASSING.replace("560 ohm", "270 ohm")


class LedCurrent:
    """Greatest and least current of every LED, what its series resistor has, and LEDs that share one."""

    slug = "led-current"
    title = "Current of an LED"
    protects = "an LED from burning and from being too dim to see"
    api_level = API_LEVEL
    limits: Mapping[str, Limit] = limits_of(RATED, SHARE, DIM, DIM_SHARE, DROP)
    grounds = Grounds(
        rule_of_thumb="Between 1 mA and four fifths of its rated current, with a volt or more on its"
        " resistor.",
        formula="I = (V_S - V_F - V_sat) / R;  1 mA <= I_min,  I_max <= 0.8*I_F;"
        "  R >= (V_S,max - V_F,min - V_sat) / (0.8*I_F)",
        symbols={
            "I": "current of the LED, A",
            "V_S": "supply voltage, V",
            "V_F": "forward drop of the LED, V",
            "V_sat": "drop of the switch in series, V",
            "R": "series resistor, ohm",
            "I_F": "rated forward current, A",
        },
        source="Ohm's law (Malvino, Electronic Principles, ex. 5-12 and 5-13); the limits are common"
        " practice, no source",
        holds="at rest and at the start of timed states, at the worst of all tolerances; the voltage on the"
        " resistor at nominal values, since what the tolerances do is in the two currents",
        fails="for an LED that is pulsed with more than its rated current for a short time, and for one that"
        " serves as a voltage reference",
    )
    lesson = Lesson(
        why="An LED holds its voltage and leaves the current to whatever is in series. A resistor sets it as"
        " far as it has a good share of the voltage: with 7 V on it, 0.2 V more or less at the LED move"
        " the current by 3 %; with 0.3 V on it they move it by two thirds.",
        breaks="The forward drop goes by colour: about 1.8 V for red, 3.2 V for blue and white, 2 mV less for"
        " each kelvin. Two LEDs on one resistor do not share: the one with the smaller drop takes most of"
        " the current, and the other stays dark.",
        mend="The next larger preferred resistor for the fresh battery and the least drop; then look whether"
        " the old battery still gives a milliampere. Where both cannot be had, fewer LEDs in series, or a"
        " current source.",
        failing=FAILING,
        passing=PASSING,
        dial=Dial("/parts/R1/resistance", "560 ohm", "430 ohm"),
        derivation="rules.derivations.led_current:DERIVATION",
    )

    def check(self, study: Study) -> Iterable[Outcome]:
        """Outcomes per LED: over-current, dimness, the share of the resistor; LEDs side by side."""
        yield from of_each(self, study, ("led",), "LED", self._led)
        yield from self._side_by_side(study)

    def _led(self, study: Study, part: Part) -> Iterator[Outcome]:
        about = (part.name,)

        def amperes(state: State) -> float | None:
            return state.currents[part.name]["anode"]

        def lit(situation: Situation) -> Asked | None:
            if situation.state.devices[part.name] != "on":
                return None
            held = situation.state.mode.network.held
            road = road_of(study, situation.state, part.name) if held else None
            return None if road is not None and is_pulse(study.circuit, road) else amperes

        high = readings(study, lit, "max", running=True)
        if not high:
            yield not_applicable(self, about, f"{part.name} conducts in no state")
            return
        worst = worst_reading(high, "max")
        for reading in high:
            yield self._over(study, part, reading, reading is worst)
        bright = LIT * max(reading.value for reading in high)
        roads = {
            id(r.base): road
            for r in high
            if r.situation is r.base and (road := road_of(study, r.base.state, part.name)) is not None
        }
        yield from self._dim(study, part, bright, amperes, lit, roads)
        for reading in high:
            road = roads.get(id(reading.situation))
            if road is not None and not reading.state.mode.network.held and reading.value >= bright:
                yield self._share(study, part, reading, road)

    def _rated(self, study: Study, part: Part) -> float:
        known = study.known(part.name, "current")
        return self.limits["rated"].value if known is None else known.value

    def _over(self, study: Study, part: Part, reading: Reading, is_worst: bool) -> Outcome:
        about, known = (part.name,), study.known(part.name, "current")
        rated = self._rated(study, part)
        # a rating from memory gets no further margin
        share = 1.0 if known is None else self.limits["share"].value
        test = Test.at_most(reading.value, share * rated, "A")
        road = road_of(study, reading.base.state, part.name)
        told = tuple(evidence(study, part, reading, road, self.limits["rated"]))
        if test.holds:
            return satisfied(self, about, reading.situation, test, told)
        # a rating that nobody stated is from memory: never more than a warning
        severity: Severity = "error" if known is not None and reading.value > rated else "warning"
        made, advice = (
            more_resistance(study, part, reading, road, test.right)
            if study.proposing and is_worst
            else ((), ())
        )
        message = over_message(part, reading, rated, known is None, test)
        cause = _string(study, part, road, "over-current")
        return violated_by(
            self,
            part.name,
            reading.situation.place,
            test,
            severity,
            message,
            told,
            role="over-current",
            proposals=made,
            advice=advice,
            cause=cause,
        )

    def _dim(
        self, study: Study, part: Part, bright: float, amperes: Asked, lit: Lit, roads: Mapping[int, Road]
    ) -> Iterator[Outcome]:
        about = (part.name,)
        why = may_be_dark(study, part, roads.values())
        if why:
            yield not_applicable(self, about, why)
            return

        def seen(situation: Situation) -> Asked | None:
            value = situation.state.currents[part.name]["anode"]
            on = lit(situation) is not None
            return amperes if on and value is not None and value >= bright else None

        limit = min(
            self.limits["dim"].value, self.limits["dim_share"].value * self._rated(study, part)
        )
        low = readings(study, seen, "min", running=True)
        for reading in low:
            test = Test.at_least(max(0.0, reading.value), limit, "A")
            road = road_of(study, reading.base.state, part.name)
            told = tuple(evidence(study, part, reading, road, self.limits["rated"]))
            if test.holds:
                yield satisfied(self, about, reading.situation, test, told)
                continue
            is_worst = reading is worst_reading(low, "min")
            made = less_resistance(study, part, reading, road, limit) if study.proposing and is_worst else ()
            cause = _string(study, part, road, "dim")
            if road is not None and (over(reading.state, road) or 0.0) < 0.0:
                cause = identity("drop-budget", travellers(study.circuit, road), (), BUDGET)
            message = dim_message(part, reading, test)
            yield violated_by(
                self,
                part.name,
                reading.situation.place,
                test,
                "warning",
                message,
                told,
                role="dim",
                proposals=made,
                cause=cause,
            )

    def _share(self, study: Study, part: Part, reading: Reading, road: Road) -> Outcome:
        about = (part.name,)
        if road.keeper:
            return not_applicable(self, about, f"{road.keeper} sets the current of {part.name}, no resistor")
        volts = resisted(reading.state, road.resistive)
        if volts is None:
            return not_applicable(self, about, f"the voltages around {part.name} are not determined")
        test = Test.at_least(volts, self.limits["drop"].value, "V")
        told = tuple(evidence(study, part, reading, road, self.limits["rated"]))
        if test.holds:
            return satisfied(self, about, reading.situation, test, told)
        severity: Severity = "warning" if road.resistive else "error"
        made: tuple[Proposal, ...] = ()
        advice: tuple[str, ...] = ()
        if road.resistive:
            advice = ("a higher supply voltage, or fewer LEDs in series, leaves more to the resistor",)
        elif study.proposing:
            wanted = 0.5 * self.limits["share"].value * self._rated(study, part)
            made, advice = more_resistance(study, part, reading, road, wanted)
        message = share_message(study, part, reading, road, test)
        cause = _string(study, part, road, "series resistor")
        return violated_by(
            self,
            part.name,
            reading.situation.place,
            test,
            severity,
            message,
            told,
            role="series resistor",
            proposals=made,
            advice=advice,
            cause=cause,
        )

    def _side_by_side(self, study: Study) -> Iterator[Outcome]:
        """LEDs with both pins on the same nets: nothing makes them share the current."""
        groups: dict[tuple[str, str], list[str]] = {}
        for part in study.circuit.parts.values():
            if part.kind == "led":
                groups.setdefault((part.pins["anode"], part.pins["cathode"]), []).append(part.name)
        for names in sorted(groups.values()):
            lit = next(
                (s for s in study.situations() if any(s.state.devices[name] == "on" for name in names)), None
            )
            if len(names) < 2 or lit is None:
                continue
            drops = [study.value(name, "forward") for name in names]
            apart = max(abs(a - b) for a, b in itertools.combinations(drops, 2))
            spread = 2.0 * study.resolved.assumptions["led_spread"] + apart
            test = Test.at_most(spread, 0.0, "V")
            if test.holds:
                yield satisfied(self, names, lit, test)
                continue
            message = (
                f"{listed(names)} lie side by side on one resistor. Their forward drops may differ by"
                f" {say(spread, 'V')}, and nothing but that decides how they share; limit 0 V: the one with"
                " the smaller drop takes most of the current."
            )
            yield violated(
                self,
                study,
                names,
                lit,
                test,
                "note",
                message,
                [Quantity(f"V_{n}", f"forward drop of {n}", study.value(n, "forward"), "V") for n in names]
                + [Quantity("dV_F", "how far the drops may differ", spread, "V")],
                role="side by side",
                parts=names,
                nets=(),
                advice=("a resistor for each of them, or all of them in series",),
            )


def _string(study: Study, part: Part, road: Road | None, role: str) -> str | None:
    """The same finding about the first LED of the string that ``part`` is in, where it is not the first."""
    strung = [] if road is None else [n for n in road.own if study.circuit.parts[n].kind == "led"]
    first = min(strung, default=part.name)
    return identity(RULE.slug, (first,), (), role) if part.name in strung and first != part.name else None


RULE = LedCurrent()
