"""Why a zener needs current left over at the lowest battery."""

from __future__ import annotations

from rules.derivations.model import Derivation, Plain, Step, Symbol

DERIVATION = Derivation(
    slug="zener-bias",
    symbols=(
        Symbol("V_S", "supply voltage", "V"),
        Symbol("V_Z", "breakdown voltage", "V"),
        Symbol("R", "resistor that feeds it", "ohm"),
        Symbol("I_R", "what the resistor brings", "A"),
        Symbol("I_Z", "current of the zener", "A"),
        Symbol("I_load", "what the load takes", "A", "nonnegative"),
        Symbol("I_least", "current with which it surely holds", "A"),
        Symbol("P_Z", "power of the zener", "W"),
        Symbol("T_J", "highest junction temperature", "K"),
        Symbol("T", "ambient temperature", "K"),
        Symbol("Theta", "thermal resistance", "K/W"),
        Symbol("P_T", "power allowed at this temperature", "W"),
    ),
    steps=(
        Step(
            "The zener holds its end; the resistor has the rest of the supply.",
            "I_R",
            "=",
            "(V_S - V_Z)/R",
            "law",
            source="Ohm's law",
        ),
        Step(
            "Load and zener share what it brings.",
            "I_R",
            "=",
            "I_Z + I_load",
            "law",
            source="Kirchhoff's current law",
        ),
        Step(
            "So the zener gets what the load leaves over.",
            "I_Z",
            "=",
            "(V_S - V_Z)/R - I_load",
            "derived",
            uses=(0, 1),
            without=("I_R",),
        ),
        Step(
            "It has to be enough for the steep part of its curve.",
            "I_Z",
            ">=",
            "I_least",
            "limit",
            source="2 mA: common practice, no source",
        ),
        Step(
            "That is the largest resistor, with the lowest supply and the greatest load.",
            "R",
            "<=",
            "(V_S - V_Z)/(I_least + I_load)",
            "derived",
            uses=(2, 3),
            without=("I_Z",),
        ),
        Step(
            "What it turns into heat.",
            "P_Z",
            "=",
            "V_Z*I_Z",
            "law",
            source="P = V*I",
        ),
        Step(
            "Above the knee of the rating, the junction reaches its limit. It holds where that is less"
            " than the rating.",
            "P_T",
            "=",
            "(T_J - T)/Theta",
            "definition",
            source="definition of thermal resistance",
        ),
    ),
    plain=(
        Plain(
            "rules.analysis.formulas.feeding:zener_current",
            {"supply": "V_S", "zener": "V_Z", "resistor": "R", "load": "I_load"},
            2,
        ),
        Plain(
            "rules.analysis.formulas.feeding:zener_resistor_at_most",
            {"supply_min": "V_S", "zener": "V_Z", "least": "I_least", "load_max": "I_load"},
            4,
        ),
    ),
    example={
        "V_S": 7.0,
        "V_Z": 5.1,
        "R": 270.0,
        "I_load": 0.0019,
        "I_least": 0.002,
        "T_J": 448.15,
        "T": 313.15,
        "Theta": 312.5,
    },
)
