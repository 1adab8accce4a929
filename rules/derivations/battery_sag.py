"""How much internal resistance a battery may have when it is new, so that it still does when old and cold."""

from __future__ import annotations

from rules.derivations.model import Derivation, Plain, Step, Symbol

DERIVATION = Derivation(
    slug="battery-sag",
    symbols=(
        Symbol("E", "voltage of the battery without a load", "V"),
        Symbol("V_rail", "voltage that the load leaves", "V"),
        Symbol("I", "current from the battery", "A"),
        Symbol("R_L", "what the battery sees: voltage over current of the circuit", "ohm"),
        Symbol("r", "internal resistance, old and cold", "ohm"),
        Symbol("r_new", "internal resistance when new", "ohm"),
        Symbol("f", "growth of it by age and cold", ""),
        Symbol("k", "share of its voltage that is to be left", ""),
    ),
    steps=(
        Step(
            "The internal resistance takes its drop off before anything else.",
            "V_rail",
            "=",
            "E - r*I",
            "law",
            source="Kirchhoff's voltage law",
        ),
        Step("The circuit asks for this current.", "I", "=", "V_rail/R_L", "law", source="Ohm's law"),
        Step(
            "Together: a divider of the battery and the circuit.",
            "V_rail",
            "=",
            "E*R_L/(R_L + r)",
            "derived",
            uses=(0, 1),
            without=("I",),
        ),
        Step(
            "Age and cold multiply it.",
            "r",
            "=",
            "f*r_new",
            "approximation",
            source="5 times at the end of life, 3 times at -10 degC: common practice, no source",
        ),
        Step(
            "The rail is to keep a share of its voltage.",
            "V_rail",
            ">=",
            "k*E",
            "limit",
            source="four fifths: common practice, no source",
        ),
        Step(
            "So the old battery may have this much inside.",
            "r",
            "<=",
            "(1 - k)/k*R_L",
            "derived",
            uses=(2, 4),
            without=("V_rail",),
        ),
        Step(
            "And a new one that much less.",
            "r_new",
            "<=",
            "(1 - k)/k*R_L/f",
            "derived",
            uses=(3, 5),
            without=("r",),
        ),
    ),
    plain=(
        Plain(
            "rules.analysis.formulas.supply:rail_under_load",
            {"open_voltage": "E", "internal": "r", "current": "I"},
            0,
        ),
        Plain(
            "rules.analysis.formulas.supply:internal_at_most",
            {"share": "k", "load": "R_L", "factor": "f"},
            6,
        ),
    ),
    example={"E": 9.0, "R_L": 220.0, "r_new": 1.7, "f": 15.0, "k": 0.8},
)
