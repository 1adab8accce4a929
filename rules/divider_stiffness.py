"""A divider at a base carries well more current than the base takes from it."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from typing import TYPE_CHECKING

from rules.analysis.dividers import Loading, Redesign, Values, at_corner, loading
from rules.analysis.off_states import drivers_of
from rules.analysis.operating import everywhere, place_of, sign_of
from rules.contract import API_LEVEL, Dial, Lesson, limits_of
from rules.outcomes import not_applicable, satisfied, violated
from rules.wording import (
    from_to,
    gain,
    listed,
    member_pointer,
    new_resistance,
    part_quantity,
    say,
    where_at,
)
from schemas.finding import Grounds, Limit, Outcome, Proposal, Quantity, Severity, Test

if TYPE_CHECKING:
    from rules.analysis.roles import Stage
    from rules.analysis.study import Study

STIFF = Limit(
    "stiff",
    10.0,
    "",
    "a tenth: Bell, Electronic Devices and Circuits, ex. 5.13-5.15; Floyd, Electronic Devices, ex. 5.3-5.5;"
    " Wang, Harvey Mudd College E84, home work 12",
    "least ratio of divider current to base current",
)
WEAK = Limit(
    "weak",
    3.0,
    "",
    "common practice, no source",
    "ratio below which the bias follows the transistor rather than the divider",
)

PASSING = """\
format: thumbrule/1
name: reed-whistle
ground: gnd
parts:
  V1: {kind: supply, voltage: 12 V, pins: {plus: rail, minus: gnd}}
  R1: {kind: resistor, resistance: 33 kohm, pins: {a: rail, b: base}}
  R2: {kind: resistor, resistance: 8.2 kohm, pins: {a: base, b: gnd}}
  RC: {kind: resistor, resistance: 3.3 kohm, pins: {a: rail, b: out}}
  RE: {kind: resistor, resistance: 1 kohm, pins: {a: emit, b: gnd}}
  Q1: {kind: npn, beta: {min: 100, max: 400}, pins: {collector: out, base: base, emitter: emit}}
"""
FAILING = PASSING.replace("33 kohm", "330 kohm").replace("8.2 kohm", "82 kohm")


class DividerStiffness:
    """Divider current against base current, and the exact shift of the tap, at every gain."""

    slug = "divider-stiffness"
    title = "Divider stiffness"
    protects = "a bias voltage from the base current that loads it"
    api_level = API_LEVEL
    limits: Mapping[str, Limit] = limits_of(STIFF, WEAK)
    grounds = Grounds(
        rule_of_thumb="A divider at a base carries at least ten times the base current that the weakest"
        " transistor takes.",
        formula="k = (V / (R1 + R2)) / I_B >= 10;  shift = (R1 parallel R2) * I_B",
        symbols={
            "k": "divider current over base current, 1",
            "V": "voltage across the unloaded divider, V",
            "R1, R2": "its arms, ohm",
            "I_B": "base current, largest at the least gain, A",
            "shift": "how far the base current moves the tap, V",
        },
        source=STIFF.source,
        holds="for a stage with an emitter resistor, or another emitter that is not held; k = 10 keeps the"
        " shift below R1/(R1+R2) of a tenth: about 5 % for a tap at half the supply",
        fails="for a base that is fed a current on purpose: a switch, a single feed resistor; and it says"
        " nothing of the tolerance of R1 and R2 themselves",
    )
    lesson = Lesson(
        why="The sum V*R2/(R1+R2) leaves the base out. That is honest only while the base takes a small slice"
        " of the divider current. The base current is I_C/beta, and beta differs by 4:1 within one type:"
        " what the base takes is the part of the bias that nobody chose.",
        breaks="A tap near the upper end moves less for the same k, one near the lower end more. Ten times is"
        " a floor for the bias, not for accuracy: for 1 % take a hundred times. A divider that is very stiff"
        " drains the battery and lowers the input resistance, so that the coupling capacitor has to grow.",
        mend="Make both arms smaller by the same factor, and look at the collector afterwards: the tap rises"
        " to where it was meant to be, the collector current with it, and a collector resistor that fitted"
        " the drooping bias may now saturate the stage. Or choose the arms for the tap as it stands.",
        failing=FAILING,
        passing=PASSING,
        dial=Dial("/parts/R2/resistance", "8.2 kohm", "13 kohm"),
        derivation="rules.derivations.divider_stiffness:DERIVATION",
    )

    def check(self, study: Study) -> Iterable[Outcome]:
        """Outcomes per tap, situation and corner."""
        stages = sorted(study.roles.stages.values(), key=lambda stage: (stage.base, stage.transistor))
        if not stages:
            yield not_applicable(self, (), "there is no transistor")
        for _, group in itertools.groupby(stages, key=lambda stage: stage.base):
            yield from self._tap(study, tuple(group))

    def _tap(self, study: Study, stages: tuple[Stage, ...]) -> Iterator[Outcome]:
        subject = tuple(stage.transistor for stage in stages)
        switch = next((stage for stage in stages if stage.intent == "switch"), None)
        if switch is not None:
            reason = f"{switch.transistor} is a switch ({switch.why}): min-beta-drive judges its drive"
            yield not_applicable(self, subject, reason)
            return
        driven = _switched(study, stages)
        if driven:
            yield not_applicable(self, subject, f"{driven} switches it: what feeds its base sets no bias")
            return
        timing = _timed(study, stages)
        if timing:
            reason = f"{timing} waits there: steer-current judges what the base takes from its charge"
            yield not_applicable(self, subject, reason)
            return
        found = [loading(study, stages, situation) for situation in everywhere(study)]
        loads = [load for load in found if isinstance(load, Loading)]
        if not loads:
            reasons = [reason for reason in found if isinstance(reason, str) and reason]
            reason = reasons[0] if reasons else f"{listed(subject)} conducts in no state"
            yield not_applicable(self, subject, reason)
            return
        parts = sorted({*subject, *(arm.part for load in loads for arm in load.arms)})
        cornered = _at_corners(loads)
        worst = min(cornered, key=lambda load: load.ratio)
        proposals: tuple[Proposal, ...] = ()
        if study.proposing and worst.ratio < self.limits["stiff"].value:
            proposals = tuple(_redesigned(study, loads, cornered, self.limits["stiff"].value))
        for load in cornered:
            test = Test.at_least(load.ratio, self.limits["stiff"].value, "")
            if test.holds:
                yield satisfied(self, subject, load.situation, test, _slices(load))
                continue
            changed = _other_region(study, load)
            severity: Severity = "error" if load.ratio < self.limits["weak"].value or changed else "warning"
            yield violated(
                self,
                study,
                subject,
                load.situation,
                test,
                severity,
                _message(load, loads, changed, self.limits["stiff"].value),
                _evidence(study, load),
                role="divider at the base",
                parts=parts,
                nets=(load.tap,),
                pointers=(member_pointer(arm.part, "resistance") for arm in load.arms),
                proposals=proposals if load is worst else (),
            )


def _timed(study: Study, stages: Sequence[Stage]) -> str:
    """The timing capacitor at the base of a steering stage; past its threshold nothing hangs on the tap."""
    if any(stage.intent != "steering" for stage in stages):
        return ""
    waiting = {delay.timed.capacitor for delay in study.delays()[0]}
    at_base = {name for name in waiting if stages[0].base in study.circuit.parts[name].pins.values()}
    return min(at_base, default="")


def _switched(study: Study, stages: Sequence[Stage]) -> str:
    """The driver one of whose levels turns a follower off; empty where there is none."""
    for stage in stages:
        rests = {s.state.devices[stage.transistor] for s in study.situations() if s.timed is None}
        drivers = drivers_of(study, stage)
        if stage.intent == "follower" and "off" in rests and drivers:
            return drivers[0].driver
    return ""


def _at_corners(loads: Sequence[Loading]) -> list[Loading]:
    """Every load, and the worst of each place once more at the corner of all tolerances that is worst."""
    least: dict[tuple[str, str], Loading] = {}
    for load in loads:
        other = least.setdefault(place_of(load.situation), load)
        if load.ratio < other.ratio:
            least[place_of(load.situation)] = load
    found = (at_corner(load) for load in least.values())
    return [*loads, *(load for load in found if load is not None)]


def _redesigned(
    study: Study, loads: Sequence[Loading], cornered: Sequence[Loading], stiff: float
) -> Iterator[Proposal]:
    """New values for the weakest plain divider and for the weakest of all."""
    weakest = min(loads, key=lambda load: load.ratio)
    plain = [load for load in loads if len(load.arms) == 2]
    for load in dict.fromkeys((min(plain, key=lambda load: load.ratio, default=weakest), weakest)):
        # what the corner takes beyond the tolerances of the arms themselves, it takes of any value
        own = Redesign(study, load, stiff)
        there = min(other.ratio for other in _same_place(load, cornered))
        beyond = max(1.0, own.least_ratio(own.now) / there) if own.possible else 1.0
        yield from _proposals(study, load, loads, stiff * beyond, stiff)


def _beta(load: Loading) -> float:
    return min(load.situation.state.mode.betas[name] for name in load.transistors)


def _other_region(study: Study, load: Loading) -> str:
    """Where a transistor on the tap leaves the active region at another gain, in words."""
    for name in load.transistors:
        for corner in study.corners:
            here = [
                s.state.devices[name]
                for s in study.situations(corner)
                if place_of(s) == place_of(load.situation)
            ]
            conducting = [region for region in here if region != "off"]
            if conducting and "active" not in conducting:
                word = {"min": "least", "typical": "typical", "max": "greatest"}[corner]
                return f"{name} is {conducting[0]} at the {word} gain"
    return ""


def _same_place(load: Loading, loads: Sequence[Loading]) -> list[Loading]:
    return [other for other in loads if place_of(other.situation) == place_of(load.situation)]


def _message(load: Loading, loads: Sequence[Loading], changed: str, stiff: float) -> str:
    names, arms = listed(load.transistors), listed(arm.part for arm in load.arms)
    text = (
        f"{names} {'takes' if len(load.transistors) == 1 else 'take'} {say(load.base, 'A')} from the divider"
        f" {arms}, which carries {say(load.divider, 'A')}: {load.ratio:.3g} times the base current where"
        f" {stiff:g} times is wanted ({where_at(load.situation, _beta(load))})."
    )
    if load.unloaded is not None:
        text += f" That moves the tap {load.tap} from {say(load.unloaded, 'V')} to {say(load.loaded, 'V')}."
    taps = [other.loaded for other in _same_place(load, loads)]
    if len(taps) > 1 and max(taps) - min(taps) >= 1e-3:
        text += (
            f" From transistor to transistor it lies anywhere between {say(min(taps), 'V')} and"
            f" {say(max(taps), 'V')}."
        )
    return text + (f" {changed}." if changed else "")


def _slices(load: Loading) -> Iterator[Quantity]:
    yield Quantity("I_div", "current of the unloaded divider", load.divider, "A")
    yield Quantity("I_B", "base current", load.base, "A")
    yield Quantity("k", "divider current over base current", load.ratio, "")


def _evidence(study: Study, load: Loading) -> Iterator[Quantity]:
    for arm in load.arms:
        word = "upper" if arm in load.upper else "lower"
        found = part_quantity(study, arm.part, "resistance", arm.part, f"{word} arm, to net {arm.other}")
        if found is not None:
            yield found
    for name in load.transistors:
        yield gain(study, name, load.situation.corner, load.situation.state.mode.betas[name])
    yield from _slices(load)
    if load.unloaded is not None and load.shift:
        meaning = f"net {load.tap} without base current (same mode, gain without end)"
        yield Quantity("V_tap0", meaning, load.unloaded, "V")
        yield Quantity("shift", "exact shift of the tap", load.shift, "V")
        off = 100.0 * (load.by_hand / load.shift - 1.0)
        yield Quantity("off", "how far the hand formula is off", off, "%")
    yield Quantity("V_tap", f"net {load.tap} as it is", load.loaded, "V")
    yield Quantity("R_th", "arms in parallel", load.resistance, "ohm")
    yield Quantity("shift_hand", "shift by hand, R_th * I_B", load.by_hand, "V")


def _proposals(
    study: Study, load: Loading, loads: Sequence[Loading], ratio: float, stiff: float
) -> Iterator[Proposal]:
    """The same ratio; for two arms also the tap as it is wanted, and the tap nowhere above where it is."""
    redesign = Redesign(study, load, ratio)
    if not redesign.possible:
        return

    def of_ratio(values: Values) -> float:
        shares = [r / now for r, now in zip(values, redesign.now, strict=True)]
        return math.log(max(shares) / min(shares))

    found = [(redesign.stiff(of_ratio), "the same ratio, stiffer")]
    if len(redesign.arms) == 2:
        wanted, words, required = _wanted_tap(study, load, loads)
        found.append((redesign.stiff(_off_from(study, load, loads, "typical", wanted, stiff)), words))
        most = max(_same_place(load, loads), key=lambda other: _beta(other)).loaded
        if not required:
            error = _off_from(study, load, loads, "max", most, stiff, above=math.inf)
            found.append((redesign.stiff(error), f"stiffer, the bias no higher than {say(most, 'V')}"))
    for values, why in found:
        if values is not None:
            yield _proposal(study, redesign, values, why)


def _off_from(
    study: Study,
    load: Loading,
    loads: Sequence[Loading],
    corner: str,
    wanted: float,
    stiff: float,
    above: float = 1.0,
) -> Callable[[Values], float]:
    """How far from ``wanted`` the tap lies at a corner, as a share of the way to the nearer end.

    ``above`` weighs what lies on the side where the transistor conducts more.
    """
    there = next((other for other in _same_place(load, loads) if other.situation.corner == corner), load)
    redesign = Redesign(study, there, stiff)
    near = min(abs(wanted - end) for end in redesign.potentials) or 1.0
    sign = sign_of(load.situation.state, load.transistors[0])

    def error(values: Values) -> float:
        off = sign * (redesign.tap(values)[0] - wanted) / near
        return off * above if off > 0.0 else -off

    return error


def _wanted_tap(study: Study, load: Loading, loads: Sequence[Loading]) -> tuple[float, str, bool]:
    """The potential that a requirement names for the tap, else where it stands at the typical gain."""
    for requirement in study.circuit.requirements:
        target = requirement.values.get("target")
        if (
            requirement.kind == "net-voltage"
            and requirement.values.get("net") == load.tap
            and requirement.values.get("state") in (None, load.situation.label)
            and isinstance(target, float)
        ):
            return target, f"stiffer, the tap at the {say(target, 'V')} that is required", True
    typical = [other for other in _same_place(load, loads) if other.situation.corner == "typical"]
    volts = (typical[0] if typical else load).loaded
    return volts, f"stiffer, the tap at its {say(volts, 'V')} of the typical gain", False


def _proposal(study: Study, redesign: Redesign, values: Values, why: str) -> Proposal:
    pairs = sorted(zip(redesign.arms, values, redesign.now, strict=True))
    changed = {part: ohms for part, ohms, now in pairs if ohms != now}
    ratio = redesign.least_ratio(values)
    return Proposal(
        f"{listed(from_to(study, part, ohms) for part, ohms in changed.items())}: {why}"
        f" (k at least {ratio:.3g} with the tolerances)",
        tuple(new_resistance(study, part, ohms) for part, ohms in changed.items()),
    )


RULE = DividerStiffness()
