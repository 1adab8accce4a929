"""What is left in a load after the release: what leads past the switch, and what an open base amplifies."""

from __future__ import annotations

from rules.derivations.model import Derivation, Plain, Step, Symbol

DERIVATION = Derivation(
    slug="clean-release",
    symbols=(
        Symbol("I_left", "current left in the load", "A", "nonnegative"),
        Symbol("I_on", "current of the load while the latch is on", "A"),
        Symbol("I_bypass", "what reaches the load past the transistor", "A", "nonnegative"),
        Symbol("I_C", "what the transistor that is off still lets through", "A", "nonnegative"),
        Symbol("I_CBO", "its collector-base leakage at the hottest", "A"),
        Symbol("I_B", "current into its base from outside; with an open base there is none", "A", "real"),
        Symbol("beta", "its gain", ""),
        Symbol("k", "share of the load current that may be left", ""),
    ),
    steps=(
        Step(
            "What reaches the load comes through the transistor or past it.",
            "I_left",
            "=",
            "I_bypass + I_C",
            "law",
            source="Kirchhoff's current law at the load",
        ),
        Step(
            "A transistor amplifies what gets into its base, leakage from its collector included.",
            "I_C",
            "=",
            "beta*I_B + (beta + 1)*I_CBO",
            "law",
            source="transistor equations in any text, from memory",
        ),
        Step(
            "An open base has no way to let the leakage out.",
            "I_B",
            "=",
            "0",
            "definition",
            source="open base",
        ),
        Step(
            "So an open base passes its leakage on, multiplied.",
            "I_C",
            "=",
            "(beta + 1)*I_CBO",
            "derived",
            uses=(1, 2),
            without=("I_B",),
        ),
        Step(
            "The load gets at most a share of what it had.",
            "I_left",
            "<=",
            "k*I_on",
            "limit",
            source="a hundredth: common practice, no source",
        ),
        Step(
            "Without a bleed this is what may lead past the switch.",
            "I_bypass",
            "<=",
            "k*I_on - (beta + 1)*I_CBO",
            "derived",
            uses=(0, 3, 4),
            without=("I_left", "I_C"),
        ),
    ),
    plain=(
        Plain(
            "rules.analysis.formulas.cutoff:open_base_leakage", {"icbo": "I_CBO", "beta_max": "beta"}, 3
        ),
    ),
    example={"I_on": 10.7e-3, "I_bypass": 9e-6, "I_CBO": 140e-9, "beta": 150.0, "k": 0.01},
)
