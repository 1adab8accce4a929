"""No transistor, diode or LED is drawn the wrong way round and half works."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import TYPE_CHECKING

from rules.analysis.additions import Fitting, new_part
from rules.analysis.backwards import (
    NEVER,
    Idle,
    against_arrow,
    does_better,
    exchanged,
    forward_zener,
    idle,
    resting,
    turned_study,
)
from rules.analysis.resolve import TRANSISTORS
from rules.analysis.stress import Peak, above, along, at_rest, moves, unfinished_runs
from rules.contract import API_LEVEL, Dial, Lesson, limits_of
from rules.moments import gravity
from rules.outcomes import not_applicable, violated_by
from rules.reversed_words import (
    against_evidence,
    against_message,
    against_summary,
    idle_evidence,
    idle_message,
    led_evidence,
    led_message,
    zener_evidence,
    zener_message,
)
from rules.wording import say
from schemas.finding import (
    Grounds,
    Limit,
    Outcome,
    OutcomeKind,
    Proposal,
    Quantity,
    Severity,
    Test,
    identity,
)

if TYPE_CHECKING:
    from rules.analysis.states import State
    from rules.analysis.study import Study
    from schemas.circuit import Part

LED = Limit(
    "led",
    5.0,
    "V",
    "from memory: sheets of indicator LEDs allow 5 V backwards",
    "reverse voltage of an LED that states none",
)
ARROW = Limit(
    "arrow", 1e-6, "A", "common practice, no source", "current against the arrow of a transistor that counts"
)
TURNED = "reversed transistor"
BACKWARDS, REVERSE = "zener backwards", "reverse voltage"

PASSING = """\
format: thumbrule/1
name: beehive-scale-lamp
ground: gnd
parts:
  V1: {kind: supply, voltage: 5 V, pins: {plus: rail, minus: gnd}}
  U1: {kind: driver, low: 0 V, high: 5 V, pins: {out: order, reference: gnd}}
  R1: {kind: resistor, resistance: 4.7 kohm, pins: {a: order, b: base}}
  R2: {kind: resistor, resistance: 47 kohm, pins: {a: base, b: gnd}}
  Q1: {kind: npn, beta: {min: 100, max: 300}, pins: {collector: lamp, base: base, emitter: gnd}}
  R3: {kind: resistor, resistance: 470 ohm, pins: {a: rail, b: lamp}}
  R4: {kind: resistor, resistance: 1 kohm, pins: {a: rail, b: idle}}
  D1: {kind: led, forward: 2 V, pins: {anode: idle, cathode: order}}
"""
FAILING = PASSING.replace(
    "{collector: lamp, base: base, emitter: gnd}", "{collector: gnd, base: base, emitter: lamp}"
)


class ReversedPart:
    """Transistors against their arrow, diodes that never conduct, LEDs reversed beyond what they stand."""

    slug = "reversed-part"
    title = "Part drawn the wrong way round"
    protects = "a circuit from a part in backwards, which half works and is hard to find"
    api_level = API_LEVEL
    limits: Mapping[str, Limit] = limits_of(LED, ARROW)
    grounds = Grounds(
        rule_of_thumb="Every junction that should conduct does so in some state, and every current follows"
        " the arrow of its transistor.",
        formula="I_E along the arrow in some state, never only against it;  V_KA <= 5 V for an LED",
        symbols={
            "I_E": "emitter current, A",
            "V_KA": "voltage of the cathode above the anode, V",
        },
        source="the arrow: definition of the symbol; 5 V: from memory; a reverse gain of 1 to 5: from memory",
        holds="for every stable state of every position, and for LEDs and diodes along every run as well",
        fails="for clamps, flyback and discharge diodes and protection against a turned battery, which"
        " conduct in no state and rightly so: nothing is told of them",
    )
    lesson = Lesson(
        why="A transistor in backwards still works, with a gain of 1 to 5 instead of 200 and an emitter"
        " junction that breaks down at 6 V where the collector was to stand 40. So the circuit half works:"
        " the lamp glows, the relay hums. It is the worst kind of fault to find.",
        breaks="Not every junction that never conducts is wrong. A clamp waits for what should not happen, a"
        " flyback diode for the moment when the switch opens; neither is seen in a resting state.",
        mend="Exchange the two ends and look at the states again: if those that were meant appear, that was"
        " it. An LED that is reversed now and then gets a small diode across it, the other way round.",
        failing=FAILING,
        passing=PASSING,
        dial=Dial("/parts/U1/high", "5 V", "12 V"),
        derivation="rules.derivations.reversed_part:DERIVATION",
    )

    def check(self, study: Study) -> Iterable[Outcome]:
        """Outcomes per transistor, diode, zener and LED."""
        quiet = True
        for part in study.circuit.parts.values():
            if part.kind in TRANSISTORS:
                quiet = False
                yield self._transistor(study, part)
            elif part.kind in ("diode", "led"):
                quiet = False
                case = idle(study, part)
                yield self._diode(study, part, case)
                if part.kind == "led":
                    yield from self._led(study, part, isinstance(case, Idle))
            elif part.kind == "zener":
                quiet = False
                yield self._zener(study, part)
        if quiet:
            yield not_applicable(self, (), "there is no part that could be the wrong way round")

    def _transistor(self, study: Study, part: Part) -> Outcome:
        about, least = (part.name,), self.limits["arrow"].value
        worst, forward = against_arrow(study, part)
        if worst is None or worst.amps <= least:
            reversed_by = 0.0 if worst is None else worst.amps
            evidence = (Quantity("I_E", "largest emitter current along the arrow", forward, "A"),)
            test = Test.at_most(reversed_by, least, "A")
            return Outcome(self.slug, "satisfied", about, "", None, None, test, evidence=evidence)
        if forward > least:
            return not_applicable(self, about, "in other states its current follows its arrow")
        if not does_better(study, part, least):
            return not_applicable(self, about, "with collector and emitter exchanged it would do no better")
        was, now = resting(study), resting(turned_study(study, part))
        return self._violated(
            study,
            part,
            TURNED,
            "error",
            (worst.state, worst.corner),
            Test.at_most(worst.amps, least, "A"),
            against_message(study, worst, least, was, now),
            against_evidence(study, worst),
            against_summary(part.name, was, now),
        )

    def _diode(self, study: Study, part: Part, case: Idle | str) -> Outcome:
        if isinstance(case, str):
            kind: OutcomeKind = "satisfied" if case == "it conducts" else "not-applicable"
            return Outcome(self.slug, kind, (part.name,), case)
        least = self.limits["arrow"].value
        return self._violated(
            study,
            part,
            NEVER,
            "warning",
            None,
            Test.at_least(0.0, least, "A"),
            idle_message(case, least),
            idle_evidence(case),
            f"{part.name} turned round: it then carries up to {say(case.amps, 'A')} at rest",
            (f"if {part.name} is there to show or to stop a battery put in backwards, leave it",),
        )

    def _zener(self, study: Study, part: Part) -> Outcome:
        state = forward_zener(study, part)
        if state is None:
            reason = "nothing says that it is the wrong way round"
            return Outcome(self.slug, "satisfied", (part.name,), reason)
        volts, wanted = study.value(part.name, "forward"), study.value(part.name, "zener")
        return self._violated(
            study,
            part,
            BACKWARDS,
            "warning",
            (state, "typical"),
            Test.at_least(volts, wanted, "V"),
            zener_message(part.name, state, volts, wanted),
            zener_evidence(study, part.name, volts),
            f"{part.name} turned round: it then holds {say(wanted, 'V')}",
        )

    def _led(self, study: Study, part: Part, backwards: bool) -> Iterator[Outcome]:
        about = (part.name,)
        pair = part.pins["cathode"], part.pins["anode"]
        rated = study.known(part.name, "reverse")
        limit = self.limits["led"].value if rated is None else rated.value
        if pair[0] == pair[1]:
            yield not_applicable(self, about, "both ends are tied together")
            return
        still = at_rest(study, pair, lambda _, volts: volts > 0.5 * limit)
        moving = above(still, along(study, pair, [limit]))
        peaks = [peak for peak in (still, moving) if peak is not None]
        if not peaks:
            yield not_applicable(self, about, "nothing determines the voltage across it while it is off")
            return
        worst = max(peaks, key=lambda peak: gravity(None, Test.at_most(peak.value, limit, "V")))
        test = Test.at_most(worst.value, limit, "V")
        if test.holds:
            value = Quantity("V_KA", "largest reverse voltage", worst.value, "V")
            yield Outcome(
                self.slug, "satisfied", about, "", worst.state, worst.corner, test, evidence=(value,)
            )
            if moves(study):
                for reason in unfinished_runs(study):
                    yield Outcome(self.slug, "undecided", about, reason)
            return
        cause = identity(self.slug, (part.name,), (), NEVER) if backwards else None
        yield self._reversed(study, part, worst, test, rated is not None, cause)

    def _reversed(
        self, study: Study, part: Part, peak: Peak, test: Test, is_rated: bool, cause: str | None
    ) -> Outcome:
        pins = {"anode": part.pins["cathode"], "cathode": part.pins["anode"]}
        diode = new_part(study.circuit, "D", "diode", pins, type="1N4148")
        summary = f"1N4148 {diode.name} across {part.name}, the other way round: it takes the reverse current"
        proposals = () if cause else (Proposal(summary, Fitting((diode,)).changes(study.circuit)),)
        return violated_by(
            self,
            part.name,
            (peak.state, peak.corner),
            test,
            "error" if is_rated else "warning",
            led_message(part.name, peak, test.right, is_rated),
            led_evidence(part.name, peak, test.right, "" if is_rated else self.limits["led"].source),
            role=REVERSE,
            proposals=proposals if study.proposing else (),
            cause=cause,
        )

    def _violated(
        self,
        study: Study,
        part: Part,
        role: str,
        severity: Severity,
        place: tuple[State, str] | None,
        test: Test,
        message: str,
        evidence: Iterable[Quantity],
        summary: str,
        advice: tuple[str, ...] = (),
    ) -> Outcome:
        """A part to be turned round; ``summary`` says what that does."""
        turned = Proposal(summary, exchanged(part).changes(study.circuit))
        return violated_by(
            self,
            part.name,
            (None, None) if place is None else (place[0].name, place[1]),
            test,
            severity,
            message,
            evidence,
            role=role,
            proposals=(turned,) if study.proposing else (),
            advice=advice,
        )


RULE = ReversedPart()
