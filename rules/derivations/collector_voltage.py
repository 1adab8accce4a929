"""What a transistor sees when it switches off, with and without a coil."""

from __future__ import annotations

from rules.derivations.model import Derivation, Plain, Step, Symbol

DERIVATION = Derivation(
    slug="collector-voltage",
    symbols=(
        Symbol("V_S", "highest supply voltage", "V"),
        Symbol("V_L", "voltage across the load, counted from the rail to the collector", "V", "real"),
        Symbol("V_clamp", "drop of what takes the coil current when it opens", "V", "nonnegative"),
        Symbol("V_CE", "voltage across the transistor", "V"),
        Symbol("V_CEO", "rated voltage with the base open", "V"),
        Symbol("V_use", "voltage that is in use at most", "V"),
        Symbol("share", "share of the rating that is in use at most", ""),
    ),
    steps=(
        Step(
            "The transistor sees what the load leaves of the rail.",
            "V_CE",
            "=",
            "V_S - V_L",
            "law",
            source="Kirchhoff's voltage law",
        ),
        Step(
            "A coil keeps its current and turns its voltage round, as far as its clamp lets it; a resistor"
            " without current drops nothing.",
            "V_L",
            "=",
            "-V_clamp",
            "law",
            source="a coil current does not jump; Kirchhoff's voltage law around coil and clamp",
        ),
        Step(
            "So the clamp comes on top of the rail.",
            "V_CE",
            "=",
            "V_S + V_clamp",
            "derived",
            uses=(0, 1),
            without=("V_L",),
        ),
        Step(
            "A share of the rating is used at most.",
            "V_use",
            "=",
            "share*V_CEO",
            "definition",
            source="0.75: derating documents, from memory",
        ),
        Step(
            "The greatest voltage stays within it.",
            "V_CE",
            "<=",
            "V_use",
            "limit",
            source="V_CEO: sheets of the types",
        ),
        Step(
            "That bounds the clamp: a plain diode takes 0.7 V of it, a zener more.",
            "V_clamp",
            "<=",
            "share*V_CEO - V_S",
            "derived",
            uses=(2, 3, 4),
            without=("V_CE", "V_use"),
        ),
    ),
    plain=(Plain("rules.analysis.formulas.ratings:allowed", {"rating": "V_CEO", "share": "share"}, 3),),
    example={"V_S": 24.0, "V_clamp": 0.7, "V_CEO": 40.0, "share": 0.75},
)
