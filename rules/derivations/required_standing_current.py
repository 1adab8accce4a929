"""What a hot day adds to the current of a circuit at rest."""

from __future__ import annotations

from rules.derivations.model import Derivation, Plain, Step, Symbol
from rules.derivations.pieces import defined

DERIVATION = Derivation(
    slug="required-standing-current",
    symbols=(
        Symbol("I_max", "current from the battery", "A"),
        Symbol("I_R", "what the resistors across it take", "A"),
        Symbol("I_L", "what its capacitors leak", "A"),
        Symbol("I_CBO", "what its blocking collectors leak", "A"),
        Symbol("V", "battery voltage", "V"),
        Symbol("R", "resistance across the battery", "ohm"),
        Symbol("k", "leakage of a capacitor per charge at rated voltage", "1/s"),
        Symbol("C", "capacitance", "F"),
        Symbol("V_R", "its rated voltage", "V"),
        Symbol("f", "factor of the heat on that", ""),
        Symbol("I_25", "collector leakage at 25 degC", "A"),
        Symbol("T", "temperature", "K"),
        Symbol("T_0", "25 degC", "K"),
        Symbol("D", "warming that doubles it", "K"),
        Symbol("I_at_most", "current that is accepted", "A"),
    ),
    steps=(
        Step(
            "Everything that hangs on the battery adds up.",
            "I_max",
            "=",
            "I_R + I_L + I_CBO",
            "law",
            source="Kirchhoff's current law at the battery",
        ),
        Step("Resistors across it take this.", "I_R", "=", "V/R", "law", source="Ohm's law"),
        Step(
            "A capacitor may leak this: the figure of a sheet, 0.01CV, hides a unit, 1/s.",
            "I_L",
            "=",
            "f*k*C*V_R",
            "law",
            source="leakage limits of the sheets (Panasonic series SU, Nichicon series KL)",
        ),
        defined("Collector leakage is stated at room temperature ...", "T_0", "298.15"),
        Step(
            "... and doubles every ten kelvin.",
            "D",
            "=",
            "10",
            "law",
            source="Bell, Electronic Devices and Circuits, ex. 5.18",
        ),
        Step(
            "So each blocking collector leaks this.",
            "I_CBO",
            "=",
            "I_25*2**((T - T_0)/D)",
            "law",
            source="Bell, Electronic Devices and Circuits, ex. 5.18",
        ),
        Step(
            "Together.",
            "I_max",
            "=",
            "V/R + f*k*C*V_R + I_25*2**((T - T_0)/D)",
            "derived",
            uses=(0, 1, 2, 5),
            without=("I_R", "I_L", "I_CBO"),
        ),
        Step(
            "It has to stay within what is accepted.",
            "I_max",
            "<=",
            "I_at_most",
            "limit",
            source="the requirement of the document",
        ),
        Step(
            "Which is what is left for the capacitor.",
            "C",
            "<=",
            "(I_at_most - V/R - I_25*2**((T - T_0)/D))/(f*k*V_R)",
            "derived",
            uses=(6, 7),
            without=("I_max",),
        ),
    ),
    plain=(
        Plain(
            "rules.analysis.formulas.cutoff:collector_base_leakage",
            {"at_room": "I_25", "temperature": "T"},
            5,
        ),
    ),
    example={
        "V": 6.6,
        "R": 1e7,
        "f": 1.732,
        "k": 0.002,
        "C": 1e-4,
        "V_R": 10.0,
        "I_25": 1e-7,
        "T": 313.15,
        "I_at_most": 5e-6,
    },
)
