"""Why a half-on transistor is the hot one, and what its junction may reach."""

from __future__ import annotations

from rules.derivations.model import Derivation, Plain, Step, Symbol

_FORMULAS = "rules.analysis.formulas.ratings"

DERIVATION = Derivation(
    slug="transistor-dissipation",
    symbols=(
        Symbol("V_S", "supply voltage", "V"),
        Symbol("R_L", "resistance of the load", "ohm"),
        Symbol("V_CE", "voltage across the transistor", "V"),
        Symbol("I_C", "collector current", "A"),
        Symbol("P", "heat in the transistor, base current neglected", "W"),
        Symbol("T_A", "ambient temperature", "K"),
        Symbol("T_j", "temperature of its junction", "K"),
        Symbol("Theta", "thermal resistance from junction to ambient", "K/W"),
        Symbol("junction", "junction temperature in use at most", "K"),
    ),
    steps=(
        Step(
            "The load takes what the transistor leaves.",
            "I_C",
            "=",
            "(V_S - V_CE)/R_L",
            "law",
            source="Kirchhoff's voltage law and Ohm's law",
        ),
        Step(
            "Its heat is voltage times current; the base adds a few per cent where beta is large.",
            "P",
            "=",
            "V_CE*I_C",
            "approximation",
            source="Joule's law; holds for I_B far below I_C",
        ),
        Step(
            "Off there is no current, saturated no voltage; in between there is both.",
            "P",
            "=",
            "V_CE*(V_S - V_CE)/R_L",
            "derived",
            uses=(0, 1),
            without=("I_C",),
        ),
        Step(
            "At the greatest heat a little more voltage changes nothing: what it adds is what the smaller"
            " current takes.",
            "(V_S - V_CE)/R_L",
            "=",
            "-V_CE*diff((V_S - V_CE)/R_L, V_CE)",
            "definition",
            source="condition of an extreme, product rule",
        ),
        Step("That is at half of the supply.", "V_CE", "=", "V_S/2", "derived", uses=(3,)),
        Step(
            "So this is the most that a load lets its transistor turn into heat.",
            "P",
            "=",
            "V_S**2/(4*R_L)",
            "derived",
            uses=(2, 4),
            without=("V_CE",),
        ),
        Step(
            "Heat flows out through the thermal resistance.",
            "T_j",
            "=",
            "T_A + P*Theta",
            "definition",
            source="definition of the thermal resistance",
        ),
        Step(
            "The junction stays below a limit.",
            "T_j",
            "<=",
            "junction",
            "limit",
            source="110 degC: derating documents, from memory; 150 degC: sheets of the types",
        ),
        Step(
            "That bounds the heat.",
            "P",
            "<=",
            "(junction - T_A)/Theta",
            "derived",
            uses=(6, 7),
            without=("T_j",),
        ),
    ),
    plain=(
        Plain(f"{_FORMULAS}:greatest_heat", {"source": "V_S", "inner": "R_L"}, 5),
        Plain(f"{_FORMULAS}:junction_temperature", {"ambient": "T_A", "power": "P", "thermal": "Theta"}, 6),
    ),
    example={"V_S": 12.0, "R_L": 330.0, "T_A": 313.15, "Theta": 250.0, "junction": 383.15},
)
