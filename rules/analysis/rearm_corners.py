"""The way back of a timing capacitor at the corner of all tolerances at which it takes longest.

The corner follows from the signs of single changes in the modes of the way back at nominal values; there the
circuit is then worked out anew, states and all.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from rules.analysis.corners.labels import label
from rules.analysis.corners.parameters import HANDBOOK_TEMPERATURE, TEMPERATURE, Parameter, Point, at
from rules.analysis.corners.worst import Sensitivity, Worst, worst_scalar
from rules.analysis.delay_parameters import delay_parameters
from rules.analysis.delays import Delay, delay_with
from rules.analysis.formulas.drift import capacitance_drift
from rules.analysis.named import Pinned
from rules.analysis.recovery import NoRecovery, Recovery, recovery_of, recovery_with
from rules.analysis.resolve import dielectric_of

if TYPE_CHECKING:
    from rules.analysis.study import Study


@dataclass(frozen=True, eq=False)
class WorstWay:
    """The slowest way back that was found: with its delay, at ``corner``.

    ``way`` is the reason where there is none at the corner: the delay is not there, or it ends otherwise.
    """

    way: Recovery | NoRecovery
    delay: Delay
    corner: str
    sensitivities: tuple[Sensitivity, ...]

    @property
    def seconds(self) -> float:
        return self.way.seconds if isinstance(self.way, Recovery) else math.inf


def worst_way(study: Study, delay: Delay, way: Recovery, shortening: float) -> WorstWay | None:
    """The way back at its worst corner; ``None`` where nothing moves it."""
    every = delay_parameters(study, delay)
    found = worst_scalar(lambda point: _seconds(study, delay, way, shortening, point), every, "max", True)
    if found is None or not every:
        return None
    return _worked_out(study, delay, found, every, shortening)


def pinned_at(study: Study, capacitor: str, point: Point) -> tuple[Pinned, dict[str, float]]:
    """The circuit at a point with its gains; the temperature moves the capacitance too."""
    resolved, betas = at(study.resolved, point)
    kelvin = point.get(TEMPERATURE, HANDBOOK_TEMPERATURE)
    drift = float(capacitance_drift(dielectric_of(study.circuit.parts[capacitor]), kelvin))
    farads = resolved.value(capacitor, "capacitance") * (1.0 + drift)
    return Pinned(study.circuit, resolved.with_values({(capacitor, "capacitance"): farads})), betas


def _seconds(study: Study, delay: Delay, way: Recovery, shortening: float, point: Point) -> float | None:
    """The time back in the modes of the nominal way; ``None`` where they have no answer."""
    pinned, betas = pinned_at(study, way.capacitor, point)
    values = {(way.capacitor, "capacitance"): pinned.value(way.capacitor, "capacitance")}
    then = delay_with(pinned, delay, values, betas)
    back = None if then is None else recovery_with(pinned, way, then, values, shortening, betas)
    return None if back is None else back.seconds


def _worked_out(
    study: Study, delay: Delay, found: Worst, every: Sequence[Parameter], shortening: float
) -> WorstWay:
    pinned, _ = pinned_at(study, delay.timed.capacitor, found.point)
    there = _same(pinned, delay)
    if there is None:
        lost = NoRecovery(
            f'"{delay.timed.name}" is no delay at this corner, or it ends in another way', False
        )
        return WorstWay(lost, delay, found.label, found.sensitivities)
    way = recovery_of(pinned, "typical", there, shortening)
    corner = found.label or label(found.point, every)
    return WorstWay(way, there, corner, found.sensitivities)


def _same(study: Study, delay: Delay) -> Delay | None:
    """The same delay in another study of the circuit."""
    wanted = delay.timed
    for other in study.delays("typical")[0]:
        timed = other.timed
        here = (timed.capacitor, timed.kind, timed.configuration.key, other.opposed)
        if here == (wanted.capacitor, wanted.kind, wanted.configuration.key, delay.opposed):
            return replace(other)
    return None
