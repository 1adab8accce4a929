"""Why off is what the emitter says."""

from __future__ import annotations

from rules.derivations.model import Derivation, Plain, Step, Symbol

DERIVATION = Derivation(
    slug="true-off",
    symbols=(
        Symbol("V_E", "emitter potential", "V"),
        Symbol("V_level", "level of the driver that means off", "V", "real"),
        Symbol("R_B", "resistor from the driver to the base", "ohm"),
        Symbol("R_BE", "resistor from base to emitter", "ohm"),
        Symbol("I", "current that the two resistors share while the junction blocks", "A", "real"),
        Symbol("V_BE", "base-emitter voltage of the PNP transistor", "V", "real"),
        Symbol("V_off", "base-emitter voltage that is surely off, hot", "V"),
        Symbol("V_25", "the same at 25 degC", "V"),
        Symbol("T", "temperature", "K"),
        Symbol("T_25", "25 degC", "K"),
        Symbol("s", "how much it falls per kelvin", "V/K"),
    ),
    steps=(
        Step(
            "While the junction blocks, one current flows from the emitter's rail to the driver.",
            "I",
            "=",
            "(V_E - V_level)/(R_B + R_BE)",
            "law",
            source="Ohm's law",
        ),
        Step(
            "What it leaves at the resistor from base to emitter is the base-emitter voltage.",
            "V_BE",
            "=",
            "I*R_BE",
            "law",
            source="Ohm's law",
        ),
        Step(
            "So the divider decides; only where the driver stands at the rail is there nothing to divide.",
            "V_BE",
            "=",
            "(V_E - V_level)/(1 + R_B/R_BE)",
            "derived",
            uses=(0, 1),
            without=("I",),
        ),
        Step(
            "What is surely off falls as the transistor warms up. It holds for silicon at a constant"
            " current.",
            "V_off",
            "=",
            "V_25 - s*(T - T_25)",
            "approximation",
            source="2 mV per kelvin: NXP BC848 series, notes 2 and 3",
        ),
        Step(
            "The junction has to stay below it.",
            "V_BE",
            "<=",
            "V_off",
            "limit",
            source="0.45 V at 25 degC: from memory",
        ),
        Step(
            "That is how high the level has to be.",
            "V_level",
            ">=",
            "V_E - (1 + R_B/R_BE)*V_off",
            "derived",
            uses=(2, 4),
            without=("V_BE",),
        ),
    ),
    plain=(
        Plain(
            "rules.analysis.formulas.feeding:off_drive",
            {"rail": "V_E", "level": "V_level", "feed": "R_B", "bleed": "R_BE"},
            2,
        ),
    ),
    example={
        "V_E": 5.0,
        "V_level": 4.8,
        "R_B": 1000.0,
        "R_BE": 10000.0,
        "V_25": 0.45,
        "T": 313.15,
        "T_25": 298.15,
        "s": 0.002,
    },
)
