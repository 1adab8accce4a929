"""What the diode across a coil carries and blocks."""

from __future__ import annotations

from rules.derivations.model import Derivation, Plain, Step, Symbol

DERIVATION = Derivation(
    slug="diode-ratings",
    symbols=(
        Symbol("V_S", "supply voltage", "V"),
        Symbol("V_CE_sat", "saturation voltage of the switch", "V"),
        Symbol("R", "resistance of the coil", "ohm"),
        Symbol("I_coil", "current of the coil as the switch opens", "A"),
        Symbol("I_F", "current of the diode just after", "A"),
        Symbol("I_F_r", "rated forward current", "A"),
        Symbol("I_use", "forward current in use at most", "A"),
        Symbol("current_share", "share of a rating that is in use at most", ""),
        Symbol("V_R", "reverse voltage while the coil is on", "V"),
        Symbol("V_RRM", "rated reverse voltage", "V"),
    ),
    steps=(
        Step(
            "While it is on the coil carries what its winding lets through.",
            "I_coil",
            "=",
            "(V_S - V_CE_sat)/R",
            "law",
            source="Kirchhoff's voltage law and Ohm's law",
        ),
        Step(
            "Its current does not jump: as the switch opens, all of it goes through the diode.",
            "I_F",
            "=",
            "I_coil",
            "law",
            source="a coil current does not jump; Kirchhoff's current law",
        ),
        Step(
            "So the diode begins with the whole coil current.",
            "I_F",
            "=",
            "(V_S - V_CE_sat)/R",
            "derived",
            uses=(0, 1),
            without=("I_coil",),
        ),
        Step(
            "A share of its rating is used at most.",
            "I_use",
            "=",
            "current_share*I_F_r",
            "definition",
            source="0.8: between the 50 and 100 % of derating documents",
        ),
        Step("The current stays within it.", "I_F", "<=", "I_use", "limit", source="sheets of the types"),
        Step(
            "That bounds the coil a diode can clamp.",
            "(V_S - V_CE_sat)/R",
            "<=",
            "current_share*I_F_r",
            "derived",
            uses=(2, 3, 4),
            without=("I_F", "I_use"),
        ),
        Step(
            "While the coil is on, the diode blocks what stands across it.",
            "V_R",
            "=",
            "V_S - V_CE_sat",
            "law",
            source="Kirchhoff's voltage law",
        ),
        Step("It is rated for twice the supply.", "V_RRM", ">=", "2*V_S", "limit", source="from memory"),
        Step(
            "Then half of its rating is in use, and less.",
            "V_R",
            "<=",
            "V_RRM/2 - V_CE_sat",
            "derived",
            uses=(6, 7),
            without=("V_S",),
        ),
    ),
    plain=(
        Plain("rules.analysis.formulas.ratings:allowed", {"rating": "I_F_r", "share": "current_share"}, 3),
    ),
    example={"V_S": 12.0, "V_CE_sat": 0.2, "R": 150.0, "I_F_r": 0.15, "current_share": 0.8, "V_RRM": 75.0},
)
