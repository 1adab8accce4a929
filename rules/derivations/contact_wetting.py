"""How small the resistor behind a contact has to be."""

from __future__ import annotations

from types import MappingProxyType

from rules.derivations.model import Derivation, Plain, Step, Symbol

DERIVATION = Derivation(
    slug="contact-wetting",
    symbols=(
        Symbol("V", "voltage across the open contact, at its least", "V"),
        Symbol("R", "resistance behind the contact", "ohm"),
        Symbol("I", "current through the closed contact", "A"),
        Symbol("I_wet", "wetting current of the material", "A"),
    ),
    steps=(
        Step(
            "The closed contact hands its voltage to what lies behind it.",
            "I",
            "=",
            "V/R",
            "law",
            source="Ohm's law",
        ),
        Step(
            "To keep the surfaces clean the material wants a least current.",
            "I",
            ">=",
            "I_wet",
            "limit",
            source="common practice: 1 to 50 mA for silver",
        ),
        Step(
            "So there is a largest resistor.",
            "R",
            "<=",
            "V/I_wet",
            "derived",
            uses=(0, 1),
            without=("I",),
        ),
    ),
    plain=(
        Plain(
            "rules.analysis.formulas.field:pull_at_most",
            MappingProxyType({"voltage": "V", "current": "I_wet"}),
            2,
        ),
    ),
    example=MappingProxyType({"V": 11.4, "R": 8200.0, "I_wet": 1e-3}),
)
