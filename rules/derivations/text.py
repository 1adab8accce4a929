"""The text of a step: one small grammar, read into whatever arithmetic is handed in.

Names of symbols, numbers, ``+ - * / **``, brackets, ``pi`` and the functions
``log exp sqrt Max Min Abs`` and ``diff(expression, symbol)``; as arguments of
a plain formula also ``None`` and tuples.  Nothing is ever evaluated by Python.
"""

from __future__ import annotations

import ast
import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

from rules.derivations.slope import WORDS as SLOPED
from rules.derivations.slope import Sloped, of

WORDS = ("log", "exp", "sqrt", "Max", "Min", "Abs", "diff")
CONSTANTS = ("pi",)
_BINARY: Mapping[type[ast.operator], Callable[[Any, Any], Any]] = {
    ast.Add: lambda a, b: a + b,
    ast.Sub: lambda a, b: a - b,
    ast.Mult: lambda a, b: a * b,
    ast.Div: lambda a, b: a / b,
    ast.Pow: lambda a, b: a**b,
}


class TextError(ValueError):
    """A text that is no expression over the symbols; says what was seen and what is needed."""


@dataclass(frozen=True, slots=True)
class Arithmetic:
    """What a text is read into: a value per name, a function per word, and how a number is written."""

    names: Mapping[str, Any]
    words: Mapping[str, Callable[..., Any]]
    number: Callable[[str], Any]
    slope: Callable[[ast.expr, str, str], Any] | None = None  # of an expression, by a symbol, within a text


@lru_cache(maxsize=4096)
def tree(text: str) -> ast.expr:
    """The text as a syntax tree of the small grammar; TextError where it is none."""
    try:
        found = ast.parse(text, mode="eval").body
    except (SyntaxError, ValueError) as error:
        raise TextError(f"{text!r} is no expression: {error}") from error
    for node in ast.walk(found):
        if not isinstance(node, _ALLOWED):
            raise TextError(
                f"{text!r}: {type(node).__name__} is not allowed; known are names, numbers,"
                f" + - * / ** and {', '.join(WORDS)}"
            )
        if isinstance(node, ast.Constant) and node.value is not None and type(node.value) not in (int, float):
            raise TextError(f"{text!r}: {node.value!r} is no number")
        if isinstance(node, ast.Call) and not (
            isinstance(node.func, ast.Name) and node.func.id in WORDS and not node.keywords
        ):
            raise TextError(f"{text!r}: only {', '.join(WORDS)} can be called")
    return found


_ALLOWED = (
    ast.BinOp,
    ast.UnaryOp,
    ast.Call,
    ast.Name,
    ast.Load,
    ast.Constant,
    ast.Tuple,
    ast.USub,
    ast.UAdd,
    *_BINARY,
)


def names(text: str) -> frozenset[str]:
    """The symbols that a text speaks of."""
    called = {id(node.func) for node in ast.walk(tree(text)) if isinstance(node, ast.Call)}
    return frozenset(
        node.id
        for node in ast.walk(tree(text))
        if isinstance(node, ast.Name) and id(node) not in called and node.id not in CONSTANTS
    )


def read(text: str, arithmetic: Arithmetic) -> Any:
    """The value of a text; TextError at an unknown name."""
    return _value(tree(text), arithmetic, text)


def _value(node: ast.expr, arithmetic: Arithmetic, text: str) -> Any:
    if isinstance(node, ast.Constant):
        return None if node.value is None else arithmetic.number(repr(node.value))
    if isinstance(node, ast.Name):
        if node.id not in arithmetic.names:
            raise TextError(
                f"{text!r}: {node.id} is no symbol; known are {', '.join(sorted(arithmetic.names))}"
            )
        return arithmetic.names[node.id]
    if isinstance(node, ast.UnaryOp):
        inner = _value(node.operand, arithmetic, text)
        return -inner if isinstance(node.op, ast.USub) else inner
    if isinstance(node, ast.BinOp):
        left = _value(node.left, arithmetic, text)
        return _BINARY[type(node.op)](left, _value(node.right, arithmetic, text))
    if isinstance(node, ast.Call) and isinstance(node.func, ast.Name):
        if node.func.id == "diff" and arithmetic.slope is not None:
            of, by = node.args
            if not isinstance(by, ast.Name):
                raise TextError(f"{text!r}: a slope is taken by a symbol")
            return arithmetic.slope(of, by.id, text)
        word = arithmetic.words.get(node.func.id)
        if word is None:
            raise TextError(f"{text!r}: {node.func.id} cannot be worked out here")
        return word(*(_value(item, arithmetic, text) for item in node.args))
    if isinstance(node, ast.Tuple):
        return tuple(_value(item, arithmetic, text) for item in node.elts)
    raise TextError(f"{text!r} is no expression")


def slopes(text: str) -> bool:
    """Whether the text takes a derivative."""
    return any(
        isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == "diff"
        for node in ast.walk(tree(text))
    )


def in_numbers(values: Mapping[str, float]) -> Arithmetic:
    """Plain floating point."""

    def slope(node: ast.expr, by: str, text: str) -> float:
        varied = {**values, "pi": math.pi, by: Sloped(values[by], 1.0)}
        return of(_value(node, Arithmetic(varied, SLOPED, float), text)).slope

    words: dict[str, Callable[..., Any]] = {
        "log": math.log,
        "exp": math.exp,
        "sqrt": math.sqrt,
        "Max": max,
        "Min": min,
        "Abs": abs,
    }
    return Arithmetic({**values, "pi": math.pi}, words, float, slope)


def in_sympy(symbols: Mapping[str, Any]) -> Arithmetic:
    """SymPy expressions over exactly these symbols; every number is taken as the fraction that is written."""
    import sympy

    words = {
        "log": sympy.log,
        "exp": sympy.exp,
        "sqrt": sympy.sqrt,
        "Max": sympy.Max,
        "Min": sympy.Min,
        "Abs": sympy.Abs,
        "diff": lambda of, by: sympy.diff(of, by),
    }
    return Arithmetic({**symbols, "pi": sympy.pi}, words, sympy.Rational)


def lone(text: str) -> str | None:
    """The one name that a text consists of, if it does."""
    found = tree(text)
    return found.id if isinstance(found, ast.Name) and found.id not in CONSTANTS else None
