"""Why a divider that carries ten times the base current keeps its tap."""

from __future__ import annotations

from rules.derivations.model import Derivation, Plain, Step, Symbol
from rules.derivations.pieces import defined

DERIVATION = Derivation(
    slug="divider-stiffness",
    symbols=(
        Symbol("V", "voltage across the unloaded divider", "V"),
        Symbol("R_1", "arm from the supply to the tap", "ohm"),
        Symbol("R_2", "arm from the tap down", "ohm"),
        Symbol("V_tap0", "voltage of the unloaded tap", "V"),
        Symbol("R_th", "resistance seen at the tap", "ohm"),
        Symbol("I_B", "base current", "A"),
        Symbol("V_tap", "voltage of the loaded tap", "V"),
        Symbol("shift", "how far the base current moves the tap", "V"),
        Symbol("I_div", "current of the unloaded divider", "A"),
        Symbol("k", "divider current over base current", ""),
        Symbol("delta", "shift as a share of the unloaded tap", ""),
        Symbol("stiff", "least ratio", ""),
    ),
    steps=(
        Step(
            "Seen from the tap, the divider is a source of this voltage ...",
            "V_tap0",
            "=",
            "V*R_2/(R_1 + R_2)",
            "law",
            source="Thevenin's theorem",
        ),
        Step(
            "... behind this resistance.",
            "R_th",
            "=",
            "R_1*R_2/(R_1 + R_2)",
            "law",
            source="Thevenin's theorem",
        ),
        Step(
            "The base takes its current through that resistance.",
            "V_tap",
            "=",
            "V_tap0 - I_B*R_th",
            "law",
            source="Ohm's law",
        ),
        defined("The shift is what is missing then.", "shift", "V_tap0 - V_tap"),
        Step(
            "So it is the drop across the resistance of the tap.",
            "shift",
            "=",
            "I_B*R_th",
            "derived",
            uses=(2, 3),
            without=("V_tap",),
        ),
        Step(
            "Without the base the divider carries this current.",
            "I_div",
            "=",
            "V/(R_1 + R_2)",
            "law",
            source="Ohm's law",
        ),
        defined("How many times the base current that is.", "k", "I_div/I_B"),
        defined("The shift as a share of the tap.", "delta", "shift/V_tap0"),
        Step(
            "Resistances and currents fall out: only the ratio counts, and where the tap lies.",
            "delta",
            "=",
            "R_1/(R_1 + R_2)/k",
            "derived",
            uses=(0, 1, 4, 5, 6, 7),
            without=("shift", "V_tap0", "R_th", "I_div", "I_B"),
        ),
        Step(
            "The rule of thumb asks for a ratio.",
            "k",
            ">=",
            "stiff",
            "limit",
            source="a tenth: Bell, Electronic Devices and Circuits, ex. 5.13-5.15; Floyd, Electronic Devices,"
            " ex. 5.3-5.5",
        ),
        Step(
            "With ten times, a tap at half the supply sags by one part in twenty at most.",
            "delta",
            "<=",
            "R_1/(R_1 + R_2)/stiff",
            "derived",
            uses=(8, 9),
            without=("k",),
        ),
    ),
    plain=(
        Plain(
            "rules.analysis.formulas.bias:thevenin_of_arms", {"arms": "((V, R_1), (0, R_2))"}, 0, "voltage"
        ),
        Plain(
            "rules.analysis.formulas.bias:thevenin_of_arms", {"arms": "((V, R_1), (0, R_2))"}, 1, "resistance"
        ),
        Plain("rules.analysis.formulas.bias:tap_shift", {"base": "I_B", "source_resistance": "R_th"}, 4),
        Plain("rules.analysis.formulas.bias:through_current", {"arms": "((V, R_1), (0, R_2))"}, 5),
    ),
    example={"V": 12.0, "R_1": 33e3, "R_2": 8.2e3, "I_B": 1.6e-5, "stiff": 10.0},
)
