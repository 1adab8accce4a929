"""Why a delay with a fixed threshold follows its battery, and one with a shared rail does not."""

from __future__ import annotations

from rules.derivations.model import Derivation, Plain, Step, Symbol
from rules.derivations.pieces import EXPONENTIAL, defined

DERIVATION = Derivation(
    slug="delay-supply",
    symbols=(
        Symbol("t", "delay with a threshold that is fixed", "s"),
        Symbol("tau", "time constant, R*C", "s"),
        Symbol("V_S", "supply, which is what the capacitor aims at", "V"),
        Symbol("V_th", "fixed threshold", "V"),
        Symbol("x", "threshold over aim", ""),
        Symbol("S_V", "per cent of the delay per per cent of the supply", "", "real"),
        Symbol("S_th", "the same, without its sign", "", "real"),
        Symbol("t_d", "delay with a threshold from a divider across the same supply", "s"),
        Symbol("V_d", "threshold from that divider", "V"),
        Symbol("r", "its ratio", ""),
        Symbol("S_d", "per cent of that delay per per cent of the supply", "", "real"),
    ),
    steps=(
        Step(
            "A capacitor that starts empty and aims at the supply takes this long to the threshold.",
            "t",
            "=",
            "tau*log(V_S/(V_S - V_th))",
            "law",
            source=EXPONENTIAL,
        ),
        defined(
            "The sensitivity is the relative change of the delay over that of the supply.",
            "S_V",
            "V_S*diff(tau*log(V_S/(V_S - V_th)), V_S)/(tau*log(V_S/(V_S - V_th)))",
        ),
        defined("Only the ratio counts.", "x", "V_th/V_S"),
        Step(
            "So an old battery makes the delay longer, and by more than one per cent for each per cent.",
            "S_V",
            "=",
            "-x/(1 - x)/log(1/(1 - x))",
            "derived",
            uses=(1, 2),
            without=("V_th",),
        ),
        defined("Without its sign it is the sensitivity to the threshold itself.", "S_th", "-S_V"),
        Step(
            "In terms of the ratio.",
            "S_th",
            "=",
            "x/(1 - x)/log(1/(1 - x))",
            "derived",
            uses=(3, 4),
            without=("S_V",),
        ),
        Step(
            "Now the threshold comes from a divider across the same rail.",
            "V_d",
            "=",
            "r*V_S",
            "law",
            source="Ohm's law",
        ),
        Step(
            "The capacitor still aims at that rail.",
            "t_d",
            "=",
            "tau*log(V_S/(V_S - V_d))",
            "law",
            source=EXPONENTIAL,
        ),
        Step(
            "The supply has gone: the ruler shrinks with the cloth.",
            "t_d",
            "=",
            "tau*log(1/(1 - r))",
            "derived",
            uses=(6, 7),
            without=("V_d",),
        ),
        Step(
            "Its sensitivity, taken the same way, is nothing at all.",
            "S_d",
            "=",
            "V_S*diff(tau*log(1/(1 - r)), V_S)/t_d",
            "definition",
            source="definition, with the delay just found",
        ),
    ),
    plain=(Plain("rules.analysis.formulas.timing:threshold_sensitivity", {"fraction": "x"}, 5),),
    example={"tau": 1.0, "V_S": 9.0, "V_th": 3.3, "r": 0.5},
)
