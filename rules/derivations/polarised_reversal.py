"""Which way round a capacitor between two nodes belongs, and what a flasher does to its own."""

from __future__ import annotations

from rules.derivations.model import Derivation, Step, Symbol
from rules.derivations.pieces import defined

DERIVATION = Derivation(
    slug="polarised-reversal",
    symbols=(
        Symbol("V", "supply", "V"),
        Symbol("V_plus", "node of the plus end, at rest", "V"),
        Symbol("V_minus", "node of the other end, at rest", "V"),
        Symbol("r_plus", "ratio of the divider at the plus end", ""),
        Symbol("r_minus", "ratio of the divider at the other end", ""),
        Symbol("u", "reverse voltage at rest", "V", "real"),
        Symbol("u_max", "reverse voltage that it stands", "V"),
        Symbol("V_BE", "base-emitter drop", "V"),
        Symbol("V_CE_sat", "collector-emitter voltage in saturation", "V"),
        Symbol("u_f", "reverse voltage at the end of a half period of a flasher", "V", "real"),
    ),
    steps=(
        Step(
            "No current flows through the capacitor at rest, so each node stands where its own resistors put"
            " it: the one end here ...",
            "V_plus",
            "=",
            "r_plus*V",
            "law",
            source="Ohm's law, no direct current through a capacitor",
        ),
        Step("... and the other there.", "V_minus", "=", "r_minus*V", "law", source="Ohm's law"),
        defined("Reversed is the other end above the plus end.", "u", "V_minus - V_plus"),
        Step(
            "The oxide stands little of that.",
            "u",
            "<=",
            "u_max",
            "limit",
            source="half a volt at rest: common practice, no source; makers' guides, from memory",
        ),
        Step(
            "So the ratios of the two dividers decide which end is plus.",
            "r_minus",
            "<=",
            "r_plus + u_max/V",
            "derived",
            uses=(0, 1, 2, 3),
            without=("V_plus", "V_minus", "u"),
        ),
        Step(
            "In a cross-coupled flasher the plus end is at a collector that has gone to saturation, the other"
            " one at a base that begins to conduct.",
            "u_f",
            "=",
            "V_BE - V_CE_sat",
            "law",
            source="Kirchhoff's voltage law",
        ),
    ),
    plain=(),
    example={"V": 9.0, "r_plus": 0.667, "r_minus": 0.18, "u_max": 0.5, "V_BE": 0.7, "V_CE_sat": 0.2},
)
