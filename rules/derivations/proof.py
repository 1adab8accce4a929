"""Proof of a derivation with SymPy: every step, every number, every plain formula.

``python -m rules.derivations.proof module:NAME`` prints the steps with the
numbers of the example and says what does not hold.
"""

from __future__ import annotations

import importlib
import math
import sys
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

from rules.derivations.form import faults_of_form
from rules.derivations.model import Derivation, Plain, Step
from rules.derivations.text import in_numbers, in_sympy, lone, names, read
from rules.derivations.traced import Traced, Untraceable, arguments, find, rebound
from rules.derivations.worked import NumberedStep, numbered

CLOSE = 1e-9
PLAIN_POINTS = 40


@dataclass(frozen=True, slots=True)
class ProvenStep:
    """A step with the numbers of the example, and how it is known."""

    numbered: NumberedStep
    how: str
    problem: str = ""

    @property
    def step(self) -> Step:
        return self.numbered.step


@dataclass(frozen=True, slots=True)
class ProvenPlain:
    """A plain formula against the right side of its step."""

    plain: Plain
    how: str
    problem: str = ""


@dataclass(frozen=True, slots=True)
class Proof:
    """What was proven of a derivation; ``problems`` is empty when all of it holds."""

    derivation: Derivation
    values: Mapping[str, float]
    steps: tuple[ProvenStep, ...]
    plain: tuple[ProvenPlain, ...]
    faults: tuple[str, ...] = ()

    @property
    def problems(self) -> tuple[str, ...]:
        return (
            *self.faults,
            *(f"step {item.numbered.place}: {item.problem}" for item in self.steps if item.problem),
            *(f"{item.plain.function}: {item.problem}" for item in self.plain if item.problem),
        )

    @property
    def proven(self) -> bool:
        return not self.problems


def load(path: str) -> Derivation:
    """The derivation at ``package.module:NAME``; ValueError when there is none."""
    module, _, name = path.partition(":")
    try:
        found = getattr(importlib.import_module(module), name)
    except (ImportError, AttributeError) as error:
        raise ValueError(f"{path!r} names no derivation: {error}") from error
    if not isinstance(found, Derivation):
        raise ValueError(f"{path!r} is {type(found).__name__}, not a Derivation")
    return found


def prove(derivation: Derivation) -> Proof:
    """Everything that can be said against a derivation, and for it."""
    faults = list(faults_of_form(derivation))
    if faults:
        return Proof(derivation, {}, (), (), tuple(faults))
    try:
        values, steps = numbered(derivation)
    except ValueError as error:
        return Proof(derivation, {}, (), (), (str(error),))
    symbols = _symbols(derivation)
    sides = [_sides(step, symbols) for step in derivation.steps]
    example = {symbols[name]: value for name, value in values.items()}
    proven = tuple(_step(derivation, item, sides, symbols, example) for item in steps)
    plain = tuple(_plain(derivation, item, values, symbols, example) for item in derivation.plain)
    return Proof(derivation, values, proven, plain)


def _symbols(derivation: Derivation) -> dict[str, Any]:
    import sympy

    domains: dict[str, dict[str, bool]] = {
        "positive": {"positive": True},
        "nonnegative": {"nonnegative": True},
        "real": {"real": True},
    }
    return {item.name: sympy.Symbol(item.name, **domains[item.domain]) for item in derivation.symbols}


def _sides(step: Step, symbols: Mapping[str, Any]) -> tuple[Any, Any]:
    import sympy

    arithmetic = in_sympy(symbols)
    return sympy.sympify(read(step.left, arithmetic)), sympy.sympify(read(step.right, arithmetic))


def _step(
    derivation: Derivation,
    item: NumberedStep,
    sides: Sequence[tuple[Any, Any]],
    symbols: Mapping[str, Any],
    example: Mapping[Any, float],
) -> ProvenStep:
    from rules.derivations.algebra import boundary_and_side, follows
    from rules.derivations.sameness import zero

    step = item.step
    if step.why in ("law", "definition") and not item.holds:
        return ProvenStep(
            item, step.why, f"the example breaks it: {item.left!r} {step.relation} {item.right!r}"
        )
    if step.why != "derived":
        return ProvenStep(item, step.why)
    left, right = sides[item.place]
    seed = f"{derivation.slug} {item.place}"
    first = [symbols[name] for name in step.without]
    equations = [sides[at] for at in step.uses if derivation.steps[at].relation == "="]
    bounds = [
        _slack(derivation.steps[at], *sides[at]) for at in step.uses if derivation.steps[at].relation != "="
    ]
    from_words = f"from {_listed(step.uses)}" if step.uses else "algebra"
    if step.without:
        from_words += f" without {', '.join(step.without)}"
    if step.relation == "=":
        if bounds:
            return ProvenStep(item, "", "an equation does not follow from an inequality")
        if step.uses and zero(left, right, example, seed):
            return ProvenStep(item, "", "it holds by itself: the steps in uses say nothing for it")
        if follows(left, right, equations, first, example, seed) is None:
            return ProvenStep(item, "", f"{step.left} = {step.right} does not follow {from_words}")
        how = from_words
    else:
        found = boundary_and_side(_slack(step, left, right), bounds, equations, first, example, seed)
        if found is None:
            told = f"{step.left} {step.relation} {step.right}"
            return ProvenStep(item, "", f"{told} does not follow {from_words}")
        how = f"{from_words}; {found}"
    if not item.holds and all(_holds(derivation, at, example, sides) for at in step.uses):
        return ProvenStep(item, how, f"the example breaks it: {item.left!r} {step.relation} {item.right!r}")
    return ProvenStep(item, how)


def _holds(
    derivation: Derivation, at: int, example: Mapping[Any, float], sides: Sequence[tuple[Any, Any]]
) -> bool:
    from rules.derivations.worked import holds

    left, right = (float(side.evalf(30, subs=dict(example))) for side in sides[at])
    return holds(left, derivation.steps[at].relation, right)


def _slack(step: Step, left: Any, right: Any) -> Any:
    from rules.derivations.algebra import Slack

    value = right - left if step.relation in ("<", "<=") else left - right
    return Slack(value, step.relation in ("<", ">"))


def _listed(places: Sequence[int]) -> str:
    return ("step " if len(places) == 1 else "steps ") + ", ".join(str(place) for place in places)


def _plain(
    derivation: Derivation,
    plain: Plain,
    values: Mapping[str, float],
    symbols: Mapping[str, Any],
    example: Mapping[Any, float],
) -> ProvenPlain:
    from rules.derivations.sameness import zero

    step = derivation.steps[plain.step]
    try:
        function = find(plain.function)
    except ValueError as error:
        return ProvenPlain(plain, "", str(error))
    exact = {name: read(text, in_sympy(symbols)) for name, text in plain.arguments.items()}
    near = {name: read(text, in_numbers(values)) for name, text in plain.arguments.items()}
    try:
        got = rebound(function)(**arguments({name: _traced(exact[name], near[name]) for name in exact}))
        got = getattr(got, plain.member) if plain.member else got
        if not isinstance(got, Traced):
            raise Untraceable(f"it gives {got!r}")
    except (Untraceable, TypeError, AttributeError) as error:
        return _at_points(derivation, plain, function, symbols, example, str(error))
    except ValueError as error:
        return ProvenPlain(plain, "", f"refuses the example: {error}")
    fixed = _constants(derivation, symbols)
    if zero(got.exact.subs(fixed), _sides(step, symbols)[1].subs(fixed), example, plain.function):
        return ProvenPlain(plain, f"equal to the right side of step {plain.step}, symbol by symbol")
    return ProvenPlain(plain, "", f"gives {got.exact}, step {plain.step} says {step.right}")


def _constants(derivation: Derivation, symbols: Mapping[str, Any]) -> dict[Any, Any]:
    """What a premise fixes as a number, like the 10 K that double a leakage: a formula may hold it too."""
    found = ((lone(step.left), step) for step in derivation.steps if step.relation == "=")
    return {
        symbols[name]: _sides(step, symbols)[1]
        for name, step in found
        if name is not None and step.why != "derived" and not names(step.right)
    }


def _traced(exact: Any, near: Any) -> Any:
    if isinstance(near, tuple):
        return tuple(_traced(a, b) for a, b in zip(exact, near, strict=True))
    return None if near is None else Traced(exact, float(near))


def _at_points(
    derivation: Derivation,
    plain: Plain,
    function: Any,
    symbols: Mapping[str, Any],
    example: Mapping[Any, float],
    reason: str,
) -> ProvenPlain:
    """Compared at many exact points, where the function cannot be followed symbol by symbol."""
    from rules.derivations.sameness import number, points

    right = _sides(derivation.steps[plain.step], symbols)[1]
    tried = 0
    fixed = {symbol: Fraction(str(value)) for symbol, value in _constants(derivation, symbols).items()}
    for point in points(example, plain.function):
        point |= fixed
        values = {str(symbol): float(value) for symbol, value in point.items()}
        wanted = number(right, point)
        if wanted is None:
            continue
        try:
            got = function(
                **arguments({name: read(text, in_numbers(values)) for name, text in plain.arguments.items()})
            )
            got = getattr(got, plain.member) if plain.member else got
        except (ValueError, ZeroDivisionError, OverflowError):
            continue
        if got is None or not math.isclose(float(got), float(wanted), rel_tol=CLOSE):
            return ProvenPlain(
                plain, "", f"gives {got!r}, step {plain.step} says {float(wanted)!r}, at {values}"
            )
        tried += 1
        if tried == PLAIN_POINTS:
            break
    if tried < 5:
        return ProvenPlain(plain, "", f"could be compared at {tried} points only ({reason})")
    return ProvenPlain(plain, f"equal to step {plain.step} at {tried} points ({reason})")


def told(proof: Proof) -> Iterator[str]:
    """The proof line by line."""
    for item in proof.steps:
        step = item.step
        yield f"{item.numbered.place}. {step.says}"
        yield f"   {step.left} {step.relation} {step.right}    [{item.how or 'NOT PROVEN'}]"
        unit = f" {item.numbered.unit}" if item.numbered.unit not in ("", "1") else ""
        yield f"   {item.numbered.left:.4g} {step.relation} {item.numbered.right:.4g}{unit}" + (
            "" if item.numbered.holds else "   (not for the example)"
        )
    for plain in proof.plain:
        yield f"{plain.plain.function}: {plain.how or 'NOT PROVEN'}"
    for problem in proof.problems:
        yield f"problem: {problem}"


def main(paths: Sequence[str]) -> int:
    bad = 0
    for path in paths:
        proof = prove(load(path))
        print(*told(proof), sep="\n")
        bad += not proof.proven
    return 1 if bad or not paths else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
