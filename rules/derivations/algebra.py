"""Does one relation follow from others?  By elimination: equations solved one after the other.

Everything is a SymPy expression over symbols that carry their domain.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

from rules.derivations.sameness import TINY, number, points, size_at, zero


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
                others = [_tidy(item.subs(symbol, value)) for at, item in enumerate(rest) if at != place]
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


def _tidy(expression: Any) -> Any:
    """Exponentials taken together, so that a symbol that has gone is seen to have gone."""
    import sympy

    return sympy.powsimp(expression) if expression.has(sympy.exp) else expression


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
        found = sympy.solve(equation, symbol, check=False, simplify=False)
    except NotImplementedError:
        return []  # SymPy knows no way: the symbol stands inside a logarithm or a power and outside of it
    free = {item: example[item] for item in equation.free_symbols - {symbol}}
    found = [value for value in found if _solves(equation, symbol, value, free)]
    if len(found) < 2:
        return found
    here = {item: Fraction(repr(value)) for item, value in example.items()}
    return [
        value
        for value in found
        if (got := number(value, here)) is not None and abs(got - example[symbol]) <= 1e-6 * abs(got)
    ]


def _solves(equation: Any, symbol: Any, value: Any, free: Mapping[Any, float]) -> bool:
    """Whether the equation holds with the solution put in, at points of the domain."""
    put_in = equation.subs(symbol, value)
    tried = 0
    for point in points(free, str(symbol)):
        at, left = number(value, point), number(put_in, point)
        if at is None or left is None:
            continue
        if abs(left) > TINY * size_at(equation, symbol, at, point):
            return False
        tried += 1
        if tried == 3 or not free:
            return True
    return False


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
            if chain is None:
                continue
            flat = _factored(chain.into(target.value))
            if flat.is_positive if target.strict else flat.is_nonnegative:
                return "its sign is that of its symbols"
        return None
    chain = solve_away(equations, first, target.value, example)
    if chain is None:
        return None
    goal = chain.into(target.value)
    given = [Slack(chain.into(item.value), item.strict) for item in premises]
    if len(given) == 1:
        factor = _factored(goal / given[0].value)
        if (
            factor.is_positive
            and not set(first) & goal.free_symbols
            and (given[0].strict or not target.strict)
        ):
            return "both sides multiplied by what is positive"
        if _factored(goal - given[0].value).is_nonnegative and not set(first) & goal.free_symbols:
            return "weaker than the relation used"
    bounds = [(item.value, sympy.Integer(0)) for item in premises]
    if follows(target.value, sympy.Integer(0), [*equations, *bounds], first, example, seed) is None:
        return None
    return (
        "boundary exact, side tried at points of the domain"
        if _implied(goal, given, example, seed, chain)
        else None
    )


def _factored(expression: Any) -> Any:
    """As one fraction of products, of which the sign can be read."""
    import sympy

    return sympy.factor(sympy.cancel(sympy.together(expression)))


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
