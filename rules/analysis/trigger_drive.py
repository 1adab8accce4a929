"""How strong a trigger is: its drive against the least that makes the state of rest cease to exist."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from rules.analysis.complementarity import problem_of
from rules.analysis.corners.parameters import TEMPERATURE, VBE, Key, Point, frozen_point, parameters
from rules.analysis.elements import Array, Configuration
from rules.analysis.enumeration import solution_in
from rules.analysis.frozen import capacitor_voltage
from rules.analysis.latches.conditions import Conditions, condition
from rules.analysis.latches.path import Bench
from rules.analysis.network import build_network
from rules.analysis.resolve import Known, Resolved, part_pointer
from rules.analysis.startup import conducting
from rules.analysis.states import State, find_states, linear_state
from rules.analysis.tabulation import Mode, regions_of
from rules.analysis.timeline.stores import store_names
from rules.analysis.timeline.timelines import gains
from rules.analysis.triggers import NoTrigger, Trigger, slow_capacitors
from schemas.circuit import Part, frozen_map

if TYPE_CHECKING:
    from rules.analysis.study import Study

FAR = 256.0  # times the drive of a stimulus that sets nothing off, up to which one to set off is looked for
LEAST_SHARE = 1e-6  # of the drive; a smaller one is as good as none
_SOURCE = "a contact or output that is faded over"


@dataclass(frozen=True, slots=True)
class Amplitude:
    """The drive of a trigger against what it takes.

    ``factor`` is the drive over the least drive that switches over.  ``fold`` (A) is the current of the
    contact or output at which the state of rest ceases to exist, ``left`` (V) what of its voltage is not
    needed for that (negative where it is not enough), ``available`` (A) the current it would bring through
    its ``resistance`` (ohm) at the same place; both are 0 where no resistor belongs to it alone.
    """

    factor: float
    fold: float
    left: float
    available: float
    resistance: float


def amplitude(
    study: Study, trigger: Trigger, resolved: Resolved, betas: Mapping[str, float], kick: bool = False
) -> Amplitude | None:
    """The amplitude at one set of values and gains; ``None`` where no drive within reach switches over.

    The capacitors that time something keep their voltages, all others have followed; with ``kick`` every
    capacitor keeps its voltage: what a trigger that is coupled by a capacitor does at once.
    """
    rest = trigger.before.mode.network.configuration
    before = _like(study, resolved, rest, trigger, trigger.held, betas)
    faded = None if before is None else _faded(resolved, trigger, before)
    if before is None or faded is None:
        return None
    swapped, start, end = faded
    configuration = Configuration(
        {n: to for n, to in rest.contacts.items() if n != trigger.part},
        {n: to for n, to in rest.drivers.items() if n != trigger.part},
    )
    held = {**trigger.held, trigger.part: start}
    if kick:
        names = store_names(study.resolved)[0]
        held.update({name: capacitor_voltage(resolved, before, name) or 0.0 for name in names})
    begin = _like(study, swapped, configuration, trigger, held, betas)
    if begin is None:
        return None
    network = begin.mode.network
    bench, base = Bench(network), condition(network, {}, betas)
    row = len(network.nets) + next(k for k, b in enumerate(network.branches) if b.part == trigger.part)
    wanted = {q: trigger.after.devices[q] for q in betas}

    def family(shares: Array) -> Conditions:
        source = np.tile(base.source, (len(shares), 1))
        source[:, row] = start + trigger.reach * shares * (end - start)
        many = (len(shares), 1)
        return Conditions(np.tile(base.gain, many), np.tile(base.drops, many), source)

    def keeps(support: Sequence[int]) -> bool:
        regions = regions_of(network, tuple(support))
        return any(regions[q] != wanted[q] for q in wanted)

    followed = bench.follow(family, begin.mode.solution.support, keeps)
    if followed.arrived:
        return None
    reached = start + trigger.reach * followed.share * (end - start)
    there = build_network(swapped, configuration, {**held, trigger.part: reached})
    try:
        current = linear_state(there, betas, followed.support).currents[trigger.part]["a"]
    except np.linalg.LinAlgError:
        return None
    fold, ohms = abs(current or 0.0), series_resistance(swapped, trigger.part)
    left = (end - reached) * math.copysign(1.0, end - start)  # V of the drive that are not needed
    if ohms > 0.0 and fold > 0.0:
        available = max(fold + left / ohms, 0.0)
        return Amplitude(available / fold, fold, left, available, ohms)
    return Amplitude(1.0 / max(trigger.reach * followed.share, LEAST_SHARE), fold, left, 0.0, 0.0)


def too_weak(study: Study, told: NoTrigger) -> Trigger | None:
    """A declared stimulus that sets nothing off, as the trigger that it would be with more drive.

    ``None`` where it does not drive a base that would have to switch, or where no resting state would be
    left however hard it is driven.
    """
    if told.idle is None or told.stimulus is None:
        return None
    there, back = told.idle
    typical = gains(study, "typical")
    stable = study.state_sets("typical")[0].stable
    names = slow_capacitors(study, "typical")
    for before in stable:
        held = {name: capacitor_voltage(study.resolved, before, name) or 0.0 for name in sorted(names)}
        for after in stable:
            switched = conducting(study, before.devices) ^ conducting(study, after.devices)
            if not switched or not _feeds_a_base(study, told.part, switched):
                continue
            made = Trigger(told.stimulus, told.part, there, back, back.at - there.at, before, after,
                           switched, held, "typical", math.inf, FAR)  # fmt: skip
            if amplitude(study, made, study.resolved, typical) is not None:
                return made
    return None


def _feeds_a_base(study: Study, name: str, transistors: frozenset[str]) -> bool:
    """True where a contact or output drives the base of one of these through resistors of its own."""
    parts = study.circuit.parts
    own = private_nets(study.resolved, name)
    if not own & set(parts[name].pins.values()):
        return False
    resistors = [set(p.pins.values()) for p in parts.values() if p.kind == "resistor"]
    far = set().union(*(nets for nets in resistors if own & nets))
    return any(parts[q].pins["base"] in far for q in transistors)


def _like(
    study: Study,
    resolved: Resolved,
    configuration: Configuration,
    trigger: Trigger,
    held: Mapping[str, float],
    betas: Mapping[str, float],
) -> State | None:
    """The state of rest of a trigger in another version of the circuit; its junctions are the same."""
    network = build_network(resolved, configuration, held)
    if network.faults:
        return None
    same = solution_in(problem_of(network, dict(betas)), trigger.before.mode.solution.support)
    if same is not None:
        return State(Mode(network, dict(betas), same))
    origin = conducting(study, trigger.before.devices)
    found = find_states(resolved, configuration, trigger.corner, held, study.step_budget).stable
    return next((state for state in found if conducting(study, state.devices) == origin), None)


def _faded(resolved: Resolved, trigger: Trigger, before: State) -> tuple[Resolved, float, float] | None:
    """The circuit with a voltage in the place of the contact or output, and from where to where (V) it goes.

    ``None`` for a contact that opens (it is the current that fades there), one across an undefined
    voltage, and one straight at a junction, where nothing limits its current.
    """
    part = resolved.circuit.parts[trigger.part]
    values, parts = dict(resolved.values), dict(resolved.circuit.parts)
    pointer = part_pointer(part.name)
    values[part.name, "capacitance"] = Known(1.0, "F", "assumed", _SOURCE, pointer)
    if part.kind == "contact":
        a, b = (before.nets[part.pins[pin]] for pin in ("a", "b"))
        if trigger.there.to != "closed" or a is None or b is None:
            return None
        if series_resistance(resolved, part.name) == 0.0:
            return None
        parts[part.name] = Part(part.name, "capacitor", part.pins)
        start, end = a - b, 0.0
    else:
        inner = out = part.pins["out"]
        ohms = resolved.value(part.name, "resistance")
        if ohms > 0.0:
            inner = name = f"inside {part.name}"
            parts[name] = Part(name, "resistor", frozen_map({"a": inner, "b": out}))
            values[name, "resistance"] = Known(ohms, "ohm", "assumed", _SOURCE, pointer)
        parts[part.name] = Part(part.name, "capacitor", frozen_map({"a": inner, "b": part.pins["reference"]}))
        start, end = (resolved.value(part.name, action.to) for action in (trigger.back, trigger.there))
    if start == end:
        return None
    changed = replace(resolved, circuit=replace(resolved.circuit, parts=frozen_map(parts)), values=values)
    return changed, start, end


def private_nets(resolved: Resolved, name: str) -> frozenset[str]:
    """Nets with nothing on them but resistors and contacts, and the part itself."""
    on: dict[str, list[Part]] = {}
    for part in resolved.circuit.parts.values():
        for net in set(part.pins.values()):
            on.setdefault(net, []).append(part)
    return frozenset(
        net
        for net, there in on.items()
        if net != resolved.circuit.ground
        and all(p.kind in ("resistor", "contact") or p.name == name for p in there)
    )


def series_resistance(resolved: Resolved, name: str) -> float:
    """The resistance (ohm) between a contact or output and whatever holds a voltage by itself.

    Nets with nothing but resistors on them belong to the trigger; all others stay where they are.
    """
    parts = resolved.circuit.parts
    own = private_nets(resolved, name)
    ends = tuple(parts[name].pins.values())
    nets = sorted(own)
    if not own & set(ends):
        return 0.0
    row = {net: k for k, net in enumerate(nets)}
    matrix = np.zeros((len(nets), len(nets)))
    for part in parts.values():
        if part.kind != "resistor" or part.name == name:
            continue
        g = 1.0 / resolved.value(part.name, "resistance")
        ks = [row[net] for net in part.pins.values() if net in row]
        for k in ks:
            matrix[k, k] += g
        if len(ks) == 2:
            matrix[ks[0], ks[1]] -= g
            matrix[ks[1], ks[0]] -= g
    injected = np.zeros(len(nets))
    for sign, net in zip((1.0, -1.0), ends, strict=True):
        if net in row:
            injected[row[net]] += sign
    volts = np.linalg.lstsq(matrix, injected, rcond=None)[0]
    return float(injected @ volts)


def vertices(study: Study, trigger: Trigger) -> tuple[Point, Point]:
    """The corner at which a trigger that has to bring current is weakest, and the opposite one.

    Least gains, supplies nearest to zero, cold junctions with the greatest drop, its own resistors at their
    greatest values, those that bleed the net it acts on at their least.
    """
    weak: dict[Key, float] = {}
    strong: dict[Key, float] = {}
    own, bleeding = _resistors(study, trigger.part)
    for p in parameters(study.resolved):
        ends = None
        if p.kind == "gain" or p.key == TEMPERATURE:
            ends = p.low, p.high
        elif p.key == VBE:
            ends = p.high, p.low
        elif p.kind == "supply":
            ends = (p.low, p.high) if abs(p.low) < abs(p.high) else (p.high, p.low)
        elif p.key[1] == "resistance" and p.key[0] in own:
            ends = p.high, p.low
        elif p.key[1] == "resistance" and p.key[0] in bleeding:
            ends = p.low, p.high
        if ends is not None:
            weak[p.key], strong[p.key] = ends
    return frozen_point(weak), frozen_point(strong)


def _resistors(study: Study, part: str) -> tuple[frozenset[str], frozenset[str]]:
    """The resistors that belong to a trigger alone, and those at the nets it acts on."""
    own_nets = private_nets(study.resolved, part)
    parts = [p for p in study.circuit.parts.values() if p.kind == "resistor"]
    own = {p.name for p in parts if own_nets & set(p.pins.values())}
    acted = {net for p in parts if p.name in own for net in p.pins.values()} - own_nets - study.roles.rails
    bleeding = {p.name for p in parts if acted & set(p.pins.values())} - own
    return frozenset(own), frozenset(bleeding)


def own_resistors(study: Study, part: str) -> tuple[str, ...]:
    """The resistors that belong to a trigger alone, the largest first."""
    return tuple(sorted(_resistors(study, part)[0], key=lambda r: (-study.value(r, "resistance"), r)))
