"""Why an LED gets its current from a resistor, and how large that is."""

from __future__ import annotations

from rules.derivations.model import Derivation, Plain, Step, Symbol

DERIVATION = Derivation(
    slug="led-current",
    symbols=(
        Symbol("V_S", "supply voltage", "V"),
        Symbol("V_F", "forward drop of the LED", "V"),
        Symbol("V_sat", "drop of the switch in series", "V", "nonnegative"),
        Symbol("V_R", "voltage on the resistor", "V"),
        Symbol("R", "series resistor", "ohm"),
        Symbol("I", "current of the LED", "A"),
        Symbol("I_F", "rated forward current", "A"),
        Symbol("share", "share of the rated current in use", ""),
        Symbol("I_other", "current with another forward drop", "A", "real"),
        Symbol("dV", "change of the forward drop", "V", "real"),
        Symbol("dI", "share of the current that it takes away", "", "real"),
    ),
    steps=(
        Step(
            "Once around the loop: the resistor has what the switch and the LED leave of the supply.",
            "V_R",
            "=",
            "V_S - V_sat - V_F",
            "law",
            source="Kirchhoff's voltage law",
        ),
        Step(
            "The resistor alone turns voltage into current.",
            "I",
            "=",
            "V_R/R",
            "law",
            source="Ohm's law",
        ),
        Step(
            "So the current is what is left of the voltage, over the resistor.",
            "I",
            "=",
            "(V_S - (V_F + V_sat))/R",
            "derived",
            uses=(0, 1),
            without=("V_R",),
        ),
        Step(
            "It stays below a share of what the LED is rated for.",
            "I",
            "<=",
            "share*I_F",
            "limit",
            source="0.8: common practice, no source",
        ),
        Step(
            "That is the least resistor, with the highest supply and the least drop.",
            "R",
            ">=",
            "(V_S - (V_F + V_sat))/(share*I_F)",
            "derived",
            uses=(2, 3),
            without=("I",),
        ),
        Step(
            "An LED with another drop gets another current.",
            "I_other",
            "=",
            "(V_S - (V_F + V_sat) - dV)/R",
            "law",
            source="Ohm's law, as before",
        ),
        Step(
            "What it loses, as a share.",
            "dI",
            "=",
            "1 - I_other/I",
            "definition",
            source="definition of a relative change",
        ),
        Step(
            "It is the change of the drop over the voltage on the resistor: with a volt there, 0.2 V"
            " cost a fifth of the current.",
            "dI",
            "=",
            "dV/V_R",
            "derived",
            uses=(1, 2, 5, 6),
            without=("I", "I_other", "V_S", "V_F", "V_sat", "R"),
        ),
    ),
    plain=(
        Plain(
            "rules.analysis.formulas.feeding:series_current",
            {"supply": "V_S", "drop": "V_F + V_sat", "resistor": "R"},
            2,
        ),
        Plain(
            "rules.analysis.formulas.feeding:series_resistor_at_least",
            {"supply_max": "V_S", "drop_min": "V_F + V_sat", "current": "share*I_F"},
            4,
        ),
    ),
    example={
        "V_S": 9.0,
        "V_F": 2.0,
        "V_sat": 0.2,
        "R": 560.0,
        "I_F": 0.02,
        "share": 0.8,
        "dV": 0.2,
    },
)
