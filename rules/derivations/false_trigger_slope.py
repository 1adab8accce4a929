"""The edge that lifts a base through its own picofarads, and the filter that divides it down."""

from __future__ import annotations

from rules.derivations.model import Derivation, Plain, Step, Symbol

DERIVATION = Derivation(
    slug="false-trigger-slope",
    symbols=(
        Symbol("I", "current that the edge sends into the base net", "A"),
        Symbol("S", "slope of the rail", "V/s"),
        Symbol("C", "all that couples the rail to the base", "F"),
        Symbol("C_CB", "collector-base capacitance of one transistor", "F"),
        Symbol("R_B", "all that holds the base, in parallel", "ohm"),
        Symbol("V_B", "what the edge leaves at the base while it lasts", "V"),
        Symbol("V_off", "base-emitter voltage that is surely off", "V"),
        Symbol("dV", "step of the rail", "V"),
        Symbol("C_f", "filter from base to emitter", "F"),
        Symbol("V_f", "what a step leaves at a filtered base", "V"),
        Symbol("k", "share of the off voltage that a step may leave", ""),
    ),
    steps=(
        Step(
            "A moving voltage drives a current through a capacitor.",
            "I",
            "=",
            "C*S",
            "law",
            source="I = C*dV/dt",
        ),
        Step(
            "The other transistor of the pair is moved as much, and its current ends in the same base.",
            "C",
            "=",
            "2*C_CB",
            "approximation",
            source="own comparison: with 8.2 kohm and 5 pF exponential junctions set themselves above"
            " 11.7 V/us; twice C_CB says 7.3 at 0.6 V, once says 14.6 and is not safe",
        ),
        Step(
            "Whatever holds the base turns the current into a voltage.",
            "V_B",
            "=",
            "R_B*I",
            "law",
            source="Ohm's law",
        ),
        Step(
            "So the base rises with the slope.",
            "V_B",
            "=",
            "R_B*2*C_CB*S",
            "derived",
            uses=(0, 1, 2),
            without=("I", "C"),
        ),
        Step(
            "It must stay surely off.",
            "V_B",
            "<=",
            "V_off",
            "limit",
            source="0.45 V at 25 degC from memory; 2 mV/K less when hot (NXP BC848 series Rev 07)",
        ),
        Step(
            "Which bounds the slope.",
            "S",
            "<=",
            "V_off/(R_B*2*C_CB)",
            "derived",
            uses=(3, 4),
            without=("V_B",),
        ),
        Step(
            "A step that is faster than the filter is divided by the two capacitances; the filter is by far"
            " the larger one.",
            "V_f",
            "=",
            "dV*2*C_CB/C_f",
            "approximation",
            source="capacitive divider, C_CB beside C_f left out",
        ),
        Step(
            "It may leave a share of that voltage.",
            "V_f",
            "<=",
            "k*V_off",
            "limit",
            source="half: common practice, no source",
        ),
        Step(
            "Which asks for so much filter.",
            "C_f",
            ">=",
            "dV*2*C_CB/(k*V_off)",
            "derived",
            uses=(6, 7),
            without=("V_f",),
        ),
    ),
    plain=(
        Plain(
            "rules.analysis.formulas.supply:critical_slope",
            {"off_voltage": "V_off", "resistance": "R_B", "collector_base": "C_CB"},
            5,
        ),
        Plain(
            "rules.analysis.formulas.supply:step_at_base",
            {"step": "dV", "collector_base": "C_CB", "filtered": "C_f"},
            6,
        ),
        Plain(
            "rules.analysis.formulas.supply:filter_at_least",
            {"step": "dV", "collector_base": "C_CB", "off_voltage": "V_off", "share": "k"},
            8,
        ),
    ),
    example={
        "S": 1e6,
        "C_CB": 5e-12,
        "R_B": 8.2e3,
        "V_off": 0.38,
        "dV": 12.0,
        "C_f": 10e-9,
        "k": 0.5,
    },
)
