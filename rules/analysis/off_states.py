"""Transistors that are meant to be off: where, at what base-emitter voltage, and who drives them."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from rules.analysis.elements import RESISTIVE
from rules.analysis.network import build_network
from rules.analysis.operating import sign_of
from rules.analysis.readings import Asked, Reading, readings
from rules.analysis.states import State, linear_state

if TYPE_CHECKING:
    from rules.analysis.roles import Stage
    from rules.analysis.study import Situation, Study

_PROBE = 1e-6  # A; the circuit is linear in one mode, so that any current would do
NOT_OFF = "not surely off"  # role of a finding about a transistor that may conduct a little where it is off
_PASSING = (*RESISTIVE, "diode", "led", "zener")


@dataclass(frozen=True, slots=True)
class Driven:
    """A driver whose level reaches a base through ``way`` (resistors, junctions in series, in name order).

    ``off`` is the level that is meant to turn the transistor off: the one on the side of its emitter.
    """

    driver: str
    off: str
    way: tuple[str, ...]


def base_drive(state: State, name: str) -> float | None:
    """Base-emitter voltage in V, positive in the direction that turns the transistor on."""
    pins = state.mode.network.resolved.circuit.parts[name].pins
    base, emitter = state.nets[pins["base"]], state.nets[pins["emitter"]]
    return None if base is None or emitter is None else sign_of(state, name) * (base - emitter)


def beyond_off(state: State, name: str) -> float | None:
    """How far the base-emitter voltage lies above the one that is surely off, V; plain arithmetic."""
    volts = base_drive(state, name)
    return None if volts is None else volts - state.mode.network.resolved.assumptions["vbe_off"]


def off_readings(study: Study, name: str) -> tuple[Reading, ...]:
    """:func:`beyond_off` in every resting state in which the transistor is off, at the worst corner too."""

    def asked(state: State) -> float | None:
        return beyond_off(state, name)

    def resting(situation: Situation) -> Asked | None:
        off = situation.timed is None and situation.state.devices[name] == "off"
        return asked if off else None

    return study.shared(("beyond off", name), lambda: readings(study, resting, "max"))


def drivers_of(study: Study, stage: Stage) -> tuple[Driven, ...]:
    """The drivers that reach a base through resistors and junctions, no rail in between; by name."""
    found = dict(_reached(study, stage.base))
    made = []
    for name in sorted(found):
        low, high = study.value(name, "low"), study.value(name, "high")
        if low == high:
            continue
        lower, higher = ("low", "high") if low < high else ("high", "low")
        made.append(Driven(name, lower if stage.kind == "npn" else higher, tuple(sorted(found[name]))))
    return tuple(made)


def _reached(study: Study, start: str) -> Iterator[tuple[str, tuple[str, ...]]]:
    parts, rails = study.circuit.parts.values(), study.roles.rails
    seen: set[str] = {start}
    front: list[tuple[str, tuple[str, ...]]] = [(start, ())]
    for net, way in front:
        for part in parts:
            if net not in part.pins.values():
                continue
            if part.kind == "driver" and part.pins["out"] == net:
                yield part.name, way
            if part.kind in _PASSING:
                for far in sorted(set(part.pins.values()) - rails - seen):
                    seen.add(far)
                    front.append((far, (*way, part.name)))


def always_on(study: Study, name: str, driven: Driven) -> tuple[Situation, ...]:
    """The resting situations at the off level, where the transistor conducts in all of them; else none.

    Other drivers and contacts may hold it on: it counts only where it conducts whatever they do.
    """
    there = [
        situation
        for situation in study.situations()
        if situation.timed is None
        and situation.state.mode.network.configuration.drivers.get(driven.driver) == driven.off
    ]
    conducts = there and all(s.state.devices[name] in ("active", "saturated") for s in there)
    return tuple(there) if conducts else ()


def resistance_at_base(study: Study, state: State, name: str) -> float | None:
    """What leakage from the collector into the base sees in a state, ohm: rise of V_BE per ampere.

    Every resistor at its upper tolerance, sources without change, conducting junctions at their drops.
    ``None`` where nothing settles base or emitter.
    """
    resolved, pins = study.resolved, study.circuit.parts[name].pins
    mode = state.mode
    if base_drive(state, name) is None:
        return None
    highest = study.shared(
        "resistors at their upper tolerance",
        lambda: resolved.with_values(
            {
                (p.name, "resistance"): resolved.value(p.name, "resistance")
                * (1.0 + resolved.value(p.name, "tolerance_high"))
                for p in study.circuit.parts.values()
                if p.kind in RESISTIVE
            }
        ),
    )
    network = build_network(highest, mode.network.configuration, mode.network.held)
    leak = network.injection.copy()
    for pin, sign in (("base", 1.0), ("collector", -1.0)):
        # a collector that nothing settles is fed through what is dark now: the leakage brings its own way
        if pins[pin] in network.nets and state.nets[pins[pin]] is not None:
            leak[network.nets.index(pins[pin])] += sign * sign_of(state, name) * _PROBE
    support = mode.solution.support
    try:
        still = linear_state(network, mode.betas, support, undetermined=True)
        moved = linear_state(replace(network, injection=leak), mode.betas, support, undetermined=True)
    except np.linalg.LinAlgError:
        return None
    before, after = base_drive(still, name), base_drive(moved, name)
    return None if before is None or after is None else (after - before) / _PROBE
