"""How much a delay makes of an error of its threshold."""

from __future__ import annotations

from rules.derivations.model import Derivation, Plain, Step, Symbol
from rules.derivations.pieces import defined, period, threshold_over_aim

DERIVATION = Derivation(
    slug="threshold-sensitivity",
    symbols=(
        Symbol("t", "delay", "s"),
        Symbol("tau", "time constant", "s"),
        Symbol("V_inf", "voltage the capacitor aims at", "V"),
        Symbol("V_th", "threshold", "V"),
        Symbol("x", "threshold over aim", ""),
        Symbol("slope", "how fast the voltage crosses the threshold", "V/s", "real"),
        Symbol("dt", "change of the delay per volt of the threshold", "s/V", "real"),
        Symbol("S", "per cent of the delay per per cent of the threshold", "", "real"),
    ),
    steps=(
        period("The delay of a capacitor that starts empty.", "t"),
        Step(
            "The nearer to the aim, the slower it crosses.",
            "slope",
            "=",
            "(V_inf - V_th)/tau",
            "law",
            source="the current that is left there, over the capacitance",
        ),
        defined("How the delay follows the threshold.", "dt", "diff(tau*log(V_inf/(V_inf - V_th)), V_th)"),
        Step(
            "It is one over that speed: a flat crossing makes much of little.",
            "dt",
            "=",
            "1/slope",
            "derived",
            uses=(1, 2),
        ),
        defined("Relative to threshold and delay.", "S", "V_th*dt/t"),
        threshold_over_aim("Threshold over aim."),
        Step(
            "Only that ratio counts: 1.4 at half, 2.5 at 0.8, 6.3 at 0.95.",
            "S",
            "=",
            "x/(1 - x)/log(1/(1 - x))",
            "derived",
            uses=(0, 1, 3, 4, 5),
            without=("t", "slope", "dt", "V_th"),
        ),
    ),
    plain=(Plain("rules.analysis.formulas.timing:threshold_sensitivity", {"fraction": "x"}, 6),),
    example={"tau": 1.0, "V_inf": 7.8, "V_th": 3.34},
)
