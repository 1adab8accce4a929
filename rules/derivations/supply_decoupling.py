"""How much capacitance feeds a load until the leads bring its current."""

from __future__ import annotations

from rules.derivations.model import Derivation, Plain, Step, Symbol

DERIVATION = Derivation(
    slug="supply-decoupling",
    symbols=(
        Symbol("Q", "charge that the load takes before the leads follow", "C"),
        Symbol("dI", "step of the current", "A"),
        Symbol("t", "time until the leads bring it", "s"),
        Symbol("C", "capacitance from rail to rail", "F"),
        Symbol("dV", "by how much the rail dips", "V"),
        Symbol("dV_max", "dip that is accepted", "V"),
    ),
    steps=(
        Step(
            "Until the leads follow, the load takes this charge.",
            "Q",
            "=",
            "dI*t",
            "definition",
            source="definition of charge",
        ),
        Step(
            "It comes out of the capacitor, whose voltage falls by its share.",
            "Q",
            "=",
            "C*dV",
            "definition",
            source="definition of capacitance",
        ),
        Step("So the rail dips by this much.", "dV", "=", "dI*t/C", "derived", uses=(0, 1), without=("Q",)),
        Step(
            "A latch stands so much, whatever it is made of.",
            "dV",
            "<=",
            "dV_max",
            "limit",
            source="0.1 V: common practice, no source",
        ),
        Step(
            "Which asks for so much capacitance.",
            "C",
            ">=",
            "dI*t/dV_max",
            "derived",
            uses=(2, 3),
            without=("dV",),
        ),
    ),
    plain=(
        Plain(
            "rules.analysis.formulas.supply:bulk_at_least",
            {"step": "dI", "lasts": "t", "allowed": "dV_max"},
            4,
        ),
    ),
    example={"dI": 0.11, "t": 1e-5, "C": 4.7e-5, "dV_max": 0.1},
)
