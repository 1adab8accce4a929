"""Formulas as small trees over named symbols: evaluated for the number, written out for the reader."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import TypeAlias

from schemas.quantities import format_quantity

DIGITS = 4


@dataclass(frozen=True, slots=True)
class Symbol:
    """One quantity: ``id`` names it within a sheet (``V(b1)``), ``base`` and ``of`` are its two halves."""

    id: str
    base: str
    of: str
    unit: str


@dataclass(frozen=True, slots=True)
class Ref:
    symbol: Symbol


@dataclass(frozen=True, slots=True)
class Number:
    """A pure number that the law itself brings along, such as the 1 of beta + 1."""

    value: int


@dataclass(frozen=True, slots=True)
class Sum:
    """Signed terms; an empty sum is nothing, 0."""

    terms: tuple[tuple[int, Expr], ...]


@dataclass(frozen=True, slots=True)
class Product:
    factors: tuple[Expr, ...]


@dataclass(frozen=True, slots=True)
class Quotient:
    top: Expr
    bottom: Expr


@dataclass(frozen=True, slots=True)
class Parallel:
    """1 / (1/a + 1/b + ...), the resistance of resistances in parallel."""

    of: tuple[Expr, ...]


@dataclass(frozen=True, slots=True)
class Log:
    """The natural logarithm."""

    of: Expr


Expr: TypeAlias = Ref | Number | Sum | Product | Quotient | Parallel | Log
ZERO, ONE = Sum(()), Number(1)


def add(*terms: tuple[int, Expr]) -> Expr:
    """The sum of signed terms: nested sums laid open, opposite terms cancelled, positive ones first."""
    flat: list[tuple[int, Expr]] = []
    for sign, term in terms:
        inner = term.terms if isinstance(term, Sum) else ((1, term),)
        for own, expr in inner:
            opposite = (-sign * own, expr)
            if opposite in flat:
                flat.remove(opposite)
            else:
                flat.append((sign * own, expr))
    if len(flat) == 1 and flat[0][0] == 1:
        return flat[0][1]
    return Sum(tuple(sorted(flat, key=lambda item: -item[0])))


def negative(expr: Expr) -> Expr:
    if isinstance(expr, Quotient) and isinstance(expr.top, Sum) and len(expr.top.terms) > 1:
        return Quotient(negative(expr.top), expr.bottom)
    return add((-1, expr))


def _split(expr: Expr) -> tuple[int, Expr]:
    """The sign of an expression whose terms are all negative, and the rest."""
    if isinstance(expr, Sum) and expr.terms and all(sign < 0 for sign, _ in expr.terms):
        return -1, expr.terms[0][1] if len(expr.terms) == 1 else Sum(
            tuple((1, term) for _, term in expr.terms)
        )
    return 1, expr


def times(*factors: Expr) -> Expr:
    sign, flat = 1, list[Expr]()
    for factor in factors:
        own, bare = _split(factor)
        sign *= own
        if bare == ZERO:
            return ZERO
        flat.extend(bare.factors if isinstance(bare, Product) else [] if bare == ONE else [bare])
    product: Expr = ONE if not flat else flat[0] if len(flat) == 1 else Product(tuple(flat))
    return product if sign == 1 else negative(product)


def over(top: Expr, bottom: Expr) -> Expr:
    (a, upper), (b, lower) = _split(top), _split(bottom)
    if upper == ZERO:
        return ZERO
    if isinstance(upper, Quotient):
        lower = times(upper.bottom, lower)
        upper = upper.top
    quotient = upper if lower == ONE else ONE if upper == lower else Quotient(upper, lower)
    return quotient if a * b == 1 else negative(quotient)


def parts_of(expr: Expr) -> tuple[Expr, ...]:
    """The operands, in order."""
    match expr:
        case Sum(terms):
            return tuple(term for _, term in terms)
        case Product(factors):
            return factors
        case Quotient(top, bottom):
            return top, bottom
        case Parallel(of):
            return of
        case Log(of):
            return (of,)
        case _:
            return ()


def leaves(expr: Expr) -> Iterator[Symbol]:
    """Every symbol from left to right, as often as it stands there."""
    if isinstance(expr, Ref):
        yield expr.symbol
    for part in parts_of(expr):
        yield from leaves(part)


def symbols(expr: Expr) -> tuple[str, ...]:
    """The ids of all symbols, each once, in the order in which they come."""
    return tuple(dict.fromkeys(symbol.id for symbol in leaves(expr)))


def evaluate(expr: Expr, values: Mapping[str, float]) -> float:
    """The number, from the unrounded values of its symbols.  Raises ``KeyError`` for one without a value."""
    match expr:
        case Ref(symbol):
            return values[symbol.id]
        case Number(value):
            return float(value)
        case Sum(terms):
            return math.fsum(sign * evaluate(term, values) for sign, term in terms)
        case Product(factors):
            return math.prod(evaluate(factor, values) for factor in factors)
        case Quotient(top, bottom):
            return evaluate(top, values) / evaluate(bottom, values)
        case Parallel(of):
            return 1.0 / math.fsum(1.0 / evaluate(item, values) for item in of)
        case Log(of):
            return math.log(evaluate(of, values))


# volts, amperes, seconds
_UNITS = {"V": (1, 0, 0), "A": (0, 1, 0), "ohm": (1, -1, 0), "": (0, 0, 0), "S": (-1, 1, 0), "F": (-1, 1, 1),
          "s": (0, 0, 1), "V/s": (1, 0, -1), "W": (1, 1, 0)}  # fmt: skip
_NAMES = {dimension: unit for unit, dimension in _UNITS.items()}
_Dimension: TypeAlias = tuple[int, int, int]


def _dimension(expr: Expr) -> _Dimension:
    match expr:
        case Ref(symbol):
            return _UNITS[symbol.unit]
        case Sum(terms):
            return _dimension(terms[0][1]) if terms else (0, 0, 0)
        case Product(factors):
            found = [_dimension(factor) for factor in factors]
            return (sum(d[0] for d in found), sum(d[1] for d in found), sum(d[2] for d in found))
        case Quotient(top, bottom):
            a, b = _dimension(top), _dimension(bottom)
            return (a[0] - b[0], a[1] - b[1], a[2] - b[2])
        case Parallel(of):
            return _dimension(of[0])
        case _:
            return (0, 0, 0)


def unit_of(expr: Expr) -> str:
    """The unit of a formula.  Raises ``KeyError`` for one that no name is kept for."""
    return _NAMES[_dimension(expr)]


def written(expr: Expr, leaf: Callable[[Symbol], str]) -> str:
    """The formula on one line, each symbol as ``leaf`` writes it."""
    return _written(expr, leaf)[0]


def with_symbols(expr: Expr) -> str:
    return written(expr, lambda symbol: symbol.id)


def quantity(value: float, unit: str) -> str:
    """A number for the reader; a drop of 0.7 V stays 0.7 V."""
    if unit == "V" and 0.01 <= abs(value) < 1.0:
        return f"{value:.{DIGITS}g} V"
    return format_quantity(value, unit, DIGITS)


def with_numbers(expr: Expr, values: Mapping[str, float]) -> str:
    """The formula with the numbers put in, each rounded for the reader."""

    def leaf(symbol: Symbol) -> str:
        text = quantity(values[symbol.id], symbol.unit)
        return f"({text})" if text.startswith("-") else text

    return written(expr, leaf)


_LOOSE, _TIGHT, _WHOLE = 1, 2, 3


def _written(expr: Expr, leaf: Callable[[Symbol], str]) -> tuple[str, int]:
    """Text and how firmly it holds together."""
    match expr:
        case Ref(symbol):
            return leaf(symbol), _WHOLE
        case Number(value):
            return str(value), _WHOLE
        case Sum(terms):
            if not terms:
                return "0", _WHOLE
            text = ""
            for place, (sign, term) in enumerate(terms):
                # a sum inside a sum stands after a minus sign only in parentheses
                inner = _within(term, leaf, _TIGHT)
                lead = ("-" if sign < 0 else "") if place == 0 else (" - " if sign < 0 else " + ")
                text += lead + inner
            return text, _LOOSE
        case Product(factors):
            return " * ".join(_within(factor, leaf, _WHOLE) for factor in factors), _TIGHT
        case Quotient(top, bottom):
            return f"{_within(top, leaf, _TIGHT)} / {_within(bottom, leaf, _WHOLE)}", _TIGHT
        case Parallel(of):
            return "(" + " || ".join(_within(item, leaf, _TIGHT) for item in of) + ")", _WHOLE
        case Log(of):
            return f"ln({_written(of, leaf)[0]})", _WHOLE


def _within(expr: Expr, leaf: Callable[[Symbol], str], least: int) -> str:
    text, firmness = _written(expr, leaf)
    return text if firmness >= least else f"({text})"
