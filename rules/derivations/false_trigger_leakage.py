"""Why heat sets a latch, and how small its bleed has to be."""

from __future__ import annotations

from rules.derivations.model import Derivation, Plain, Step, Symbol
from rules.derivations.pieces import defined

DERIVATION = Derivation(
    slug="false-trigger-leakage",
    symbols=(
        Symbol("I_25", "collector-base leakage at 25 degC, of all that leak into the base", "A"),
        Symbol("I", "the same at the temperature", "A"),
        Symbol("T_crit", "temperature", "K"),
        Symbol("T_0", "25 degC", "K"),
        Symbol("D", "warming that doubles the leakage", "K"),
        Symbol("R_BE", "resistance from base to emitter", "ohm"),
        Symbol("V_B", "what the leakage drops across it", "V"),
        Symbol("V_BE_off", "base-emitter voltage that is surely off at 25 degC", "V"),
        Symbol("V_off", "base-emitter voltage that is surely off at the temperature", "V"),
        Symbol("m", "by how much it falls per kelvin", "V/K"),
        Symbol("s", "share of it that leakage may use", ""),
    ),
    steps=(
        Step(
            "Leakage doubles every ten kelvin.",
            "D",
            "=",
            "10",
            "law",
            source="Bell, Electronic Devices and Circuits, ex. 5.18",
        ),
        defined("It is stated at room temperature.", "T_0", "298.15"),
        Step(
            "So it grows like this.",
            "I",
            "=",
            "I_25*2**((T_crit - T_0)/D)",
            "law",
            source="Bell, Electronic Devices and Circuits, ex. 5.18",
        ),
        Step(
            "A junction begins to conduct earlier when it is warm.",
            "m",
            "=",
            "0.002",
            "law",
            source="NXP BC848 series Rev 07, notes 2 and 3",
        ),
        Step(
            "What is surely off falls with it.",
            "V_off",
            "=",
            "V_BE_off - m*(T_crit - T_0)",
            "law",
            source="0.45 V at 25 degC: from memory",
        ),
        Step(
            "The leakage of both transistors flows through the bleed and drops a voltage there.",
            "V_B",
            "=",
            "R_BE*I",
            "law",
            source="Ohm's law",
        ),
        Step(
            "The transistor stays off while that drop keeps below its share.",
            "V_B",
            "<=",
            "s*V_off",
            "limit",
            source="the whole of it: definition of off; a third: common practice, no source",
        ),
        Step(
            "That is the largest bleed.", "R_BE", "<=", "s*V_off/I", "derived", uses=(5, 6), without=("V_B",)
        ),
        Step(
            "In terms of what a data sheet says: it halves every ten kelvin, and a little more.",
            "R_BE",
            "<=",
            "s*(V_BE_off - m*(T_crit - T_0))/(I_25*2**((T_crit - T_0)/D))",
            "derived",
            uses=(2, 4, 7),
            without=("V_off", "I"),
        ),
    ),
    plain=(
        Plain(
            "rules.analysis.formulas.cutoff:collector_base_leakage",
            {"at_room": "I_25", "temperature": "T_crit"},
            2,
        ),
        Plain(
            "rules.analysis.formulas.cutoff:off_voltage", {"at_room": "V_BE_off", "temperature": "T_crit"}, 4
        ),
        Plain(
            "rules.analysis.formulas.cutoff:bleed_at_most", {"vbe_off": "V_off", "icbo": "I", "share": "s"}, 7
        ),
    ),
    example={"I_25": 1e-7, "T_crit": 323.15, "V_BE_off": 0.45, "R_BE": 22e3, "s": 1.0},
)
