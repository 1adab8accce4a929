"""Why a state that is there at nominal values can be lost at a corner."""

from __future__ import annotations

from rules.derivations.model import Derivation, Step, Symbol
from rules.derivations.pieces import defined

DERIVATION = Derivation(
    slug="lost-state",
    symbols=(
        Symbol("V", "supply", "V"),
        Symbol("V_low", "supply at its lower end", "V"),
        Symbol("R_1", "resistor from the supply to the base", "ohm"),
        Symbol("R_2", "resistor from the base to the emitter", "ohm"),
        Symbol("p", "tolerance of both", ""),
        Symbol("q", "what the tolerance leaves of the lower one", ""),
        Symbol("V_BE", "base-emitter drop", "V"),
        Symbol("i", "base current", "A", "real"),
        Symbol("s_1", "change of the base current with the upper resistor", "A/ohm", "real"),
        Symbol("s_2", "change of the base current with the lower resistor", "A/ohm", "real"),
        Symbol("i_w", "base current at the worst corner", "A", "real"),
    ),
    steps=(
        Step(
            "An example: a base between two resistors. While its junction conducts, what comes from above is"
            " more than what goes below.",
            "i",
            "=",
            "(V - V_BE)/R_1 - V_BE/R_2",
            "law",
            source="Kirchhoff's current law at the base",
        ),
        defined("How the current follows the upper resistor.", "s_1", "diff((V - V_BE)/R_1 - V_BE/R_2, R_1)"),
        Step(
            "As long as the supply is above the drop it only falls: the sign never changes.",
            "s_1",
            "=",
            "-(V - V_BE)/R_1**2",
            "derived",
            uses=(1,),
        ),
        defined("How it follows the lower one.", "s_2", "diff((V - V_BE)/R_1 - V_BE/R_2, R_2)"),
        Step("With that it only rises.", "s_2", ">", "0", "derived", uses=(3,)),
        defined("A tolerance takes this much from a value at its lower end.", "q", "1 - p"),
        Step(
            "One direction each means the worst lies at a corner: upper resistor high, lower one and supply"
            " low.",
            "i_w",
            "=",
            "(V_low - V_BE)/(R_1*(1 + p)) - V_BE/(R_2*q)",
            "definition",
            source="extreme value analysis (RIAC desk reference, worst case circuit analysis)",
        ),
        Step(
            "The state exists there only while the junction conducts.",
            "i_w",
            ">=",
            "0",
            "limit",
            source="definition of a region: a conducting junction carries current forwards",
        ),
        Step(
            "So the lower resistor must not be too small, by both tolerances.",
            "R_2",
            ">=",
            "V_BE*R_1*(1 + p)/(q*(V_low - V_BE))",
            "derived",
            uses=(6, 7),
            without=("i_w",),
        ),
    ),
    plain=(),
    example={"V": 5.0, "V_low": 4.5, "R_1": 3900.0, "R_2": 2200.0, "p": 0.05, "V_BE": 0.7},
)
