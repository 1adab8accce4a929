"""No base is left open while its transistor is off: leakage would be amplified."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from rules.analysis.additions import Fitting, new_part
from rules.analysis.coils import release_current
from rules.analysis.lonely import cause_among
from rules.analysis.open_bases import (
    ROLE,
    SLUG,
    OpenBase,
    floating_in,
    in_series,
    open_base,
    resistance_to_emitter,
)
from rules.analysis.resolve import TRANSISTORS
from rules.contract import API_LEVEL, Lesson, limits_of
from rules.outcomes import broken, not_applicable
from rules.wording import celsius, member_pointer, say, with_position
from schemas.finding import Finding, Grounds, Limit, Outcome, Proposal, Quantity, Severity, Test

if TYPE_CHECKING:
    from rules.analysis.floating import Island
    from rules.analysis.states import State, StateSet
    from rules.analysis.study import Study
    from schemas.circuit import Part

SHARE = Limit(
    "share",
    0.01,
    "",
    "common practice, no source",
    "leakage with an open base over the collector current when on",
)
LED = Limit("led", 50e-6, "A", "common practice, no source: an LED is seen to glow", "leakage into an LED")
RELEASE = Limit(
    "release",
    0.5,
    "",
    "common practice, no source",
    "leakage into a relay coil over the current at which it surely lets go",
)

PASSING = """\
format: thumbrule/1
name: hen-house-hatch
ground: gnd
ambient: {low: 0 degC, nominal: 20 degC, high: 60 degC}
parts:
  V1: {kind: supply, voltage: 9 V, pins: {plus: rail, minus: gnd}}
  S1: {kind: contact, rest: open, pins: {a: rail, b: feed}}
  R1: {kind: resistor, resistance: 22 kohm, pins: {a: feed, b: base}}
  R2: {kind: resistor, resistance: 47 kohm, pins: {a: base, b: gnd}}
  R3: {kind: resistor, resistance: 1 kohm, pins: {a: rail, b: lamp}}
  D1: {kind: led, forward: 2 V, pins: {anode: lamp, cathode: out}}
  Q1: {kind: npn, beta: {min: 100, max: 400}, icbo: 15 nA, pins: {collector: out, base: base, emitter: gnd}}
"""
FAILING = PASSING.replace("  R2: {kind: resistor, resistance: 47 kohm, pins: {a: base, b: gnd}}\n", "")


@dataclass(frozen=True, slots=True)
class _Judged:
    """How grave an open base is, the test it fails, and the words for that limit."""

    severity: Severity
    test: Test
    limit: str


class FloatingBase:
    """The way from base to emitter of every transistor, in every stable state and contact position."""

    slug = SLUG
    title = "Open base"
    protects = "a transistor that is meant to be off from amplifying its own leakage"
    api_level = API_LEVEL
    limits: Mapping[str, Limit] = limits_of(SHARE, LED, RELEASE)
    grounds = Grounds(
        rule_of_thumb="Every base has a resistor, or a source, between it and its own emitter.",
        formula="R_BE < infinite;  I_CEO = (beta_max + 1)*I_CBO;  I_CBO doubles every 10 K;"
        "  R_BE <= V_BE,off/(3*I_CBO)",
        symbols={
            "R_BE": "resistance from base to emitter by way of everything but junctions, ohm",
            "I_CEO": "collector leakage with an open base, A",
            "beta_max": "greatest current gain, 1",
            "I_CBO": "collector-base leakage at the highest ambient temperature, A",
            "V_BE,off": "base-emitter voltage that is surely off, V",
        },
        source="Bell, Electronic Devices and Circuits, ex. 5.18 (doubling); the rest from memory",
        holds="for every stable state of every position of contacts and drivers, at each corner of gain",
        fails="at small currents, where gain is less than promised: the leakage told is an upper bound",
    )
    lesson = Lesson(
        why="With an open base the leakage from the collector has only one way out: through the emitter"
        " junction, where it is amplified like any base current. 15 nA at 25 degC are 170 nA at 60 degC, and"
        " times beta + 1 = 401 that is 68 uA: an LED glows with it. A finger or a long wire at the base does"
        " the same with hum.",
        breaks="A contact or a transistor that only feeds the base opens it when it opens: current in is one"
        " matter, a way out another. A base that hangs on the output of a driver is not open: both levels"
        " hold it.",
        mend="One resistor from base to emitter. It takes V_BE over its value from the drive, so it should be"
        " large beside what drives, and small enough for the leakage of a hot day: 10 to 100 kohm do it.",
        failing=FAILING,
        passing=PASSING,
        undialled="a way for the leakage is there or it is not; how large it may be is another rule's matter",
        derivation="rules.derivations.floating_base:DERIVATION",
    )

    def check(self, study: Study) -> Iterable[Outcome]:
        """Outcomes per transistor, stable state and corner of gain."""
        transistors = [part for part in study.circuit.parts.values() if part.kind in TRANSISTORS]
        if not transistors:
            yield not_applicable(self, (), "there is no transistor")
        judged = [part for part in transistors if part.pins["base"] != part.pins["emitter"]]
        for part in transistors:
            if part not in judged:
                yield not_applicable(self, (part.name,), "base and emitter are tied together")
        if not any(found.stable for corner in study.corners for found in study.state_sets(corner)):
            for part in judged:
                yield not_applicable(self, (part.name,), "the circuit rests in no state")
        for corner in study.corners:
            for found in study.state_sets(corner):
                ways = {part.name: resistance_to_emitter(study, part, found.configuration) for part in judged}
                for state in found.stable:
                    floating = dict(floating_in(state))
                    for part in judged:
                        yield self._state(study, part, found, state, floating, ways[part.name])

    def _state(
        self,
        study: Study,
        part: Part,
        found: StateSet,
        state: State,
        floating: Mapping[str, Island],
        ohms: float,
    ) -> Outcome:
        about, place = (part.name,), (state.name, found.corner)
        if part.name in floating:
            return self._violated(study, part, found, state, floating[part.name])
        if math.isinf(ohms):
            reason = (
                "what conducts holds its base"
                if state.nets[part.pins["base"]] is not None
                else "nothing feeds its collector"
            )
            return Outcome(self.slug, "not-applicable", about, f"{reason} in this state", *place)
        way = Quantity("R_BE", "resistance from base to emitter", ohms, "ohm")
        return Outcome(
            self.slug, "satisfied", about, "", *place, Test.at_least(1.0, 1.0, ""), evidence=(way,)
        )

    def _violated(
        self, study: Study, part: Part, found: StateSet, state: State, island: Island
    ) -> Outcome:
        base = open_base(study, part.name)
        judged = self._judge(study, base)
        place = (state.name, found.corner)
        where = with_position(state.name, found.configuration)
        hot = celsius(study.resolved.ambient.high)
        loop = "; it is half of a loop that holds itself" if base.regenerative else ""
        finding = Finding(
            rule=self.slug,
            severity=judged.severity,
            parts=(part.name,),
            nets=(part.pins["base"],),
            pointers=(member_pointer(part.name, "pins"),),
            state=place[0],
            corner=place[1],
            message=f'The base of {part.name} is open in "{where}": 0 ways lead from it to its emitter but'
            f" through junctions, limit at least 1. At {hot} it may pass {say(base.leaks, 'A')};"
            f" {judged.limit}{loop}.",
            evidence=tuple(_evidence(study, base)),
            test=judged.test,
            grounds=self.grounds,
            role=ROLE,
            caused_by=cause_among(study.circuit, island.nets),
        )
        proposals = (_bleed(study, part, base),) if study.proposing else ()
        return broken(finding, (part.name,), proposals)

    def _judge(self, study: Study, base: OpenBase) -> _Judged:
        """The limit it breaks by most; a warning where it breaks none of them."""
        limits = {name: limit.value for name, limit in self.limits.items()}
        share = limits["share"] * base.carries
        wanted = [(share, f"limit {say(share, 'A')}, {limits['share']:.0%} of what it carries when on")]
        for name in in_series(study, base.transistor):
            kind = study.circuit.parts[name].kind
            if kind == "led":
                wanted.append((limits["led"], f"limit {say(limits['led'], 'A')}, with which {name} glows"))
            elif kind == "coil" and study.known(name, "nominal") is not None:
                amps = limits["release"] * release_current(study, name, base.carries)
                wanted.append((amps, f"limit {say(amps, 'A')}, with which {name} may not let go"))
        broken = [(limit, words) for limit, words in wanted if base.leaks > limit]
        if broken:
            limit, words = min(broken)
            return _Judged("error", Test.at_most(base.leaks, limit, "A"), words)
        severity: Severity = "error" if base.regenerative else "warning"
        return _Judged(severity, Test.at_least(0.0, 1.0, ""), min(wanted)[1])


def _evidence(study: Study, base: OpenBase) -> Iterator[Quantity]:
    name = base.transistor
    yield Quantity("n", f"ways from base to emitter of {name}, junctions left out", 0.0, "")
    known = study.known(name, "icbo")
    if known is not None:
        source = known.source if known.origin == "assumed" else None
        meaning = "collector-base leakage at 25 degC"
        yield Quantity("I_CBO,25", meaning, known.value, "A", known.origin, known.pointer, source)
    yield Quantity("I_CBO", "the same at the highest ambient temperature", base.icbo, "A")
    yield Quantity("beta_max", f"greatest gain of {name}", base.beta, "")
    yield Quantity("I_CEO", "(beta_max + 1)*I_CBO, with the base open", base.leaks, "A")
    yield Quantity("I_C", "largest collector current in any state", base.carries, "A")
    yield Quantity("R_BE", "largest bleed from base to emitter", base.bleed, "ohm")


def _bleed(study: Study, part: Part, base: OpenBase) -> Proposal:
    pins = {"a": part.pins["base"], "b": part.pins["emitter"]}
    bleed = new_part(study.circuit, "R", "resistor", pins, resistance=base.bleed)
    drop = study.resolved.assumptions["vbe_on"]
    summary = (
        f"{bleed.name} {say(base.bleed, 'ohm')} from {pins['a']} to {pins['b']}, base to emitter of"
        f" {part.name}: it takes {say(drop / base.bleed, 'A')} from the drive"
    )
    return Proposal(summary, Fitting((bleed,)).changes(study.circuit))


RULE = FloatingBase()
