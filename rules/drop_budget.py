"""The fixed drops along the road of a load leave a share of the lowest supply to what limits the current."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping
from typing import TYPE_CHECKING

from rules.analysis.formulas.feeding import left_over
from rules.analysis.operating import place_of
from rules.analysis.readings import places
from rules.analysis.roads import (
    BUDGET,
    LOADS,
    Road,
    across,
    cheapest_road,
    is_pulse,
    over,
    road_of,
    threshold_of,
    travellers,
    volts_of,
)
from rules.analysis.worst_case import at_worst
from rules.contract import API_LEVEL, Dial, Lesson, limits_of
from rules.outcomes import not_applicable, satisfied, violated
from rules.wording import listed, member_pointer, say, where
from schemas.finding import Grounds, Limit, Outcome, Quantity, Severity, Test

if TYPE_CHECKING:
    from rules.analysis.study import Situation, Study

LEAST = Limit("least", 0.5, "V", "common practice, no source", "what has to be left over at the least")
SHARE = Limit(
    "share", 0.1, "", "common practice, no source", "the same as a share of the supply, where that is more"
)

PASSING = """\
format: thumbrule/1
name: reading-corner-stars
ground: gnd
parts:
  BT1: {kind: battery, voltage: 9 V, low: 7.2 V, high: 9.6 V, resistance: 2 ohm, keyed: true,
        pins: {plus: rail, minus: gnd}}
  R1: {kind: resistor, resistance: 390 ohm, pins: {a: rail, b: first}}
  D1: {kind: led, forward: 2.6 V, current: 20 mA, pins: {anode: first, cathode: second}}
  D2: {kind: led, forward: 2.6 V, current: 20 mA, pins: {anode: second, cathode: gnd}}
"""
FAILING = PASSING.replace(
    "cathode: gnd}}\n",
    "cathode: third}}\n  D3: {kind: led, forward: 2.6 V, current: 20 mA, pins: {anode: third, cathode:"
    " gnd}}\n",
)

_WORDS = {
    "forward": "forward drop of {}",
    "zener": "breakdown voltage of {}",
    "vbe_on": "base-emitter drop of {}",
    "vce_sat": "saturation voltage of {}",
}


class DropBudget:
    """What the fixed drops along the road of every LED, load and coil leave over, at the lowest supply."""

    slug = "drop-budget"
    title = "Voltage left over by the fixed drops"
    protects = "the current of a load from hanging on a few tenths of a volt"
    api_level = API_LEVEL
    limits: Mapping[str, Limit] = limits_of(LEAST, SHARE)
    grounds = Grounds(
        rule_of_thumb="Half a volt and a tenth of the supply stay for the resistor.",
        formula="V_left = V_S,min - sum(V_drop) >= max(0.5 V, 0.1*V_S)",
        symbols={
            "V_left": "what is left for the resistance in series, V",
            "V_S": "supply voltage at that corner, V",
            "V_drop": "fixed drops in series: LEDs, diodes, zeners, V_BE, V_CE,sat, V",
        },
        source="Kirchhoff's voltage law; the limits are common practice, no source",
        holds="along the road that takes the largest share of the current at every fork; a transistor counts"
        " with its saturation voltage, a follower with its base-emitter drop",
        fails="for a zener in series, which sets a threshold on purpose; for a current source in the road,"
        " which needs more than its saturation voltage",
    )
    lesson = Lesson(
        why="Junctions take their voltage first; resistors set the current with what is left over. If 0.3 V"
        " are left over, an LED that drops 0.2 V more takes two thirds of the current away, and the last"
        " tenths of the battery take the rest.",
        breaks="A sum on nominal values hides it: the battery falls, cold adds 2 mV per kelvin to every"
        " junction in the string, and each LED of a batch has its own tenth of a volt. A follower or a"
        " Darlington pair takes 0.7 to 0.9 V where a saturated switch takes 0.2 V.",
        mend="Fewer junctions in one string and more strings, each with its own resistor; a saturated switch"
        " instead of a follower; or a higher supply voltage.",
        failing=FAILING,
        passing=PASSING,
        dial=Dial("/parts/BT1/low", "7.2 V", "6.2 V"),
        derivation="rules.derivations.drop_budget:DERIVATION",
    )

    def check(self, study: Study) -> Iterable[Outcome]:
        """Outcomes per road of a load, in every situation in which it carries current."""
        loads = [part.name for part in study.circuit.parts.values() if part.kind in LOADS]
        if not loads:
            yield not_applicable(self, (), "there is no LED, load or coil")
        told: set[tuple[object, ...]] = set()
        for name in loads:
            found = [(s, r) for s in places(study) if (r := road_of(study, s.state, name)) is not None]
            if not found:
                yield from self._dark(study, name)
                continue
            if not any(road.drops for _, road in found):
                yield not_applicable(self, (name,), f"no junction lies in the road of {name}")
                continue
            for situation, road in found:
                if threshold_of(road):
                    reason = f"{threshold_of(road)} in its road sets a threshold on purpose"
                    yield not_applicable(self, (name,), reason)
                    continue
                if is_pulse(study.circuit, road):
                    yield not_applicable(self, (name,), f"a capacitor brings the current of {name}: a pulse")
                    continue
                key = (travellers(study.circuit, road), *place_of(situation), situation.corner)
                if road.drops and key not in told:
                    told.add(key)
                    yield from self._judge(study, situation, road)

    def _judge(self, study: Study, situation: Situation, road: Road) -> Iterator[Outcome]:
        if over(situation.state, road) is None:
            reason = f"nothing settles the voltage from {road.top} to {road.bottom}"
            yield not_applicable(self, travellers(study.circuit, road), reason)
            return
        if not road.resistive and not road.keeper:
            # the net at its source falls to the drops, whatever is behind it: led-current speaks of that
            reason = "no resistor is in its road, only what the source has inside"
            yield not_applicable(self, travellers(study.circuit, road), reason)
            return
        yield self._outcome(study, situation, road, False)
        if situation.corner == "typical":
            found = at_worst(situation, lambda state: over(state, road), "min")
            if found is not None:
                yield self._outcome(study, found.situation, road, False)

    def _dark(self, study: Study, name: str) -> Iterator[Outcome]:
        """A load that carries no current anywhere: too many drops in its way, or another reason."""
        best: tuple[float, Situation, Road] | None = None
        for situation in study.situations():
            road = cheapest_road(study, situation.state, name)
            left = over(situation.state, road) if road is not None else None
            if road is None or left is None or not road.drops or threshold_of(road):
                continue
            if (across(situation.state, road) or 0.0) <= 0.0:
                continue  # a junction that is turned against its supply is no matter of the budget
            if best is None or left > best[0]:
                best = left, situation, road
        if best is None or best[0] > 0.0:
            yield not_applicable(self, (name,), f"{name} carries no current in any state")
            return
        _, situation, road = best
        yield self._outcome(study, situation, road, True)

    def _outcome(self, study: Study, situation: Situation, road: Road, dark: bool) -> Outcome:
        state, about = situation.state, travellers(study.circuit, road)
        supply = across(state, road) or 0.0
        drops = [(name, member, volts_of(state, (name, member))) for name, member in road.drops]
        left = left_over(supply, math.fsum(volts for _, _, volts in drops)) if supply >= 0.0 else supply
        least, share = self.limits["least"].value, self.limits["share"].value
        test = Test.at_least(left, max(least, share * supply), "V")
        told = [
            Quantity("V_S", f"from {road.top} to {road.bottom}", supply, "V"),
            *(Quantity(f"V_{n}", _WORDS[member].format(n), volts, "V") for n, member, volts in drops),
            Quantity("V_left", "what the drops leave over", left, "V"),
        ]
        if test.holds:
            return satisfied(self, about, situation, test, told)
        severity: Severity = "error" if left <= 0.0 else "warning"
        return violated(
            self,
            study,
            about,
            situation,
            test,
            severity,
            _message(situation, road, supply, drops, test, dark),
            told,
            role=BUDGET,
            parts=about,
            nets=(),
            pointers=[member_pointer(name, "pins") for name in about],
            advice=_advice(supply, drops, test),
        )


def _message(
    situation: Situation,
    road: Road,
    supply: float,
    drops: list[tuple[str, str, float]],
    test: Test,
    dark: bool,
) -> str:
    taken = math.fsum(volts for _, _, volts in drops)
    names = list(dict.fromkeys(name for name, _, _ in drops))
    verb = "takes" if len(names) == 1 else "take"
    text = (
        f"{listed(names)} {verb} {say(taken, 'V')} of the {say(supply, 'V')} from {road.top} to {road.bottom}"
        f" ({where(situation)})"
    )
    rest = listed(road.resistive) or "what limits the current"
    if dark:
        return f"{text}: no current flows, and nothing is left for {rest}; limit {say(test.right, 'V')}."
    return f"{text}: {say(test.left, 'V')} are left for {rest}; limit {say(test.right, 'V')}."


def _advice(supply: float, drops: list[tuple[str, str, float]], test: Test) -> Iterator[str]:
    """How much supply it takes, and how many of the drops the supply would bear."""
    taken = math.fsum(volts for _, _, volts in drops)
    share = test.right / supply if supply > 0.0 else 0.0
    wanted = max(taken + test.right, taken / (1.0 - share) if share < 1.0 else taken + test.right)
    yield f"a supply that never falls below {say(wanted, 'V')} bears these drops"
    strung = sorted((volts, name) for name, member, volts in drops if member == "forward")
    if len(strung) > 1:
        spared = taken - strung[-1][0]
        if supply - spared >= test.right:
            yield f"or {strung[-1][1]} in a string of its own, with its own resistor"
        else:
            yield "or fewer junctions in one string, each string with its own resistor"
    if any(member == "vbe_on" for _, member, _ in drops):
        yield "or a saturated switch instead of a follower or a pair: it takes some 0.2 V"


RULE = DropBudget()
