"""How much charge may be left for the next period, and what five time constants leave."""

from __future__ import annotations

from rules.derivations.model import Derivation, Plain, Step, Symbol
from rules.derivations.pieces import EXPONENTIAL, LEFT_OVER, PERIODS, left_over

DERIVATION = Derivation(
    slug="reset-path",
    symbols=(
        *PERIODS,
        Symbol("V_0_max", "voltage that may be left on it", "V"),
        Symbol("shortening", "share of the period that this costs", ""),
        Symbol("R_d", "resistance of the way back", "ohm"),
        Symbol("C", "capacitance", "F"),
        Symbol("n", "time constants that are waited", ""),
        Symbol("left", "share of the charge that is left then", ""),
        Symbol("t_n", "time that takes", "s"),
        Symbol("t_rearm", "time until the capacitor is needed again", "s"),
    ),
    steps=(
        *left_over("So this much may be left."),
        Step(
            "Five time constants are the usual wait.",
            "t_n",
            "=",
            "n*R_d*C",
            "definition",
            source="definition of the time constant; five: common practice",
        ),
        Step(
            "A capacitor that empties through a resistor falls exponentially.",
            "left",
            "=",
            "exp(-t_n/(R_d*C))",
            "law",
            source=EXPONENTIAL,
        ),
        Step(
            "After five of them 0.7 % is left, whatever R and C are.",
            "left",
            "=",
            "exp(-n)",
            "derived",
            uses=(5, 6),
            without=("t_n",),
        ),
        Step(
            "The wait has to be over before the capacitor is needed.",
            "t_n",
            "<=",
            "t_rearm",
            "limit",
            source="the requirement of the document, or the delay itself: common practice, no source",
        ),
        Step(
            "That is the largest resistance of the way back.",
            "R_d",
            "<=",
            "t_rearm/(n*C)",
            "derived",
            uses=(5, 8),
            without=("t_n",),
        ),
    ),
    plain=(
        LEFT_OVER,
        Plain("rules.analysis.formulas.timing:settling_time", {"tau": "R_d*C", "time_constants": "n"}, 5),
        Plain(
            "rules.analysis.formulas.timing:discharge_resistance_at_most",
            {"rearm": "t_rearm", "capacitance": "C", "time_constants": "n"},
            9,
        ),
    ),
    example={
        "tau": 3.3,
        "V_inf": 7.8,
        "V_th": 3.9,
        "shortening": 0.05,
        "R_d": 1e4,
        "C": 1e-5,
        "n": 5.0,
        "t_rearm": 2.0,
    },
)
