"""What a meter takes from the voltage it is to show."""

from __future__ import annotations

from types import MappingProxyType

from rules.derivations.model import Derivation, Plain, Step, Symbol

DERIVATION = Derivation(
    slug="testability",
    symbols=(
        Symbol("V", "voltage of the node without a meter", "V"),
        Symbol("V_m", "voltage that the meter shows", "V"),
        Symbol("R_m", "resistance of the meter", "ohm"),
        Symbol("R_n", "what is behind the node", "ohm"),
        Symbol("I", "current that the meter takes", "A"),
        Symbol("s", "share of the voltage that it shows", ""),
        Symbol("s_min", "share that is wanted", ""),
    ),
    steps=(
        Step(
            "The meter takes its current through what is behind the node.",
            "I",
            "=",
            "V/(R_n + R_m)",
            "law",
            source="Thevenin's theorem and Ohm's law",
        ),
        Step("It shows what stands across itself.", "V_m", "=", "I*R_m", "law", source="Ohm's law"),
        Step("Its share of the truth.", "s", "=", "V_m/V", "definition", source="definition of a share"),
        Step(
            "So a meter shows this much of it.",
            "s",
            "=",
            "R_m/(R_m + R_n)",
            "derived",
            uses=(0, 1, 2),
            without=("I", "V_m", "V"),
        ),
        Step(
            "A reading is to be trusted to a few per cent.",
            "s",
            ">=",
            "s_min",
            "limit",
            source="common practice, no source: 95 %",
        ),
        Step(
            "So the node may have this much behind it.",
            "R_n",
            "<=",
            "R_m*(1/s_min - 1)",
            "derived",
            uses=(3, 4),
            without=("s",),
        ),
    ),
    plain=(
        Plain(
            "rules.analysis.formulas.field:reading_share",
            MappingProxyType({"meter": "R_m", "node": "R_n"}),
            3,
        ),
        Plain(
            "rules.analysis.formulas.field:node_at_most",
            MappingProxyType({"meter": "R_m", "share": "s_min"}),
            5,
        ),
    ),
    example=MappingProxyType({"V": 3.0, "R_m": 10e6, "R_n": 220e3, "s_min": 0.95}),
)
