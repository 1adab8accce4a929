"""How many kelvin follow on one kelvin, and the emitter resistor that keeps them few."""

from __future__ import annotations

from rules.derivations.model import Derivation, Plain, Step, Symbol

_FORMULAS = "rules.analysis.formulas.thermal"

DERIVATION = Derivation(
    slug="thermal-runaway",
    symbols=(
        Symbol("dT", "rise of the junction that starts it", "K"),
        Symbol("dT_back", "rise that comes back", "K"),
        Symbol("dV", "fall of V_BE at the same current", "V"),
        Symbol("dI", "rise of the collector current", "A"),
        Symbol("dP", "rise of the heat", "W"),
        Symbol("R", "resistance in the way of that current, counted in the emitter lead", "ohm"),
        Symbol("R_E", "resistance that the emitter sees", "ohm", "nonnegative"),
        Symbol("R_B", "resistance that the base sees", "ohm", "nonnegative"),
        Symbol("beta", "current gain", ""),
        Symbol("V_T", "thermal voltage", "V"),
        Symbol("I_C", "collector current", "A"),
        Symbol("V_CE", "voltage across the transistor", "V"),
        Symbol("Theta", "thermal resistance from junction to ambient", "K/W"),
        Symbol("c", "fall of V_BE per kelvin at the same current", "V/K"),
        Symbol("K", "kelvin that come back on one kelvin", ""),
        Symbol("K_max", "of them in use at most", ""),
    ),
    steps=(
        Step("A hotter junction needs less voltage for the same current.", "dV", "=", "c*dT", "law",
             source="-2 mV/K at constant current: NXP BC848 series Rev 07, note 2"),
        Step("The voltage that is left over drives more current through all that is in its way: the emitter"
             " lead, the base lead whose current is beta times smaller, and the junction itself.", "R", "=",
             "R_E + R_B/beta + V_T/I_C", "approximation",
             source="Kirchhoff's voltage law around the base loop; slope of the junction V_T/I_C, Ebers-Moll;"
             " holds for beta far above 1"),
        Step("So the current rises.", "dI", "=", "dV/R", "law", source="Ohm's law"),
        Step("At a voltage that stays, the heat rises in proportion. A collector resistor makes it less.",
             "dP", "=", "V_CE*dI", "approximation",
             source="Joule's law; holds while the collector resistor takes less than half of the supply"),
        Step("More heat warms the junction further.", "dT_back", "=", "Theta*dP", "definition",
             source="definition of the thermal resistance"),
        Step("What comes back for each kelvin is the gain of the loop.", "K", "=", "dT_back/dT", "definition",
             source="definition of loop gain"),
        Step("All together.", "K", "=", "Theta*V_CE*c/(R_E + R_B/beta + V_T/I_C)", "derived",
             uses=(0, 1, 2, 3, 4, 5), without=("dV", "R", "dI", "dP", "dT_back", "dT")),
        Step("It stays well below one.", "K", "<=", "K_max", "limit",
             source="0.3: common practice, no source"),
        Step("So this much resistance belongs in the emitter lead.", "R_E", ">=",
             "Theta*V_CE*c/K_max - R_B/beta - V_T/I_C", "derived", uses=(6, 7), without=("K",)),
    ),
    plain=(
        Plain(
            f"{_FORMULAS}:drop_gain",
            {"thermal": "Theta", "vce": "V_CE", "collector": "I_C", "emitter": "R_E", "base": "R_B",
             "beta": "beta", "thermal_voltage": "V_T", "per_kelvin": "c"},
            6,
        ),
        Plain(
            f"{_FORMULAS}:emitter_resistor_at_least",
            {"thermal": "Theta", "vce": "V_CE", "collector": "I_C", "base": "R_B", "beta": "beta",
             "wanted": "K_max", "thermal_voltage": "V_T", "per_kelvin": "c"},
            8,
        ),
    ),
    example={
        "dT": 1.0, "R_E": 5.0, "R_B": 100.0, "beta": 150.0, "V_T": 0.025852, "I_C": 0.02, "V_CE": 10.0,
        "Theta": 200.0, "K_max": 0.3, "c": 0.002,
    },
)
