"""Why the whole voltage of a battery that is turned round stands across the part that blocks it."""

from __future__ import annotations

from types import MappingProxyType

from rules.derivations.model import Derivation, Step, Symbol

DERIVATION = Derivation(
    slug="reverse-battery",
    symbols=(
        Symbol("V_B", "highest voltage of the battery", "V"),
        Symbol("I", "current round the loop", "A", "real"),
        Symbol("R", "resistance in series with the part", "ohm"),
        Symbol("V_R", "reverse voltage across the part that blocks", "V"),
        Symbol("V_max", "what that part stands backwards", "V"),
    ),
    steps=(
        Step(
            "Round the loop the battery, turned round, is taken up by the resistor and the part that blocks.",
            "V_B",
            "=",
            "I*R + V_R",
            "law",
            source="Kirchhoff's voltage law and Ohm's law",
        ),
        Step(
            "An LED or a junction that is reversed passes next to nothing until it breaks down.",
            "I",
            "=",
            "0",
            "approximation",
            source="ideal junction below its breakdown voltage",
        ),
        Step(
            "So the resistor helps nothing: the whole battery stands across the part.",
            "V_R",
            "=",
            "V_B",
            "derived",
            uses=(0, 1),
            without=("I", "R"),
        ),
        Step(
            "The part stands a certain voltage backwards.",
            "V_R",
            "<=",
            "V_max",
            "limit",
            source="rating of the part; 5 V for an LED: from memory",
        ),
        Step(
            "Without a diode in the lead no battery may be larger than that.",
            "V_B",
            "<=",
            "V_max",
            "derived",
            uses=(2, 3),
            without=("V_R",),
        ),
    ),
    plain=(),
    example=MappingProxyType({"V_B": 9.0, "R": 150.0, "V_max": 5.0}),
)
