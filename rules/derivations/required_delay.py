"""The delay of an RC, from the current that charges it."""

from __future__ import annotations

from rules.derivations.model import Derivation, Plain, Step, Symbol
from rules.derivations.pieces import defined

DERIVATION = Derivation(
    slug="required-delay",
    symbols=(
        Symbol("R", "timing resistor", "ohm"),
        Symbol("C", "capacitance", "F"),
        Symbol("tau", "time constant", "s"),
        Symbol("V_inf", "voltage the capacitor aims at", "V"),
        Symbol("V_0", "voltage it starts from", "V", "nonnegative"),
        Symbol("V_th", "voltage at which the state ends", "V"),
        Symbol("t", "time", "s", "nonnegative"),
        Symbol("t_th", "time at which it gets there", "s"),
        Symbol("i_0", "current at the start", "A"),
        Symbol("i_1", "current at the end", "A"),
    ),
    steps=(
        Step(
            "The current through the resistor charges the capacitor: C*dv/dt = (V_inf - v)/R. A voltage that"
            " comes nearer exponentially solves it: put in, both sides are the same.",
            "C*diff(V_inf - (V_inf - V_0)*exp(-t/(R*C)), t)",
            "=",
            "(V_inf - (V_inf - (V_inf - V_0)*exp(-t/(R*C))))/R",
            "derived",
        ),
        defined("The time constant.", "tau", "R*C"),
        Step(
            "The state ends when that voltage is the threshold.",
            "V_th",
            "=",
            "V_inf - (V_inf - V_0)*exp(-t_th/tau)",
            "law",
            source="the solution of the step before",
        ),
        Step(
            "So the delay is a logarithm.",
            "t_th",
            "=",
            "tau*log((V_inf - V_0)/(V_inf - V_th))",
            "derived",
            uses=(2,),
        ),
        Step("The current at the start ...", "i_0", "=", "(V_inf - V_0)/R", "law", source="Ohm's law"),
        Step("... and at the end.", "i_1", "=", "(V_inf - V_th)/R", "law", source="Ohm's law"),
        Step(
            "In terms of these, which works for each straight piece of a course with several regions.",
            "t_th",
            "=",
            "tau*log(i_0/i_1)",
            "derived",
            uses=(3, 4, 5),
            without=("V_0", "V_th", "V_inf"),
        ),
    ),
    plain=(
        Plain(
            "rules.analysis.frozen:_time",
            {"start": "V_0", "end": "V_th", "first": "i_0", "last": "i_1", "tau": "tau", "farads": "C"},
            6,
        ),
        Plain(
            "rules.analysis.formulas.timing:rc_time",
            {"resistance": "tau/C", "capacitance": "C", "start": "V_0", "aim": "V_inf", "threshold": "V_th"},
            3,
        ),
    ),
    example={"R": 270e3, "C": 1e-5, "V_inf": 7.0, "V_0": 0.0, "V_th": 3.9, "t": 1.0},
)
