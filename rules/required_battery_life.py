"""A battery lasts as long as a requirement asks for, in a state that the circuit stays in."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping
from typing import TYPE_CHECKING

from rules.analysis.formulas.supply import standby_life
from rules.analysis.named import missing_corners
from rules.analysis.requirements import Asked, asked
from rules.analysis.standing import Drain, drains_of, sources
from rules.contract import API_LEVEL, Dial, Lesson, limits_of
from rules.required_words import limits, none_asked, nowhere, satisfied, undecided, violated, why_unknown
from rules.standing_words import cures, evidence, of_leakage, place
from rules.wording import listed, member_pointer, part_quantity, say
from schemas.finding import Grounds, Limit, Outcome, Quantity, Test

if TYPE_CHECKING:
    from rules.analysis.study import Study

USABLE = Limit(
    "usable",
    0.8,
    "",
    "common practice, no source: the rest is left when the battery is no longer up to the circuit",
    "share of the rated capacity that can be used",
)

PASSING = """\
format: thumbrule/1
name: frog-counter
ground: gnd
parts:
  BT1: {kind: battery, voltage: 9 V, high: 9.6 V, capacity: 0.55 Ah, keyed: true,
        pins: {plus: rail, minus: gnd}}
  R1: {kind: resistor, resistance: 820 kohm, pins: {a: rail, b: tap}}
  R2: {kind: resistor, resistance: 27 kohm, pins: {a: tap, b: gnd}}
  R3: {kind: resistor, resistance: 4.7 kohm, pins: {a: rail, b: out}}
  Q1: {kind: npn, beta: 200, icbo: 50 nA, pins: {collector: out, base: tap, emitter: gnd}}
states:
  waiting: {Q1: off}
requirements:
  - {kind: battery-life, state: waiting, at_least: 1 year}
"""
FAILING = PASSING.replace("820 kohm", "82 kohm").replace("27 kohm", "2.7 kohm", 1)


class RequiredBatteryLife:
    """Usable capacity over the current of a named state against its requirement."""

    slug = "required-battery-life"
    title = "Required battery life"
    protects = "the user from a battery that is empty before its time"
    api_level = API_LEVEL
    limits: Mapping[str, Limit] = limits_of(USABLE)
    grounds = Grounds(
        rule_of_thumb="A battery lasts four fifths of its capacity over the current; 550 mAh are 50 uA for a"
        " year.",
        formula="t = 0.8 * Q / I >= t_required",
        symbols={
            "t": "life of the battery, s",
            "Q": "rated capacity, C",
            "I": "greatest current from the battery in the state, leakage in the heat included, A",
        },
        source=USABLE.source,
        holds="for a circuit that stays in the state; the current is that of required-standing-current",
        fails="for a battery that runs down by itself in that time, for capacity that is rated at a much"
        " smaller current, and for the share of the time that is spent in other states: the mean current is"
        " the sum of the currents, each times its share of the time",
    )
    lesson = Lesson(
        why="A year has 8766 hours. A 9 V block of 550 mAh therefore has some 50 uA to spend, if it may"
        " rest at nothing else. What draws all year is not the load, it is the divider that somebody put"
        " across the battery, and the leakage of the big capacitor.",
        breaks="Rated capacity holds down to a voltage at which many circuits have stopped working, and at a"
        " current that the maker chose. In the cold it is half of it.",
        mend="Raise the resistors that stand across the battery as far as what they feed allows, take a"
        " capacitor that may leak less, take a larger battery, or let a contact cut off what is not needed.",
        failing=FAILING,
        passing=PASSING,
        dial=Dial("/parts/BT1/capacity", "0.55 Ah", "0.05 Ah"),
        derivation="rules.derivations.required_battery_life:DERIVATION",
    )

    def check(self, study: Study) -> Iterable[Outcome]:
        """Outcomes per requirement, battery and situation that fits its state."""
        items = asked(study.circuit, "battery-life")
        if not items:
            yield none_asked(self, "battery-life")
        batteries = sources(study.circuit, "battery")
        for item in items:
            if not batteries:
                yield undecided(
                    self, item, (), "there is no battery in the circuit whose life could be judged"
                )
                continue
            lost = missing_corners(study, item.state)
            if lost:
                yield nowhere(self, study, item, lost, batteries, ())
            for battery in batteries:
                yield from self._judge(study, item, battery, bool(lost))

    def _judge(self, study: Study, item: Asked, battery: str, lost: bool) -> Iterator[Outcome]:
        capacity = study.known(battery, "capacity")
        if capacity is None:
            pointer = member_pointer(battery, "capacity")
            yield undecided(
                self, item, (battery,), f"{pointer} is missing: nobody knows what {battery} holds"
            )
            return
        found = drains_of(study, item.state, (battery,))
        if not found and not lost:
            reason = f'the circuit does not determine the current from {battery} in "{item.state}"'
            yield undecided(self, item, (battery,), reason)
        for k, drain in enumerate(found):
            usable = self.limits["usable"].value * capacity.value
            yield self._situation(study, item, battery, usable, drain, first=k == 0)

    def _situation(
        self, study: Study, item: Asked, battery: str, usable: float, drain: Drain, first: bool
    ) -> Outcome:
        wanted = item.window.low
        life = standby_life(usable, 1.0, drain.amperes) if drain.amperes > 0.0 else math.inf
        test = Test.at_least(life, wanted, "s")
        if test.holds:
            unknown = why_unknown(study)
            if unknown:
                return undecided(self, item, (battery,), f"not every state is known: {unknown}")
            if drain.missing:
                reason = f"{listed(drain.missing)} is missing: without it nobody knows what may leak there"
                return undecided(self, item, (battery,), reason)
            told = _sums(usable, life, drain) if drain.amperes > 0.0 else ()
            return satisfied(self, item, (battery,), test, drain.situation.label, drain.corner, told)
        most = usable / wanted
        message = (
            f"{battery} lasts {say(life, 's')} in {place(drain)}, {say(wanted, 's')} are asked for: it brings"
            f" {say(drain.amperes, 'A')}, and {say(most, 'A')} would be the most.{of_leakage(study, drain)}"
            " This is the life in this state alone; the time spent in others takes its own share."
        )
        proposals, advice = cures(study, drain, (battery,), most) if first and study.proposing else ((), ())
        return violated(
            self,
            item,
            test,
            message,
            [*limits(item, "t", "life", "s"), *self._evidence(study, battery, usable, life, most, drain)],
            state=drain.situation.label,
            corner=drain.corner,
            parts=(battery,),
            proposals=proposals,
            advice=advice,
        )

    def _evidence(
        self, study: Study, battery: str, usable: float, life: float, most: float, drain: Drain
    ) -> Iterator[Quantity]:
        rated = part_quantity(study, battery, "capacity", "Q", f"rated capacity of {battery}")
        if rated is not None:
            yield rated
        share = self.limits["usable"]
        meaning = f"usable of it, {say(share.value, 'ratio')}"
        yield Quantity("Q_usable", meaning, usable, "C", source=share.source)
        yield Quantity("t", "life, usable capacity over the greatest current", life, "s")
        yield Quantity("I_most", "current with which it would last as long as asked", most, "A")
        yield from evidence(study, drain, (battery,))


def _sums(usable: float, life: float, drain: Drain) -> tuple[Quantity, ...]:
    return (
        Quantity("Q_usable", "usable of its capacity", usable, "C"),
        Quantity("I_max", "greatest current from it", drain.amperes, "A"),
        Quantity("t", "life, usable capacity over the greatest current", life, "s"),
    )


RULE = RequiredBatteryLife()
