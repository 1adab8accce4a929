"""How much current a battery has for a year."""

from __future__ import annotations

from rules.derivations.model import Derivation, Step, Symbol

DERIVATION = Derivation(
    slug="required-battery-life",
    symbols=(
        Symbol("Q", "rated capacity", "C"),
        Symbol("u", "share of it that can be used", ""),
        Symbol("Q_u", "charge that can be used", "C"),
        Symbol("I", "current from the battery", "A"),
        Symbol("t", "life", "s"),
        Symbol("t_req", "life that is asked for", "s"),
    ),
    steps=(
        Step(
            "Not all of the charge is of use: below a certain voltage the circuit stops.",
            "Q_u",
            "=",
            "u*Q",
            "approximation",
            source="0.8: common practice, no source; holds for drains near the rated one",
        ),
        Step(
            "A steady current takes a charge in a time.",
            "Q_u",
            "=",
            "I*t",
            "law",
            source="definition of current",
        ),
        Step("So this is the life.", "t", "=", "u*Q/I", "derived", uses=(0, 1), without=("Q_u",)),
        Step("It has to be enough.", "t", ">=", "t_req", "limit", source="the requirement of the document"),
        Step("Which leaves so much current.", "I", "<=", "u*Q/t_req", "derived", uses=(2, 3), without=("t",)),
    ),
    plain=(),
    example={"Q": 1980.0, "u": 0.8, "I": 1.2e-5, "t_req": 31557600.0},
)
