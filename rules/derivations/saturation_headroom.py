"""How large a collector resistor a linear stage can have."""

from __future__ import annotations

from rules.derivations.model import Derivation, Plain, Step, Symbol

DERIVATION = Derivation(
    slug="saturation-headroom",
    symbols=(
        Symbol("V_S", "supply at its lowest", "V"),
        Symbol("V_C", "collector", "V"),
        Symbol("V_E", "emitter", "V"),
        Symbol("V_CE", "collector to emitter", "V"),
        Symbol("I_C", "collector current at the greatest gain", "A"),
        Symbol("R_C", "collector resistor", "ohm"),
        Symbol("V_CE_sat", "what is left across a saturated transistor", "V"),
        Symbol("headroom", "headroom that is wanted", "V"),
        Symbol("H_all", "saturation and headroom together", "V"),
    ),
    steps=(
        Step(
            "The resistor takes its drop from the supply.",
            "V_C",
            "=",
            "V_S - I_C*R_C",
            "law",
            source="Ohm's law",
        ),
        Step(
            "What is left stands across transistor and emitter resistor.",
            "V_CE",
            "=",
            "V_C - V_E",
            "law",
            source="Kirchhoff's voltage law",
        ),
        Step(
            "So it falls as the current rises, which it does with the gain.",
            "V_CE",
            "=",
            "V_S - I_C*R_C - V_E",
            "derived",
            uses=(0, 1),
            without=("V_C",),
        ),
        Step(
            "Saturation has to be kept away from, by some headroom.",
            "H_all",
            "=",
            "V_CE_sat + headroom",
            "definition",
            source="1 V: common practice, no source",
        ),
        Step(
            "A linear stage stays above that.",
            "V_CE",
            ">=",
            "H_all",
            "limit",
            source="V_CE,sat of 0.2 V: Floyd, Electronic Devices, 4.4",
        ),
        Step(
            "That is the largest collector resistor.",
            "R_C",
            "<=",
            "(V_S - V_E - H_all)/I_C",
            "derived",
            uses=(2, 4),
            without=("V_CE",),
        ),
    ),
    plain=(
        Plain(
            "rules.analysis.formulas.bias:collector_resistor_at_most",
            {"supply_min": "V_S", "emitter_max": "V_E", "collector_current_max": "I_C", "headroom": "H_all"},
            5,
        ),
    ),
    example={"V_S": 12.0, "V_E": 1.7, "I_C": 1.7e-3, "R_C": 3300.0, "V_CE_sat": 0.2, "headroom": 1.0},
)
