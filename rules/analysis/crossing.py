"""How flat a capacitor's course crosses its threshold.

What a threshold that is off does to the delay, S = (dt/t)/(dV_th/V_th), is told as the x of a charge from 0 V
that is as sensitive: V_th/V_inf for such a charge itself, less for one that falls or turns round.
"""

from __future__ import annotations

import numpy as np

from rules.analysis.courses import Courses, Places
from rules.analysis.delay_corners import DelayCorners
from rules.analysis.elements import Array

COUNTS = 0.1  # of the delay; a last segment that takes less is the threshold itself at work
_HALVINGS = 50


class Crossing:
    """The sums of one crossing at any points of the tolerances."""

    def __init__(self, corners: DelayCorners) -> None:
        self.corners = corners

    def _place(self, courses: Courses, points: Array) -> tuple[Places, Places]:
        """Per point, the last segment that counts in the delay."""
        times = courses.times(self.corners.farads(points))
        with np.errstate(invalid="ignore"):
            counts = np.where(np.isinf(times), True, times >= COUNTS * times.sum(axis=1, keepdims=True))
        last = counts.shape[1] - 1 - np.argmax(counts[:, ::-1], axis=1)
        return np.arange(len(times)), last

    def threshold(self, courses: Courses, points: Array) -> Array:
        """Where the crossing ends, V on the capacitor."""
        result: Array = courses.end[self._place(courses, points)]
        return result

    def aim(self, courses: Courses, points: Array) -> Array:
        """Where the capacitor would go, V; infinite for a constant current."""
        at = self._place(courses, points)
        with np.errstate(all="ignore"):
            result: Array = courses.start[at] - courses.first[at] / courses.slope[at]
        return np.where(courses.slope[at] < 0.0, result, np.copysign(np.inf, courses.first[at]))

    def swing(self, courses: Courses, points: Array) -> Array:
        """From the start to the threshold, V."""
        result: Array = np.abs(self.threshold(courses, points) - courses.start[:, 0])
        return result

    def sensitivity(self, courses: Courses, points: Array) -> Array:
        """|V_th| / (|V_inf - V_th| * ln((V_inf - V_0)/(V_inf - V_th))); infinite where it never is."""
        threshold, aim = self.threshold(courses, points), self.aim(courses, points)
        left, whole = np.abs(aim - threshold), np.abs(aim - courses.start[:, 0])
        with np.errstate(all="ignore"):
            found = np.abs(threshold) / (left * np.log(whole / left))
            straight = np.abs(threshold) / self.swing(courses, points)
        found = np.where(np.isinf(aim), straight, found)
        return np.where(left <= 1e-9 * whole, np.inf, found)

    def fraction(self, courses: Courses, points: Array) -> Array:
        """The x of a charge from 0 V with the same sensitivity, 0 to 1."""
        return as_fraction(self.sensitivity(courses, points))


def as_fraction(sensitivity: Array) -> Array:
    """x with [x/(1-x)]/ln(1/(1-x)) = S; 0 for S up to 1, 1 for an infinite one.

    Source: ``formulas.timing.threshold_sensitivity``, which rises from 1 without end, by halving.
    """
    low, high = np.zeros(len(sensitivity)), np.ones(len(sensitivity))
    for _ in range(_HALVINGS):
        x = 0.5 * (low + high)
        with np.errstate(all="ignore"):
            here = x / (1.0 - x) / -np.log1p(-x)
        rises = here < sensitivity
        low, high = np.where(rises, x, low), np.where(rises, high, x)
    return np.where(sensitivity <= 1.0, 0.0, np.where(np.isinf(sensitivity), 1.0, 0.5 * (low + high)))
