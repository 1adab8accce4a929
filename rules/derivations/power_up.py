"""Why a capacitor from the rail to a base is a trigger at switch-on."""

from __future__ import annotations

from rules.derivations.model import Derivation, Step, Symbol
from rules.derivations.pieces import EXPONENTIAL

DERIVATION = Derivation(
    slug="power-up",
    symbols=(
        Symbol("V_S", "supply that comes up at once", "V"),
        Symbol("C_1", "capacitance from the rail to the base", "F"),
        Symbol("C_2", "capacitance from the base to the emitter", "F"),
        Symbol("V_B", "voltage of the base just after", "V"),
        Symbol("Q", "charge that has flowed", "C"),
        Symbol("V_off", "base-emitter voltage that is surely off", "V"),
        Symbol("R", "resistance that holds the base", "ohm"),
        Symbol("t", "time since then", "s", "nonnegative"),
        Symbol("v", "what is left of the jump", "V"),
    ),
    steps=(
        Step(
            "Both capacitors start empty, and a step is too quick for any resistor: one charge flows through"
            " both. Through the upper one ...",
            "Q",
            "=",
            "C_1*(V_S - V_B)",
            "law",
            source="definition of capacitance",
        ),
        Step("... and the lower one.", "Q", "=", "C_2*V_B", "law", source="definition of capacitance"),
        Step(
            "So they divide the supply the other way round from resistors.",
            "V_B",
            "=",
            "V_S*C_1/(C_1 + C_2)",
            "derived",
            uses=(0, 1),
            without=("Q",),
        ),
        Step(
            "The transistor stays off while the base stays below what is surely off.",
            "V_B",
            "<=",
            "V_off",
            "limit",
            source="definition of off; 0.45 V: from memory",
        ),
        Step(
            "A capacitor beside the junction has to be that much larger than what couples in: with 9 V about"
            " twenty times.",
            "C_2",
            ">=",
            "C_1*(V_S/V_off - 1)",
            "derived",
            uses=(2, 3),
            without=("V_B",),
        ),
        Step(
            "What is left then leaves through the resistor at the base: both plates that hang there share one"
            " time constant.",
            "v",
            "=",
            "V_B*exp(-t/(R*(C_1 + C_2)))",
            "law",
            source=EXPONENTIAL,
        ),
        Step(
            "With a slow supply the resistor wins and nothing is seen of it: as long as a time constant of"
            " the"
            " base is short against the ramp.",
            "(C_1 + C_2)*R*diff(V_B*exp(-t/(R*(C_1 + C_2))), t)",
            "=",
            "-v",
            "derived",
            uses=(5,),
        ),
    ),
    plain=(),
    example={"V_S": 9.0, "C_1": 1e-9, "C_2": 1e-7, "V_off": 0.45, "R": 22e3, "t": 1e-3},
)
