"""Requirements of the document that speak of a delay or of the time after it."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from rules.analysis.delays import Delay
from rules.analysis.states import matches
from schemas.circuit import Circuit, Requirement

if TYPE_CHECKING:
    from rules.analysis.study import Study


@dataclass(frozen=True, slots=True)
class Window:
    """A time between ``low`` and ``high`` s, stated at ``pointer``."""

    low: float
    high: float
    pointer: str

    def holds(self, seconds: float) -> bool:
        return self.low <= seconds <= self.high

    def distance(self, seconds: float) -> float:
        """How far outside, s; 0 within."""
        return max(self.low - seconds, seconds - self.high, 0.0)


def re_arm(study: Study, delay: Delay) -> Window | None:
    """The strictest ``re-arm`` requirement that means this delay; ``high`` is what it allows, s."""
    found = [
        Window(0.0, seconds, f"/requirements/{k}/at_most")
        for k, wanted in enumerate(study.circuit.requirements)
        if wanted.kind == "re-arm" and _means(study.circuit, wanted, delay)
        for seconds in (_number(wanted, "at_most"),)
        if seconds is not None
    ]
    return min(found, key=lambda window: (window.high, window.pointer), default=None)


def delay_window(study: Study, delay: Delay) -> Window | None:
    """The first ``delay`` requirement that means this delay."""
    for k, wanted in enumerate(study.circuit.requirements):
        if wanted.kind == "delay" and _means(study.circuit, wanted, delay):
            target, within = _number(wanted, "target"), _number(wanted, "within")
            if target is not None and within is not None:
                return Window(target * (1.0 - within), target * (1.0 + within), f"/requirements/{k}")
            low, high = _number(wanted, "at_least"), _number(wanted, "at_most")
            return Window(low or 0.0, math.inf if high is None else high, f"/requirements/{k}")
    return None


def _means(circuit: Circuit, wanted: Requirement, delay: Delay) -> bool:
    """True when stimulus and state of a requirement, as far as given, fit the delay."""
    stimulus, state = wanted.values.get("stimulus"), wanted.values.get("state")
    if isinstance(stimulus, str) and stimulus not in delay.timed.configuration.reached_by:
        return False
    if isinstance(state, str):
        regions = circuit.states.get(state)
        return regions is not None and matches(delay.timed.state.devices, regions)
    return True


def _number(wanted: Requirement, member: str) -> float | None:
    value = wanted.values.get(member)
    return float(value) if isinstance(value, (int, float)) and not isinstance(value, bool) else None
