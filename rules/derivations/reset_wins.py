"""What a reset has to leave at the base it takes away."""

from __future__ import annotations

from rules.derivations.model import Derivation, Plain, Step, Symbol
from rules.derivations.pieces import defined

DERIVATION = Derivation(
    slug="reset-wins",
    symbols=(
        Symbol("V_out", "output of the latch, still on", "V"),
        Symbol("R_f", "resistor from there back to the base", "ohm"),
        Symbol("R_BE", "bleed from the base to the emitter", "ohm"),
        Symbol("R_r", "resistance of the reset", "ohm"),
        Symbol("V_BE", "what is left at the base while the transistor takes nothing", "V"),
        Symbol("V_BE_off", "base-emitter voltage that is surely off at 25 degC", "V"),
        Symbol("V_BE_off_T", "the same on the hottest day", "V"),
        Symbol("m", "by how much it falls per kelvin", "V/K"),
        Symbol("T_max", "hottest temperature", "K"),
        Symbol("T_0", "25 degC", "K"),
    ),
    steps=(
        Step(
            "The loop is still on and pushes; bleed and reset pull.",
            "(V_out - V_BE)/R_f",
            "=",
            "V_BE/R_BE + V_BE/R_r",
            "law",
            source="Kirchhoff's current law at the base; Ohm's law",
        ),
        Step("So this is left there.", "V_BE", "=", "V_out/(1 + R_f/R_BE + R_f/R_r)", "derived", uses=(0,)),
        defined("Stated at room temperature ...", "T_0", "298.15"),
        Step(
            "... and 2 mV less for every kelvin.",
            "m",
            "=",
            "0.002",
            "law",
            source="NXP BC848 series Rev 07, notes 2 and 3",
        ),
        Step(
            "That is what a transistor surely takes for off when it is hot.",
            "V_BE_off_T",
            "=",
            "V_BE_off - m*(T_max - T_0)",
            "law",
            source="0.45 V at 25 degC: from memory",
        ),
        Step(
            "Off it has to be, on every day.",
            "V_BE",
            "<=",
            "V_BE_off_T",
            "limit",
            source="definition of a reset",
        ),
        Step(
            "So the reset has to take what the bleed does not.",
            "1/R_r",
            ">=",
            "(V_out - V_BE_off_T)/(V_BE_off_T*R_f) - 1/R_BE",
            "derived",
            uses=(1, 5),
            without=("V_BE",),
        ),
    ),
    plain=(
        Plain(
            "rules.analysis.formulas.cutoff:off_voltage", {"at_room": "V_BE_off", "temperature": "T_max"}, 4
        ),
    ),
    example={"V_out": 12.8, "R_f": 22e3, "R_BE": 1e4, "R_r": 470.0, "V_BE_off": 0.45, "T_max": 313.15},
)
