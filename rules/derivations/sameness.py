"""Are two expressions the same?  By SymPy, and at exact points around the example.

SymPy alone may be too bold (a logarithm split under the wrong sign) and numbers
alone prove nothing, so that a sameness counts only when both agree.
"""

from __future__ import annotations

import random
from collections.abc import Iterator, Mapping
from fractions import Fraction
from typing import Any

POINTS = 6  # points at which an equation is tried besides
ATTEMPTS = 200  # points drawn to find them within the domain
NARROW, WIDE = 3.0, 7.0  # powers of two around the example
TINY = 1e-25  # relative, at 50 digits
DIGITS = 50


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
        if abs(a - b) > TINY * size(left - right, point):
            return False
        tried += 1
        if tried >= POINTS or not free:
            return True
    return False


def size(expression: Any, point: Mapping[Any, Fraction]) -> Any:
    """What the terms of a sum amount to, each without its sign: what a difference is measured by."""
    import sympy

    terms = (number(term, point) for term in sympy.Add.make_args(expression))
    return sum((abs(term) for term in terms if term is not None), sympy.Integer(0))


def size_at(equation: Any, symbol: Any, at: Any, point: Mapping[Any, Fraction]) -> Any:
    """The same, with one more symbol at a number."""
    import sympy

    terms = (number(term.subs(symbol, at), point) for term in sympy.Add.make_args(equation))
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
