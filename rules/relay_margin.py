"""A relay pulls in when hot and at the lowest supply, lets go when it is off, and is not overdriven."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import TYPE_CHECKING

from rules.analysis.formulas.supply import copper_factor, pick_up_at
from rules.analysis.relays import (
    Coil,
    across,
    coil_situations,
    least_on,
    left_off,
    most_on,
    pick_up_of,
    was_pulled_in,
)
from rules.analysis.requirements import Window
from rules.analysis.tuning import Tuner
from rules.analysis.worst_there import There
from rules.contract import API_LEVEL, Dial, Lesson, limits_of
from rules.outcomes import not_applicable, of_each, satisfied, violated
from rules.relay_words import Relay, driven_by, evidence, place, series_resistor
from rules.required_words import tuned_proposal
from rules.wording import celsius, member_pointer, say, times, where
from schemas.finding import Grounds, Limit, Outcome, Proposal, Severity, Test

if TYPE_CHECKING:
    from rules.analysis.study import Study
    from schemas.circuit import Part

EDGE = Limit("edge", 1.0, "", "definition of the pick-up voltage", "coil voltage over pick-up voltage")
SURE = Limit("sure", 1.05, "", "common practice, no source", "the same, with something in hand")
PICK_UP = Limit(
    "pick-up",
    0.75,
    "",
    "75 to 80 % of the nominal voltage in the sheets of relay makers",
    "share of the nominal voltage at which a relay of unknown pick-up pulls in at 20 degC",
)
RELEASE = Limit(
    "release",
    0.1,
    "",
    "about 10 % of the nominal voltage in the sheets of relay makers",
    "share of the nominal voltage at which a relay of unknown release has let go",
)
OFF = Limit("off", 0.5, "", "common practice, no source", "share of the release voltage that may be left")
MOST = Limit(
    "most", 1.1, "", "110 % of the nominal voltage, from memory", "coil voltage over the nominal one, at most"
)

PASSING = """\
format: thumbrule/1
name: orchard-sprinkler
ground: gnd
ambient: {low: 0 degC, nominal: 20 degC, high: 45 degC}
parts:
  V1: {kind: supply, voltage: 12 V, low: 11.4 V, high: 12.6 V, pins: {plus: rail, minus: gnd}}
  S1: {kind: contact, rest: open, pins: {a: rail, b: fed}}
  R1: {kind: resistor, resistance: 10 ohm, pins: {a: fed, b: top}}
  K1: {kind: coil, resistance: 400 ohm, nominal: 12 V, pick_up: 9 V, pins: {plus: top, minus: gnd}}
  D1: {kind: diode, type: 1N4001, pins: {anode: gnd, cathode: top}}
"""
FAILING = PASSING.replace("10 ohm", "150 ohm")


class RelayMargin:
    """Coil voltage of every relay over pick-up, release and nominal voltage."""

    slug = "relay-margin"
    title = "Relay coil voltage"
    protects = "a relay from chattering, from failing when hot, and from never dropping out"
    api_level = API_LEVEL
    limits: Mapping[str, Limit] = limits_of(EDGE, SURE, PICK_UP, RELEASE, OFF, MOST)
    grounds = Grounds(
        rule_of_thumb="Hot, the coil still sees 5 % more than it pulls in at; off, next to nothing.",
        formula="V_coil,min >= 1.05*V_pu*(234.5 + T)/254.5;  V_coil,off <= 0.5*V_release;"
        "  V_coil,max <= 1.1*V_nom",
        symbols={
            "V_coil,min": "least voltage across the coil while it is on, V",
            "V_pu": "pick-up voltage at 20 degC, V",
            "T": "temperature of the winding, degC",
            "V_coil,off": "voltage across the coil while it is off, leakage included, V",
            "V_release": "voltage at which the relay has let go, V",
            "V_coil,max": "greatest voltage across the coil, V",
            "V_nom": "nominal coil voltage, V",
        },
        source="copper law, 75 % pick-up and 10 % release: sheets and notes of relay makers; 5 % in hand and"
        " half of the release: common practice, no source; 110 %: from memory",
        holds="for a winding that starts at the hottest ambient temperature",
        fails="for a winding that has warmed itself: it needs up to a fifth more to pull in again at once",
    )
    lesson = Lesson(
        why="A relay is a current device that is sold in volts. Copper gains 0.4 % of resistance per kelvin,"
        " so a hot winding needs more volts for the same pull. Whatever the transistor and the battery lose"
        " comes off the volts that are left.",
        breaks="Holding takes much less than pulling in: a relay that is once pulled in stays down to a tenth"
        " of its voltage. That helps to save current on purpose, and it keeps a relay in that leakage or a"
        " discharging capacitor feeds when it should let go.",
        mend="Take less away: a smaller series resistor, a transistor that saturates, a higher supply; or a"
        " relay with a coil for less voltage.",
        failing=FAILING,
        passing=PASSING,
        dial=Dial("/parts/R1/resistance", "10 ohm", "150 ohm"),
        derivation="rules.derivations.relay_margin:DERIVATION",
    )

    def check(self, study: Study) -> Iterable[Outcome]:
        """Outcomes per coil and situation: pulled in, let go, not overdriven."""
        return of_each(self, study, ("coil",), "relay coil", self._coil)

    def _coil(self, study: Study, part: Part) -> Iterator[Outcome]:
        relay = self._relay(study, part)
        if relay is None:
            pointer = member_pointer(part.name, "nominal")
            reason = f"{pointer} is missing: without it nobody knows at what voltage {part.name} pulls in"
            yield Outcome(self.slug, "undecided", (part.name,), reason)
            return
        found = coil_situations(study, part)
        if not any(coil.on for coil in found):
            yield not_applicable(self, (part.name,), f"{part.name} is on in no state")
            return
        for coil in found:
            if coil.on:
                yield from self._on(study, relay, coil)
            else:
                yield from self._off(study, relay, coil)

    def _relay(self, study: Study, part: Part) -> Relay | None:
        nominal, pick_up = study.known(part.name, "nominal"), study.known(part.name, "pick_up")
        volts = pick_up_of(study, part, self.limits["pick-up"].value)
        if volts is None:
            return None
        hot = study.resolved.ambient.high
        rated = nominal.value if nominal else None
        stated = study.known(part.name, "release")
        full = rated if rated is not None else volts / self.limits["pick-up"].value
        release = stated.value if stated else self.limits["release"].value * full
        pulls = pick_up_at(volts, hot)
        return Relay(part, rated, volts, pick_up, pulls, release, stated, hot, self.limits)

    def _on(self, study: Study, relay: Relay, coil: Coil) -> Iterator[Outcome]:
        name = relay.part.name
        least = least_on(relay.part, coil)
        if least is not None and least.value > 0.0:
            test = Test.at_least(least.value / relay.hot_pick_up, self.limits["sure"].value, "")
            # what a run at nominal values has to reach, so that its worst corner reaches the limit
            wanted = test.right * relay.hot_pick_up * coil.volts / least.value
            if test.holds:
                yield satisfied(self, (name,), place(coil, least), test, evidence(study, relay, least))
            elif was_pulled_in(study, relay.part, coil, wanted):
                why = f'in "{coil.situation.label}" {name} is only held: it was pulled in before'
                yield not_applicable(self, (name,), why)
            else:
                yield self._weak(study, relay, coil, least, test)
        most = most_on(relay.part, coil)
        if most is not None and relay.nominal is not None:
            test = Test.at_most(most.value / relay.nominal, self.limits["most"].value, "")
            if test.holds:
                yield satisfied(self, (name,), place(coil, most), test)
            else:
                yield self._strong(study, relay, coil, most, test)

    def _weak(self, study: Study, relay: Relay, coil: Coil, least: There, test: Test) -> Outcome:
        name, state = relay.part.name, coil.situation.state
        severity: Severity = "error" if test.left < self.limits["edge"].value else "warning"
        wanted = test.right * relay.hot_pick_up
        proposals: list[Proposal] = []
        if study.proposing:
            tuner = Tuner(study, state, across(relay.part, state), Window(wanted, float("inf"), ""))
            what = f"voltage of {name}"
            proposals = [tuned_proposal(study, tuned, what, "V") for tuned in tuner.one_resistor()]
        message = (
            f"{name} gets {say(least.value, 'V')} ({where(place(coil, least))}). At"
            f" {celsius(relay.hot)} it surely pulls in only at {say(relay.hot_pick_up, 'V')}, its pick-up"
            f" voltage times {times(copper_factor(relay.hot))} for hot copper: {times(test.left)} times as"
            f" much where {times(test.right)} times is wanted."
        )
        return violated(
            self,
            study,
            (name,),
            place(coil, least),
            test,
            severity,
            message,
            evidence(study, relay, least),
            role="pull-in",
            parts=(name,),
            nets=(),
            pointers=(member_pointer(name, "resistance"),),
            proposals=proposals,
            cause=driven_by(study, relay.part, least.state),
            advice=(f"or a relay whose coil is made for less than {say(least.value / 0.9, 'V')}",),
        )

    def _strong(self, study: Study, relay: Relay, coil: Coil, most: There, test: Test) -> Outcome:
        name = relay.part.name
        nominal = relay.nominal or 0.0
        message = (
            f"{name} gets up to {say(most.value, 'V')} ({where(place(coil, most))}),"
            f" {times(test.left)} times its nominal {say(nominal, 'V')}; limit {times(test.right)} times,"
            " from memory: it heats its winding more than it is made for."
        )
        made = series_resistor(study, relay, most.value) if study.proposing else None
        return violated(
            self,
            study,
            (name,),
            place(coil, most),
            test,
            "warning",
            message,
            evidence(study, relay, most),
            role="overdriven",
            parts=(name,),
            nets=(),
            pointers=(member_pointer(name, "nominal"),),
            proposals=() if made is None else (made,),
            advice=("what the sheet of the relay allows goes before this limit",),
        )

    def _off(self, study: Study, relay: Relay, coil: Coil) -> Iterator[Outcome]:
        name = relay.part.name
        found = left_off(study, relay.part, coil)
        if found is None:
            return
        left, missing = found
        test = Test.at_most(left.value, self.limits["off"].value * relay.release, "V")
        if test.holds:
            if missing:
                reason = f"{missing[0]} is missing: without it nobody knows what may leak through {name}"
                yield Outcome(self.slug, "undecided", (name,), reason, coil.situation.label, left.corner)
            else:
                yield satisfied(self, (name,), place(coil, left), test, evidence(study, relay, left))
            return
        severity: Severity = "error" if left.value > relay.release else "warning"
        message = (
            f"{name} is meant to be off in \"{coil.situation.label}\", but up to {say(left.value, 'V')} stand"
            f" across it ({left.corner}, leakage at {celsius(relay.hot)} included). It has surely let go at"
            f" {say(relay.release, 'V')}; limit {say(test.right, 'V')}."
        )
        yield violated(
            self,
            study,
            (name,),
            place(coil, left),
            test,
            severity,
            message,
            evidence(study, relay, left),
            role="drop-out",
            parts=(name,),
            nets=(),
            pointers=(member_pointer(name, "resistance"),),
            advice=("take away what feeds it: a bleed from base to emitter, a larger resistor beside it",),
        )


RULE = RelayMargin()
