"""How far a junction is from its fixed drop, and what hides the difference."""

from __future__ import annotations

import math

from rules.derivations.model import Derivation, Step, Symbol
from rules.derivations.pieces import defined

DERIVATION = Derivation(
    slug="model-agreement",
    symbols=(
        Symbol("I", "junction current", "A"),
        Symbol("I_S", "saturation current", "A"),
        Symbol("v", "junction voltage", "V"),
        Symbol("V_T", "thermal voltage, k*T/q", "V"),
        Symbol("I_ref", "current at which the fixed drop is right", "A"),
        Symbol("v_ref", "the fixed drop", "V"),
        Symbol("e", "error of the fixed drop", "V", "real"),
        Symbol("n", "current over the one at which the drop is right", ""),
        Symbol("V", "voltage that drives the junction through a resistor", "V"),
        Symbol("R", "that resistor", "ohm"),
        Symbol("I_hand", "current by hand, with the fixed drop", "A"),
        Symbol("w", "relative error of the current by hand", "", "real"),
    ),
    steps=(
        Step(
            "Well forward a junction is an exponential; the 1 in I_S*(exp(v/V_T) - 1) has gone under from a"
            " tenth of a volt on.",
            "I",
            "=",
            "I_S*exp(v/V_T)",
            "approximation",
            source="J. J. Ebers and J. L. Moll, Proc. IRE 42, 1954; from memory; holds from about 4*V_T on",
        ),
        Step(
            "At one current the fixed drop is right.",
            "I_ref",
            "=",
            "I_S*exp(v_ref/V_T)",
            "approximation",
            source="the same law",
        ),
        defined("How far the current is from that one.", "n", "I/I_ref"),
        defined("The error of the drop.", "e", "v - v_ref"),
        Step(
            "So a factor of ten in the current is 60 mV in the drop, at any current.",
            "e",
            "=",
            "V_T*log(n)",
            "derived",
            uses=(0, 1, 2, 3),
            without=("I", "I_ref", "I_S", "v", "v_ref"),
        ),
        Step(
            "Behind a resistor the junction takes the current that is left over.",
            "I",
            "=",
            "(V - v)/R",
            "law",
            source="Ohm's law",
        ),
        Step("By hand.", "I_hand", "=", "(V - v_ref)/R", "law", source="Ohm's law with the fixed drop"),
        defined("The error by hand, of the true current.", "w", "I_hand/I - 1"),
        Step(
            "The more voltage there is across the resistor, the less the 60 mV count; without one, they are a"
            " factor of ten.",
            "w",
            "=",
            "e/(V - v)",
            "derived",
            uses=(3, 5, 6, 7),
            without=("I", "I_hand", "v_ref"),
        ),
    ),
    plain=(),
    example={
        "V_T": 0.0257,
        "I_S": 1e-14,
        "v": 0.65,
        "v_ref": 0.7,
        "V": 6.0,
        "R": 5.35 / (1e-14 * math.exp(0.65 / 0.0257)),
    },
)
