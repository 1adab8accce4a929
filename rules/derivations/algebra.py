"""Does one relation follow from others?  Elimination, and a test for zero that is both exact and numeric.

Everything is a SymPy expression over symbols that carry their domain.  SymPy
alone may be too bold (a logarithm split under the wrong sign) and numbers alone
prove nothing, so that an equation counts only when both agree.
"""

from __future__ import annotations

import random
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

POINTS = 6  # points at which an equation is tried besides
ATTEMPTS = 200  # points drawn to find them within the domain
NARROW, WIDE = 3.0, 7.0  # powers of two around the example
TINY = 1e-25  # relative, at 50 digits
DIGITS = 50


@dataclass(frozen=True, slots=True)
class Slack:
    """``value`` is not negative (above zero when ``strict``) exactly when the inequality holds."""

    value: Any
    strict: bool


@dataclass(frozen=True, slots=True)
class Elimination:
    """Equations solved one after the other: each symbol by the ones that come later or stay free."""

    solved: tuple[tuple[Any, Any], ...]

    def into(self, expression: Any) -> Any:
        for symbol, value in self.solved:
            expression = expression.subs(symbol, value)
        return expression


def points(example: Mapping[Any, float], seed: str) -> Iterator[dict[Any, Fraction]]:
    """Exact rational points around the example, the same every time; the example itself comes first."""
    yield {symbol: Fraction(repr(value)) for symbol, value in example.items()}
    draw = random.Random(seed)
    for attempt in range(ATTEMPTS):
        spread = NARROW if attempt % 3 else WIDE
        point = {}
        for symbol in sorted(example, key=str):
            factor = Fraction(round(2.0 ** draw.uniform(-spread, spread) * 997), 997)
            sign = -1 if not symbol.is_nonnegative and draw.random() < 0.2 else 1
            point[symbol] = sign * factor * (Fraction(repr(example[symbol])) or Fraction(1))
        yield point


def number(expression: Any, point: Mapping[Any, Fraction]) -> Any:
    """The real value at a point to 50 digits, or ``None`` where there is none."""
    import sympy

    exact = {symbol: sympy.Rational(value.numerator, value.denominator) for symbol, value in point.items()}
    found = sympy.sympify(expression).evalf(DIGITS, subs=exact)
    if not found.is_number or not found.is_finite or not found.is_real:
        return None
    return found


def zero(left: Any, right: Any, example: Mapping[Any, float], seed: str) -> bool:
    """Whether left and right are the same, by SymPy and at points within the domain."""
    return same_in_numbers(left, right, example, seed) and simplified(left - right) == 0


def same_in_numbers(left: Any, right: Any, example: Mapping[Any, float], seed: str) -> bool:
    """Whether both sides have one value at every point tried; cheap, and tried first."""
    free = {symbol: example[symbol] for symbol in left.free_symbols | right.free_symbols}
    tried = 0
    for point in points(free, seed):
        a, b = number(left, point), number(right, point)
        if a is None or b is None:
            continue
        if abs(a - b) > TINY * _size(left - right, point):
            return False
        tried += 1
        if tried >= POINTS or not free:
            return True
    return False


def _size(expression: Any, point: Mapping[Any, Fraction]) -> Any:
    """What the terms of a sum amount to, each without its sign: what a difference is measured by."""
    import sympy

    terms = (number(term, point) for term in sympy.Add.make_args(expression))
    return sum((abs(term) for term in terms if term is not None), sympy.Integer(0))


def simplified(expression: Any) -> Any:
    """Zero if SymPy can make it so, the cheap ways first."""
    import sympy

    for way in (
        lambda e: sympy.cancel(sympy.together(e)),
        lambda e: sympy.cancel(sympy.together(sympy.expand_log(sympy.logcombine(e, force=True), force=True))),
        lambda e: sympy.cancel(
            sympy.together(
                sympy.expand_log(
                    e.replace(
                        lambda x: isinstance(x, sympy.log), lambda x: sympy.log(sympy.factor(x.args[0]))
                    ),
                    force=True,
                )
            )
        ),
        lambda e: sympy.simplify(_as_exponentials(e)),
        sympy.simplify,
        lambda e: sympy.simplify(sympy.expand_log(e, force=True)),
        lambda e: sympy.simplify(sympy.logcombine(e, force=True)),
    ):
        expression = way(expression)
        if expression == 0:
            return expression
    return expression


def _as_exponentials(expression: Any) -> Any:
    """Powers with a symbol up there as exponentials, and what is under a logarithm split into factors."""
    import sympy

    return expression.replace(
        lambda e: e.is_Pow and not e.exp.is_number,
        lambda e: sympy.exp(e.exp * sympy.expand_log(sympy.log(sympy.factor(e.base)), force=True)),
    ).replace(
        lambda e: isinstance(e, sympy.log),
        lambda e: sympy.expand_log(sympy.log(sympy.factor(e.args[0])), force=True),
    )


def follows(
    left: Any,
    right: Any,
    equations: Sequence[tuple[Any, Any]],
    first: Sequence[Any],
    example: Mapping[Any, float],
    seed: str,
) -> Elimination | None:
    """How ``left = right`` follows from the equations, the symbols in ``first`` gone; else ``None``."""
    spare = [symbol for symbol in _ordered(left, right) if symbol not in first]
    rest = [a - b for a, b in equations]
    return _search(left, right, rest, [*first, *spare], frozenset(first), example, seed, ())


def _ordered(left: Any, right: Any) -> list[Any]:
    head = [left] if left.is_Symbol else []
    return head + sorted((left.free_symbols | right.free_symbols) - set(head), key=str)


def _search(
    left: Any,
    right: Any,
    rest: Sequence[Any],
    order: Sequence[Any],
    gone: frozenset[Any],
    example: Mapping[Any, float],
    seed: str,
    solved: tuple[tuple[Any, Any], ...],
) -> Elimination | None:
    clean = not gone & (left.free_symbols | right.free_symbols)
    if clean and zero(left, right, example, seed):
        return Elimination(solved)
    for symbol in order:
        for place, equation in enumerate(rest):
            if symbol not in equation.free_symbols:
                continue
            for value in isolate(equation, symbol, example):
                others = [item.subs(symbol, value) for at, item in enumerate(rest) if at != place]
                later = [item for item in order if item is not symbol]
                found = _search(
                    left.subs(symbol, value),
                    right.subs(symbol, value),
                    others,
                    later,
                    gone,
                    example,
                    seed,
                    (*solved, (symbol, value)),
                )
                if found is not None:
                    return found
        if symbol in gone and any(symbol in item.free_symbols for item in rest):
            return None  # has to go, and no equation gives it up
    return None


def isolate(equation: Any, symbol: Any, example: Mapping[Any, float]) -> list[Any]:
    """The symbol from ``equation = 0``: the one solution, or of several those that the example lies on."""
    import sympy

    flat = sympy.fraction(sympy.together(equation))[0]
    slope = sympy.expand(sympy.diff(flat, symbol))
    if symbol not in slope.free_symbols:
        if slope == 0:
            return []
        return [sympy.cancel(-flat.subs(symbol, 0) / slope)]
    try:
        found = sympy.solve(equation, symbol)
    except NotImplementedError:
        return []
    if len(found) < 2:
        return list(found)
    here = {item: Fraction(repr(value)) for item, value in example.items()}
    return [
        value
        for value in found
        if (got := number(value, here)) is not None and abs(got - example[symbol]) <= 1e-6 * abs(got)
    ]


def boundary_and_side(
    target: Slack,
    premises: Sequence[Slack],
    equations: Sequence[tuple[Any, Any]],
    first: Sequence[Any],
    example: Mapping[Any, float],
    seed: str,
) -> str | None:
    """How an inequality follows from others, as words; ``None`` when it does not.

    Its boundary has to follow from all premises taken as equations (or it has
    to be no stronger than one premise), and no point of the domain may fulfil
    the premises and not the target.
    """
    import sympy

    if not premises:
        for alone_first in (True, False):
            chain = solve_away(equations, first, target.value, example, alone_first)
            flat = (
                None
                if chain is None
                else sympy.factor(sympy.cancel(sympy.together(chain.into(target.value))))
            )
            if flat is not None and (flat.is_positive if target.strict else flat.is_nonnegative):
                return "its sign is that of its symbols"
        return None
    chain = solve_away(equations, first, target.value, example)
    if chain is None:
        return None
    goal = chain.into(target.value)
    given = [Slack(chain.into(item.value), item.strict) for item in premises]
    if len(given) == 1:
        factor = sympy.factor(sympy.cancel(sympy.together(goal / given[0].value)))
        if (
            factor.is_positive
            and not set(first) & goal.free_symbols
            and (given[0].strict or not target.strict)
        ):
            return "both sides multiplied by what is positive"
        if _weaker(goal, given[0].value) and not set(first) & goal.free_symbols:
            return "weaker than the relation used"
    bounds = [(item.value, sympy.Integer(0)) for item in premises]
    if follows(target.value, sympy.Integer(0), [*equations, *bounds], first, example, seed) is None:
        return None
    return (
        "boundary exact, side tried at points of the domain"
        if _implied(goal, given, target, example, seed, chain)
        else None
    )


def _weaker(goal: Any, given: Any) -> bool:
    import sympy

    more = sympy.factor(sympy.cancel(sympy.together(goal - given)))
    return bool(more.is_nonnegative)


def solve_away(
    equations: Sequence[tuple[Any, Any]],
    first: Sequence[Any],
    target: Any,
    example: Mapping[Any, float],
    alone_first: bool = True,
) -> Elimination | None:
    """The equations solved, each for one symbol: what has to go, what stands alone, then others."""
    rest = [a - b for a, b in equations]
    solved: list[tuple[Any, Any]] = []
    known = {symbol for equation in rest for symbol in equation.free_symbols}
    alone = {left for left, right in equations if left.is_Symbol and left not in right.free_symbols}
    order = [*first, *(sorted(alone - set(first), key=str) if alone_first else ())]
    order += sorted(known & target.free_symbols - set(order), key=str)
    order += sorted(known - set(order), key=str)
    for symbol in order:
        for equation in rest:
            if symbol not in equation.free_symbols:
                continue
            values = isolate(equation, symbol, example)
            if len(values) == 1:
                rest = [item.subs(symbol, values[0]) for item in rest if item is not equation]
                rest = [item for item in rest if item != 0]
                solved.append((symbol, values[0]))
                break
    return Elimination(tuple(solved)) if not rest else None


def _implied(
    goal: Any,
    given: Sequence[Slack],
    target: Slack,
    example: Mapping[Any, float],
    seed: str,
    chain: Elimination,
) -> bool:
    """No counterexample among the points, and points on both sides of the limit among them."""
    done = {symbol for symbol, _ in chain.solved}
    used = set(goal.free_symbols).union(*(item.value.free_symbols for item in given))
    used = used.union(*(value.free_symbols for _, value in chain.solved)) - done
    inside = outside = 0
    for point in points({symbol: example[symbol] for symbol in used}, seed):
        if not _within(chain, point):
            continue
        left = number(goal, point)
        sides = [number(item.value, point) for item in given]
        if left is None or any(side is None for side in sides):
            continue
        if all(side > 0 for side in sides):
            if left < -TINY:
                return False
            inside += 1
        elif left < 0:
            outside += 1
        if inside >= 20 and outside >= 5:
            return True
    return inside >= 5 and outside >= 2


def _within(chain: Elimination, point: Mapping[Any, Fraction]) -> bool:
    """Whether every symbol solved for lies in its own domain at this point."""
    for place, (symbol, value) in enumerate(chain.solved):
        found = number(Elimination(chain.solved[place + 1 :]).into(value), point)
        if found is None or (symbol.is_positive and found <= 0) or (symbol.is_nonnegative and found < 0):
            return False
    return True
