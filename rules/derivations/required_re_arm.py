"""How empty a capacitor has to be before the next period, and how long that takes."""

from __future__ import annotations

from rules.derivations.model import Derivation, Step, Symbol
from rules.derivations.pieces import LEFT_OVER, PERIODS, left_over

DERIVATION = Derivation(
    slug="required-re-arm",
    symbols=(
        *PERIODS,
        Symbol("V_0_max", "voltage left on it", "V"),
        Symbol("shortening", "share of the period that this may cost", ""),
        Symbol("tau_b", "time constant of the way back", "s"),
        Symbol("t_back", "time from the threshold down to what may be left", "s"),
        Symbol("t_rearm", "time that is allowed", "s"),
    ),
    steps=(
        *left_over("So this much may be left: 3 % of the aim, with the threshold at half of it."),
        Step(
            "The way back is an exponential of its own, towards nothing, from the threshold on.",
            "V_0_max",
            "=",
            "V_th*exp(-t_back/tau_b)",
            "approximation",
            source="one piece, towards 0 V; several pieces add up, a diode stops at its drop",
        ),
        Step("So it takes this long.", "t_back", "=", "tau_b*log(V_th/V_0_max)", "derived", uses=(5,)),
        Step(
            "It has to be over in time.",
            "t_back",
            "<=",
            "t_rearm",
            "limit",
            source="the requirement of the document",
        ),
        Step(
            "Which bounds the time constant of the way back.",
            "tau_b*log(V_th/V_0_max)",
            "<=",
            "t_rearm",
            "derived",
            uses=(6, 7),
            without=("t_back",),
        ),
    ),
    plain=(LEFT_OVER,),
    example={"tau": 3.3, "V_inf": 7.8, "V_th": 3.9, "shortening": 0.05, "tau_b": 0.1, "t_rearm": 6.0},
)
