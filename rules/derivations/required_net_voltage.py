"""What moves the voltage behind an emitter, and which way."""

from __future__ import annotations

from rules.derivations.model import Derivation, Step, Symbol
from rules.derivations.pieces import defined

DERIVATION = Derivation(
    slug="required-net-voltage",
    symbols=(
        Symbol("V_th", "voltage of the unloaded divider", "V"),
        Symbol("R_th", "resistance seen at its tap", "ohm"),
        Symbol("V_BE", "base-emitter drop", "V"),
        Symbol("R_E", "resistor at the emitter", "ohm"),
        Symbol("beta", "current gain", ""),
        Symbol("I_B", "base current", "A"),
        Symbol("V_E", "voltage of the emitter", "V"),
        Symbol("V_ideal", "the same with a base that takes nothing", "V"),
        Symbol("s", "what is left of it", ""),
        Symbol("D", "slope of that with the gain", ""),
    ),
    steps=(
        Step(
            "An example: a divider, a transistor, a resistor at its emitter.",
            "V_th",
            "=",
            "I_B*R_th + V_BE + V_E",
            "law",
            source="Kirchhoff's voltage law around the base",
        ),
        Step(
            "The emitter carries base and collector current.",
            "I_B",
            "=",
            "V_E/((beta + 1)*R_E)",
            "law",
            source="Ohm's law; definition of the gain",
        ),
        Step(
            "So the voltage hangs on the gain as soon as the divider has a resistance.",
            "V_E",
            "=",
            "(V_th - V_BE)*(beta + 1)*R_E/(R_th + (beta + 1)*R_E)",
            "derived",
            uses=(0, 1),
            without=("I_B",),
        ),
        defined("With a base that takes nothing it would be this.", "V_ideal", "V_th - V_BE"),
        defined("What is left of that.", "s", "V_E/V_ideal"),
        Step(
            "It is a share, given by one ratio.",
            "s",
            "=",
            "1/(1 + R_th/((beta + 1)*R_E))",
            "derived",
            uses=(2, 3, 4),
            without=("V_E", "V_ideal"),
        ),
        defined("How it follows the gain.", "D", "diff(1/(1 + R_th/((beta + 1)*R_E)), beta)"),
        Step(
            "Upwards only: so the ends of the range lie at the least and the greatest gain.",
            "D",
            ">",
            "0",
            "derived",
            uses=(6,),
        ),
    ),
    plain=(),
    example={"V_th": 4.37, "R_th": 2479.0, "V_BE": 0.7, "R_E": 1000.0, "beta": 100.0},
)
