"""What a source can give at most, to a short and to any load."""

from __future__ import annotations

from types import MappingProxyType

from rules.derivations.model import Derivation, Plain, Step, Symbol

DERIVATION = Derivation(
    slug="extra-low-voltage",
    symbols=(
        Symbol("E", "open-circuit voltage of the source", "V"),
        Symbol("r", "internal resistance of the source", "ohm"),
        Symbol("I_sc", "current into a short", "A"),
        Symbol("I", "current into a load", "A"),
        Symbol("R", "resistance of the load that takes most", "ohm"),
        Symbol("P", "power in that load", "W"),
    ),
    steps=(
        Step(
            "Into a dead short only the internal resistance is left.",
            "I_sc",
            "=",
            "E/r",
            "law",
            source="Ohm's law",
        ),
        Step("A load makes a loop with it.", "I", "=", "E/(r + R)", "law", source="Kirchhoff's voltage law"),
        Step("What the load turns into heat.", "P", "=", "I**2*R", "law", source="Joule's law"),
        Step(
            "A load takes most when it is as large as the internal resistance.",
            "R",
            "=",
            "r",
            "law",
            source="maximum power transfer theorem",
        ),
        Step(
            "So this is the most that a fault anywhere can turn into heat.",
            "P",
            "=",
            "E**2/(4*r)",
            "derived",
            uses=(1, 2, 3),
            without=("I", "R"),
        ),
        Step(
            "Above this current a source counts as able to burn a wire.",
            "I_sc",
            "<=",
            "8",
            "limit",
            source="limited power source, IEC 62368-1; from memory",
        ),
    ),
    plain=(
        Plain(
            "rules.analysis.formulas.field:short_circuit_current",
            MappingProxyType({"voltage": "E", "internal": "r"}),
            0,
        ),
        Plain(
            "rules.analysis.formulas.field:matched_power",
            MappingProxyType({"voltage": "E", "internal": "r"}),
            4,
        ),
    ),
    example=MappingProxyType({"E": 12.0, "r": 0.02}),
)
