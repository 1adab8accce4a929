"""Why a base needs a resistance in its loop."""

from __future__ import annotations

from rules.derivations.model import Derivation, Plain, Step, Symbol
from rules.derivations.pieces import defined

DERIVATION = Derivation(
    slug="base-current-limit",
    symbols=(
        Symbol("I_S", "saturation current of the junction", "A"),
        Symbol("V_T", "thermal voltage", "V"),
        Symbol("V_BE", "base-emitter voltage", "V"),
        Symbol("I_1", "current of the junction", "A"),
        Symbol("I_B", "base current through a resistance", "A"),
        Symbol("dV", "rise of the base-emitter voltage", "V"),
        Symbol("I_more", "current of the junction after it", "A"),
        Symbol("factor", "how many times the current that is", ""),
        Symbol("V_drive", "what drives the base, above the emitter", "V"),
        Symbol("R", "resistance in the loop", "ohm"),
        Symbol("I_max", "largest base current allowed", "A"),
    ),
    steps=(
        Step(
            "A junction is a diode: its current grows with the exponential of its voltage. It holds well"
            " above the thermal voltage.",
            "I_1",
            "=",
            "I_S*exp(V_BE/V_T)",
            "approximation",
            source="the diode law, any text on semiconductors",
        ),
        Step(
            "A little more voltage.",
            "I_more",
            "=",
            "I_S*exp((V_BE + dV)/V_T)",
            "approximation",
            source="the same law",
        ),
        defined("The factor between them.", "factor", "I_more/I_1"),
        Step(
            "It does not depend on the current: 0.1 V is a factor of 48 at 300 K. So no stiff voltage"
            " sets a base current.",
            "factor",
            "=",
            "exp(dV/V_T)",
            "derived",
            uses=(0, 1, 2),
            without=("I_1", "I_more", "I_S", "V_BE"),
        ),
        Step(
            "A resistance takes what is over, and sets it.",
            "I_B",
            "=",
            "(V_drive - V_BE)/R",
            "law",
            source="Ohm's law",
        ),
        Step(
            "The base may take this much.",
            "I_B",
            "<=",
            "I_max",
            "limit",
            source="a fifth of I_C,max: from memory",
        ),
        Step(
            "That is the least resistance.",
            "R",
            ">=",
            "(V_drive - V_BE)/I_max",
            "derived",
            uses=(4, 5),
            without=("I_B",),
        ),
    ),
    plain=(
        Plain(
            "rules.analysis.formulas.feeding:base_current_peak",
            {"step": "V_drive", "vbe": "V_BE", "resistance": "R"},
            4,
        ),
    ),
    example={
        "I_S": 1e-14,
        "V_T": 0.025852,
        "V_BE": 0.7,
        "dV": 0.1,
        "V_drive": 5.0,
        "R": 1500.0,
        "I_max": 0.02,
    },
)
