"""How far a value can lie from the nearest member of a series."""

from __future__ import annotations

from types import MappingProxyType

from rules.derivations.model import Derivation, Plain, Step, Symbol

DERIVATION = Derivation(
    slug="preferred-values",
    symbols=(
        Symbol("P", "a member of the series", "ohm"),
        Symbol("Q", "the next larger member", "ohm"),
        Symbol("q", "ratio of two neighbours", ""),
        Symbol("X", "the value that lies farthest from both", "ohm"),
        Symbol("e", "its distance from the nearest member, relative to that", ""),
    ),
    steps=(
        Step(
            "Neighbours in a series lie a fixed ratio apart: the twenty-fourth root of ten in E24, but for"
            " what the table rounds.",
            "Q",
            "=",
            "q*P",
            "definition",
            source="IEC 60063:2015, tables 1 and 2",
        ),
        Step(
            "Farthest from both is the value in the middle, by ratio.",
            "X",
            "=",
            "sqrt(P*Q)",
            "definition",
            source="geometric mean",
        ),
        Step("Its distance.", "e", "=", "X/P - 1", "definition", source="definition of a relative deviation"),
        Step(
            "So rounding to the nearest member costs at most this, 7.4 % at the widest step of E24 (13 to"
            " 15).",
            "e",
            "=",
            "sqrt(q) - 1",
            "derived",
            uses=(0, 1, 2),
            without=("Q", "X", "P"),
        ),
    ),
    plain=(Plain("rules.analysis.formulas.field:rounding_error", MappingProxyType({"step": "q"}), 3),),
    example=MappingProxyType({"P": 1300.0, "q": 1.1538461538461537}),
)
