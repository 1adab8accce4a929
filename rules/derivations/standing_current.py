"""Why 550 mAh are 50 uA for a year."""

from __future__ import annotations

from rules.derivations.model import Derivation, Plain, Step, Symbol

DERIVATION = Derivation(
    slug="standing-current",
    symbols=(
        Symbol("Q", "rated capacity", "C"),
        Symbol("k", "share of it that can be used", ""),
        Symbol("Q_u", "charge that can be used", "C"),
        Symbol("I", "greatest current in standby", "A"),
        Symbol("t", "life in standby", "s"),
        Symbol("t_min", "life that is wanted", "s"),
    ),
    steps=(
        Step(
            "Some of the capacity is left when the battery is no longer up to the circuit.",
            "Q_u",
            "=",
            "k*Q",
            "definition",
            source="a share of 0.8: common practice, no source",
        ),
        Step(
            "A steady current takes its charge in this time.",
            "Q_u",
            "=",
            "I*t",
            "definition",
            source="definition of charge",
        ),
        Step("So this is the life.", "t", "=", "k*Q/I", "derived", uses=(0, 1), without=("Q_u",)),
        Step(
            "It has to be a year, unless the document says otherwise.",
            "t",
            ">=",
            "t_min",
            "limit",
            source="common practice, no source",
        ),
        Step(
            "Which leaves so much current.",
            "I",
            "<=",
            "k*Q/t_min",
            "derived",
            uses=(2, 3),
            without=("t",),
        ),
    ),
    plain=(
        Plain(
            "rules.analysis.formulas.supply:standby_life",
            {"capacity": "Q", "share": "k", "current": "I"},
            2,
        ),
    ),
    example={"Q": 1980.0, "k": 0.8, "I": 40e-6, "t_min": 31557600.0},
)
