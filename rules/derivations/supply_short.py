"""How much of its short-circuit current a source may be asked for."""

from __future__ import annotations

from rules.derivations.model import Derivation, Step, Symbol
from rules.derivations.pieces import defined

DERIVATION = Derivation(
    slug="supply-short",
    symbols=(
        Symbol("V", "open-circuit voltage of the source", "V"),
        Symbol("r", "its internal resistance", "ohm"),
        Symbol("R", "resistance that was put into the loop on purpose", "ohm", "nonnegative"),
        Symbol("I_S", "current that flows", "A"),
        Symbol("I_short", "current into a short", "A"),
        Symbol("half", "share of it that is allowed", ""),
        Symbol("g", "what is not allowed of it", ""),
        Symbol("V_r", "voltage lost in the source", "V"),
    ),
    steps=(
        Step("One current around the loop.", "I_S", "=", "V/(r + R)", "law", source="Ohm's law"),
        Step(
            "With nothing in it the source alone limits the current; an ideal one not at all.",
            "I_short",
            "=",
            "V/r",
            "law",
            source="Ohm's law",
        ),
        Step(
            "A share of that is allowed.",
            "I_S",
            "<=",
            "half*I_short",
            "limit",
            source="half: common practice, no source",
        ),
        defined("The rest of it.", "g", "1 - half"),
        Step(
            "So the loop has to have at least so much resistance: as much as the source itself, for the"
            " half.",
            "half*R",
            ">=",
            "g*r",
            "derived",
            uses=(0, 1, 2, 3),
            without=("I_S", "I_short"),
        ),
        Step("What is lost inside the source.", "V_r", "=", "I_S*r", "law", source="Ohm's law"),
        Step(
            "Which says the same: no more than that share of its voltage is lost in the source.",
            "V_r",
            "<=",
            "half*V",
            "derived",
            uses=(1, 2, 5),
            without=("I_S", "I_short"),
        ),
    ),
    plain=(),
    example={"V": 9.0, "r": 2.0, "R": 1000.0, "half": 0.5},
)
