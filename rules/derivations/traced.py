"""A number that remembers its formula: what a plain Python function does to it, as SymPy would write it.

A plain formula is run on such numbers with the ``math`` of its module replaced.
It takes the branches that the example takes, and what comes out is its exact
expression on that branch.
"""

from __future__ import annotations

import importlib
import math
import types
from collections.abc import Callable, Iterable, Mapping
from typing import Any


class Untraceable(Exception):
    """The function does something to its arguments that has no formula here."""


class Traced:
    """``near`` is the value at the example, ``exact`` the SymPy expression."""

    __slots__ = ("exact", "near")

    def __init__(self, exact: Any, near: float) -> None:
        self.exact = exact
        self.near = near

    def __add__(self, other: Any) -> Traced:
        return _both(lambda a, b: a + b, self, other)

    def __radd__(self, other: Any) -> Traced:
        return _both(lambda a, b: a + b, other, self)

    def __sub__(self, other: Any) -> Traced:
        return _both(lambda a, b: a - b, self, other)

    def __rsub__(self, other: Any) -> Traced:
        return _both(lambda a, b: a - b, other, self)

    def __mul__(self, other: Any) -> Traced:
        return _both(lambda a, b: a * b, self, other)

    def __rmul__(self, other: Any) -> Traced:
        return _both(lambda a, b: a * b, other, self)

    def __truediv__(self, other: Any) -> Traced:
        return _both(lambda a, b: a / b, self, other)

    def __rtruediv__(self, other: Any) -> Traced:
        return _both(lambda a, b: a / b, other, self)

    def __pow__(self, other: Any) -> Traced:
        return _both(lambda a, b: a**b, self, other)

    def __rpow__(self, other: Any) -> Traced:
        return _both(lambda a, b: a**b, other, self)

    def __neg__(self) -> Traced:
        return Traced(-self.exact, -self.near)

    def __pos__(self) -> Traced:
        return self

    def __abs__(self) -> Traced:
        return self if self.near >= 0.0 else -self

    def __lt__(self, other: Any) -> bool:
        return self.near < _near(other)

    def __le__(self, other: Any) -> bool:
        return self.near <= _near(other)

    def __gt__(self, other: Any) -> bool:
        return self.near > _near(other)

    def __ge__(self, other: Any) -> bool:
        return self.near >= _near(other)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Traced | int | float) and self.near == _near(other)

    def __hash__(self) -> int:
        return hash(self.near)

    def __bool__(self) -> bool:
        return bool(self.near)

    def __repr__(self) -> str:
        return repr(self.near)

    def __format__(self, form: str) -> str:
        return format(self.near, form)

    def __float__(self) -> float:
        raise Untraceable("it makes a plain number of an argument")


def _near(value: Any) -> float:
    return value.near if isinstance(value, Traced) else value


def _exact(value: Any) -> Any:
    import sympy

    if isinstance(value, Traced):
        return value.exact
    if isinstance(value, int | float) and math.isfinite(value):
        return sympy.Rational(repr(value))
    raise Untraceable(f"it reckons with {value!r}")


def _both(operation: Callable[[Any, Any], Any], a: Any, b: Any) -> Traced:
    return Traced(operation(_exact(a), _exact(b)), operation(_near(a), _near(b)))


def shim() -> types.SimpleNamespace:
    """What stands in for the ``math`` of a module."""
    import sympy

    def one(exact: Callable[[Any], Any], near: Callable[[float], float]) -> Callable[[Any], Any]:
        def word(value: Any) -> Any:
            return Traced(exact(value.exact), near(value.near)) if isinstance(value, Traced) else near(value)

        return word

    def total(values: Iterable[Any]) -> Any:
        return sum(values, 0)

    return types.SimpleNamespace(
        log=one(sympy.log, math.log),
        log1p=one(lambda x: sympy.log(1 + x), math.log1p),
        exp=one(sympy.exp, math.exp),
        expm1=one(lambda x: sympy.exp(x) - 1, math.expm1),
        sqrt=one(sympy.sqrt, math.sqrt),
        fabs=abs,
        fsum=total,
        pow=lambda a, b: _both(lambda x, y: x**y, a, b),
        isfinite=lambda value: math.isfinite(_near(value)),
        isinf=lambda value: math.isinf(_near(value)),
        isnan=lambda value: math.isnan(_near(value)),
        e=Traced(sympy.E, math.e),
        pi=Traced(sympy.pi, math.pi),
        inf=math.inf,
        nan=math.nan,
    )


def find(path: str) -> types.FunctionType:
    """The function at ``package.module:name``; ValueError when there is none."""
    module, _, name = path.partition(":")
    try:
        found = getattr(importlib.import_module(module), name)
    except (ImportError, AttributeError) as error:
        raise ValueError(f"{path!r} names no function: {error}") from error
    if not isinstance(found, types.FunctionType):
        raise ValueError(f"{path!r} is no plain function")
    return found


def rebound(function: types.FunctionType) -> types.FunctionType:
    """The function with the ``math`` of its module, and of the functions it calls, replaced."""
    return _rebound(function, shim(), {})


def _rebound(
    function: types.FunctionType, stand_in: Any, known: dict[str, dict[str, Any]]
) -> types.FunctionType:
    home = function.__globals__
    place = str(home.get("__name__"))
    if place not in known:
        known[place] = {name: stand_in if value is math else value for name, value in home.items()}
    names = known[place]
    for name in function.__code__.co_names:
        value = home.get(name)
        if value is names.get(name) and isinstance(value, types.FunctionType) and _ours(value):
            names[name] = None  # while it is being made: a function may call itself
            names[name] = _rebound(value, stand_in, known)
    copy = types.FunctionType(
        function.__code__, known[place], function.__name__, function.__defaults__, function.__closure__
    )
    copy.__kwdefaults__ = function.__kwdefaults__
    return copy


def _ours(function: types.FunctionType) -> bool:
    return function.__module__.startswith(("rules.", "schemas."))


def arguments(values: Mapping[str, Any]) -> dict[str, Any]:
    """``source.voltage`` and its like gathered into one object per parameter."""
    plain: dict[str, Any] = {}
    for name, value in values.items():
        head, dot, member = name.partition(".")
        if not dot:
            plain[name] = value
        else:
            setattr(plain.setdefault(head, types.SimpleNamespace()), member, value)
    return plain
