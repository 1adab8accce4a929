"""As the supply comes on, the circuit comes to rest where it should, or an oscillator starts."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import TYPE_CHECKING

from rules.analysis.runs import Corner, power_up
from rules.analysis.startup import (
    conducting,
    cross_coupled,
    left_to_chance,
    safe_state,
    slow_ramp,
    timed_unasked,
    told_corners,
)
from rules.contract import API_LEVEL, Lesson, limits_of
from rules.outcomes import broken, not_applicable
from rules.startup_words import (
    by_chance,
    delayed,
    hangs,
    hangs_evidence,
    keeps_running,
    quieter,
    raised,
    rest_evidence,
    running,
    timed_evidence,
    wrong,
)
from rules.wording import member_pointer
from schemas.finding import Finding, Grounds, Limit, Outcome, Proposal, Quantity, Severity, Test

if TYPE_CHECKING:
    from rules.analysis.states import State
    from rules.analysis.study import Study
    from rules.analysis.timeline.model import Timeline

MOMENT = Limit(
    "moment",
    0.1,
    "s",
    "common practice, no source",
    "how long a timed state may last as the supply comes on, unasked",
)

PASSING = """\
format: thumbrule/1
name: cistern-full-lamp
ground: gnd
parts:
  B1: {kind: battery, voltage: 9 V, resistance: 2 ohm, keyed: true, pins: {plus: rail, minus: gnd}}
  Q2: {kind: pnp, beta: 200, pins: {collector: lamp, base: b2, emitter: rail}}
  R1: {kind: resistor, resistance: 10 kohm, pins: {a: rail, b: b2}}
  R2: {kind: resistor, resistance: 6.8 kohm, pins: {a: b2, b: c1}}
  Q1: {kind: npn, beta: 200, pins: {collector: c1, base: b1, emitter: gnd}}
  R3: {kind: resistor, resistance: 68 kohm, pins: {a: lamp, b: b1}}
  R4: {kind: resistor, resistance: 22 kohm, pins: {a: b1, b: gnd}}
  LP1: {kind: load, resistance: 1 kohm, pins: {plus: lamp, minus: gnd}}
  S1: {kind: contact, rest: open, pins: {a: rail, b: float}}
  R5: {kind: resistor, resistance: 33 kohm, pins: {a: float, b: b1}}
  C1: {kind: capacitor, capacitance: 100 nF, dielectric: film, pins: {a: b1, b: gnd}}
"""
FAILING = PASSING.replace(
    "dielectric: film, pins: {a: b1, b: gnd}", "dielectric: film, pins: {a: b1, b: rail}"
)


class PowerUp:
    """The end of the run from empty capacitors against the state of rest; oscillators start."""

    slug = "power-up"
    title = "State after switch-on"
    protects = "the moment of switch-on from a wrong state, and an oscillator from staying still"
    api_level = API_LEVEL
    limits: Mapping[str, Limit] = limits_of(MOMENT)
    grounds = Grounds(
        rule_of_thumb="Switch-on is a stimulus too: follow it from empty capacitors to the state of rest.",
        formula="the state after a step of the supply = the state after a slow ramp = the state of rest;"
        "  oscillators: no resting state may be stable with the capacitors in it",
        symbols={
            "state of rest": "the one a standing-current or battery-life requirement names, else the one in"
            " which fewest transistors conduct",
        },
        source="common practice, no source; stability: eigenvalues of the linearised circuit with its"
        " capacitors",
        holds="for a supply that rises at once (all capacitors empty) and for one that rises slowly (they"
        " follow), at every gain",
        fails="for a supply that bounces or sags on the way up, and for a state that only strays and unequal"
        " junctions decide: the hand model calls that chance",
    )
    lesson = Lesson(
        why="Switch-on is the one trigger that nobody draws. Every capacitor starts empty, so for a moment it"
        " is a wire: one from the rail to a base turns that transistor on as surely as the button would.",
        breaks="A supply that comes up slowly shows nothing of it: try both, a plug and a knob. Two stages"
        " that hold each other off come up either way, as the parts happen to fall out. A flasher with strong"
        " base drive may come up with both transistors saturated and stay there: the loop has no gain left"
        " once I_C/I_B is below about seven.",
        mend="A small capacitor from base to emitter of the transistor that must stay off, ten times what"
        " couples into it; a resistor beside it; for a flasher, base resistors that leave I_C/I_B at ten or"
        " more.",
        failing=FAILING,
        passing=PASSING,
        undialled="what counts is to which rail the capacitor at the base leads, not how large it"
        " is",
        derivation="rules.derivations.power_up:DERIVATION",
    )

    def check(self, study: Study) -> Iterable[Outcome]:
        """Outcomes at every gain: the end after a step, after a slow ramp, and what happens on the way."""
        sets = study.state_sets()[0]
        if not study.roles.transistors:
            yield not_applicable(self, (), "nothing switches: there is no transistor")
        elif sets.faults:
            yield not_applicable(self, (), f"there is no state at rest: {sets.faults[0].message}")
        else:
            pairs = cross_coupled(study)
            runs_on = bool(pairs) or (sets.complete and not sets.stable)
            for corner in told_corners(study):
                if runs_on:
                    yield from self._oscillator(study, corner, pairs)
                else:
                    yield from self._resting(study, corner)

    def _resting(self, study: Study, corner: str) -> Iterator[Outcome]:
        stable = study.state_sets(corner)[0].stable
        if not stable:
            return  # the state of rest is lost at this gain; that is another rule's finding
        timeline = power_up(study, Corner(corner)).timeline
        if timeline.verdict == "undecided" or not timeline.intervals:
            yield Outcome(self.slug, "undecided", (), _unknown(timeline))
            return
        if timeline.verdict == "oscillates":
            test = Test.at_most(1.0, 0.0, "")
            message = keeps_running(timeline, stable)
            yield self._violated(study, "error", corner, timeline.last.name, message, running(timeline), test)
            return
        safe = safe_state(study, corner)
        ends = conducting(study, timeline.last.devices)
        chance = left_to_chance(study, corner, timeline.intervals[0].devices, True)
        wanted = ends if safe is None else conducting(study, safe.state.devices)
        if chance:
            grade: Severity = "warning" if safe is not None and safe.declared else "note"
            test = Test.at_most(float(len(chance)), 1.0, "")
            parts = _differing(study, chance)
            message = by_chance(chance, safe)
            evidence = rest_evidence(study, corner)
            yield self._violated(
                study, grade, corner, timeline.last.name, message, evidence, test, "chance", parts
            )
        elif ends != wanted and (len(stable) > 1 or not study.state_sets(corner)[0].complete):
            # of one state alone equal drops may share a current in several ways, as in a mirror
            assert safe is not None
            yield self._wrong(study, corner, timeline.last.name, safe.state, ends ^ wanted, False)
        else:
            yield from self._ramp(study, corner, timeline.last.name, wanted, len(stable))
        asked = timed_unasked(study, corner, timeline, None if safe is None else safe.state)
        if asked is not None:
            delay, seconds = asked
            test = Test.at_most(seconds, self.limits["moment"].value, "s")
            if not test.holds:
                name = delay.timed.name
                parts = tuple(sorted(conducting(study, delay.timed.state.devices)))
                message, evidence = delayed(delay, seconds, test.right), timed_evidence(study, delay, seconds)
                yield self._violated(
                    study, "warning", corner, name, message, evidence, test, "unasked", parts
                )

    def _ramp(
        self, study: Study, corner: str, end: str, wanted: frozenset[str], count: int
    ) -> Iterator[Outcome]:
        """The slow ramp, where there is more than one state to end in."""
        ramp = slow_ramp(study, corner) if count > 1 else None
        other = frozenset() if ramp is None else conducting(study, ramp) ^ wanted
        safe = safe_state(study, corner)
        if ramp and other and safe is not None and not left_to_chance(study, corner, ramp, False):
            yield self._wrong(study, corner, end, safe.state, other, True)
            return
        yield Outcome(self.slug, "satisfied", (), "", end, corner, Test.at_most(0.0, 0.0, ""))

    def _wrong(
        self, study: Study, corner: str, end: str, safe: State, other: frozenset[str], slowly: bool
    ) -> Outcome:
        parts = tuple(sorted(other))
        test = Test.at_most(float(len(parts)), 0.0, "")
        message = wrong(end, safe, slowly)
        evidence = rest_evidence(study, corner)
        proposals = quieter(study, parts, safe) if study.proposing and not slowly else ()
        grade: Severity = "warning" if slowly else "error"
        return self._violated(study, grade, corner, end, message, evidence, test, "end", parts, proposals)

    def _oscillator(self, study: Study, corner: str, pairs: tuple[tuple[str, str], ...]) -> Iterator[Outcome]:
        stable = study.state_sets(corner)[0].stable
        timeline = power_up(study, Corner(corner)).timeline
        test = Test.at_most(float(len(stable)), 0.0, "")
        if stable:
            runs = timeline.verdict == "oscillates"
            grade: Severity = "warning" if runs else "error"
            parts = tuple(sorted({name for pair in pairs for name in pair}))
            message = hangs(study, stable[0], parts, runs)
            evidence = hangs_evidence(study, stable[0], parts, timeline)
            made = raised(study, stable[0], parts) if study.proposing else ()
            name = stable[0].name
            yield self._violated(study, grade, corner, name, message, evidence, test, "start", parts, made)
        elif timeline.verdict == "oscillates":
            yield Outcome(self.slug, "satisfied", (), "", timeline.last.name, corner, test)
        else:
            yield Outcome(self.slug, "undecided", (), _unknown(timeline))

    def _violated(
        self,
        study: Study,
        severity: Severity,
        corner: str,
        state: str,
        message: str,
        evidence: Iterable[Quantity],
        test: Test,
        role: str = "end",
        parts: tuple[str, ...] = (),
        proposals: tuple[Proposal, ...] = (),
    ) -> Outcome:
        named = parts or tuple(part.name for part in study.roles.transistors)
        finding = Finding(
            rule=self.slug,
            severity=severity,
            parts=named,
            nets=(),
            pointers=tuple(member_pointer(name, "pins") for name in named),
            state=state,
            corner=corner,
            message=message,
            evidence=tuple(evidence),
            test=test,
            grounds=self.grounds,
            role=role,
        )
        return broken(finding, (), proposals)


def _differing(study: Study, states: Iterable[State]) -> tuple[str, ...]:
    """Transistors that conduct in some of the states and not in others."""
    patterns = [conducting(study, state.devices) for state in states]
    return tuple(sorted(frozenset.union(*patterns) - frozenset.intersection(*patterns)))


def _unknown(timeline: Timeline) -> str:
    return (
        f"the run from switch-on could not be followed to its end: {timeline.reason or 'no state was found'}"
    )


RULE = PowerUp()
