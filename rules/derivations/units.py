"""Dimensions of the text of a step: what is added has to be of one kind, what is compared too."""

from __future__ import annotations

import ast
from collections.abc import Mapping
from fractions import Fraction

from rules.derivations.text import CONSTANTS, TextError, tree

Dimension = tuple[Fraction, ...]  # powers of V, A, s, K, m
ANY = None  # of a bare number: it may stand beside anything

_BASE = ("V", "A", "s", "K", "m")


def _of(**powers: int) -> Dimension:
    return tuple(Fraction(powers.get(name, 0)) for name in _BASE)


NONE = _of()
UNITS: Mapping[str, Dimension] = {
    "": NONE,
    "V": _of(V=1),
    "A": _of(A=1),
    "s": _of(s=1),
    "K": _of(K=1),
    "m": _of(m=1),
    "ohm": _of(V=1, A=-1),
    "S": _of(V=-1, A=1),
    "F": _of(A=1, s=1, V=-1),
    "H": _of(V=1, s=1, A=-1),
    "W": _of(V=1, A=1),
    "J": _of(V=1, A=1, s=1),
    "C": _of(A=1, s=1),
    "Hz": _of(s=-1),
    "Ah": _of(A=1, s=1),
    "h": _of(s=1),
    "m2": _of(m=2),
}


def dimension_of_unit(unit: str) -> Dimension:
    """``V``, ``ohm``, ``K/W``, ``1/s``, ``V*s``; TextError for an unknown one."""
    if unit in UNITS:
        return UNITS[unit]
    total = NONE
    sign = 1
    for piece in unit.replace("*", " * ").replace("/", " / ").split():
        if piece in "*/":
            sign = 1 if piece == "*" else -1
        elif piece == "1":
            continue
        elif piece in UNITS:
            total = tuple(a + sign * b for a, b in zip(total, UNITS[piece], strict=True))
        else:
            raise TextError(f"{unit!r}: {piece!r} is no unit; known are {', '.join(sorted(UNITS)[1:])}")
    return total


def dimension(text: str, units: Mapping[str, str]) -> Dimension | None:
    """The dimension of a text over symbols of these units; ``None`` where a number alone may be anything."""
    return _walk(tree(text), {name: dimension_of_unit(unit) for name, unit in units.items()}, text)


def agree(left: Dimension | None, right: Dimension | None) -> bool:
    return left is None or right is None or left == right


def _walk(node: ast.expr, units: Mapping[str, Dimension], text: str) -> Dimension | None:
    if isinstance(node, ast.Constant):
        return ANY
    if isinstance(node, ast.Name):
        return ANY if node.id in CONSTANTS else units[node.id]
    if isinstance(node, ast.UnaryOp):
        return _walk(node.operand, units, text)
    if isinstance(node, ast.BinOp):
        left, right = _walk(node.left, units, text), _walk(node.right, units, text)
        if isinstance(node.op, ast.Add | ast.Sub):
            return _same(left, right, node, text)
        if isinstance(node.op, ast.Mult | ast.Div):
            if left is None and right is None:
                return ANY
            sign = 1 if isinstance(node.op, ast.Mult) else -1
            return tuple(a + sign * b for a, b in zip(left or NONE, right or NONE, strict=True))
        _plain(right, node.right, text)
        if left is None or left == NONE:
            return left
        if not isinstance(node.right, ast.Constant):
            raise TextError(f"{text!r}: {ast.unparse(node.left)} has a unit and a power that is no number")
        return tuple(a * Fraction(repr(node.right.value)) for a in left)
    if isinstance(node, ast.Call) and isinstance(node.func, ast.Name):
        found = [_walk(item, units, text) for item in node.args]
        if node.func.id in ("log", "exp"):
            _plain(found[0], node.args[0], text)
            return NONE
        if node.func.id == "sqrt":
            return None if found[0] is None else tuple(a / 2 for a in found[0])
        if node.func.id == "diff":
            return tuple(a - b for a, b in zip(found[0] or NONE, found[1] or NONE, strict=True))
        total = found[0]
        for item in found[1:]:
            total = _same(total, item, node, text)
        return total
    raise TextError(f"{text!r}: a tuple has no unit")


def _same(left: Dimension | None, right: Dimension | None, node: ast.expr, text: str) -> Dimension | None:
    if not agree(left, right):
        raise TextError(f"{text!r}: {ast.unparse(node)} puts {spoken(left)} beside {spoken(right)}")
    return right if left is None else left


def _plain(found: Dimension | None, node: ast.expr, text: str) -> None:
    if not agree(found, NONE):
        raise TextError(f"{text!r}: {ast.unparse(node)} is in {spoken(found)} and should be a pure number")


def spoken(found: Dimension | None) -> str:
    """A unit to read: the known one, else a product of powers."""
    if found is None or found == NONE:
        return "1"
    for unit in ("V", "A", "ohm", "s", "F", "H", "W", "J", "K", "C", "Hz", "S", "m"):
        if UNITS[unit] == found:
            return unit
    top = [
        f"{name}^{power}" if power != 1 else name
        for name, power in zip(_BASE, found, strict=True)
        if power > 0
    ]
    low = [
        f"{name}^{-power}" if power != -1 else name
        for name, power in zip(_BASE, found, strict=True)
        if power < 0
    ]
    return "/".join(["*".join(top) or "1", *low])
