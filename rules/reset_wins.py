"""Whatever else is pressed, the reset brings a latch back to off, hot or cold."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import TYPE_CHECKING

from rules.analysis.formulas.cutoff import off_voltage
from rules.analysis.latches.cures import nearest
from rules.analysis.latches.find import Latch, Rest
from rules.analysis.latches.margins import written
from rules.analysis.latches.resets import Control, Steered, at_ends, controls, left, moved, released, steered
from rules.contract import API_LEVEL, Dial, Lesson, limits_of
from rules.latch_words import ambient, at, corner_values, each_latch, quoted, situation, the_latch
from rules.outcomes import not_applicable, satisfied, violated
from rules.wording import (
    assumption,
    from_to,
    listed,
    member_pointer,
    new_resistance,
    part_quantity,
    say,
)
from schemas.finding import Grounds, Limit, Outcome, Proposal, Quantity, Severity, Test

if TYPE_CHECKING:
    from rules.analysis.study import Study

OTHERS = Limit(
    "other places", 0.0, "", "definition of a reset: one resting place is left", "other resting places left"
)
OFF = Limit(
    "off voltage",
    0.45,
    "V",
    "0.45 V at 25 degC, from memory; 2 mV/K less when hot (NXP BC848 series Rev 07, notes 2 and 3);"
    " a document that states vbe_off counts more",
    "what a reset may leave between base and emitter",
)

PASSING = """\
format: thumbrule/1
name: rabbit-hutch-door
ground: gnd
ambient: {low: -10 degC, nominal: 15 degC, high: 40 degC}
parts:
  V1: {kind: supply, voltage: 12 V, low: 11 V, high: 13 V, pins: {plus: rail, minus: gnd}}
  S1: {kind: contact, rest: open, pins: {a: rail, b: set}}
  R5: {kind: resistor, resistance: 100 kohm, pins: {a: set, b: b1}}
  S2: {kind: contact, rest: open, pins: {a: b1, b: pull}}
  R6: {kind: resistor, resistance: 470 ohm, pins: {a: pull, b: gnd}}
  Q2: {kind: pnp, beta: {min: 100, max: 300}, pins: {collector: out, base: b2, emitter: rail}}
  R4: {kind: resistor, resistance: 10 kohm, pins: {a: rail, b: b2}}
  R3: {kind: resistor, resistance: 4.7 kohm, pins: {a: b2, b: c1}}
  Q1: {kind: npn, beta: {min: 100, max: 300}, pins: {collector: c1, base: b1, emitter: gnd}}
  R2: {kind: resistor, resistance: 22 kohm, pins: {a: out, b: b1}}
  R1: {kind: resistor, resistance: 10 kohm, pins: {a: b1, b: gnd}}
  L1: {kind: load, resistance: 470 ohm, pins: {plus: out, minus: gnd}}
states:
  shut: {Q1: off, Q2: off}
  open: {Q1: on, Q2: on}
stimuli:
  evening: [{at: 0 s, part: S2, to: closed}, {at: 1 s, part: S2, to: open}]
"""
FAILING = PASSING.replace("470 ohm, pins: {a: pull", "1.2 kohm, pins: {a: pull")


class ResetWins:
    """Every control that ends a held state, alone and against each that sets it; and letting go by itself."""

    slug = "reset-wins"
    title = "The way back to off"
    protects = "the way back from the on state of a latch"
    api_level = API_LEVEL
    limits: Mapping[str, Limit] = limits_of(OTHERS, OFF)
    grounds = Grounds(
        rule_of_thumb="With the reset on, one resting place is left, and the base it takes away is surely off"
        " when hot.",
        formula="V_BE with the loop still on <= V_BE,off(T_max);  V_BE,off(T) = 0.45 - 0.002*(T - 25)",
        symbols={
            "V_BE": "base-emitter voltage of the transistor that the reset turns off, V",
            "V_BE,off": "base-emitter voltage that is surely off, V",
            "T_max": "hottest ambient, degC",
        },
        source="Ohm's law at the base; V_BE,off: 0.45 V from memory, 2 mV/K from NXP BC848 series Rev 07,"
        " notes 2 and 3",
        holds="for contacts and drivers that are held long enough for the loop to stop; for the moment at"
        " which a latch lets go by itself, with its capacitors as they are",
        fails="for a press shorter than the loop needs, and for a latch that only its supply resets; that off"
        " stays once the reset is let go is for latch-two-states to say",
    )
    lesson = Lesson(
        why="A latch fights its reset: the output is still on and pushes current into the base that the reset"
        " pulls down. What counts is the voltage that is left there. Three tenths of a volt are off, for"
        " every transistor and on every day; half a volt is off on a cold bench and on in the sun.",
        breaks="A reset that takes away only part of the base current works until a hot day or a sensitive"
        " transistor comes. When set and reset are pressed together, the order of strength decides; it should"
        " be chosen, not found out.",
        mend="Lower the resistor in the way of the reset, or let the reset act where nothing else drives:"
        " straight from base to emitter, or as a contact that opens the loop.",
        failing=FAILING,
        passing=PASSING,
        dial=Dial("/parts/R6/resistance", "470 ohm", "1.2 kohm"),
        derivation="rules.derivations.reset_wins:DERIVATION",
    )

    def check(self, study: Study) -> Iterable[Outcome]:
        """Outcomes per latch and way back: each control that resets it, and letting go by itself."""
        return each_latch(self, study, self._latch)

    def _latch(self, study: Study, latch: Latch) -> Iterator[Outcome]:
        judged = [*self._controls(study, latch), *self._release(study, latch)]
        if not judged:
            reason = "no contact or driver resets it: only taking its supply away does"
            judged = [not_applicable(self, latch.members, reason)]
        yield from judged

    def _controls(self, study: Study, latch: Latch) -> Iterator[Outcome]:
        if latch.named:
            return
        every = controls(study, latch)
        for control in every:
            target = _target(latch, control)
            if target is not None:
                yield from self._reset(study, latch, control, target)
                yield from self._against(study, latch, control, target, every)

    def _reset(self, study: Study, latch: Latch, control: Control, target: Rest) -> Iterator[Outcome]:
        """The reset alone, at every gain and at the worst corner."""
        subject = (*latch.members, control.name)
        for on in latch.ons:
            found = steered(study, latch, on, control.configuration) if on is not target else None
            given = study.circuit.assumptions.get("vbe_off", self.limits["off voltage"].value)
            limit = off_voltage(given, study.resolved.ambient.high)
            if found is not None:
                test = Test.at_most(found.volts, limit, "V")
                if not test.holds:
                    yield self._weak(study, latch, control, on, found, test)
                    return
                yield satisfied(self, subject, situation(latch, on, found.corner), test)
        for gain in study.corners:
            corner = written(latch, target, gain)
            there = left(study, latch, control.configuration, gain)
            others = sorted(there - {target.conducting}, key=sorted)
            test = Test.at_most(float(len(others)), self.limits["other places"].value, "")
            if test.holds:
                yield satisfied(self, (control.name,), situation(latch, target, corner), test)
                continue
            message = (
                f"{the_latch(latch)} does not surely come back to {quoted(target.name)} with"
                f" {control.name} {control.position} ({at(corner)}): {_places(latch, others)} left."
            )
            yield self._violated(study, latch, (control,), target, corner.label, test, "error", message, ())

    def _against(
        self, study: Study, latch: Latch, reset: Control, target: Rest, every: tuple[Control, ...]
    ) -> Iterator[Outcome]:
        """The reset together with each control that sets the latch."""
        if not target.is_off:
            return  # two sides of one kind: neither is the reset of the other
        for setting in every:
            sets = setting.forces is not None and not setting.forces.is_off
            if not sets or setting.name == reset.name:
                continue
            both = moved(latch, (reset.name, setting.name))
            for gain in study.corners:
                corner = written(latch, target, gain)
                others = sorted(left(study, latch, both, gain) - {target.conducting}, key=sorted)
                test = Test.at_most(float(len(others)), self.limits["other places"].value, "")
                if test.holds:
                    where = situation(latch, target, corner)
                    yield satisfied(self, (*latch.members, reset.name, setting.name), where, test)
                    continue
                message = (
                    f"{setting.name} {setting.position} overrides {reset.name} {reset.position} on"
                    f" the latch {listed(latch.members)} ({at(corner)}): {_places(latch, others)} left."
                )
                pair = (reset, setting)
                yield self._violated(study, latch, pair, target, corner.label, test, "note", message, ())

    def _weak(
        self, study: Study, latch: Latch, control: Control, on: Rest, found: Steered, test: Test
    ) -> Outcome:
        parts = study.circuit.parts
        net = parts[found.member].pins["base"]
        message = (
            f"With {control.name} {control.position} the base of {found.member} (net {net}) still stands"
            f" {say(found.volts, 'V')} from its emitter while {quoted(on.name)} holds ({at(found.corner)});"
            f" limit {say(test.right, 'V')}, surely off at the hottest. It may not let go."
        )
        proposals: tuple[Proposal, ...] = ()
        advice: tuple[str, ...] = ()
        if study.proposing:
            proposals = tuple(_stronger(study, latch, control, on, found, test.right))
            base = f"straight from base to emitter of {found.member}"
            advice = (f"let {control.name} act {base}, or open the loop with it",)
        evidence = (*corner_values(study, found.corner), *_evidence(study, control, found, test.right))
        return self._violated(
            study,
            latch,
            (control,),
            on,
            found.corner.label,
            test,
            "error",
            message,
            evidence,
            proposals,
            advice,
        )

    def _release(self, study: Study, latch: Latch) -> Iterator[Outcome]:
        """What follows when a capacitor lets the latch go: off, and nothing else."""
        off = latch.off
        for gain, timed in latch.timed.items():
            corner = written(latch, latch.rests[-1], gain)
            where = situation(latch, latch.rests[-1], corner)
            found = released(study, latch, timed)
            if off is None or not found:
                reason = f"no state was found that follows when {timed.capacitor} lets go"
                yield Outcome(self.slug, "undecided", latch.members, reason, timed.name, gain)
                continue
            others = sorted({latch.conducting(state) for state in found} - {off.conducting}, key=sorted)
            test = Test.at_most(float(len(others)), self.limits["other places"].value, "")
            if test.holds:
                yield satisfied(self, (*latch.members, timed.capacitor), where, test)
                continue
            message = (
                f"When {timed.capacitor} lets the latch {listed(latch.members)} go at"
                f" {say(timed.threshold, 'V')}, {quoted(off.name)} is not all that may follow ({at(corner)}):"
                f" {_places(latch, others)} possible."
            )
            yield self._violated(study, latch, (), latch.rests[-1], gain, test, "error", message, ())

    def _violated(
        self,
        study: Study,
        latch: Latch,
        pressed: tuple[Control, ...],
        rest: Rest,
        label: str,
        test: Test,
        severity: Severity,
        message: str,
        evidence: Iterable[Quantity],
        proposals: Iterable[Proposal] = (),
        advice: Iterable[str] = (),
    ) -> Outcome:
        names = tuple(control.name for control in pressed)
        where = situation(latch, rest, written(latch, rest, label))
        return violated(
            self,
            study,
            (*latch.members, *names),
            where,
            test,
            severity,
            message,
            evidence,
            role="set over reset" if severity == "note" else "reset" if pressed else "self-release",
            parts=(*latch.members, *names),
            nets=(),
            pointers=[member_pointer(name, "pins") for name in names or latch.members],
            proposals=proposals,
            advice=advice,
        )


def _target(latch: Latch, control: Control) -> Rest | None:
    """The resting place that a control is meant to bring about, where it is a way back."""
    if control.opposes:
        return latch.off
    if control.forces is None or (latch.off is not None and not control.forces.is_off):
        return None
    return control.forces


def _places(latch: Latch, others: Iterable[frozenset[str]]) -> str:
    names = {rest.conducting: quoted(rest.name) for rest in latch.rests}
    told = [names.get(place, f"{listed(sorted(place))} on" if place else "all off") for place in others]
    return f"{listed(told)} {'is' if len(told) == 1 else 'are'}"


def _evidence(study: Study, control: Control, found: Steered, limit: float) -> Iterator[Quantity]:
    yield Quantity("V_BE", f"of {found.member} with the reset on, were it not to conduct", found.volts, "V")
    hot = study.resolved.ambient.high
    yield Quantity("V_BE,off(T)", "surely off at the hottest ambient", limit, "V")
    yield ambient(study, "high", "T_max", "hottest ambient", hot)
    yield assumption(study, "vbe_off", "V_BE,off", "surely off at 25 degC; 2 mV/K less when hot")
    for name in _in_the_way(study, control):
        known = part_quantity(study, name, "resistance", name, f"in the way of {control.name}")
        if known is not None:
            yield known


def _in_the_way(study: Study, control: Control) -> tuple[str, ...]:
    """Resistors on a net of the control: what stands between it and the base."""
    nets = set(study.circuit.parts[control.name].pins.values()) - study.roles.rails
    bases = {stage.base for stage in study.roles.stages.values()}
    return tuple(
        sorted(
            part.name
            for part in study.circuit.parts.values()
            if part.kind == "resistor" and set(part.pins.values()) & (nets - bases)
        )
    )


def _stronger(
    study: Study, latch: Latch, control: Control, on: Rest, found: Steered, limit: float
) -> Iterator[Proposal]:
    """The resistor in the way of the reset, lowered until the base is surely off at the worst corner."""
    for name in _in_the_way(study, control):
        if not found.slopes.get(name, 0.0) < 0.0:
            continue
        above = 1.0 + study.value(name, "tolerance_high")

        def enough(ohms: float, name: str = name, above: float = above) -> bool:
            ends = {key: value for key, value in found.corner.point.items() if key[1] == "resistance"}
            changed = {**ends, (name, "resistance"): ohms * above}
            after = at_ends(study, latch, on, found, changed, [])
            return after is not None and after.volts <= limit

        ohms = nearest(study, name, True, enough)
        if ohms is not None:
            summary = f"{from_to(study, name, ohms)}: the base of {found.member} is surely off"
            yield Proposal(summary, (new_resistance(study, name, ohms),))


RULE = ResetWins()
