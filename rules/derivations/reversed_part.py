"""What a transistor in backwards still carries, and what is left of its gain."""

from __future__ import annotations

from types import MappingProxyType

from rules.derivations.model import Derivation, Step, Symbol

DERIVATION = Derivation(
    slug="reversed-part",
    symbols=(
        Symbol("V_drive", "voltage that drives the base resistor", "V"),
        Symbol("V_BC", "drop of the base-collector junction", "V"),
        Symbol("R_B", "base resistor", "ohm"),
        Symbol("I_B", "base current", "A"),
        Symbol("beta", "gain the right way round", ""),
        Symbol("beta_R", "gain the wrong way round", ""),
        Symbol("I_right", "what it can carry the right way round", "A"),
        Symbol("I_wrong", "what it can carry the wrong way round", "A"),
        Symbol("g", "what is left", ""),
    ),
    steps=(
        Step(
            "The base current is set by the resistor, whichever junction it flows through.",
            "I_B",
            "=",
            "(V_drive - V_BC)/R_B",
            "law",
            source="Ohm's law",
        ),
        Step(
            "The right way round it is amplified by the gain that the type promises.",
            "I_right",
            "=",
            "beta*I_B",
            "definition",
            source="current gain",
        ),
        Step(
            "With collector and emitter exchanged the lightly doped collector has to act as emitter.",
            "I_wrong",
            "=",
            "beta_R*I_B",
            "law",
            source="Ebers-Moll model, any text on semiconductors; from memory",
        ),
        Step("What is left is the ratio.", "g", "=", "I_wrong/I_right", "definition", source="share"),
        Step(
            "That is the ratio of the gains: a fiftieth or so, whatever the drive.",
            "g",
            "=",
            "beta_R/beta",
            "derived",
            uses=(1, 2, 3),
            without=("I_right", "I_wrong", "I_B"),
        ),
        Step(
            "So the load gets what the base resistor lets through, times next to nothing.",
            "I_wrong",
            "=",
            "beta_R*(V_drive - V_BC)/R_B",
            "derived",
            uses=(0, 2),
            without=("I_B",),
        ),
    ),
    plain=(),
    example=MappingProxyType({"V_drive": 5.0, "V_BC": 0.5, "R_B": 4.7e3, "beta": 200.0, "beta_R": 4.0}),
)
