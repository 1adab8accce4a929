"""Why heat in a resistor is greatest where it equals what feeds it, and what a body stands."""

from __future__ import annotations

from rules.derivations.model import Derivation, Plain, Step, Symbol

_FORMULAS = "rules.analysis.formulas.ratings"

DERIVATION = Derivation(
    slug="resistor-dissipation",
    symbols=(
        Symbol("V", "voltage across the resistor", "V"),
        Symbol("I", "current through it", "A"),
        Symbol("R", "its resistance", "ohm"),
        Symbol("P", "heat in it", "W"),
        Symbol("V_th", "open-circuit voltage of what feeds it", "V"),
        Symbol("R_th", "resistance of what feeds it", "ohm"),
        Symbol("P_r", "rated power", "W"),
        Symbol("d", "share of it that is left at the ambient temperature", ""),
        Symbol("T", "ambient temperature", "K"),
        Symbol("T_full", "temperature up to which all of it is left", "K"),
        Symbol("T_zero", "temperature at which nothing is left", "K"),
        Symbol("share", "share that is in use at most", ""),
    ),
    steps=(
        Step("Voltage times current turns into heat.", "P", "=", "V*I", "law", source="Joule's law"),
        Step("The resistor itself sets the current.", "I", "=", "V/R", "law", source="Ohm's law"),
        Step(
            "So the heat goes with the square of the voltage.",
            "P",
            "=",
            "V**2/R",
            "derived",
            uses=(0, 1),
            without=("I",),
        ),
        Step(
            "What feeds it is a source behind a resistance: the two form a divider.",
            "V",
            "=",
            "V_th*R/(R + R_th)",
            "law",
            source="Thevenin's theorem and Kirchhoff's voltage law",
        ),
        Step(
            "A small resistor gets little voltage, a large one lets little current through.",
            "P",
            "=",
            "V_th**2*R/(R + R_th)**2",
            "derived",
            uses=(2, 3),
            without=("V",),
        ),
        Step(
            "At the greatest heat a little more resistance changes nothing: what its own share gains is what"
            " the smaller current loses.",
            "V_th**2/(R + R_th)**2",
            "=",
            "-R*diff(V_th**2/(R + R_th)**2, R)",
            "definition",
            source="condition of an extreme, product rule",
        ),
        Step("That is where the resistor equals what feeds it.", "R", "=", "R_th", "derived", uses=(5,)),
        Step(
            "There half of the voltage is left, and the heat is this; on both sides it is less.",
            "P",
            "=",
            "V_th**2/(4*R_th)",
            "derived",
            uses=(4, 6),
            without=("R",),
        ),
        Step(
            "Above full load temperature the rating falls along a straight line.",
            "d",
            "=",
            "(T_zero - T)/(T_zero - T_full)",
            "definition",
            source="derating line of film resistors, 70 to 155 degC (IEC 60115), from memory",
        ),
        Step(
            "A share of what is left is used at most.",
            "P",
            "<=",
            "share*P_r*d",
            "limit",
            source="0.6: NASA EEE-INST-002, style RM, as quoted in a public code excerpt",
        ),
        Step(
            "That bounds the voltage across a given body.",
            "V**2/R",
            "<=",
            "share*P_r*(T_zero - T)/(T_zero - T_full)",
            "derived",
            uses=(2, 8, 9),
            without=("P", "d"),
        ),
    ),
    plain=(
        Plain(f"{_FORMULAS}:heat_of", {"volts": "V", "ohms": "R"}, 2),
        Plain(f"{_FORMULAS}:heat_behind", {"source": "V_th", "inner": "R_th", "ohms": "R"}, 4),
        Plain(f"{_FORMULAS}:greatest_heat", {"source": "V_th", "inner": "R_th"}, 7),
    ),
    example={
        "V_th": 12.0,
        "R_th": 1e3,
        "P_r": 0.25,
        "T": 373.15,
        "T_full": 343.15,
        "T_zero": 428.15,
        "share": 0.6,
    },
)
