"""Quick working beside the exact one: the neglected base currents carried through to the end."""

from __future__ import annotations

from collections.abc import Sequence

from rules.analysis.derivation.expression import evaluate, symbols
from rules.analysis.derivation.model import Compared, Given, Step

SHOWN = 1e-6  # relative; what differs by less is the same


def compared(givens: Sequence[Given], steps: Sequence[Step]) -> tuple[Compared, ...]:
    """Every unknown that quick working gives another value, in the order of the steps."""
    values = {given.symbol.id: given.value for given in givens} | {
        step.unknown.id: step.value for step in steps
    }
    rough: dict[str, float] = {}
    found = []
    for step in steps:
        formula = step.rough or step.formula
        if step.rough is None and not rough.keys() & set(symbols(formula)):
            continue
        if step.kind == "together" and step.rough is None:
            continue  # what a block gives beside its first unknown would turn a small slip into a large one
        try:
            value = evaluate(formula, values | rough)
        except (ZeroDivisionError, KeyError):
            continue
        if abs(value - step.value) > SHOWN * max(abs(value), abs(step.value)):
            rough[step.unknown.id] = value
            difference = None if step.value == 0.0 else value / step.value - 1.0
            found.append(Compared(step.unknown, value, step.value, difference))
    return tuple(found)
