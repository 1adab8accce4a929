"""How much a higher rail pushes back into an output, and where its pin then stands."""

from __future__ import annotations

from types import MappingProxyType

from rules.derivations.model import Derivation, Plain, Step, Symbol

DERIVATION = Derivation(
    slug="back-feed",
    symbols=(
        Symbol("V_S", "the higher rail", "V"),
        Symbol("V_EB", "drop of the emitter junction on the way", "V"),
        Symbol("V_level", "open-circuit voltage of the output that is high", "V"),
        Symbol("V_pin", "voltage of its pin", "V"),
        Symbol("I_in", "current into the pin", "A", "real"),
        Symbol("R", "base resistor", "ohm"),
        Symbol("r", "resistance of the output itself", "ohm"),
        Symbol("I_max", "current that is accepted", "A"),
    ),
    steps=(
        Step(
            "An output that is high is a source with a resistance; what is pushed in lifts its pin.",
            "V_pin",
            "=",
            "V_level + I_in*r",
            "law",
            source="Ohm's law",
        ),
        Step(
            "The emitter junction of a PNP ties its base to one drop below the higher rail.",
            "V_S - V_EB - V_pin",
            "=",
            "I_in*R",
            "law",
            source="Kirchhoff's voltage law and Ohm's law",
        ),
        Step(
            "So this flows into the output while it means to turn the transistor off.",
            "I_in",
            "=",
            "(V_S - V_EB - V_level)/(R + r)",
            "derived",
            uses=(0, 1),
            without=("V_pin",),
        ),
        Step(
            "A supply that is not made to take current rises instead; so next to none is accepted.",
            "I_in",
            "<=",
            "I_max",
            "limit",
            source="0.1 mA: common practice, no source",
        ),
        Step(
            "The level of the output has to come that close to the higher rail.",
            "V_level",
            ">=",
            "V_S - V_EB - I_max*(R + r)",
            "derived",
            uses=(2, 3),
            without=("I_in",),
        ),
    ),
    plain=(
        Plain(
            "rules.analysis.formulas.wiring:pushed_pin",
            {"level": "V_level", "current": "I_in", "resistance": "r"},
            0,
        ),
    ),
    example=MappingProxyType(
        {"V_S": 9.0, "V_EB": 0.7, "V_level": 5.0, "R": 4.7e3, "r": 50.0, "I_max": 1e-4}
    ),
)
