"""What a window leaves to the resistors once the capacitor has taken its share."""

from __future__ import annotations

from types import MappingProxyType

from rules.derivations.model import Derivation, Plain, Step, Symbol

DERIVATION = Derivation(
    slug="tolerance-reachable",
    symbols=(
        Symbol("t_0", "delay at nominal values", "s"),
        Symbol("t_max", "greatest delay", "s"),
        Symbol("t_high", "greatest accepted delay", "s"),
        Symbol("k", "factor of the threshold", ""),
        Symbol("R", "timing resistor", "ohm"),
        Symbol("C", "timing capacitor", "F"),
        Symbol("r", "tolerance of the resistor", "", "nonnegative"),
        Symbol("c", "tolerance of the capacitor", "", "nonnegative"),
        Symbol("w", "what the window allows above the nominal delay", "", "nonnegative"),
    ),
    steps=(
        Step(
            "A delay by a resistor and a capacitor goes with their product.",
            "t_0",
            "=",
            "k*R*C",
            "law",
            source="charging of a capacitor through a resistor",
        ),
        Step(
            "It is longest when both are as large as they may be.",
            "t_max",
            "=",
            "k*R*(1 + r)*C*(1 + c)",
            "definition",
            source="extreme value analysis: common practice, no source",
        ),
        Step(
            "The window ends here.",
            "t_high",
            "=",
            "t_0*(1 + w)",
            "definition",
            source="definition of the window",
        ),
        Step(
            "The longest delay has to stay within it.",
            "t_max",
            "<=",
            "t_high",
            "limit",
            source="the requirement of the document",
        ),
        Step(
            "So this is left to the resistor: less than nothing when the capacitor takes more than there is.",
            "r",
            "<=",
            "(1 + w)/(1 + c) - 1",
            "derived",
            uses=(0, 1, 2, 3),
            without=("t_0", "t_max", "t_high"),
        ),
    ),
    plain=(
        Plain(
            "rules.analysis.formulas.field:tolerance_left",
            MappingProxyType({"room": "w", "taken": "c"}),
            4,
        ),
    ),
    example=MappingProxyType({"k": 0.7, "R": 100e3, "C": 100e-6, "r": 0.05, "c": 0.2, "w": 0.3}),
)
