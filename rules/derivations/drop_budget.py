"""Why junctions in series may not take more than a share of the supply."""

from __future__ import annotations

from rules.derivations.model import Derivation, Plain, Step, Symbol

DERIVATION = Derivation(
    slug="drop-budget",
    symbols=(
        Symbol("V_S", "supply voltage, at its lowest", "V"),
        Symbol("V_drop", "sum of all fixed drops in series", "V", "nonnegative"),
        Symbol("V_left", "voltage left for the resistance", "V"),
        Symbol("R", "resistance in the road", "ohm"),
        Symbol("I", "current in the road", "A"),
        Symbol("share", "share of the supply that has to be left", ""),
        Symbol("dV", "rise of the drops", "V", "nonnegative"),
        Symbol("I_less", "current with the higher drops", "A", "real"),
        Symbol("loss", "share of the current that they cost", "", "real"),
    ),
    steps=(
        Step(
            "Junctions take their voltage first, whatever the current.",
            "V_left",
            "=",
            "V_S - V_drop",
            "law",
            source="Kirchhoff's voltage law",
        ),
        Step(
            "What is left sets the current.",
            "I",
            "=",
            "V_left/R",
            "law",
            source="Ohm's law",
        ),
        Step(
            "With higher drops there is less of it.",
            "I_less",
            "=",
            "(V_left - dV)/R",
            "law",
            source="Ohm's law",
        ),
        Step(
            "The share of the current that is lost.",
            "loss",
            "=",
            "1 - I_less/I",
            "definition",
            source="definition of a relative change",
        ),
        Step(
            "It grows without end as the rest shrinks.",
            "loss",
            "=",
            "dV/V_left",
            "derived",
            uses=(1, 2, 3),
            without=("I", "I_less", "R"),
        ),
        Step(
            "So a share of the supply has to be left.",
            "V_left",
            ">=",
            "share*V_S",
            "limit",
            source="a tenth, and half a volt: common practice, no source",
        ),
        Step(
            "The drops may take the rest.",
            "V_drop",
            "<=",
            "V_S*(1 - share)",
            "derived",
            uses=(0, 5),
            without=("V_left",),
        ),
    ),
    plain=(
        Plain("rules.analysis.formulas.feeding:left_over", {"supply": "V_S", "drops": "V_drop"}, 0),
    ),
    example={
        "V_S": 7.2,
        "V_drop": 5.2,
        "R": 390.0,
        "share": 0.1,
        "dV": 0.2,
    },
)
