"""Formulas of a sheet as MathML (presentation markup, MathML Core)."""

from __future__ import annotations

import html
from collections.abc import Callable, Mapping
from typing import Any

Json = Mapping[str, Any]
_GREEK = {"beta": "\u03b2", "tau": "\u03c4"}
_LOOSE, _TIGHT, _WHOLE = 1, 2, 3
Leaf = Callable[[Json], str]


def math(content: str) -> str:
    """A formula within a line, its fractions as large as in a line of their own."""
    return f'<math displaystyle="true">{content}</math>'


def symbol(base: str, of: str) -> str:
    """A letter with what it belongs to as its index: V(b1), I_B(Q1), R_th(b1)."""
    letter, _, index = base.partition("_")
    marks = ",".join(item for item in (index, of) if item)
    head = f"<mi>{html.escape(_GREEK.get(letter, letter))}</mi>"
    return f"<msub>{head}<mtext>{html.escape(marks)}</mtext></msub>" if marks else head


def symbol_of(tree: Json) -> str:
    return symbol(str(tree.get("base")), str(tree.get("of")))


def number(text: str) -> str:
    """A number and its unit; a negative one in parentheses."""
    value, _, unit = text.partition(" ")
    made = f"<mn>{html.escape(value.removeprefix('-'))}</mn>"
    if unit:
        made += f'<mspace width="0.2em"/><mtext>{html.escape(units(unit))}</mtext>'
    if value.startswith("-"):
        return f"<mrow><mo>(</mo><mo>\u2212</mo>{made}<mo>)</mo></mrow>"
    return f"<mrow>{made}</mrow>"


def units(text: str) -> str:
    """Units as they are printed: ohm as the capital omega, u as mu."""
    words = [("\u00b5" + word[1:] if word.startswith("u") else word) for word in text.split(" ")]
    return " ".join(word.replace("ohm", "\u03a9") for word in words)


def formula(tree: Json, leaf: Leaf) -> str:
    """The whole tree, each symbol as ``leaf`` writes it."""
    return f"<mrow>{_made(tree, leaf)[0]}</mrow>"


def _made(tree: Json, leaf: Leaf) -> tuple[str, int]:
    of = list(tree.get("of") or ()) if isinstance(tree.get("of"), list) else []
    match tree.get("op"):
        case "symbol":
            return leaf(tree), _WHOLE
        case "number":
            return f"<mn>{tree.get('value')}</mn>", _WHOLE
        case "sum":
            return _sum(list(tree.get("signs") or ()), of, leaf)
        case "product":
            return "<mo>\u22c5</mo>".join(_within(item, leaf, _WHOLE) for item in of), _TIGHT
        case "quotient":
            top, bottom = (_made(item, leaf)[0] for item in of)
            return f"<mfrac><mrow>{top}</mrow><mrow>{bottom}</mrow></mfrac>", _WHOLE
        case "parallel":
            inner = "<mo>\u2225</mo>".join(_within(item, leaf, _TIGHT) for item in of)
            return f"<mrow><mo>(</mo>{inner}<mo>)</mo></mrow>", _WHOLE
        case "log":
            return f"<mi>ln</mi><mrow><mo>(</mo>{_made(of[0], leaf)[0]}<mo>)</mo></mrow>", _WHOLE
        case other:
            raise ValueError(f"no such operation in a formula: {other!r}")


def _sum(signs: list[int], of: list[Json], leaf: Leaf) -> tuple[str, int]:
    if not of:
        return "<mn>0</mn>", _WHOLE
    made = ""
    for place, (sign, item) in enumerate(zip(signs, of, strict=True)):
        mark = "\u2212" if sign < 0 else "+"
        lead = f"<mo>{mark}</mo>" if place or sign < 0 else ""
        made += lead + _within(item, leaf, _TIGHT)
    return made, _LOOSE


def _within(tree: Json, leaf: Leaf, least: int) -> str:
    made, firmness = _made(tree, leaf)
    return f"<mrow>{made}</mrow>" if firmness >= least else f"<mrow><mo>(</mo>{made}<mo>)</mo></mrow>"
