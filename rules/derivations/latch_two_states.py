"""Why a latch has a third state between its two, and when it has."""

from __future__ import annotations

from rules.derivations.model import Derivation, Step, Symbol
from rules.derivations.pieces import defined

DERIVATION = Derivation(
    slug="latch-two-states",
    symbols=(
        Symbol("i", "base current of the first transistor in the state in the middle", "A"),
        Symbol("I_b1", "what the bleed of the first base takes", "A"),
        Symbol("I_b2", "what the bleed of the second base takes", "A"),
        Symbol("beta_1", "gain of the first transistor", ""),
        Symbol("beta_2", "gain of the second", ""),
        Symbol("s", "share of its collector current that comes back to the first base", ""),
        Symbol("I_B2", "base current of the second transistor", "A"),
        Symbol("I_back", "base current that comes back", "A"),
        Symbol("T", "gain around the loop", ""),
        Symbol("D", "slope of what is missing around the loop, negative where a push grows", "", "real"),
    ),
    steps=(
        Step(
            "The first transistor draws current out of the second base; the bleed there has its part of it.",
            "I_B2",
            "=",
            "beta_1*i - I_b2",
            "law",
            source="Kirchhoff's current law at the second base",
        ),
        Step(
            "The second one sends a share of its collector current back, and the bleed of the first base"
            " takes"
            " from that.",
            "I_back",
            "=",
            "s*beta_2*I_B2 - I_b1",
            "law",
            source="Kirchhoff's current law at the first base",
        ),
        Step(
            "A state is where just that comes back which is needed.",
            "I_back",
            "=",
            "i",
            "definition",
            source="definition of a state",
        ),
        defined("The gain around the loop.", "T", "s*beta_1*beta_2"),
        Step(
            "With both transistors active there is one such current, the fence between off and on.",
            "i",
            "=",
            "(s*beta_2*I_b2 + I_b1)/(T - 1)",
            "derived",
            uses=(0, 1, 2, 3),
            without=("I_B2", "I_back", "beta_1"),
        ),
        Step(
            "It is a current at all only with a gain above one: else there is no fence, and one of the two"
            " places is lost.",
            "T",
            ">",
            "1",
            "derived",
            uses=(4,),
        ),
        Step(
            "What is missing for a small push more of base current, per push.",
            "D",
            "=",
            "1 - diff(s*beta_2*(beta_1*i - I_b2) - I_b1, i)",
            "definition",
            source="definition: what is needed less what comes back",
        ),
        Step("It is one less the gain around the loop.", "D", "=", "1 - T", "derived", uses=(3, 6)),
        Step(
            "So the one in the middle is left at once: every push grows. Its sign is minus one, those of off"
            " and on, where nothing comes back for a push, are plus one.",
            "D",
            "<",
            "0",
            "derived",
            uses=(5, 7),
            without=("T",),
        ),
    ),
    plain=(),
    example={"I_b1": 3.2e-5, "beta_1": 100.0, "beta_2": 100.0, "s": 0.0083, "I_b2": 8.33e-5},
)
