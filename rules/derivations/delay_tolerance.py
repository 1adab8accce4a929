"""Why the tolerances of R and C count in full, and why the linear sum is wrong at both ends."""

from __future__ import annotations

from rules.derivations.model import Derivation, Plain, Step, Symbol
from rules.derivations.pieces import defined, period

DERIVATION = Derivation(
    slug="delay-tolerance",
    symbols=(
        Symbol("t_0", "delay at nominal values", "s"),
        Symbol("t_max", "greatest delay over R and C", "s"),
        Symbol("t_min", "least delay over R and C", "s"),
        Symbol("R", "timing resistor", "ohm"),
        Symbol("C", "capacitance", "F"),
        Symbol("V_inf", "voltage the capacitor aims at", "V"),
        Symbol("V_th", "threshold", "V"),
        Symbol("L", "logarithm of the way", ""),
        Symbol("tau", "time constant", "s"),
        Symbol("r", "tolerance of R", ""),
        Symbol("c", "tolerance of C", ""),
        Symbol("up", "how much longer at most, as a share", ""),
        Symbol("down", "how much shorter at most, as a share", "", "real"),
        Symbol("rss", "root-sum-square of both", ""),
    ),
    steps=(
        defined("The way from 0 V to the threshold, as a logarithm.", "L", "log(V_inf/(V_inf - V_th))"),
        defined("The time constant.", "tau", "R*C"),
        period("The delay.", "t_0"),
        Step(
            "Resistor and capacitor both at the upper end.",
            "t_max",
            "=",
            "R*(1 + r)*C*(1 + c)*L",
            "law",
            source="the same law with other values",
        ),
        Step(
            "Both at the lower end.",
            "t_min",
            "=",
            "R*(1 - r)*C*(1 - c)*L",
            "law",
            source="the same law with other values",
        ),
        defined("Longer by this share.", "up", "t_max/t_0 - 1"),
        defined("Shorter by this share.", "down", "1 - t_min/t_0"),
        Step(
            "That is the sum of both tolerances, and their product on top: the linear sum says too little.",
            "up",
            "=",
            "r + c + r*c",
            "derived",
            uses=(0, 1, 2, 3, 5),
            without=("t_0", "t_max", "tau", "L"),
        ),
        Step(
            "Downwards the product counts the other way: the linear sum says too much.",
            "down",
            "=",
            "r + c - r*c",
            "derived",
            uses=(0, 1, 2, 4, 6),
            without=("t_0", "t_min", "tau", "L"),
        ),
        Step(
            "Where both are independent, their squares add up.",
            "rss",
            "=",
            "sqrt(r**2 + c**2)",
            "approximation",
            source="root-sum-square, common practice; holds for small tolerances that have nothing to do with"
            " each other, and is no worst case",
        ),
        Step(
            "It is always less than the sum, and the larger tolerance makes most of it.",
            "rss**2",
            "<",
            "(r + c)**2",
            "derived",
            uses=(9,),
        ),
    ),
    plain=(
        Plain(
            "rules.analysis.frozen:_time",
            {
                "start": "0",
                "end": "V_th",
                "first": "V_inf/R",
                "last": "(V_inf - V_th)/R",
                "tau": "tau",
                "farads": "C",
            },
            2,
        ),
    ),
    example={"R": 1e5, "C": 1e-5, "V_inf": 7.8, "V_th": 3.9, "r": 0.05, "c": 0.2},
)
