"""A zener that holds a voltage has enough current left to do it, and not more power than it stands."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import TYPE_CHECKING

from rules.analysis.formulas.feeding import power_allowed
from rules.analysis.readings import Asked, Reading, readings, worst_reading
from rules.analysis.shunts import LEAST_CURRENT, Shunt, breakdown_current, shunt_of, starved
from rules.contract import API_LEVEL, Dial, Lesson, limits_of
from rules.outcomes import not_applicable, of_each, satisfied, violated_by
from rules.wording import celsius, say, where
from rules.zener_words import evidence, feeds_less, feeds_more, knee_message, power_message
from schemas.finding import Grounds, Limit, Outcome, Proposal, Quantity, Severity, Test

if TYPE_CHECKING:
    from rules.analysis.states import State
    from rules.analysis.study import Situation, Study
    from schemas.circuit import Part

KNEE = Limit(
    "knee",
    0.25e-3,
    "A",
    "I_ZK of a 15 V, 1 W type (Floyd, Electronic Devices, ex. 3.7); 1 mA for a 12 V one (ex. 3.6)",
    "current at which a zener is at its knee",
)
SURE = Limit(
    "sure", 2e-3, "A", "common practice, no source", "current with which a zener surely holds its voltage"
)
POWER = Limit(
    "power", 0.4, "W", "small leaded zeners, from memory", "rated power of a zener whose document states none"
)
SHARE = Limit("share", 0.5, "", "common practice, no source", "share of the allowed power in use at most")
SOFT = Limit("soft", 5.0, "V", "from memory", "breakdown voltage below which the knee is soft")

PASSING = """\
format: thumbrule/1
name: weather-vane-reference
ground: gnd
parts:
  BT1: {kind: battery, voltage: 9 V, low: 7 V, high: 9.6 V, resistance: 2 ohm, keyed: true,
        pins: {plus: rail, minus: gnd}}
  R1: {kind: resistor, resistance: 270 ohm, pins: {a: rail, b: held}}
  Z1: {kind: zener, zener: 5.1 V, tolerance: 2 %, ratings: {power: 500 mW}, pins: {anode: gnd, cathode: held}}
  R2: {kind: resistor, resistance: 2.7 kohm, pins: {a: held, b: gnd}}
"""
FAILING = PASSING.replace("270 ohm", "820 ohm")


class ZenerBias:
    """Least current and greatest power of every zener that breaks down at rest."""

    slug = "zener-bias"
    title = "Current of a zener"
    protects = "a voltage that a zener holds from sagging with the battery, and the zener from burning"
    api_level = API_LEVEL
    limits: Mapping[str, Limit] = limits_of(KNEE, SURE, POWER, SHARE, SOFT)
    grounds = Grounds(
        rule_of_thumb="Two milliamperes for the zener when the battery is low and the load at its greatest.",
        formula="I_Z,min = (V_S,min - V_Z,max)/R_max - I_load,max >= 2 mA;  P_Z,max = V_Z*I_Z,max <= P(T)/2;"
        "  R <= (V_S,min - V_Z) / (2 mA + I_load,max)",
        symbols={
            "I_Z": "current of the zener, A",
            "V_S": "supply voltage, V",
            "V_Z": "breakdown voltage, V",
            "R": "resistor that feeds it, ohm",
            "I_load": "what the load takes, A",
            "P": "rated power at this temperature, W",
        },
        source="KCL (Malvino, Electronic Principles, ex. 5-1 and 5-11); knee from Floyd, Electronic Devices,"
        " ex. 3.6 and 3.7; 2 mA and the half of the power are common practice, no source",
        holds="in every resting state, at the worst of all tolerances and gains; the load is what the"
        " document draws in that state",
        fails="for a load that is pulled off its connector: take it out of the document for the greatest"
        " power",
    )
    lesson = Lesson(
        why="A zener regulates with the current that the load leaves over. The resistor is fed from the"
        " battery, so that this rest shrinks as the battery falls, and it is zero before the battery reaches"
        " the zener voltage.",
        breaks="A sum at the nominal battery voltage says nothing: the last hour of the battery is the test,"
        " with the largest zener and resistor of the bag. Below about 5 V the knee is soft: at 20 uA a 4.7 V"
        " zener may stand at 3 V, so that it sets no threshold at such a current.",
        mend="A smaller resistor, as far as the fresh battery without load lets the power of the zener; where"
        " the two exclude each other, a transistor as a follower takes the load off the zener.",
        failing=FAILING,
        passing=PASSING,
        dial=Dial("/parts/R1/resistance", "270 ohm", "470 ohm"),
        derivation="rules.derivations.zener_bias:DERIVATION",
    )

    def check(self, study: Study) -> Iterable[Outcome]:
        """Outcomes per zener: its least current, and its greatest power."""
        return of_each(self, study, ("zener",), "zener", self._zener)

    def _zener(self, study: Study, part: Part) -> Iterator[Outcome]:
        about, name = (part.name,), part.name

        def amperes(state: State) -> float | None:
            return breakdown_current(state, name)

        def watts(state: State) -> float | None:
            return state.power[name]

        def broken(situation: Situation) -> bool:
            return situation.timed is None and situation.state.devices[name] == "breakdown"

        def current(situation: Situation) -> Asked | None:
            return amperes if broken(situation) else None

        def power(situation: Situation) -> Asked | None:
            return watts if broken(situation) else None

        low = readings(study, current, "min", running=True)
        if not low:
            reason = f"{name} breaks down in no state: it only clamps, or what feeds it never gets there"
            yield not_applicable(self, about, reason)
            return
        shunt = shunt_of(study, part, [reading.base for reading in low])
        yield from self._least(study, part, low, shunt)
        for situation in starved(study, part, shunt) if shunt is not None else ():
            yield self._knee(study, part, Reading(situation, 0.0, situation), shunt, True)
        high = readings(study, power, "max", running=True)
        worst = worst_reading(high, "max")
        for reading in high:
            yield self._power(study, part, reading, shunt, reading is worst)

    def _least(
        self, study: Study, part: Part, low: tuple[Reading, ...], shunt: Shunt | None
    ) -> Iterator[Outcome]:
        if shunt is not None:
            worst = worst_reading(low, "min")
            for reading in low:
                yield self._knee(study, part, reading, shunt, reading is worst)
            return
        volts = study.value(part.name, "zener")
        if volts >= self.limits["soft"].value:
            reason = f"{part.name} lies in the way of a current and holds no rail: its knee is sharp"
            yield not_applicable(self, (part.name,), reason)
            return
        for reading in low:
            yield self._soft(study, part, reading, volts)

    def _knee(
        self, study: Study, part: Part, reading: Reading, shunt: Shunt | None, is_worst: bool
    ) -> Outcome:
        left = max(0.0, reading.value)
        test = Test.at_least(left, self.limits["sure"].value, "A")
        told = tuple(evidence(study, part, reading, shunt, left))
        if test.holds:
            return satisfied(self, (part.name,), reading.situation, test, told)
        severity: Severity = "error" if left <= self.limits["knee"].value else "warning"
        made: tuple[Proposal, ...] = ()
        if study.proposing and is_worst and shunt is not None:
            made = tuple(feeds_more(study, part, reading, shunt, test.right))
        message = knee_message(part, reading, shunt, left, self.limits["knee"].value, test)
        place = reading.situation.place
        return violated_by(
            self, part.name, place, test, severity, message, told, role=LEAST_CURRENT, proposals=made
        )

    def _soft(self, study: Study, part: Part, reading: Reading, volts: float) -> Outcome:
        left = max(0.0, reading.value)
        test = Test.at_least(left, self.limits["knee"].value, "A")
        told = tuple(evidence(study, part, reading, None, left))
        if test.holds:
            return satisfied(self, (part.name,), reading.situation, test, told)
        message = (
            f"{part.name} of {say(volts, 'V')} sets a threshold with {say(left, 'A')}"
            f" ({where(reading.situation)}); limit {say(test.right, 'A')}: a zener below"
            f" {say(self.limits['soft'].value, 'V')} has a soft knee and stands far lower there."
        )
        advice = ("more current through it (a resistor from base to emitter), or a divider instead",)
        place = reading.situation.place
        return violated_by(
            self, part.name, place, test, "warning", message, told, role="soft knee", advice=advice
        )

    def _power(
        self, study: Study, part: Part, reading: Reading, shunt: Shunt | None, is_worst: bool
    ) -> Outcome:
        known, hot = study.known(part.name, "power"), study.resolved.ambient.high
        rated = self.limits["power"].value if known is None else known.value
        junction, thermal = study.known(part.name, "junction"), study.known(part.name, "thermal")
        if junction is not None and thermal is not None:
            rated = power_allowed(rated, junction.value, thermal.value, hot)
        test = Test.at_most(reading.value, self.limits["share"].value * rated, "W")
        amperes = max(0.0, breakdown_current(reading.state, part.name) or 0.0)
        told = [
            *evidence(study, part, reading, shunt, amperes),
            Quantity("P_Z", f"power of {part.name}", reading.value, "W"),
            Quantity("P(T)", f"allowed at {celsius(hot)}", rated, "W")
            if known is not None
            else Quantity("P(T)", POWER.meaning, rated, "W", "assumed", None, POWER.source),
        ]
        if test.holds:
            return satisfied(self, (part.name,), reading.situation, test, told)
        severity: Severity = "error" if known is not None and reading.value > rated else "warning"
        made: tuple[Proposal, ...] = ()
        if study.proposing and is_worst and shunt is not None:
            made = tuple(feeds_less(study, part, reading, shunt, test.right))
        message = power_message(study, part, reading, rated, known is None, test)
        advice = () if shunt is not None else (f"a zener of more power, or less current in {part.name}",)
        place = reading.situation.place
        return violated_by(
            self, part.name, place, test, severity, message, told, role="power", proposals=made, advice=advice
        )


RULE = ZenerBias()
