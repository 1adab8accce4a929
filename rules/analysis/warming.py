"""A transistor that heats itself, read from the circuit around it.

One transistor of a state is taken with a slightly smaller V_BE; the mode is
linear, so what its collector current and its V_CE do then gives, exactly, the
resistances that its emitter and its base see, whatever the circuit is.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from rules.analysis.formulas.cutoff import COLDEST, HOTTEST, collector_base_leakage
from rules.analysis.formulas.ratings import junction_temperature
from rules.analysis.formulas.thermal import drop_gain, leakage_gain, stability_factor
from rules.analysis.operating import Point, operating_point, sign_of
from rules.analysis.states import linear_state

if TYPE_CHECKING:
    from rules.analysis.states import State

SHIFT = 1e-3  # V less of V_BE
ADDED = 1e-6  # A of collector current
STIFF = 1e9  # ohm; more than this is a current source


@dataclass(frozen=True, slots=True)
class Bias:
    """The resistances (ohm) that emitter and base see, and the fall of V_CE per ampere of I_C (ohm)."""

    emitter: float
    base: float
    load: float


@dataclass(frozen=True, slots=True)
class Warming:
    """How many kelvin follow on one kelvin: ``gain`` is the sum of ``drop`` and ``leak``.

    ``settles``: more current brings less heat, since the load takes the voltage away.
    ``junction`` K; ``stability`` is dI_C/dI_CBO.
    """

    point: Point
    bias: Bias
    junction: float
    leakage: float
    stability: float
    drop: float
    leak: float

    @property
    def gain(self) -> float:
        return self.drop + self.leak

    @property
    def settles(self) -> bool:
        return self.bias.load * self.point.collector >= self.point.vce


def warming(state: State, name: str, thermal: float, ambient: float, icbo: float) -> Warming | None:
    """The loop of heat and current of an active transistor; ``None`` where it is not active.

    ``thermal`` K/W from junction to ambient, ``ambient`` K, ``icbo`` A at 25 degC.
    """
    point, watts = operating_point(state, name), state.power[name]
    if point is None or watts is None or point.region != "active" or point.collector <= 0.0:
        return None
    bias = bias_of(state, name)
    if bias is None:
        return None
    hot = min(HOTTEST, junction_temperature(ambient, max(0.0, watts), thermal))
    leakage = collector_base_leakage(icbo, max(COLDEST, hot))
    vce = max(0.0, point.vce)
    stability = stability_factor(point.beta, bias.emitter, bias.base)
    drop = drop_gain(thermal, vce, point.collector, bias.emitter, bias.base, point.beta)
    leak = leakage_gain(thermal, vce, stability, leakage)
    return Warming(point, bias, hot, leakage, stability, drop, leak)


def bias_of(state: State, name: str) -> Bias | None:
    """What emitter and base of a transistor see; ``None`` where its current cannot change at all."""
    here = operating_point(state, name)
    beta = state.mode.betas[name]
    moved, endless = _moved(state, name, beta), _moved(state, name, math.inf)
    at_endless = operating_point(_with_gain(state, name, math.inf) or state, name)
    if here is None:
        return None
    if moved is None:
        # another junction holds V_BE, as in a mirror: no resistance anywhere
        load = _load(state, name, here)
        return None if load is None else Bias(0.0, 0.0, load)
    rise = moved.collector - here.collector
    whole = SHIFT / rise if rise > SHIFT / STIFF else STIFF
    emitter = 0.0
    if endless is not None and at_endless is not None:
        free = endless.collector - at_endless.collector
        emitter = SHIFT / free if free > SHIFT / STIFF else STIFF
    # SHIFT/dI_C = R_E*(beta + 1)/beta + R_B/beta
    base = max(0.0, beta * whole - (beta + 1.0) * emitter)
    load = (here.vce - moved.vce) / rise if rise > 0.0 else 0.0
    return Bias(max(0.0, emitter), base, load)


def _load(state: State, name: str, here: Point) -> float | None:
    """The fall of V_CE per ampere of collector current (ohm), with a little current added to it."""
    mode = state.mode
    network = mode.network
    pins = network.resolved.circuit.parts[name].pins
    added = np.zeros(len(network.nets))
    for pin, sign in (("collector", -1.0), ("emitter", 1.0)):
        if pins[pin] in network.nets:
            added[network.nets.index(pins[pin])] += sign * sign_of(state, name) * ADDED
    try:
        made = linear_state(
            replace(network, injection=network.injection + added), mode.betas, mode.solution.support
        )
    except np.linalg.LinAlgError:
        return None
    there = operating_point(made, name)
    return None if there is None else (here.vce - there.vce) / ADDED


def _with_gain(state: State, name: str, beta: float) -> State | None:
    mode = state.mode
    try:
        return linear_state(mode.network, {**mode.betas, name: beta}, mode.solution.support)
    except np.linalg.LinAlgError:
        return None


def _moved(state: State, name: str, beta: float) -> Point | None:
    """The operating point with a V_BE smaller by ``SHIFT``, in the same mode."""
    mode = state.mode
    junctions = tuple(
        replace(junction, drop=junction.drop - SHIFT)
        if junction.device == name and junction.name == "forward"
        else junction
        for junction in mode.network.junctions
    )
    network = replace(mode.network, junctions=junctions)
    try:
        made = linear_state(network, {**mode.betas, name: beta}, mode.solution.support)
    except np.linalg.LinAlgError:
        return None
    return operating_point(made, name)
