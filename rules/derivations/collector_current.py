"""Which load a transistor of a given rating can carry."""

from __future__ import annotations

from rules.derivations.model import Derivation, Plain, Step, Symbol

DERIVATION = Derivation(
    slug="collector-current",
    symbols=(
        Symbol("V_S", "highest supply voltage", "V"),
        Symbol("V_CE_sat", "saturation voltage", "V"),
        Symbol("R_L", "resistance of the load", "ohm"),
        Symbol("I_C", "collector current", "A"),
        Symbol("I_C_r", "rated collector current", "A"),
        Symbol("I_use", "current that is in use at most", "A"),
        Symbol("share", "share of the rating that is in use at most", ""),
    ),
    steps=(
        Step(
            "Saturated, the transistor leaves the load nearly the whole supply.",
            "I_C",
            "=",
            "(V_S - V_CE_sat)/R_L",
            "law",
            source="Kirchhoff's voltage law and Ohm's law",
        ),
        Step(
            "A share of the rating is used at most.",
            "I_use",
            "=",
            "share*I_C_r",
            "definition",
            source="0.75: derating documents, from memory",
        ),
        Step("The current stays within it.", "I_C", "<=", "I_use", "limit", source="sheets of the types"),
        Step(
            "So the voltage across the load bounds its resistance from below.",
            "(V_S - V_CE_sat)/R_L",
            "<=",
            "share*I_C_r",
            "derived",
            uses=(0, 1, 2),
            without=("I_C", "I_use"),
        ),
    ),
    plain=(Plain("rules.analysis.formulas.ratings:allowed", {"rating": "I_C_r", "share": "share"}, 1),),
    example={"V_S": 12.0, "V_CE_sat": 0.2, "R_L": 120.0, "I_C_r": 0.2, "share": 0.75},
)
