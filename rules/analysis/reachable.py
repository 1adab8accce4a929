"""The tolerances that a requirement leaves to resistors and to capacitors.

A requirement with two ends is judged by its width: where the range lies within the window is a matter of
one value, how wide it is a matter of tolerances.  One with a single end is judged as the values stand.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, TypeAlias

from rules.analysis.corners.parameters import Parameter
from rules.analysis.corners.worst import bounds
from rules.analysis.delay_corners import DelayCorners
from rules.analysis.operating import supposed
from rules.analysis.rearm_corners import WayBack
from rules.analysis.recovery import Recovery
from rules.analysis.requirements import Window
from rules.analysis.states import State

if TYPE_CHECKING:
    from rules.analysis.study import Study

_ROUNDS = 5  # halvings of what lies below the closest tolerance that is sold
Tolerances: TypeAlias = tuple[float | None, float | None]
"""One tolerance for all resistors and one for all capacitors, ``None``: each as it is."""
Ends: TypeAlias = tuple[float, float]


@dataclass(frozen=True, eq=False)
class Spec:
    """A window and what the circuit makes of it: ``ends`` gives the range at some tolerances.

    ``ratio``: the width is a ratio (a time), else a difference.  ``capacitor`` is the one whose tolerance
    counts, ``None`` where none does.
    """

    window: Window
    ends: Callable[[Tolerances], Ends | None]
    ratio: bool
    capacitor: str | None

    @property
    def two_sided(self) -> bool:
        return math.isfinite(self.window.high) and (
            self.window.low > 0.0 if self.ratio else math.isfinite(self.window.low)
        )

    @property
    def room(self) -> float:
        """The widest range that fits."""
        low, high = self.window.low, self.window.high
        if not self.two_sided:
            return high if math.isfinite(high) else -low
        return high / low if self.ratio else high - low

    def width(self, tolerances: Tolerances) -> float:
        """How wide the range is, or how far it goes where the window has one end; infinite if it has none."""
        found = self.ends(tolerances)
        if found is None or not (math.isfinite(found[1]) and found[0] > -math.inf):
            return math.inf
        low, high = found
        if not self.two_sided:
            return high if math.isfinite(self.window.high) else -low
        if self.ratio:
            return high / low if low > 0.0 else math.inf
        return high - low

    def resistors_below(self, close: float) -> float:
        """The largest tolerance of all resistors that fits, where exact ones do and ``close`` does not."""
        low, high = 0.0, close
        for _ in range(_ROUNDS):
            middle = 0.5 * (low + high)
            fits = self.width((middle, None)) <= self.room
            low, high = (middle, high) if fits else (low, middle)
        return low

    def capacitors(self, classes: Sequence[float]) -> float | None:
        """The widest of some tolerances for all capacitors that fits, the resistors as they are."""
        rising = sorted(classes)
        first, last = 0, len(rising)
        while first < last:
            middle = (first + last) // 2
            fits = self.width((None, rising[middle])) <= self.room
            first, last = (middle + 1, last) if fits else (first, middle)
        return rising[first - 1] if first else None


def of_delay(corners: DelayCorners, window: Window) -> Spec:
    """A delay against its window."""

    def ends(tolerances: Tolerances) -> Ends | None:
        made = _narrowed(corners, tolerances)
        low, high = made.worst(made.total, -1.0), made.worst(made.total, 1.0)
        return None if low is None or high is None else (low.value, high.value)

    return Spec(window, ends, True, corners.capacitor)


def of_way_back(
    study: Study, corners: DelayCorners, way: Recovery, shortening: float, window: Window
) -> Spec:
    """The time that a timing capacitor needs to be ready again."""

    def ends(tolerances: Tolerances) -> Ends | None:
        made = _narrowed(corners, tolerances)
        found = made.worst(WayBack(study, made, way, shortening).seconds, 1.0, thrifty=True)
        return None if found is None else (0.0, found.value)

    return Spec(window, ends, True, corners.capacitor)


def of_voltage(study: Study, state: State, net: str, window: Window) -> Spec:
    """A net in a state; capacitors carry no current there."""
    resistors = [p.name for p in study.circuit.parts.values() if p.kind == "resistor"]

    def ends(tolerances: Tolerances) -> Ends | None:
        share = tolerances[0]
        values = {}
        if share is not None:
            for name in resistors:
                values[name, "tolerance_low"], values[name, "tolerance_high"] = -share, share
        there = supposed(study, state, values)
        found = None if there is None else bounds(there, lambda s: s.nets[net])
        return None if found is None else (found.low.value, found.high.value)

    return Spec(window, ends, False, None)


def _narrowed(corners: DelayCorners, tolerances: Tolerances) -> DelayCorners:
    """The same delay with one tolerance for all resistors, one for all capacitors."""
    parts = corners.resolved.circuit.parts

    def share(p: Parameter) -> float | None:
        if not p.part:
            return None
        kind = parts[p.part].kind
        return tolerances[0] if kind == "resistor" else tolerances[1] if kind == "capacitor" else None

    changed = {
        p.key: replace(p, low=p.nominal * (1.0 - wide), high=p.nominal * (1.0 + wide))
        for p in corners.parameters
        if (wide := share(p)) is not None and p.kind in ("resistance", "capacitance")
    }
    return corners.with_intervals(changed) if changed else corners
