"""A state that exists at typical values exists at every corner of the tolerances."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from rules.analysis.corners.existence import Existence, Failure, existence
from rules.analysis.drive import threshold_zener
from rules.analysis.latches.find import latches
from rules.analysis.named import begins_at, passes_at_power_up
from rules.analysis.off_states import NOT_OFF
from rules.analysis.pinched import pinched
from rules.analysis.resolve import TRANSISTORS
from rules.analysis.roads import BUDGET, Road, road_of, threshold_of, travellers
from rules.analysis.shunts import LEAST_CURRENT
from rules.contract import API_LEVEL, Dial, Lesson, limits_of
from rules.outcomes import not_applicable, satisfied, violated
from rules.wording import listed, member_pointer, say, where
from schemas.finding import Grounds, Limit, Outcome, Quantity, Test, identity

if TYPE_CHECKING:
    from rules.analysis.study import Situation, Study

ROOM = Limit(
    "room",
    0.0,
    "V",
    "definition of a region: a junction conducts or stays below its drop",
    "by how much every junction has to keep its place at the worst corner",
)

PASSING = """\
format: thumbrule/1
name: mushroom-mister
ground: gnd
parts:
  V1: {kind: supply, voltage: 5 V, low: 4.5 V, high: 5.5 V, pins: {plus: rail, minus: gnd}}
  R1: {kind: resistor, resistance: 3.9 kohm, pins: {a: rail, b: base}}
  R2: {kind: resistor, resistance: 2.2 kohm, pins: {a: base, b: gnd}}
  R3: {kind: resistor, resistance: 1 kohm, pins: {a: rail, b: out}}
  Q1: {kind: npn, beta: {min: 100, max: 400}, pins: {collector: out, base: base, emitter: gnd}}
states:
  misting: {Q1: on}
"""
FAILING = PASSING.replace("resistance: 2.2 kohm", "resistance: 680 ohm")


class LostState:
    """Existence of every stable state, at rest or timed, over all tolerances."""

    slug = "lost-state"
    title = "States at every corner"
    protects = "a state from being there on the bench and missing in the next ten built"
    api_level = API_LEVEL
    limits: Mapping[str, Limit] = limits_of(ROOM)
    grounds = Grounds(
        rule_of_thumb="A state at typical values is half the truth: it has to exist with every part at its"
        " worse end.",
        formula="i_k >= 0 for every conducting junction, v_k <= d_k for every other, at every corner",
        symbols={
            "i_k": "current of a conducting junction, A",
            "v_k": "voltage across a blocking junction, V",
            "d_k": "drop at which it would conduct, V",
        },
        source="extreme value analysis: all parts at the limit in the worse direction (RIAC desk reference,"
        " worst case circuit analysis); a mode is homographic in each value, so its limits are at corners",
        holds="for parts within their tolerances, supplies within their range, drops and gains as assumed",
        fails="for ageing, moisture and parts beyond their stated tolerance; and the corner is rare, since"
        " all parts have to lie at their ends at once",
    )
    lesson = Lesson(
        why="Which transistors conduct is decided by junctions that have a little voltage to spare, or a"
        " little current. Tolerances eat both. Where the margin of one junction goes to zero, the state is"
        " another one: a stage that was on is off, and nothing that was worked out for it is true.",
        breaks="A region may change without the state being lost: a switch that is saturated at one corner"
        " and active at the other is still on. Only what reads differently counts.",
        mend="Give the junction named more to spare: more base drive or a stiffer divider where it should"
        " conduct, a firmer bleed where it should not.",
        failing=FAILING,
        passing=PASSING,
        dial=Dial("/parts/R2/resistance", "2.2 kohm", "680 ohm"),
        derivation="rules.derivations.lost_state:DERIVATION",
    )

    def check(self, study: Study) -> Iterable[Outcome]:
        """One outcome per stable state; those of a latch are left to the rule that judges latches."""
        judged = False
        for situation in study.situations("typical"):
            if not situation.state.devices:
                continue
            judged = True
            if situation.timed is not None and passes_at_power_up(study, situation.timed):
                reason = f'the supply only passes through "{where(situation)}" as it comes on'
                yield not_applicable(self, tuple(sorted(situation.state.devices)), reason)
            elif _is_latched(study, situation):
                reason = f'"{where(situation)}" is a state of a latch: latch-two-states judges it'
                yield not_applicable(self, tuple(sorted(situation.state.devices)), reason)
            else:
                yield from self._judge(study, situation)
        if not judged:
            yield not_applicable(self, (), "there is no junction whose place could change")

    def _judge(self, study: Study, situation: Situation) -> Iterator[Outcome]:
        state = situation.state
        found = study.shared(("existence", state), lambda: existence(state))
        if situation.timed is not None and found.missing:
            # what its capacitors hold was left there by the state before it, and follows the corner
            timed = situation.timed
            lost = tuple(f for f in found.missing if not begins_at(study, timed, f.point))
            found = replace(found, missing=lost)
        edge = {device for one in pinched(state) for device in one.devices}
        if edge and found.missing:
            # they stand just at their drops: that they conduct at a corner is the same state, told otherwise
            found = replace(found, missing=tuple(f for f in found.missing if f.device not in edge))
        subject = tuple(sorted(situation.state.devices))
        if not found.missing:
            # about the whole circuit: with a part added to it, it is still the same that is judged
            if not found.complete:
                reason = f'not every state at the corners of "{situation.label}" was found'
                yield Outcome(self.slug, "undecided", (), reason, situation.label)
                return
            room = self.limits["room"].value
            yield satisfied(self, (), situation, Test.at_least(room, room, "V"))
            return
        road = _road_of(study, situation, found)
        zener = threshold_of(road) if road is not None else _threshold(study, found)
        if zener:
            reason = f'{zener} in series sets the threshold at which "{where(situation)}" ends'
            yield not_applicable(self, subject, reason)
            return
        worst = max(map(_as_it_is, found.missing), key=lambda failure: (failure.by, failure.label))
        yield self._lost(study, situation, subject, worst, found, road)

    def _lost(
        self,
        study: Study,
        situation: Situation,
        subject: tuple[str, ...],
        worst: Failure,
        found: Existence,
        road: Road | None,
    ) -> Outcome:
        corner = replace(situation, corner=worst.label)
        devices = sorted({failure.device for failure in found.missing})
        there = sorted({state.name for state in worst.there.stable})
        left = f"there is {listed(there)} instead" if there else "no stable state is left"
        message = (
            f'"{situation.label}" does not exist at every corner ({where(corner)}): {worst.device}'
            f" {_change(worst)}, and {left}. {say(worst.by, 'V')} are missing."
        )
        evidence = (
            Quantity("short", f"missing at the {worst.junction} junction of {worst.device}", worst.by, "V"),
            Quantity("corners", "corners found at which the state is missing", float(len(found.missing)), ""),
        )
        return violated(
            self,
            study,
            subject,
            corner,
            Test.at_least(-worst.by, self.limits["room"].value, "V"),
            "error",
            message,
            evidence,
            role=f"state {situation.label}",
            parts=devices,
            nets=(),
            pointers=[member_pointer(name, "pins") for name in devices],
            advice=(f"give {listed(devices)} more to spare: more drive, or a firmer bleed where it is off",),
            cause=_cause(study, devices, road, worst),
        )


def _change(failure: Failure) -> str:
    """What its junction does at the corner."""
    names = {"forward": "its base-emitter junction", "reverse": "its base-collector junction"}
    which = f"{names[failure.junction]} " if failure.junction in names else ""
    return f"{which}would no longer conduct" if failure.conducting else f"{which}would conduct"


def _as_it_is(failure: Failure) -> Failure:
    """A junction that no longer conducts, by what it lacks in the state that is there instead, V.

    How far its current would have to be negative in the lost state says nothing that a meter shows.
    """
    state = next(iter(failure.there.stable), None)
    if not failure.conducting or state is None:
        return failure
    # a transistor that is off lacks its base-emitter drop first
    off = failure.junction == "reverse" and state.devices[failure.device] == "off"
    name = "forward" if off else failure.junction
    for junction in state.mode.network.junctions:
        if (junction.device, junction.name) == (failure.device, name):
            high, low = (state.nets[net] for net in junction.sense)
            short = 0.0 if high is None or low is None else junction.drop - (high - low)
            if short > 0.0:
                return replace(failure, junction=name, by=short)
    return failure


def _road_of(study: Study, situation: Situation, found: Existence) -> Road | None:
    """The road of an LED on which all lies that is lost, no base of a transistor among it."""
    devices = {failure.device for failure in found.missing}
    if any(study.circuit.parts[name].kind in TRANSISTORS for name in devices):
        return None
    road = road_of(study, situation.state, min(devices))
    if road is None or not devices <= {name for name, _ in road.drops}:
        return None
    kinds = {study.circuit.parts[name].kind for name in road.parts}
    return road if "led" in kinds and all(member != "vbe_on" for _, member in road.drops) else None


def _threshold(study: Study, found: Existence) -> str:
    """A zener that says at what supply a transistor turns on, where it is among what is lost; else empty."""
    zeners = {threshold_zener(study, stage) for stage in study.roles.stages.values()} - {""}
    return min(zeners & {failure.device for failure in found.missing}, default="")


def _cause(study: Study, devices: Sequence[str], road: Road | None, worst: Failure) -> str | None:
    """The finding about an LED or a zener that nothing is left for, or a switch that is not surely off.

    Only where that is all that is lost.
    """
    if road is not None:
        return identity("drop-budget", travellers(study.circuit, road), (), BUDGET)
    if len(devices) == 1 and study.circuit.parts[devices[0]].kind == "zener":
        return identity("zener-bias", (devices[0],), (), LEAST_CURRENT)
    if len(devices) == 1 and worst.junction == "forward" and not worst.conducting:
        return identity("true-off", (devices[0],), (), NOT_OFF)
    return None


def _is_latched(study: Study, situation: Situation) -> bool:
    """True for a resting place of a latch in the configuration that its own rule looks at."""
    network = situation.state.mode.network
    for latch in latches(study):
        if latch.network.configuration.key != network.configuration.key:
            continue
        conducting = {name for name in latch.members if situation.state.devices[name] != "off"}
        if any(rest.conducting == conducting for rest in latch.rests):
            return True
    return False


RULE = LostState()
