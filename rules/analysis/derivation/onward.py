"""How a state that a capacitor holds goes on: slope, aim, time constant, and the time to the next change."""

from __future__ import annotations

import math

from rules.analysis.derivation.expression import (
    Expr,
    Log,
    Ref,
    add,
    evaluate,
    negative,
    over,
    symbols,
    times,
)
from rules.analysis.derivation.facts import Facts
from rules.analysis.derivation.model import Given, NextEvent, Step
from rules.analysis.derivation.symbols import named
from rules.analysis.frozen import TimedState


def onward(facts: Facts, values: dict[str, float], timed: TimedState) -> NextEvent | None:
    """The first piece of the course of a timed state; ``None`` where it stands still."""
    if not timed.phase.segments:
        return None
    name = timed.capacitor
    piece = timed.phase.segments[0]
    capacitance = named("C", name, "F")
    known = facts.givens.resolved.values[(name, "capacitance")]
    givens = [Given(capacitance, known.value, f"capacitance of {name}", known.pointer, known.origin)]
    numbers = dict(values) | {capacitance.id: known.value}
    steps: list[Step] = []

    def given(base: str, unit: str, value: float, meaning: str) -> Expr:
        symbol = named(base, name, unit)
        givens.append(Given(symbol, value, meaning, "", "course"))
        numbers[symbol.id] = value
        return Ref(symbol)

    def step(base: str, unit: str, says: str, formula: Expr) -> Expr:
        symbol = named(base, name, unit)
        numbers[symbol.id] = evaluate(formula, numbers)
        steps.append(Step(symbol, "course", says, formula, symbols(formula), numbers[symbol.id]))
        return Ref(symbol)

    current = named("I", name, "A")
    sign = -1 if facts.currents.get((name, "plus"), facts.currents.get((name, "a"), (1, "")))[0] < 0 else 1
    charge = Ref(current) if sign > 0 else negative(Ref(current))
    if current.id in numbers and numbers[current.id] != 0.0:
        step("dU/dt", "V/s", f"what flows into {name} moves it at first", over(charge, Ref(capacitance)))
    start = Ref(named("U", name, "V"))
    threshold = given("U_end", "V", piece.end, f"voltage of {name} at which the next region changes")
    if piece.aim is not None and piece.tau is not None and piece.tau > 0.0 and math.isfinite(piece.duration):
        aim = given("U_aim", "V", piece.aim, f"voltage for which {name} is bound")
        ohms = given("R", "ohm", piece.tau / known.value, f"resistance that {name} sees")
        tau = step("tau", "s", "time constant", times(ohms, Ref(capacitance)))
        left = over(add((1, aim), (-1, start)), add((1, aim), (-1, threshold)))
        step("t", "s", f"time until {name} is there", times(tau, Log(left)))
    elif math.isfinite(piece.duration) and piece.current_start and piece.tau is None:
        step(
            "t",
            "s",
            f"time until {name} is there at a steady current",
            over(times(Ref(capacitance), add((1, threshold), (-1, start))), charge),
        )
    return NextEvent(name, _says(timed), tuple(givens), tuple(steps))


def _says(timed: TimedState) -> str:
    pieces = timed.phase.segments
    if len(pieces) > 1:
        before, after = pieces[0].devices, pieces[1].devices
        changes = [
            f"{name} {before[name]} -> {after[name]}" for name in before if after.get(name) != before[name]
        ]
        what = ", ".join(changes) or "the next region changes"
    else:
        what = "the state ceases to exist" if timed.phase.end == "fold" else "it comes to rest"
    way = "climbs" if pieces[0].end > pieces[0].start else "falls"
    return f"{timed.capacitor} {way} until {what}"

