"""A battery that is old and cold: the same situations solved again with its internal resistance then."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from rules.analysis.corners.existence import stands_for, states_at
from rules.analysis.corners.parameters import TEMPERATURE, Key, least_gain
from rules.analysis.formulas.supply import cold_factor
from rules.analysis.resolve import TRANSISTORS
from rules.analysis.states import State, collector_currents

if TYPE_CHECKING:
    from rules.analysis.study import Situation, Study

QUIET = 1e-3  # A; a battery that never gives more does not sag by anything


@dataclass(frozen=True, eq=False)
class Condition:
    """How a battery is: ``ohms`` inside it, at ``kelvin``, and how that is called in a corner."""

    battery: str
    ohms: float
    kelvin: float
    label: str


def conditions(study: Study, battery: str, old: float, cold: float) -> tuple[Condition, Condition]:
    """Old at the hottest, where relays want most, and old at the coldest, where the battery gives least.

    ``old`` and ``cold`` are factors on the internal resistance: at the end of its life, and at -10 degC.
    """
    new, ambient = study.value(battery, "resistance"), study.resolved.ambient
    factor = old * cold_factor(ambient.low, cold)
    return (
        Condition(battery, old * new, ambient.high, f"{battery} old"),
        Condition(battery, factor * new, ambient.low, f"{battery} old and cold"),
    )


def point_at(study: Study, state: State, found: Condition, lowest: bool) -> Mapping[Key, float]:
    """A point of the tolerances: that condition, least gains, and every battery at its lowest voltage."""
    mode = state.mode
    currents = collector_currents(mode.network, mode.betas, mode.solution)
    point: dict[Key, float] = {
        (name, "beta"): least_gain(study.resolved, name, current) for name, current in currents.items()
    }
    point[found.battery, "resistance"] = found.ohms
    kinds = {part.kind for part in study.circuit.parts.values()}
    if kinds & {*TRANSISTORS, "diode", "zener", "led"}:
        point[TEMPERATURE] = found.kelvin
    for part in study.circuit.parts.values():
        if lowest and part.kind == "battery":
            point[part.name, "voltage"] = study.value(part.name, "low")
    return point


def stays(study: Study, situation: Situation, found: Condition, lowest: bool = True) -> State | None:
    """The state that stands for a situation with the battery in a condition; ``None`` where there is none."""
    point = point_at(study, situation.state, found, lowest)
    there = states_at(situation.state.mode.network, point, study.step_budget)
    return next((s for s in there.states if stands_for(s, situation.state)), None)


def current_of(state: State, battery: str) -> float | None:
    """What a battery gives, A."""
    into = state.currents[battery]["plus"]
    return None if into is None else -into
