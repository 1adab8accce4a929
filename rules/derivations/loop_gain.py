"""Why the gain around a loop is the product of the gains times a current divider."""

from __future__ import annotations

from rules.derivations.model import Derivation, Plain, Step, Symbol
from rules.derivations.pieces import defined

DERIVATION = Derivation(
    slug="loop-gain",
    symbols=(
        Symbol("i_1", "small current into the first base", "A"),
        Symbol("i_2", "small collector current of the second transistor", "A"),
        Symbol("i_back", "small current that comes back to the first base", "A"),
        Symbol("i_L", "small current into the load", "A"),
        Symbol("beta_1", "gain of the first transistor", ""),
        Symbol("beta_2", "gain of the second", ""),
        Symbol("R_L", "load of the output", "ohm"),
        Symbol("R_f", "resistor from the output back to the base", "ohm"),
        Symbol("T", "gain around the loop", ""),
        Symbol("poor_gain", "share of each gain that is left at small currents", ""),
    ),
    steps=(
        Step(
            "A small push at the first base is multiplied by both gains; bleeds take no part of it, because"
            " the"
            " drops across them do not move.",
            "i_2",
            "=",
            "beta_1*beta_2*i_1",
            "law",
            source="definition of the gain; fixed drops",
        ),
        Step(
            "It splits into load and feedback.",
            "i_2",
            "=",
            "i_L + i_back",
            "law",
            source="Kirchhoff's current law at the output",
        ),
        Step(
            "Both have the same voltage across them, the base being fixed at its drop.",
            "i_L",
            "=",
            "i_back*R_f/R_L",
            "law",
            source="Kirchhoff's voltage law",
        ),
        defined("What comes back over what was put in is the gain around the loop.", "i_back", "T*i_1"),
        Step(
            "So the load takes its share away.",
            "T",
            "=",
            "beta_1*beta_2/(1 + R_f/R_L)",
            "derived",
            uses=(0, 1, 2, 3),
            without=("i_2", "i_L", "i_back"),
        ),
        Step(
            "At microamperes less of it is left, and it still has to be more than one for a push to grow.",
            "poor_gain**2*T",
            ">=",
            "1",
            "limit",
            source="definition of regeneration; 0.3: common practice, no source",
        ),
        Step(
            "Which bounds the feedback resistor.",
            "R_f",
            "<=",
            "R_L*(poor_gain**2*beta_1*beta_2 - 1)",
            "derived",
            uses=(4, 5),
            without=("T",),
        ),
    ),
    plain=(
        Plain(
            "rules.analysis.formulas.latching:loop_gain",
            {"beta_1": "beta_1", "beta_2": "beta_2", "feedback": "R_f", "load": "R_L"},
            4,
        ),
    ),
    example={
        "i_1": 1e-6,
        "beta_1": 60.0,
        "beta_2": 60.0,
        "R_L": 330.0,
        "R_f": 56e3,
        "poor_gain": 0.3,
    },
)
