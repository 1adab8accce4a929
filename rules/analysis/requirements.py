"""The requirements of a document: what each asks for, and which delay a time-related one means."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal, TypeAlias

from rules.analysis.delays import Delay
from rules.analysis.states import matches
from schemas.circuit import Circuit, Requirement

if TYPE_CHECKING:
    from rules.analysis.study import Study

Relation: TypeAlias = Literal["<=", ">="]


@dataclass(frozen=True, slots=True)
class Window:
    """What is accepted: from ``low`` to ``high`` in SI units, infinite where it is open; at ``pointer``."""

    low: float
    high: float
    pointer: str

    def holds(self, value: float) -> bool:
        return self.low <= value <= self.high

    def distance(self, value: float) -> float:
        """How far outside; 0 within."""
        return max(self.low - value, value - self.high, 0.0)

    def sides(self) -> Iterator[tuple[Relation, float]]:
        """Each end that is a limit: (``>=``, low) and (``<=``, high)."""
        if math.isfinite(self.low):
            yield ">=", self.low
        if math.isfinite(self.high):
            yield "<=", self.high


@dataclass(frozen=True, slots=True)
class Asked:
    """One requirement and its place in the document.

    ``label`` is its own name, else the state it speaks of; a number follows
    where another requirement of the kind would read the same.
    """

    pointer: str
    label: str
    wanted: Requirement

    @property
    def state(self) -> str:
        """The state it names; empty where it names none."""
        return self.text("state")

    def text(self, member: str) -> str:
        value = self.wanted.values.get(member)
        return value if isinstance(value, str) else ""

    def number(self, member: str) -> float | None:
        value = self.wanted.values.get(member)
        return float(value) if isinstance(value, (int, float)) and not isinstance(value, bool) else None

    @property
    def window(self) -> Window:
        target, within = self.number("target"), self.number("within")
        if target is not None and within is not None:
            half = abs(target) * within
            return Window(target - half, target + half, self.pointer)
        low, high = self.number("at_least"), self.number("at_most")
        return Window(-math.inf if low is None else low, math.inf if high is None else high, self.pointer)


def asked(circuit: Circuit, kind: str) -> tuple[Asked, ...]:
    """The requirements of one kind, in the order of the document."""
    seen: Counter[tuple[str, ...]] = Counter()
    found = []
    for k, wanted in enumerate(circuit.requirements):
        if wanted.kind != kind:
            continue
        state = wanted.values.get("state")
        label = wanted.name or (state if isinstance(state, str) else kind)
        mark = label, str(wanted.values.get("net"))
        seen[mark] += 1
        found.append(
            Asked(f"/requirements/{k}", label if seen[mark] == 1 else f"{label} {seen[mark]}", wanted)
        )
    return tuple(found)


def re_arm(study: Study, delay: Delay) -> Window | None:
    """The strictest ``re-arm`` requirement that means this delay; ``high`` is what it allows, s."""
    found = [
        Window(0.0, item.window.high, f"{item.pointer}/at_most")
        for item in asked(study.circuit, "re-arm")
        if means(study.circuit, item, delay)
    ]
    return min(found, key=lambda window: (window.high, window.pointer), default=None)


def delay_requirement(study: Study, delay: Delay) -> Asked | None:
    """The first ``delay`` requirement that means this delay."""
    return next((item for item in asked(study.circuit, "delay") if means(study.circuit, item, delay)), None)


def delay_window(study: Study, delay: Delay) -> Window | None:
    """The window of the first ``delay`` requirement that means this delay; ``low`` is at least 0 s."""
    item = delay_requirement(study, delay)
    if item is None:
        return None
    window = item.window
    return Window(max(0.0, window.low), window.high, item.pointer)


def means(circuit: Circuit, item: Asked, delay: Delay) -> bool:
    """True when stimulus and state of a requirement, as far as given, fit the delay."""
    stimulus = item.text("stimulus")
    if stimulus and stimulus not in delay.timed.configuration.reached_by:
        return False
    if item.state:
        regions = circuit.states.get(item.state)
        return regions is not None and matches(delay.timed.state.devices, regions)
    return True
