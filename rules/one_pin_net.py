"""No net has a single pin: a wire to nowhere carries no current."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import TYPE_CHECKING

from rules.analysis.lonely import (
    ROLE,
    SLUG,
    Home,
    Lonely,
    fitted,
    homes,
    is_terminal,
    is_unused_throw,
    lonely_pins,
    pin_counts,
    spelt_alike,
)
from rules.contract import API_LEVEL, Lesson, limits_of
from rules.outcomes import broken, not_applicable
from rules.wording import listed, member_pointer, say
from schemas.finding import Finding, Grounds, Limit, Outcome, Proposal, Quantity, Severity, Test

if TYPE_CHECKING:
    from rules.analysis.study import Study

PINS = Limit("pins", 2.0, "", "Kirchhoff's current law: one pin alone carries no current", "pins on a net")

PASSING = """\
format: thumbrule/1
name: duck-house-lamp
ground: gnd
parts:
  V1: {kind: supply, voltage: 6 V, pins: {plus: rail, minus: gnd}}
  S1: {kind: contact, rest: open, pins: {a: rail, b: feed}}
  R1: {kind: resistor, resistance: 4.7 kohm, pins: {a: feed, b: base}}
  R2: {kind: resistor, resistance: 47 kohm, pins: {a: base, b: gnd}}
  R3: {kind: resistor, resistance: 330 ohm, pins: {a: rail, b: out}}
  Q1: {kind: npn, beta: 200, pins: {collector: out, base: base, emitter: gnd}}
"""
FAILING = PASSING.replace("{a: base, b: gnd}", "{a: base, b: gdn}")


class OnePinNet:
    """Every net of the document by the number of its pins; no state is asked."""

    slug = SLUG
    title = "Net with one pin"
    protects = "a circuit from a wire that was forgotten, or whose name is spelt wrong"
    api_level = API_LEVEL
    structural = True
    limits: Mapping[str, Limit] = limits_of(PINS)
    grounds = Grounds(
        rule_of_thumb="Every wire has two ends: a net joins at least two pins, or it leaves the board.",
        formula="n >= 2;  with n = 1: I = 0",
        symbols={"n": "pins on the net, 1", "I": "current into its only pin, A"},
        source="Kirchhoff's current law; the rule: common practice, no source",
        holds="for every net of the document, whatever the state",
        fails="for test points, aerials and connectors: `terminal` in the remarks on a net says so",
    )
    lesson = Lesson(
        why="A wire to nowhere carries no current, so the part on its other end is decoration. A bleed"
        " resistor whose far end is on a net of its own leaves the base floating although the resistor is"
        " there. Most mistakes in wiring look like this on paper before they look like anything on the"
        " bench: two spellings of one net.",
        breaks="A net that leaves the board has its other pins elsewhere; so has a test point. A contact of a"
        " change-over switch may be left free on purpose.",
        mend="Look for the net with nearly the same name, else for what such a part usually leads to: the"
        " emitter for a bleed, the rail for a collector load. Flag what really leaves the board.",
        failing=FAILING,
        passing=PASSING,
        undialled="a wire is there or it is not: no value lies between",
        derivation="rules.derivations.one_pin_net:DERIVATION",
    )

    def check(self, study: Study) -> Iterable[Outcome]:
        """Each lonely pin; nets that leave the board do not count; else the least number of pins."""
        circuit = study.circuit
        counts = pin_counts(circuit)
        for net in sorted(counts):
            if counts[net] == 1 and is_terminal(circuit, net):
                yield not_applicable(self, (net,), "it leaves the board: its other pins are elsewhere")
        least = self.limits["pins"].value
        lonely = lonely_pins(circuit)
        for pin in lonely:
            yield self._violated(study, pin, least)
        if not lonely:
            judged = [count for net, count in counts.items() if not is_terminal(circuit, net)]
            test = Test.at_least(float(min(judged, default=2)), least, "")
            yield Outcome(self.slug, "satisfied", (), "every net joins two pins or more", None, None, test)

    def _violated(self, study: Study, pin: Lonely, least: float) -> Outcome:
        circuit = study.circuit
        part = circuit.parts[pin.part]
        test = Test.at_least(1.0, least, "")
        spare = is_unused_throw(circuit, pin)
        severity: Severity = "note" if spare else "error"
        others = [other for other in sorted(part.pins) if other != pin.pin]
        idle = f"no current flows through {pin.part}" if len(others) == 1 else "no current flows into it"
        what = "an unused throw" if spare else "a wire to nowhere"
        found = () if spare else homes(circuit, pin)
        finding = Finding(
            rule=self.slug,
            severity=severity,
            parts=(pin.part,),
            nets=(pin.net,),
            pointers=(member_pointer(pin.part, "pins") + f"/{pin.pin}",),
            state=None,
            corner=None,
            message=f"{pin.part}.{pin.pin} stands alone on the net {pin.net}, {what}: {idle}. 1 pin; limit:"
            f" at least {least:.0f}.",
            evidence=(
                Quantity("n", f"pins on {pin.net}", 1.0, ""),
                Quantity("I", f"current into {pin.part}.{pin.pin}, in every state", 0.0, "A"),
            ),
            test=test,
            grounds=self.grounds,
            role=ROLE,
            advice=tuple(_advice(study, pin, found, spare)),
        )
        proposals = tuple(_proposal(study, pin, home) for home in found) if study.proposing else ()
        return broken(finding, (pin.net,), proposals)


def _proposal(study: Study, pin: Lonely, home: Home) -> Proposal:
    """The pin moved to ``home``, with what that does to the resting states."""
    from rules.analysis.study import Study as Again

    fitting = fitted(pin, home)
    after = Again(fitting.applied(study.circuit), study.step_budget, proposing=False)
    was, now = _resting(study), _resting(after)
    carried = max(
        (
            abs(amps)
            for found in after.state_sets()
            for state in found.states
            for amps in (state.currents[pin.part][pin.pin],)
            if amps is not None
        ),
        default=0.0,
    )
    told = f"; it then carries up to {say(carried, 'A')}"
    if was != now:
        told += f", and the circuit rests in {listed(now) or 'no state'} instead of {listed(was) or 'none'}"
    summary = f"{pin.part}.{pin.pin} moved from {pin.net} to {home.net} ({home.why}){told}"
    return Proposal(summary, fitting.changes(study.circuit))


def _resting(study: Study) -> list[str]:
    return sorted({f'"{state.name}"' for found in study.state_sets() for state in found.stable})


def _advice(study: Study, pin: Lonely, found: tuple[Home, ...], spare: bool) -> Iterator[str]:
    if spare:
        yield f"leave it, if {pin.part} is one throw of a change-over contact"
    elif not found:
        own = set(study.circuit.parts[pin.part].pins.values())
        alike = spelt_alike(pin.net, sorted(set(pin_counts(study.circuit)) - own))
        meant = f", to {listed(alike, 'or')} by its spelling," if alike else ""
        yield f"draw the wire from {pin.part}.{pin.pin} on{meant} or take {pin.part} out"
    yield f"if {pin.net} leaves the board, say so: nets: {{{pin.net}: {{terminal: true}}}}"


RULE = OnePinNet()
