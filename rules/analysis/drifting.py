"""What the weather and the battery do to a delay, by differences of the delay itself.

Source: (1/t) dt/dT and (V/t) dt/dV as difference quotients; common practice.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from rules.analysis.corners.parameters import TEMPERATURE, Key, Parameter
from rules.analysis.delay_corners import DelayCorners, delay_corners
from rules.analysis.delays import Delay
from rules.analysis.elements import Array
from rules.analysis.resolve import part_pointer

if TYPE_CHECKING:
    from rules.analysis.study import Study

LEAST_SPAN = 1.0  # K; a smaller distance from the nominal temperature says nothing
_NUDGE = 0.01  # of a battery without a range


def _pinned(study: Study, delay: Delay, key: Key, more: tuple[Parameter, ...] = ()) -> DelayCorners:
    """The corners of a delay with one parameter taken out of the search, what never moves left out."""
    moving = set(delay_corners(study, delay).moving()) | {key}
    made = DelayCorners(study, delay, lambda p: p.key in moving, more)
    return made.with_intervals(
        {p.key: replace(p, low=p.nominal, high=p.nominal) for p in made.parameters if p.key == key}
    )


class Weather:
    """The relative change of a delay per kelvin over the ambient range."""

    def __init__(self, study: Study, delay: Delay) -> None:
        self.corners = _pinned(study, delay, TEMPERATURE)
        ambient = study.resolved.ambient
        self.low, self.nominal, self.high = ambient.low, ambient.nominal, ambient.high

    @property
    def applies(self) -> bool:
        """True where there is a range and a junction that follows it."""
        wide = max(self.nominal - self.low, self.high - self.nominal) >= LEAST_SPAN
        return wide and TEMPERATURE in self.corners.keys

    def seconds(self, points: Array, kelvin: float) -> Array:
        """The delay (s) with the temperature of all points at ``kelvin``."""
        return self.corners.seconds(self.at(points, kelvin))

    def at(self, points: Array, kelvin: float) -> Array:
        moved = points.copy()
        moved[:, self.corners.keys.index(TEMPERATURE)] = kelvin
        return moved

    def rate(self, points: Array) -> Array:
        """The larger of |t(T)/t(T_nominal) - 1| / |T - T_nominal| at both ends, 1/K."""
        ends = [end for end in (self.low, self.high) if abs(end - self.nominal) >= LEAST_SPAN]
        # all temperatures in one batch
        every = np.vstack([self.at(points, kelvin) for kelvin in (self.nominal, *ends)])
        middle, *others = np.split(self.corners.seconds(every), len(ends) + 1)
        found = np.zeros(len(points))
        for end, seconds in zip(ends, others, strict=True):
            with np.errstate(invalid="ignore"):  # without end at both: undefined
                moved = np.abs(seconds / middle - 1.0) / abs(end - self.nominal)
            found = np.maximum(found, moved)
        return found


class Supply:
    """The elasticity of a delay against the voltage of one source over its range."""

    def __init__(self, study: Study, delay: Delay, source: str) -> None:
        self.key: Key = (source, "voltage")
        nominal = study.value(source, "voltage")
        ends = sorted((study.value(source, "low"), nominal, study.value(source, "high")))
        given = ends[2] > ends[0]
        self.low, self.high = (
            (ends[0], ends[2]) if given else (nominal * (1 - _NUDGE), nominal * (1 + _NUDGE))
        )
        self.nominal = nominal
        pointer = part_pointer(source, "voltage")
        own = Parameter(
            self.key, "supply", self.low, nominal, self.high, "V", "assumed", "no range given", pointer
        )
        self.corners = _pinned(study, delay, self.key, () if given else (own,))

    @property
    def applies(self) -> bool:
        """False where the source is one of a loop of ideal parts, or has no voltage."""
        return self.key in self.corners.keys and self.low > 0.0

    def at(self, points: Array, volts: float) -> Array:
        moved = points.copy()
        moved[:, self.corners.keys.index(self.key)] = volts
        return moved

    def elasticity(self, points: Array) -> Array:
        """ln(t_high/t_low) / ln(V_high/V_low); infinite where it never ends at one of the ends."""
        both = np.vstack([self.at(points, volts) for volts in (self.low, self.high)])
        low, high = np.split(self.corners.seconds(both), 2)
        with np.errstate(all="ignore"):
            found: Array = np.log(high / low) / math.log(self.high / self.low)
        return found

    def size(self, points: Array) -> Array:
        """|elasticity|, what is judged."""
        return np.abs(self.elasticity(points))
