"""Formulas: what they come to, how they are written, and that writing keeps what they come to."""

from __future__ import annotations

import math
import random

import pytest

from rules.analysis.derivation import expression as e
from rules.analysis.derivation.expression import Expr, Symbol

A, B, C = (e.Ref(Symbol(name, name, "", "ohm")) for name in "ABC")
VALUES = {"A": 2.0, "B": 3.0, "C": 5.0}


@pytest.mark.parametrize(
    ("formula", "text", "value"),
    [
        (e.add((1, A), (-1, B)), "A - B", -1.0),
        (e.add((-1, A), (1, B)), "B - A", 1.0),
        (e.add((1, A), (-1, e.add((1, B), (-1, C)))), "A + C - B", 4.0),
        (e.add((1, A), (-1, A)), "0", 0.0),
        (e.over(e.add((1, A), (1, B)), e.times(B, C)), "(A + B) / (B * C)", 1.0 / 3.0),
        (e.over(e.over(A, B), C), "A / (B * C)", 2.0 / 15.0),
        (e.times(A, e.add((1, B), (1, e.ONE))), "A * (B + 1)", 8.0),
        (e.times(e.negative(A), B), "-A * B", -6.0),
        (e.over(A, e.add((-1, B), (-1, C))), "-A / (B + C)", -0.25),
        (e.over(A, e.over(B, C)), "A / (B / C)", 10.0 / 3.0),
        (e.negative(e.over(e.add((1, A), (-1, B)), C)), "(B - A) / C", 0.2),
        (e.Parallel((A, e.add((1, B), (1, C)))), "(A || (B + C))", 1.6),
        (e.Log(e.over(A, B)), "ln(A / B)", math.log(2.0 / 3.0)),
        (e.times(e.ZERO, A), "0", 0.0),
    ],
)
def test_written_and_evaluated(formula: Expr, text: str, value: float) -> None:
    assert e.with_symbols(formula) == text
    assert e.evaluate(formula, VALUES) == pytest.approx(value, abs=1e-15)


def test_what_is_written_means_what_is_evaluated() -> None:
    # Python itself reads the text again
    dice = random.Random(7)

    def grown(depth: int) -> Expr:
        if depth == 0:
            return dice.choice((A, B, C, e.ONE))
        one, other = grown(depth - 1), grown(depth - 1)
        return dice.choice(
            (
                lambda: e.add((1, one), (dice.choice((1, -1)), other)),
                lambda: e.times(one, other),
                lambda: e.over(one, e.add((1, e.times(other, other)), (1, A))),
                lambda: e.negative(one),
            )
        )()

    for _ in range(300):
        formula = grown(4)
        again = eval(e.with_symbols(formula), {"__builtins__": {}}, dict(VALUES))
        assert again == pytest.approx(e.evaluate(formula, VALUES), rel=1e-12, abs=1e-12)


def test_numbers_are_put_in_with_units() -> None:
    volt = e.Ref(Symbol("V(b)", "V", "b", "V"))
    formula = e.over(e.add((1, volt), (-1, e.Ref(Symbol("V_BE", "V_BE", "", "V")))), A)
    assert e.with_numbers(formula, {"V(b)": -12.0, "V_BE": 0.7, "A": 4.7e3}) == "((-12 V) - 0.7 V) / 4.7 kohm"
    assert e.unit_of(formula) == "A"
    assert e.unit_of(e.over(volt, e.over(volt, A))) == "ohm"


def test_symbols_are_named_once_in_order() -> None:
    assert e.symbols(e.add((1, e.times(B, A)), (1, B))) == ("B", "A")
    with pytest.raises(KeyError):
        e.evaluate(A, {})
