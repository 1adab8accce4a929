"""Why a hot relay needs more volts: it pulls by its current, and hot copper lets less of it through."""

from __future__ import annotations

from rules.derivations.model import Derivation, Plain, Step, Symbol

DERIVATION = Derivation(
    slug="relay-margin",
    symbols=(
        Symbol("V_pu", "pick-up voltage at 20 degC", "V"),
        Symbol("V_puT", "pick-up voltage of the hot winding", "V"),
        Symbol("I_pu", "current at which the relay pulls in", "A"),
        Symbol("R_20", "resistance of the winding at 20 degC", "ohm"),
        Symbol("R_T", "resistance of the hot winding", "ohm"),
        Symbol("T", "temperature of the winding", "K"),
        Symbol("T_20", "temperature at which coils are rated, 20 degC", "K"),
        Symbol("T_0", "where the line of copper meets zero, -234.5 degC", "K"),
        Symbol("V_min", "least voltage across the coil while it is on", "V"),
    ),
    steps=(
        Step(
            "The pull goes by the current: the relay pulls in at the current that its pick-up voltage drives"
            " through the cold winding.",
            "I_pu",
            "=",
            "V_pu/R_20",
            "law",
            source="Ohm's law",
        ),
        Step(
            "Copper: its resistance rises along a straight line that meets zero at -234.5 degC.",
            "R_T",
            "=",
            "R_20*(T - T_0)/(T_20 - T_0)",
            "law",
            source="copper law in the notes of relay makers",
        ),
        Step(
            "The same current through the hot winding takes this voltage.",
            "V_puT",
            "=",
            "I_pu*R_T",
            "law",
            source="Ohm's law",
        ),
        Step(
            "So the pick-up voltage rises as the copper does; the resistance itself drops out.",
            "V_puT",
            "=",
            "V_pu*(T - T_0)/(T_20 - T_0)",
            "derived",
            uses=(0, 1, 2),
            without=("I_pu", "R_T"),
        ),
        Step(
            "The coil gets this much and 5 % more at the lowest supply.",
            "V_min",
            ">=",
            "1.05*V_puT",
            "limit",
            source="common practice, no source",
        ),
        Step(
            "In one line.",
            "V_min",
            ">=",
            "1.05*V_pu*(T - T_0)/(T_20 - T_0)",
            "derived",
            uses=(3, 4),
            without=("V_puT",),
        ),
    ),
    plain=(
        Plain(
            "rules.analysis.formulas.supply:pick_up_at",
            {"pick_up": "V_pu", "temperature": "T", "zero": "T_0", "cold": "T_20"},
            3,
        ),
    ),
    example={"V_pu": 9.0, "R_20": 400.0, "T": 318.15, "T_20": 293.15, "T_0": 38.65, "V_min": 11.0},
)
