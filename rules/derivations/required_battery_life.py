"""How much current a battery has for a year."""

from __future__ import annotations

from rules.derivations.model import Derivation, Plain, Step, Symbol

DERIVATION = Derivation(
    slug="required-battery-life",
    symbols=(
        Symbol("Q", "rated capacity", "C"),
        Symbol("usable", "share of it that can be used", ""),
        Symbol("Q_usable", "charge that can be used", "C"),
        Symbol("I_max", "current from the battery", "A"),
        Symbol("t", "life", "s"),
        Symbol("t_at_least", "life that is asked for", "s"),
    ),
    steps=(
        Step(
            "Not all of the charge is of use: below a certain voltage the circuit stops.",
            "Q_usable",
            "=",
            "usable*Q",
            "approximation",
            source="0.8: common practice, no source; holds for drains near the rated one",
        ),
        Step(
            "A steady current takes a charge in a time.",
            "Q_usable",
            "=",
            "I_max*t",
            "law",
            source="definition of current",
        ),
        Step(
            "So this is the life.", "t", "=", "usable*Q/I_max", "derived", uses=(0, 1), without=("Q_usable",)
        ),
        Step(
            "It has to be enough.", "t", ">=", "t_at_least", "limit", source="the requirement of the document"
        ),
        Step(
            "Which leaves so much current.",
            "I_max",
            "<=",
            "usable*Q/t_at_least",
            "derived",
            uses=(2, 3),
            without=("t",),
        ),
    ),
    plain=(
        Plain(
            "rules.analysis.formulas.supply:standby_life",
            {"capacity": "Q", "share": "usable", "current": "I_max"},
            2,
        ),
    ),
    example={"Q": 1980.0, "usable": 0.8, "I_max": 1.2e-5, "t_at_least": 31557600.0},
)
