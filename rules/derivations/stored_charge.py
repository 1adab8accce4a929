"""What a capacitor sends in the first moment, and the resistance that its loop needs."""

from __future__ import annotations

from rules.derivations.model import Derivation, Plain, Step, Symbol

DERIVATION = Derivation(
    slug="stored-charge",
    symbols=(
        Symbol("V_C", "voltage that the capacitor holds", "V"),
        Symbol("V_j", "fixed drops in the loop", "V", "nonnegative"),
        Symbol("V_R", "what is left for the resistance of the loop", "V"),
        Symbol("R", "all resistance in the loop, the capacitor's own included", "ohm"),
        Symbol("I_pk", "current in the first moment", "A"),
        Symbol("I_max", "current that the device stands for a moment", "A"),
    ),
    steps=(
        Step(
            "Around the loop of the capacitor: what it holds is shared by the fixed drops and the resistance."
            " Nothing else is in that loop, whatever limits the current elsewhere.",
            "V_R",
            "=",
            "V_C - V_j",
            "law",
            source="Kirchhoff's voltage law",
        ),
        Step(
            "A capacitor keeps its voltage in the first moment, so the resistance alone sets the current.",
            "I_pk",
            "=",
            "V_R/R",
            "law",
            source="Ohm's law",
        ),
        Step("So this is the peak.", "I_pk", "=", "(V_C - V_j)/R", "derived", uses=(0, 1), without=("V_R",)),
        Step(
            "It must not exceed what the device stands for a moment.",
            "I_pk",
            "<=",
            "I_max",
            "limit",
            source="rated surge current of the sheets; twice the rated current: from memory",
        ),
        Step(
            "Which asks for so much resistance in the loop.",
            "R",
            ">=",
            "(V_C - V_j)/I_max",
            "derived",
            uses=(2, 3),
            without=("I_pk",),
        ),
    ),
    plain=(
        Plain(
            "rules.analysis.formulas.supply:peak_current",
            {"stored": "V_C", "drop": "V_j", "resistance": "R"},
            2,
        ),
        Plain(
            "rules.analysis.formulas.supply:loop_resistance_at_least",
            {"stored": "V_C", "drop": "V_j", "current": "I_max"},
            4,
        ),
    ),
    example={"V_C": 12.0, "V_j": 2.0, "R": 470.0, "I_max": 0.04},
)
