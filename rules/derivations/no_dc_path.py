"""Why an open base multiplies its leakage, and what one resistor does about it."""

from __future__ import annotations

from rules.derivations.model import Derivation, Plain, Step, Symbol
from rules.derivations.pieces import defined

DERIVATION = Derivation(
    slug="no-dc-path",
    symbols=(
        Symbol("I_CBO", "collector-base leakage", "A"),
        Symbol("I_C", "collector current", "A"),
        Symbol("I_E", "emitter current", "A"),
        Symbol("I_B", "base current from outside", "A", "nonnegative"),
        Symbol("I_CEO", "collector current with the base open", "A"),
        Symbol("alpha", "share of the emitter current that reaches the collector", ""),
        Symbol("beta", "current gain", ""),
        Symbol("R_BE", "resistor from base to emitter", "ohm"),
        Symbol("V_B", "what the leakage drops across it", "V"),
        Symbol("V_off", "base-emitter voltage that is surely off", "V"),
        Symbol("s", "share of it that leakage may use", ""),
    ),
    steps=(
        Step(
            "What leaves the emitter came in by collector and base.",
            "I_E",
            "=",
            "I_C + I_B",
            "law",
            source="Kirchhoff's current law",
        ),
        Step(
            "The collector takes its share of the emitter current, and leaks besides.",
            "I_C",
            "=",
            "alpha*I_E + I_CBO",
            "law",
            source="Ebers-Moll model with a reversed collector junction",
        ),
        Step(
            "The gain says how that share is made up.",
            "alpha",
            "=",
            "beta/(beta + 1)",
            "definition",
            source="definition of beta",
        ),
        Step(
            "So leakage counts beta + 1 times.",
            "I_C",
            "=",
            "beta*I_B + (beta + 1)*I_CBO",
            "derived",
            uses=(0, 1, 2),
            without=("I_E", "alpha"),
        ),
        Step(
            "With the base open nothing comes from outside.",
            "I_B",
            "=",
            "0",
            "law",
            source="Kirchhoff's current law at a net without a path",
        ),
        defined("What then flows is called I_CEO.", "I_CEO", "I_C"),
        Step(
            "An open base amplifies its own leakage.",
            "I_CEO",
            "=",
            "(beta + 1)*I_CBO",
            "derived",
            uses=(3, 4, 5),
            without=("I_B", "I_C"),
        ),
        Step(
            "With a resistor the leakage flows out through that.",
            "V_B",
            "=",
            "R_BE*I_CBO",
            "law",
            source="Ohm's law",
        ),
        Step(
            "It is not amplified as long as the drop stays below what is surely off.",
            "V_B",
            "<=",
            "s*V_off",
            "limit",
            source="a third: common practice, no source",
        ),
        Step(
            "That is the largest resistor that will do.",
            "R_BE",
            "<=",
            "s*V_off/I_CBO",
            "derived",
            uses=(7, 8),
            without=("V_B",),
        ),
    ),
    plain=(
        Plain("rules.analysis.formulas.cutoff:open_base_leakage", {"icbo": "I_CBO", "beta_max": "beta"}, 6),
        Plain(
            "rules.analysis.formulas.cutoff:bleed_at_most",
            {"vbe_off": "V_off", "icbo": "I_CBO", "share": "s"},
            9,
        ),
    ),
    example={"I_CBO": 1.7e-7, "beta": 400.0, "R_BE": 47e3, "V_off": 0.38, "s": 0.3333333333},
)
