"""How empty a capacitor has to be before the next period, and how long that takes."""

from __future__ import annotations

from rules.derivations.model import Derivation, Plain, Step, Symbol

DERIVATION = Derivation(
    slug="required-re-arm",
    symbols=(
        Symbol("t", "period from an empty capacitor", "s"),
        Symbol("t_next", "period from what is left on it", "s"),
        Symbol("tau", "time constant while it times", "s"),
        Symbol("V_inf", "voltage it aims at while it times", "V"),
        Symbol("V_th", "threshold", "V"),
        Symbol("x", "threshold over aim", ""),
        Symbol("V_0_max", "voltage left on it", "V"),
        Symbol("shortening", "share of the period that this may cost", ""),
        Symbol("tau_b", "time constant of the way back", "s"),
        Symbol("t_back", "time from the threshold down to what may be left", "s"),
        Symbol("t_rearm", "time that is allowed", "s"),
    ),
    steps=(
        Step(
            "A period from an empty capacitor.",
            "t",
            "=",
            "tau*log(V_inf/(V_inf - V_th))",
            "law",
            source="OpenStax, University Physics 2, sec. 10.5",
        ),
        Step(
            "A period from a capacitor with something left on it.",
            "t_next",
            "=",
            "tau*log((V_inf - V_0_max)/(V_inf - V_th))",
            "law",
            source="OpenStax, University Physics 2, sec. 10.5",
        ),
        Step(
            "It may be shorter by a share.",
            "t_next",
            "=",
            "(1 - shortening)*t",
            "limit",
            source="5 %: common practice, no source",
        ),
        Step("Threshold and aim as a ratio.", "x", "=", "V_th/V_inf", "definition", source="definition"),
        Step(
            "So this much may be left: 3 % of the aim, with the threshold at half of it.",
            "V_0_max",
            "=",
            "V_inf*(1 - (1 - x)**shortening)",
            "derived",
            uses=(0, 1, 2, 3),
            without=("t", "t_next", "V_th"),
        ),
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
    plain=(
        Plain(
            "rules.analysis.formulas.timing:rearmed_voltage",
            {"aim": "V_inf", "fraction": "x", "shortening": "shortening"},
            4,
        ),
    ),
    example={"tau": 3.3, "V_inf": 7.8, "V_th": 3.9, "shortening": 0.05, "tau_b": 0.1, "t_rearm": 6.0},
)
