"""Sheets of hand working as JSON-ready data: the shape of ``POST /v1/sheets``.

Every formula comes three times: as text with symbols, as text with numbers, and
as a tree from which the value can be worked out again.  Undefined is ``None``.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from service.shapes import assumed_shape, finite

if TYPE_CHECKING:
    from rules.analysis.derivation.expression import Expr, Symbol
    from rules.analysis.derivation.model import Approximation, Check, Given, NextEvent, Sheet, Step
    from rules.analysis.frozen import TimedState
    from rules.analysis.states import State
    from rules.analysis.study import Study

Json = dict[str, Any]
_MEANINGS = {
    "V": "voltage of {}", "I": "current of {}", "I_B": "base current of {}", "I_C": "collector current of {}",
    "I_E": "emitter current of {}", "V_th": "open voltage at {}", "R_th": "resistance seen from {}",
    "R_p": "resistance of {} and its like in parallel", "tau": "time constant of {}", "t": "time of {}",
    "dU/dt": "slope of {} at first",
}  # fmt: skip


def names(study: Study, beta: str) -> tuple[str, ...]:
    """Every state that has a sheet: DC states, the unstable ones too, and timed states."""
    return tuple(sorted({state.name for state, _ in _wanted(study, beta, None)}))


def sheets_shape(study: Study, beta: str, state: str | None) -> Json:
    """The sheets of every state of that name, or of all; the name is known to be good."""
    from rules.analysis.configurations import configurations
    from rules.analysis.derivation.sheet import sheet_of
    from rules.analysis.study import assumed_in

    sets = study.state_sets(beta)
    made = [(found, timed, sheet_of(found, timed)) for found, timed in _wanted(study, beta, state)]
    whole = configurations(study.circuit)[1]
    problems = list(dict.fromkeys(found.reason for found in sets if found.reason))
    if not whole:
        problems.append("not every combination of contacts and drivers was looked at")
    problems.extend(
        f"{found.name}: no step gives {', '.join(sheet.missing)}" for found, _, sheet in made if sheet.missing
    )
    return {
        "circuit": study.circuit.name,
        "beta": beta,
        "complete": whole
        and all(found.complete for found in sets)
        and not any(s.missing for _, _, s in made),
        "sheets": [_sheet(found, timed, sheet) for found, timed, sheet in made],
        "assumed": [assumed_shape(item) for item in assumed_in(study.resolved, sets)],
        "problems": problems,
    }


def _wanted(study: Study, beta: str, name: str | None) -> list[tuple[State, TimedState | None]]:
    """States in the order of the configurations, each configuration's timed states after its DC states."""
    timing = study.timing(beta)
    found: list[tuple[State, TimedState | None]] = []
    for states in study.state_sets(beta):
        key = states.configuration.key
        found.extend((state, None) for state in states.states)
        found.extend((timed.state, timed) for timed in timing if timed.configuration.key == key)
    return [item for item in found if name is None or item[0].name == name]


def _sheet(state: State, timed: TimedState | None, sheet: Sheet) -> Json:
    configuration = state.mode.network.configuration
    values = sheet.values()
    return {
        "state": state.name,
        "stable": state.stable,
        "index": state.index,
        "timed": timed is not None,
        "contacts": dict(sorted(configuration.contacts.items())),
        "drivers": dict(sorted(configuration.drivers.items())),
        "held": finite(dict(sorted(state.mode.network.held.items()))),
        "assume": list(sheet.assume),
        "givens": [_given(given) for given in sheet.givens],
        "steps": [_step(step, values) for step in sheet.steps],
        "checks": [_check(check, values) for check in sheet.checks],
        "rough_vs_exact": [
            {
                "id": item.symbol.id,
                "symbol": _symbol(item.symbol),
                "unit": item.symbol.unit,
                "rough": finite(item.rough),
                "exact": finite(item.exact),
                "difference": finite(item.difference),
            }
            for item in sheet.compared
        ],
        "undefined": list(sheet.open),
        "missing": list(sheet.missing),
        "agreement": _agreement(state, sheet, values),
        "next": None if sheet.next is None else _next(sheet.next, values),
    }


def _agreement(state: State, sheet: Sheet, values: Mapping[str, float]) -> Json:
    """How far the sheet ends from the solver: the largest difference in V and in A."""
    volts = [
        abs(values[key] - found)
        for net, key in sheet.nets.items()
        if (found := state.nets[net]) is not None and key in values
    ]
    amperes = [
        abs(sign * values[key] - found)
        for (part, pin), (sign, key) in sheet.currents.items()
        if (found := state.currents[part][pin]) is not None and key in values
    ]
    return {"volts": max(volts, default=0.0), "amperes": max(amperes, default=0.0)}


def _symbol(symbol: Symbol) -> Json:
    return {"base": symbol.base, "of": symbol.of}


def _given(given: Given) -> Json:
    return {
        "id": given.symbol.id,
        "symbol": _symbol(given.symbol),
        "meaning": given.meaning,
        "value": finite(given.value),
        "unit": given.symbol.unit,
        "origin": given.origin,
        "pointer": given.pointer or None,
    }


def _meaning(symbol: Symbol, *, helping: bool) -> str:
    if helping:
        return "a helping number"
    return _MEANINGS.get(symbol.base.rstrip("23456789"), "{}").format(symbol.of)


def _step(step: Step, values: Mapping[str, float]) -> Json:
    from rules.analysis.derivation.expression import with_numbers, with_symbols

    return {
        "id": step.unknown.id,
        "kind": step.kind,
        "unknown": _meaning(step.unknown, helping=step.helping),
        "symbol": _symbol(step.unknown),
        "helping": step.helping,
        "says": step.says,
        "formula": with_symbols(step.formula),
        "numbers": with_numbers(step.formula, values),
        "tree": tree(step.formula),
        "value": finite(step.value),
        "unit": step.unknown.unit,
        "uses": list(step.uses),
        "together": [
            {
                "text": f"{with_symbols(left)} = {with_symbols(right)}",
                "left": tree(left),
                "right": tree(right),
            }
            for left, right in step.together
        ],
        "approximate": None if step.approximate is None else _approximate(step.approximate, values),
    }


def _approximate(rough: Approximation, values: Mapping[str, float]) -> Json:
    from rules.analysis.derivation.expression import with_numbers, with_symbols

    def beside(item: tuple[Expr, float] | None) -> Json | None:
        if item is None:
            return None
        return {
            "formula": with_symbols(item[0]),
            "numbers": with_numbers(item[0], values),
            "tree": tree(item[0]),
            "value": finite(item[1]),
        }

    return {
        "neglects": rough.neglects,
        "formula": with_symbols(rough.formula),
        "numbers": with_numbers(rough.formula, values),
        "tree": tree(rough.formula),
        "value": finite(rough.value),
        "difference": finite(rough.difference),
        "ratio": beside(rough.ratio),
        "shift": beside(rough.shift),
    }


def _check(check: Check, values: Mapping[str, float]) -> Json:
    from rules.analysis.derivation.expression import with_numbers, with_symbols

    formula = numbers = ""
    if check.left is not None and check.right is not None:
        formula = f"{with_symbols(check.left)} {check.relation} {with_symbols(check.right)}"
        numbers = f"{with_numbers(check.left, values)} {check.relation} {with_numbers(check.right, values)}"
    return {
        "kind": check.kind,
        "subject": check.subject,
        "says": check.says,
        "formula": formula,
        "numbers": numbers,
        "left": finite(check.left_value),
        "relation": check.relation,
        "right": finite(check.right_value),
        "unit": check.unit,
        "holds": check.holds,
    }


def _next(event: NextEvent, values: Mapping[str, float]) -> Json:
    numbers = dict(values) | {given.symbol.id: given.value for given in event.givens}
    numbers |= {step.unknown.id: step.value for step in event.steps}
    return {
        "capacitor": event.capacitor,
        "says": event.says,
        "givens": [_given(given) for given in event.givens],
        "steps": [_step(step, numbers) for step in event.steps],
    }


def tree(expr: Expr) -> Json:
    """A formula as nested operations; ``symbol`` and ``number`` are the leaves."""
    from rules.analysis.derivation import expression as e

    def operands(of: Sequence[Expr]) -> list[Json]:
        return [tree(item) for item in of]

    match expr:
        case e.Ref(symbol):
            return {"op": "symbol", "id": symbol.id, **_symbol(symbol)}
        case e.Number(value):
            return {"op": "number", "value": value}
        case e.Sum(terms):
            return {
                "op": "sum",
                "signs": [sign for sign, _ in terms],
                "of": operands([term for _, term in terms]),
            }
        case e.Product(factors):
            return {"op": "product", "of": operands(factors)}
        case e.Quotient(top, bottom):
            return {"op": "quotient", "of": operands((top, bottom))}
        case e.Parallel(of):
            return {"op": "parallel", "of": operands(of)}
        case e.Log(of):
            return {"op": "log", "of": operands((of,))}
