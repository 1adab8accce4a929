"""How tests look at a sheet of hand working: by id, against the solver, worked out again from its JSON."""

from __future__ import annotations

import math
from typing import Any

import pytest

from rules.analysis.configurations import configurations
from rules.analysis.derivation.expression import evaluate, symbols
from rules.analysis.derivation.model import Sheet, Step
from rules.analysis.derivation.sheet import sheet_of
from rules.analysis.resolve import resolve
from rules.analysis.states import State, find_states
from schemas.circuit import Circuit
from tests.builders import solve

Json = dict[str, Any]
RELATIVE = 1e-9


def sheets(circuit: Circuit, **options: Any) -> dict[str, Sheet]:
    """The sheet of every state of one configuration, by the name of the state."""
    return {state.name: sheet_of(state) for state in solve(circuit, **options).states}


def steps(sheet: Sheet) -> dict[str, Step]:
    return {step.unknown.id: step for step in sheet.steps}


def differences(state: State, sheet: Sheet) -> list[str]:
    """Every quantity in which the sheet ends elsewhere than the solver.

    Relative to the quantity itself or to the largest of its kind, which a rounding error follows.
    """
    values, wrong = sheet.values(), []
    resolved = state.mode.network.resolved
    sources = [
        abs(resolved.value(part.name, "voltage"))
        for part in resolved.circuit.parts.values()
        if part.kind in ("battery", "supply")
    ]
    top = max([*sources, *(abs(volts) for volts in state.nets.values() if volts is not None)])
    amperes = [abs(a) for pins in state.currents.values() for a in pins.values() if a is not None]
    most = max([1e-6, *amperes])
    for net, volts in state.nets.items():
        if volts is None:
            continue
        found = values.get(sheet.nets[net], math.nan) if net in sheet.nets else 0.0
        if not abs(found - volts) <= RELATIVE * max(abs(volts), top):
            wrong.append(f"V({net}): {found!r}, solver {volts!r}")
    for part, pins in state.currents.items():
        for pin, ampere in pins.items():
            if ampere is None:
                continue
            sign, key = sheet.currents.get((part, pin), (0, ""))
            found = sign * values.get(key, math.nan) if key else 0.0
            if not abs(found - ampere) <= RELATIVE * max(abs(ampere), most):
                wrong.append(f"I({part}.{pin}): {found!r}, solver {ampere!r}")
    return wrong


def worked_out(tree: Json, values: dict[str, float]) -> float:
    """A formula of an answer, evaluated by nothing but its tree."""
    of = [worked_out(item, values) for item in tree.get("of", ())] if isinstance(tree.get("of"), list) else []
    match tree["op"]:
        case "symbol":
            return values[tree["id"]]
        case "number":
            return float(tree["value"])
        case "sum":
            return math.fsum(sign * item for sign, item in zip(tree["signs"], of, strict=True))
        case "product":
            return math.prod(of)
        case "quotient":
            return of[0] / of[1]
        case "parallel":
            return 1.0 / math.fsum(1.0 / item for item in of)
        case "log":
            return math.log(of[0])
        case other:
            raise AssertionError(other)


def honest(sheet: Sheet) -> list[str]:
    """Steps whose number is not that of their formula, or that use what is not there yet."""
    values = {given.symbol.id: given.value for given in sheet.givens}
    wrong = []
    for step in sheet.steps:
        if not set(symbols(step.formula)) <= set(values) or step.uses != symbols(step.formula):
            wrong.append(f"{step.unknown.id} uses {step.uses}")
            continue
        if evaluate(step.formula, values) != step.value or step.unknown.id in values:
            wrong.append(f"{step.unknown.id} = {step.value}")
        values[step.unknown.id] = step.value
        rough = step.approximate
        if rough is not None and rough.value != evaluate(rough.formula, values):
            wrong.append(f"quick {step.unknown.id}")
        if rough is not None and rough.difference is not None:
            exact = pytest.approx(rough.value / step.value - 1.0, rel=1e-9, abs=1e-12)
            wrong += [] if rough.difference == exact else [f"difference of {step.unknown.id}"]
    return wrong


def every_sheet(subject: Circuit, most: int = 4) -> list[str]:
    resolved, wrong = resolve(subject), []
    for configuration in configurations(subject)[0][:most]:
        for state in find_states(resolved, configuration).states:
            sheet = sheet_of(state)
            found = [
                *differences(state, sheet),
                *honest(sheet),
                *(f"no step: {key}" for key in sheet.missing),
            ]
            found += [f"fails: {check.says}" for check in sheet.checks if check.holds is False]
            wrong += [f"{subject.name}, {configuration.key}, {state.name}: {item}" for item in found]
    return wrong
