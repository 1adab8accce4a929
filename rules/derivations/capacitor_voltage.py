"""Which rating a capacitor needs, and what a larger one costs in leakage."""

from __future__ import annotations

from rules.derivations.model import Derivation, Plain, Step, Symbol

DERIVATION = Derivation(
    slug="capacitor-voltage",
    symbols=(
        Symbol("V_C", "greatest voltage across the capacitor", "V"),
        Symbol("V_r", "rated voltage", "V"),
        Symbol("V_use", "voltage that is in use at most", "V"),
        Symbol("k", "share of the rated voltage that is in use at most", ""),
        Symbol("C", "capacitance", "F"),
        Symbol("a", "leakage that the maker allows, per farad and volt of rating", "1/s"),
        Symbol("I_L", "leakage that the maker allows", "A"),
    ),
    steps=(
        Step(
            "A share of the rated voltage is used at most.",
            "V_use",
            "=",
            "k*V_r",
            "definition",
            source="0.8 aluminium, 0.7 film: System Reliability Center; 0.5 tantalum: NASA EEE-INST-002",
        ),
        Step(
            "The greatest voltage stays within it.",
            "V_C",
            "<=",
            "V_use",
            "limit",
            source="common practice, no source",
        ),
        Step(
            "So the rating has to be that much larger.",
            "V_r",
            ">=",
            "V_C/k",
            "derived",
            uses=(0, 1),
            without=("V_use",),
        ),
        Step(
            "The leakage that an electrolytic may have goes with its rating, not with its voltage.",
            "I_L",
            "=",
            "a*C*V_r",
            "definition",
            source="0.01*C*V after two minutes: Panasonic series SU type A",
        ),
        Step(
            "So every step up in rating allows more of it.",
            "I_L",
            ">=",
            "a*C*V_C/k",
            "derived",
            uses=(2, 3),
            without=("V_r",),
        ),
    ),
    plain=(Plain("rules.analysis.formulas.ratings:allowed", {"rating": "V_r", "share": "k"}, 0),),
    example={"V_r": 16.0, "k": 0.8, "C": 100e-6, "a": 0.01, "V_C": 12.0},
)
