"""What the charge that is left costs of the second period."""

from __future__ import annotations

from rules.derivations.model import Derivation, Plain, Step, Symbol
from rules.derivations.pieces import EXPONENTIAL, defined, period, threshold_over_aim

DERIVATION = Derivation(
    slug="retrigger-shortening",
    symbols=(
        Symbol("T", "first period, from an empty capacitor", "s"),
        Symbol("T_2", "second period", "s"),
        Symbol("tau", "time constant while it times", "s"),
        Symbol("V_inf", "voltage it aims at", "V"),
        Symbol("V_th", "threshold", "V"),
        Symbol("x", "threshold over aim", ""),
        Symbol("i_1", "current as the second period begins", "A"),
        Symbol("i_2", "current as it ends", "A"),
        Symbol("R", "timing resistor", "ohm"),
        Symbol("V_0", "voltage that is left on the capacitor", "V"),
        Symbol("y", "that over the aim", ""),
        Symbol("share", "share of the first period that is wanted", ""),
        Symbol("q", "second period over first", ""),
        Symbol("t_pause", "pause between the periods", "s"),
        Symbol("tau_b", "time constant of the way back", "s"),
    ),
    steps=(
        period("The first period.", "T"),
        Step(
            "In the pause the capacitor falls towards nothing, from the threshold on.",
            "V_0",
            "=",
            "V_th*exp(-t_pause/tau_b)",
            "approximation",
            source="one time constant; a diode stops at its drop",
        ),
        Step(
            "The second one begins with what is left.",
            "T_2",
            "=",
            "tau*log((V_inf - V_0)/(V_inf - V_th))",
            "law",
            source=EXPONENTIAL,
        ),
        Step("The current it begins with ...", "i_1", "=", "(V_inf - V_0)/R", "law", source="Ohm's law"),
        Step("... and ends with.", "i_2", "=", "(V_inf - V_th)/R", "law", source="Ohm's law"),
        Step(
            "In terms of these.",
            "T_2",
            "=",
            "tau*log(i_1/i_2)",
            "derived",
            uses=(2, 3, 4),
            without=("V_0", "V_th", "V_inf"),
        ),
        threshold_over_aim("Threshold over aim."),
        defined("Charge left over, the same way.", "y", "V_0/V_inf"),
        defined("Second period over first.", "q", "T_2/T"),
        Step(
            "What is left is missing: the time constant does not matter.",
            "q",
            "=",
            "1 - log(1/(1 - y))/log(1/(1 - x))",
            "derived",
            uses=(0, 2, 6, 7, 8),
            without=("T", "T_2", "V_th", "V_0"),
        ),
        Step(
            "A share of the first period is wanted.",
            "q",
            ">=",
            "share",
            "limit",
            source="four fifths: common practice, no source",
        ),
        Step(
            "So this is what may be left, as a logarithm: a fifth of that of the threshold.",
            "log(1/(1 - y))",
            "<=",
            "(1 - share)*log(1/(1 - x))",
            "derived",
            uses=(9, 10),
            without=("q",),
        ),
    ),
    plain=(
        Plain(
            "rules.analysis.frozen:_time",
            {"start": "V_0", "end": "V_th", "first": "i_1", "last": "i_2", "tau": "tau", "farads": "tau/R"},
            5,
        ),
    ),
    example={"tau": 2.2, "V_inf": 5.0, "V_th": 3.0, "R": 47e3, "share": 0.8, "t_pause": 0.2, "tau_b": 0.05},
)
