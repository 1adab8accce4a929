"""Worked examples of textbooks, checked to their printed digits.

A row names its source, the circuit, which model is compared and what is printed.  Printed numbers are
texts: "64.5 m" is 64.5 thousandths of the SI unit and counts as met within half a unit of its last digit.

Quantities: ``V(c)`` the voltage of net c, ``V(c,e)`` between two nets, ``I(Q1.collector)`` the magnitude of
the current into a pin (the region, asserted beside it, settles the direction), ``P(R1)`` the power taken.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field

import pytest

from schemas.circuit import Part
from tests.builders import amperes, circuit, only_state, volts

EXACT = "exact: I_E = (beta + 1) I_B, as printed"
OWN = "exact: I_E = (beta + 1) I_B; own computation for the same circuit, the book approximates"
NEGLECTED = "base current neglected, as printed: a gain of 1e9"
# Books that let I_C + I_B = I_C but keep I_B = I_C / beta take beta for beta + 1; so does the circuit, whose
# gain is one less.  The book's I_C is then the circuit's emitter current.
SHIFTED = "beta taken for beta + 1, as printed: a gain one less, I_C of the book is the emitter current"
IDEAL = "junctions without drop, as printed"
HUGE = 1e9
PREFIX = {"": 1.0, "M": 1e6, "k": 1e3, "m": 1e-3, "u": 1e-6, "n": 1e-9}
_PRINTED = re.compile(r"(-?\d+(?:\.(\d+))?)(?: ([Mkmun]))?")
_QUANTITY = re.compile(r"([VIP])\((\w+)(?:[.,](\w+))?\)")


@dataclass(frozen=True)
class Row:
    """One worked example; ``regions`` are those the book assumes."""

    key: str
    source: str
    model: str
    parts: tuple[Part, ...]
    printed: Mapping[str, str]
    regions: Mapping[str, str] = field(default_factory=dict)
    assumptions: Mapping[str, float] = field(default_factory=dict)
    positions: Mapping[str, str] = field(default_factory=dict)


def number(printed: str) -> tuple[float, float]:
    """The value and half a unit of its last printed digit."""
    match = _PRINTED.fullmatch(printed)
    assert match is not None, printed
    scale = PREFIX[match[3] or ""]
    return float(match[1]) * scale, 0.5 * 10.0 ** -len(match[2] or "") * scale


def agrees(value: float, printed: str) -> bool:
    """Within half a unit of the last printed digit (rounding of binary fractions aside)."""
    expected, half = number(printed)
    return abs(value - expected) <= half * (1.0 + 1e-6)


def parametrize(rows: tuple[Row, ...]) -> pytest.MarkDecorator:
    assert len({row.key for row in rows}) == len(rows)
    return pytest.mark.parametrize("row", rows, ids=[row.key for row in rows])


def check(row: Row) -> None:
    """Solve the row's circuit and compare everything printed."""
    state = only_state(circuit(*row.parts, assumptions=row.assumptions), **row.positions)
    assert {name: state.devices[name] for name in row.regions} == dict(row.regions), row.source
    wrong = []
    for quantity, printed in row.printed.items():
        match = _QUANTITY.fullmatch(quantity)
        assert match is not None, quantity
        kind, first, second = match.groups()
        if kind == "V":
            value = volts(state, first) - (volts(state, second) if second else 0.0)
        elif kind == "I":
            value = abs(amperes(state, first, second))
        else:
            power = state.power[first]
            assert power is not None
            value = power
        if not agrees(value, printed):
            wrong.append(f"{quantity} = {value:.7g}, printed {printed}")
    assert not wrong, f"{row.source}; {row.model}: {'; '.join(wrong)}"
