"""A stage meant to be active keeps off saturation, a switch reaches it, the next stage gets what is left."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from rules.analysis.drive import ROLE, cornered, drives, input_half, stronger, subject, why_not_judged
from rules.analysis.headroom import (
    Collector,
    collector_of,
    is_signal_coupled,
    least_headroom,
    resistor_by_hand,
    smaller_collector_resistor,
)
from rules.analysis.operating import Point, everywhere, operating_point, place_of
from rules.contract import API_LEVEL, Dial, Lesson, limits_of
from rules.next_stage import left_to_others
from rules.outcomes import not_applicable, satisfied, violated
from rules.wording import assumption, from_to, gain, new_resistance, part_quantity, say, where_at
from schemas.finding import Grounds, Limit, Outcome, Proposal, Quantity, Severity, Test, identity

if TYPE_CHECKING:
    from rules.analysis.roles import Stage
    from rules.analysis.study import Situation, Study

HEADROOM = Limit("headroom", 1.0, "V", "common practice, no source", "V_CE above saturation, linear stage")
EDGE = Limit(
    "edge",
    0.1,
    "V",
    "common practice, no source: 0.3 V, where hand work takes 0.2 V (0.1 to 0.3 V) for V_CE,sat",
    "V_CE above saturation that still counts as saturated",
)
DRIVE_RULE, OVERDRIVE = "min-beta-drive", 3.0  # the rule that judges base drive, and what it wants

PASSING = """\
format: thumbrule/1
name: bat-ear
ground: gnd
parts:
  V1: {kind: supply, voltage: 12 V, pins: {plus: rail, minus: gnd}}
  R1: {kind: resistor, resistance: 33 kohm, pins: {a: rail, b: base}}
  R2: {kind: resistor, resistance: 8.2 kohm, pins: {a: base, b: gnd}}
  RC: {kind: resistor, resistance: 3.3 kohm, pins: {a: rail, b: out}}
  RE: {kind: resistor, resistance: 1 kohm, pins: {a: emit, b: gnd}}
  Q1: {kind: npn, beta: {min: 100, max: 400}, pins: {collector: out, base: base, emitter: emit}}
states:
  listening: {Q1: active}
"""
FAILING = PASSING.replace("3.3 kohm", "6.2 kohm")


class SaturationHeadroom:
    """V_CE of every stage at every gain, and what a saturated transistor leaves to the next stage."""

    slug = "saturation-headroom"
    title = "Saturation headroom"
    protects = "linear stages from saturating, switches from half saturating, and what hangs on either"
    api_level = API_LEVEL
    limits: Mapping[str, Limit] = limits_of(HEADROOM, EDGE)
    grounds = Grounds(
        rule_of_thumb="A linear stage keeps 1 V more than saturation at the greatest gain, a switch no more"
        " than saturation at the least; and the next stage is counted with what saturation leaves.",
        formula="V_CE >= V_CE,sat + 1 V (linear);  V_CE <= V_CE,sat + 0.1 V (switch);"
        "  R_C <= (V_S - V_E - V_CE,sat - 1 V) / I_C",
        symbols={
            "V_CE": "collector to emitter, V",
            "V_CE,sat": "what is left across a saturated transistor, V",
            "V_S": "supply, at its lowest, V",
            "V_E": "emitter, V",
            "I_C": "collector current, at the greatest gain, A",
            "R_C": "collector resistor, ohm",
        },
        source="common practice, no source; V_CE,sat of 0.2 V: Floyd, Electronic Devices, 4.4",
        holds="for small-signal silicon transistors; for a follower the rail takes the place of R_C",
        fails="for a signal larger than a volt, whose peak has to be added to the 1 V; a Darlington pair"
        " keeps 0.7 to 0.9 V when it is fully on",
    )
    lesson = Lesson(
        why="V_C = V_S - I_C*R_C looks safe at the gain of the book. With the largest gain of the type the"
        " base no longer loads its bias, the collector current rises to what the bias always asked for, and"
        " the collector falls. A switch is the other way round: the least gain leaves it half on, with volts"
        " across it and heat in it.",
        breaks="Saturation is not nothing: 0.2 V, and with an emitter resistor that much more, can keep the"
        " next transistor on; and a relay or a base at the end gets the rail less all these drops.",
        mend="Linear: a smaller collector resistor (the gain of the stage falls with it) or less bias."
        " Switch: more base current. Next stage kept on: less emitter lift, or a divider in front of its"
        " base.",
        failing=FAILING,
        passing=PASSING,
        dial=Dial("/parts/RC/resistance", "3.3 kohm", "6.2 kohm"),
        derivation="rules.derivations.saturation_headroom:DERIVATION",
    )

    def check(self, study: Study) -> Iterable[Outcome]:
        """Outcomes per stage, situation and corner."""
        if not study.roles.stages:
            yield not_applicable(self, (), "there is no transistor")
        judges: Mapping[str, Callable[[Study, Stage], Iterator[Outcome]]] = {
            "linear": self._linear,
            "follower": self._linear,
            "switch": self._switch,
            "steering": self._steering,
            "unstated": self._unstated,
        }
        for _, stage in sorted(study.roles.stages.items()):
            if stage.base == stage.collector:
                reason = "its collector is tied to its base: it serves as a diode and cannot saturate"
                yield not_applicable(self, (stage.transistor,), reason)
                continue
            yield from judges[stage.intent](study, stage)
            if stage.intent in ("switch", "unstated"):
                yield from left_to_others(self, study, stage)

    def _linear(self, study: Study, stage: Stage) -> Iterator[Outcome]:
        about = (stage.transistor,)
        points = [(s, p) for s, p in _on(study, stage) if s.timed is None]
        if stage.intent == "follower" and any(p.region == "reverse" for _, p in points):
            # nobody named it active: a transistor that is turned round only looks like a follower
            yield not_applicable(self, about, f"{stage.transistor} conducts in reverse")
            return
        if not points:
            yield self._never_on(study, stage)
            return
        points.extend(_least(study, stage, points))
        full = stage.intent == "linear" or is_signal_coupled(study, stage)
        headroom, edge = self.limits["headroom"].value, self.limits["edge"].value
        spare, floor = headroom if full else edge, study.resolved.assumptions["vce_sat"]
        # saturated at several gains: the greatest one asks for the most current
        worst = min(points, key=lambda found: (round(found[1].vce, 9), -found[1].beta))[0]
        for situation, point in points:
            test = Test.at_least(round(point.vce, 9), round(floor + spare, 9), "V")
            if test.holds:
                yield satisfied(self, about, situation, test, _point(stage.transistor, point))
                continue
            bad = point.region != "active" or point.vce < floor + edge
            collector = collector_of(study, situation.state, stage)
            wanted = study.proposing and situation is worst
            proposals = _roomier(study, stage, worst, collector, headroom) if wanted else ()
            yield violated(
                self,
                study,
                about,
                situation,
                test,
                "error" if bad else "warning",
                _linear_message(study, stage, situation, point, collector, spare),
                _evidence(study, stage, situation, point, collector, self.limits["headroom"].value),
                role="headroom",
                parts=(stage.transistor, *_collector_resistors(study, stage)),
                nets=(stage.collector,),
                proposals=proposals,
                advice=() if collector is not None else _without_resistor(stage),
            )

    def _never_on(self, study: Study, stage: Stage) -> Outcome:
        """A linear stage that no resting state biases; a follower may wait for its signal."""
        name, wanted = stage.transistor, study.resolved.assumptions["vbe_on"]
        off = [(s, p) for s in everywhere(study) if (p := operating_point(s.state, name)) is not None]
        if not off or stage.intent == "follower":
            return not_applicable(self, (name,), f"{name} conducts in no resting state")
        situation, point = max(off, key=lambda found: found[1].vbe)
        test = Test.at_least(min(point.vbe, wanted), wanted, "V")
        message = (
            f"{name} is meant to be active ({stage.why}) but rests cut off: its base-emitter voltage"
            f" is {say(point.vbe, 'V')} at most, and it takes {say(wanted, 'V')} to conduct."
        )
        evidence = (
            Quantity("V_BE", f"base to emitter of {name}", point.vbe, "V"),
            assumption(study, "vbe_on", "V_BE,on", "conducts from this on"),
        )
        return violated(
            self,
            study,
            (name,),
            situation,
            test,
            "error",
            message,
            evidence,
            role="cut off",
            parts=(name,),
            nets=(stage.base,),
        )

    def _switch(self, study: Study, stage: Stage) -> Iterator[Outcome]:
        name, assumed = stage.transistor, study.resolved.assumptions
        driven = input_half(study, stage)
        half = driven is not stage
        most = round(assumed["vce_sat"] + self.limits["edge"].value + (assumed["vbe_on"] if half else 0.0), 9)
        on = [(s, p) for s, p in _on(study, stage) if p.region != "reverse"]
        if not on:
            how = "only in reverse" if _on(study, stage) else "in no state"
            yield not_applicable(self, (name,), f"{name} conducts {how}")
            return
        if not half and not why_not_judged(study, stage):
            on.extend(_at_its_weakest(study, stage))
        worst = max(on, key=lambda found: found[1].vce)[0]
        judged = any(point.vce > most for _, point in on) and not why_not_judged(study, driven)
        found = drives(study, driven)[0] if judged else ()
        cause = identity(DRIVE_RULE, *subject(study, driven, found), ROLE) if found else None
        for situation, point in on:
            test = Test.at_most(point.vce, most, "V")
            if test.holds:
                yield satisfied(self, (name,), situation, test, _point(name, point))
                continue
            power = situation.state.power[name]
            heat = f", {say(power, 'W')} of heat" if power else ""
            message = (
                f"{name} is a switch ({stage.why}) but does not saturate"
                f" ({where_at(situation, point.beta)}): {say(point.vce, 'V')} stay across it at"
                f" {say(point.collector, 'A')}{heat}."
            )
            severity: Severity = "warning" if situation.corner in ("typical", "max") else "error"
            wanted = study.proposing and situation is worst
            proposals = (
                _more_drive(study, stronger(study, (*found, *cornered(study, driven)), OVERDRIVE))
                if wanted and found
                else ()
            )
            yield violated(
                self,
                study,
                (name,),
                situation,
                test,
                severity,
                message,
                _evidence(study, stage, situation, point, None, self.limits["headroom"].value),
                role="saturation of the switch",
                parts=(name,),
                nets=(stage.collector,),
                proposals=proposals,
                cause=cause,
            )

    def _steering(self, study: Study, stage: Stage) -> Iterator[Outcome]:
        """Saturation at some gains only: the base current, and what it shifts, then follow the transistor."""
        name, floor = stage.transistor, study.resolved.assumptions["vce_sat"]
        least = round(floor + self.limits["edge"].value, 9)
        on = _on(study, stage)
        active = {place_of(situation) for situation, point in on if point.region == "active"}
        if not active:
            reason = "saturates at every gain" if on else "conducts in no state"
            yield not_applicable(self, (name,), f"{name} {reason} ({stage.why})")
        for situation, point in on:
            test = Test.at_least(point.vce, least, "V")
            if test.holds and point.region == "active":
                yield satisfied(self, (name,), situation, test, _point(name, point))
            elif place_of(situation) in active and not test.holds:
                collector = collector_of(study, situation.state, stage)
                message = (
                    f"{name} steers a current that its emitter sets, but saturates at some gains"
                    f" ({where_at(situation, point.beta)}): with {say(point.vce, 'V')} across it, its"
                    f" base takes {say(point.base, 'A')}."
                )
                yield violated(
                    self,
                    study,
                    (name,),
                    situation,
                    test,
                    "warning",
                    message,
                    _evidence(study, stage, situation, point, collector, self.limits["headroom"].value),
                    role="headroom",
                    parts=(name, *_collector_resistors(study, stage)),
                    nets=(stage.collector,),
                )

    def _unstated(self, study: Study, stage: Stage) -> Iterator[Outcome]:
        name = stage.transistor
        seen: dict[tuple[str, str], set[str]] = {}
        for situation, point in _on(study, stage):
            seen.setdefault(place_of(situation), set()).add(point.region)
        differing = sorted(sorted(regions) for regions in seen.values() if len(regions) > 1)
        if not differing:
            yield not_applicable(self, (name,), f"{name}: {stage.why}")
            return
        reason = (
            f"{name} is {' or '.join(differing[0])} depending on its gain, and nothing tells a switch"
            " from an amplifier: name the region it is meant for in states:, such as"
            f" {{on: {{{name}: saturated}}}}"
        )
        yield Outcome(self.slug, "undecided", (name,), reason)


def _least(
    study: Study, stage: Stage, points: Sequence[tuple[Situation, Point]]
) -> Iterator[tuple[Situation, Point]]:
    """Each place once more, at the corner of all tolerances that leaves the least headroom there."""
    tightest: dict[tuple[str, str], tuple[Situation, Point]] = {}
    for situation, point in points:
        other = tightest.setdefault(place_of(situation), (situation, point))
        if (point.vce, -point.beta) < (other[1].vce, -other[1].beta):
            tightest[place_of(situation)] = situation, point
    for situation, _ in tightest.values():
        found = least_headroom(study, stage, situation)
        if found is not None:
            yield found


def _at_its_weakest(study: Study, stage: Stage) -> Iterator[tuple[Situation, Point]]:
    """The switch at the corners that are worst for its drive."""
    for drive in cornered(study, stage):
        point = operating_point(drive.saturated, stage.transistor)
        if point is not None:
            collector = min(drive.collector, drive.gain.value * drive.base)
            yield drive.situation, replace(point, region=drive.region, vce=drive.vce, collector=collector)


def _on(study: Study, stage: Stage) -> list[tuple[Situation, Point]]:
    """Every situation in which the transistor conducts, with its operating point."""
    found = ((s, operating_point(s.state, stage.transistor)) for s in everywhere(study))
    return [(s, p) for s, p in found if p is not None and p.conducts]


def _collector_resistors(study: Study, stage: Stage) -> tuple[str, ...]:
    """Part of the finding's identity, whatever the state."""
    return tuple(
        arm.part
        for arm in stage.collector_arms
        if study.circuit.parts[arm.part].kind == "resistor" and arm.other in study.roles.rails
    )


def _linear_message(
    study: Study, stage: Stage, situation: Situation, point: Point, collector: Collector | None, spare: float
) -> str:
    name, place = stage.transistor, where_at(situation, point.beta)
    if point.region != "active":
        text = f"{name} is meant to stay active ({stage.why}) but is {point.region} ({place})."
        if collector is not None and point.region == "saturated":
            text += (
                f" Its bias asks for {say(collector.current, 'A')}, for which {collector.arm.part} of"
                f" {say(collector.ohms, 'ohm')} would have to drop {say(collector.drop, 'V')};"
                f" {say(collector.there, 'V')} is all there is."
            )
        return text
    left = point.vce - study.resolved.assumptions["vce_sat"]
    text = (
        f"{name} keeps {say(point.vce, 'V')} from collector to emitter ({place}): {say(left, 'V')} above"
        f" saturation where {say(spare, 'V')} is wanted."
    )
    if collector is not None:
        text += f" {collector.arm.part} of {say(collector.ohms, 'ohm')} drops {say(collector.drop, 'V')}."
    return text


def _point(name: str, point: Point) -> Iterator[Quantity]:
    yield Quantity("V_CE", f"collector to emitter of {name}", point.vce, "V")
    yield Quantity("I_C", "collector current", point.collector, "A")
    yield Quantity("I_B", "base current", point.base, "A")


def _evidence(
    study: Study,
    stage: Stage,
    situation: Situation,
    point: Point,
    collector: Collector | None,
    headroom: float,
) -> Iterator[Quantity]:
    name = stage.transistor
    yield from _point(name, point)
    yield gain(study, name, situation.corner, point.beta)
    yield assumption(study, "vce_sat", "V_CE,sat", "left across a saturated transistor")
    if collector is None:
        return
    part = collector.arm.part
    found = part_quantity(study, part, "resistance", "R_C", f"collector resistor {part}")
    if found is not None:
        yield found
    yield Quantity("I_bias", "collector current that the bias asks for", collector.current, "A")
    yield Quantity("V_RC", "drop that R_C needs for it", collector.drop, "V")
    yield Quantity("V_there", "all that stands over R_C and the transistor", collector.there, "V")
    most = resistor_by_hand(collector, study.resolved.assumptions["vce_sat"] + headroom)
    if most is not None:
        yield Quantity("R_C_max", "largest collector resistor for the headroom, by hand", most, "ohm")


def _roomier(
    study: Study, stage: Stage, situation: Situation, collector: Collector | None, headroom: float
) -> Iterator[Proposal]:
    """A smaller collector resistor: just enough headroom, and the middle of what there is."""
    if collector is None:
        return
    part, floor = collector.arm.part, study.resolved.assumptions["vce_sat"]
    enough = smaller_collector_resistor(
        study,
        situation.state,
        stage,
        part,
        lambda point, drop: point.vce >= floor + headroom,
        worst=True,
    )
    if enough is not None:
        yield Proposal(
            f"{from_to(study, part, enough)}: headroom at the greatest gain and either end of the supply,"
            " with its tolerance; the gain of the stage falls in proportion",
            (new_resistance(study, part, enough),),
        )
    typical = next((s for s in study.situations("typical") if place_of(s) == place_of(situation)), situation)
    middle = smaller_collector_resistor(
        study, typical.state, stage, part, lambda point, drop: point.vce - floor >= drop, worst=False
    )
    if middle is not None and middle != enough:
        yield Proposal(
            f"{from_to(study, part, middle)}: the collector half way, for the largest swing; the"
            " gain"
            " of the stage falls in proportion",
            (new_resistance(study, part, middle),),
        )


def _more_drive(study: Study, found: Iterable[tuple[str, float]]) -> Sequence[Proposal]:
    return [
        Proposal(
            f"{from_to(study, part, ohms)}: more base current, so that it saturates",
            (new_resistance(study, part, ohms),),
        )
        for part, ohms in found
    ]


def _without_resistor(stage: Stage) -> tuple[str, ...]:
    return (
        f"there is no collector resistor to lower: bring the base of {stage.transistor} down, or raise"
        " the supply",
    )


RULE = SaturationHeadroom()
