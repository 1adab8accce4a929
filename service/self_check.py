"""A circuit whose answer is known: what readiness is judged by."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

from service.ruleset import Ruleset, brief

CIRCUIT = b"""\
format: thumbrule/1
name: readiness-switch
title: A saturated switch, worked by hand
ground: gnd
parts:
  V1: {kind: supply, voltage: 8.9 V, low: 8.9 V, high: 8.9 V, pins: {plus: rail, minus: gnd}}
  R1: {kind: resistor, resistance: 8.2 kohm, tolerance: 1 %, power: 0.25 W, pins: {a: rail, b: base}}
  R2: {kind: resistor, resistance: 1 kohm, tolerance: 1 %, power: 0.25 W, pins: {a: rail, b: out}}
  Q1: {kind: npn, beta: {min: 100, typical: 200, max: 400}, pins: {collector: out, base: base, emitter: gnd}}
assumptions: {vbe_on: 0.7 V, vce_sat: 0.2 V}
"""

# By hand: I_B = (8.9 - 0.7) V / 8.2 kohm = 1 mA; saturated, I_C = (8.9 - 0.2) V / 1 kohm = 8.7 mA < 100 I_B.
VOLTAGES = {"base": 0.7, "gnd": 0.0, "out": 0.2, "rail": 8.9}
CURRENTS = {"base": 1e-3, "collector": 8.7e-3, "emitter": -9.7e-3}


class WrongAnswer(Exception):
    """The known circuit got another answer than the known one."""


def run_checks(ruleset: Ruleset) -> list[dict[str, Any]]:
    """Each check as ``{"name", "ok", "detail"}``; a check that raises is not ok."""
    checks: tuple[tuple[str, Callable[[Ruleset], str]], ...] = (
        ("rules loaded", _rules_loaded),
        ("schemas compiled", _schemas),
        ("known states", _known_states),
        ("known review", _known_review),
    )
    results = []
    for name, check in checks:
        try:
            results.append({"name": name, "ok": True, "detail": check(ruleset)})
        except WrongAnswer as wrong:
            results.append({"name": name, "ok": False, "detail": str(wrong)})
        except Exception as error:  # whatever is broken, readiness has to say so rather than break too
            results.append({"name": name, "ok": False, "detail": brief(error)})
    return results


def _rules_loaded(ruleset: Ruleset) -> str:
    if ruleset.faults:
        raise WrongAnswer("; ".join(map(str, ruleset.faults)))
    if not ruleset.rules:
        raise WrongAnswer("there is no rule")
    return f"{len(ruleset.rules)} rules"


def _schemas(ruleset: Ruleset) -> str:
    from schemas.json_schema import circuit_schema

    return f"circuit schema with {len(circuit_schema()['properties'])} members"


def _known_states(ruleset: Ruleset) -> str:
    from service.documents import read_document
    from service.states import states_shape

    circuit = read_document(CIRCUIT, "yaml").circuit
    for beta in ("min", "typical", "max"):
        answer = states_shape(circuit, beta, {})
        states = [state for configuration in answer["configurations"] for state in configuration["states"]]
        if not answer["complete"] or len(states) != 1:
            raise WrongAnswer(f"{len(states)} states at {beta} beta instead of one")
        state = states[0]
        if state["devices"] != {"Q1": "saturated"} or not state["stable"] or state["index"] != 1:
            raise WrongAnswer(
                f"Q1 is {state['devices'].get('Q1')} at {beta} beta instead of saturated and stable"
            )
        _compare(state["nets"], VOLTAGES, "V")
        _compare(state["currents"]["Q1"], CURRENTS, "A")
    return "one saturated state at every beta corner, voltages and currents as worked by hand"


def _compare(found: dict[str, float | None], known: dict[str, float], unit: str) -> None:
    for name, value in known.items():
        got = found.get(name)
        if got is None or not math.isclose(got, value, rel_tol=1e-9, abs_tol=1e-12):
            raise WrongAnswer(f"{name} is {got} {unit} instead of {value} {unit}")


def _known_review(ruleset: Ruleset) -> str:
    from service.documents import read_document
    from service.engine import review

    found = review(read_document(CIRCUIT, "yaml").circuit, ruleset, remedies=False)
    failed = [outcome for outcome in found.outcomes if outcome.kind == "failed"]
    if failed:
        raise WrongAnswer("; ".join(f"{outcome.rule}: {outcome.reason}" for outcome in failed))
    if not found.complete:
        raise WrongAnswer("the review of the known circuit is incomplete")
    if found.findings:
        raise WrongAnswer(f"{found.findings[0].rule} is violated on a circuit that is known to be sound")
    return f"{len(found.outcomes)} outcomes, no finding"
