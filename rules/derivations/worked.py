"""The numbers of a derivation: every step worked out with the values of its example, or with others."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from rules.derivations.model import Derivation, Relation, Step
from rules.derivations.text import in_numbers, lone, names, read
from rules.derivations.units import dimension, spoken

CLOSE = 1e-9
NOTHING = 1e-15  # what rounding leaves of a zero


@dataclass(frozen=True, slots=True)
class NumberedStep:
    """Both sides of one step as numbers in SI units; ``holds`` to nine figures."""

    place: int
    step: Step
    left: float
    right: float
    unit: str
    holds: bool


def holds(left: float, relation: Relation, right: float) -> bool:
    """Whether the relation holds, rounding allowed for."""
    if math.isclose(left, right, rel_tol=CLOSE, abs_tol=1e-300):
        return relation in ("=", "<=", ">=")
    return {"=": False, "<": left < right, "<=": left < right, ">": left > right, ">=": left > right}[
        relation
    ]


def value(text: str, values: Mapping[str, float]) -> float:
    """One side of a step as a number."""
    return float(read(text, in_numbers(values)))


def worked_out(derivation: Derivation, given: Mapping[str, float]) -> dict[str, float]:
    """Every symbol that the given ones and the steps lead to, each by the first step that gives it."""
    values = dict(given)
    waiting = list(derivation.steps)
    while True:
        for step in waiting:
            name = lone(step.left)
            if (
                step.relation == "="
                and name is not None
                and name not in values
                and names(step.right) <= set(values)
            ):
                values[name] = value(step.right, values)
                break
        else:
            return values
        waiting.remove(step)


def numbered(derivation: Derivation) -> tuple[dict[str, float], tuple[NumberedStep, ...]]:
    """The value of every symbol of the example and every step with it; ValueError where one has none."""
    values = worked_out(derivation, derivation.example)
    if missing := sorted({item.name for item in derivation.symbols} - set(values)):
        raise ValueError(f"the example gives no value for {', '.join(missing)}, and no step works it out")
    for item in derivation.symbols:
        low = item.domain != "real" and values[item.name] < 0.0
        if low or (item.domain == "positive" and values[item.name] == 0.0):
            raise ValueError(f"{item.name} is {item.domain}, and {values[item.name]!r} in the example")
    return values, tuple(number_step(derivation, place, values) for place in range(len(derivation.steps)))


def number_step(derivation: Derivation, place: int, values: Mapping[str, float]) -> NumberedStep:
    """One step in numbers; ValueError where it has none (a logarithm of what is negative)."""
    step = derivation.steps[place]
    try:
        left, right = value(step.left, values), value(step.right, values)
        if step.relation == "=" and right == 0.0 and abs(left) < NOTHING:
            left = 0.0
    except (ArithmeticError, ValueError, TypeError) as error:
        raise ValueError(f"step {place} has no number: {error}") from error
    declared = {item.name: item.unit for item in derivation.symbols}
    return NumberedStep(
        place, step, left, right, unit_of(step, declared), holds(left, step.relation, right)
    )


def unit_of(step: Step, declared: Mapping[str, str]) -> str:
    """The unit of both sides, as declared where the left one is a symbol; empty for a pure number."""
    name = lone(step.left)
    if name is not None:
        return declared[name]
    text = spoken(dimension(step.left, declared) or dimension(step.right, declared))
    return "" if text == "1" else text
