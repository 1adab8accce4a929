"""What a mains cable beside a long wire leaves at a base, and how large a capacitor ends it."""

from __future__ import annotations

from types import MappingProxyType

from rules.derivations.model import Derivation, Plain, Step, Symbol

DERIVATION = Derivation(
    slug="long-wire",
    symbols=(
        Symbol("f", "frequency of the mains", "Hz"),
        Symbol("C_w", "stray capacitance between wire and mains", "F"),
        Symbol("U", "mains voltage", "V"),
        Symbol("X", "reactance of the stray capacitance", "ohm"),
        Symbol("I_hum", "current that strays into the wire", "A"),
        Symbol("Z", "what holds the base while it is off", "ohm"),
        Symbol("V_hum", "voltage at the base", "V"),
        Symbol("V_off", "base-emitter voltage that is surely off", "V"),
        Symbol("s", "share of it that hum may take", ""),
        Symbol("f_c", "corner of a filter at the base", "Hz"),
        Symbol("C_f", "capacitor of the filter", "F"),
        Symbol("C_s", "capacitor that takes the hum", "F"),
        Symbol("rho", "resistivity of copper", "ohm*m"),
        Symbol("l", "length of the wire", "m"),
        Symbol("A", "area of its copper", "m2"),
        Symbol("R_loop", "resistance of the wire there and back", "ohm"),
    ),
    steps=(
        Step(
            "Wire and mains cable are the plates of a capacitor.",
            "X",
            "=",
            "1/(2*pi*f*C_w)",
            "law",
            source="reactance of a capacitor",
        ),
        Step(
            "The wire itself stays near 0 V, so that the whole mains voltage stands across it.",
            "I_hum",
            "=",
            "U/X",
            "approximation",
            source="Ohm's law, where what the wire hangs on is far below the reactance",
        ),
        Step(
            "That is the current that strays in.",
            "I_hum",
            "=",
            "2*pi*f*C_w*U",
            "derived",
            uses=(0, 1),
            without=("X",),
        ),
        Step("It flows through what holds the base.", "V_hum", "=", "I_hum*Z", "law", source="Ohm's law"),
        Step(
            "Only a share of what is surely off may be taken by it.",
            "V_hum",
            "<=",
            "s*V_off",
            "limit",
            source="common practice, no source: a third",
        ),
        Step(
            "So no more than this may hold the base.",
            "Z",
            "<=",
            "s*V_off/I_hum",
            "derived",
            uses=(3, 4),
            without=("V_hum",),
        ),
        Step(
            "A capacitor across it lets slow changes pass only.",
            "f_c",
            "=",
            "1/(2*pi*C_f*Z)",
            "definition",
            source="corner frequency of a resistor and a capacitor",
        ),
        Step(
            "Solved for the capacitor.",
            "C_f",
            "=",
            "1/(2*pi*f_c*Z)",
            "derived",
            uses=(6,),
        ),
        Step(
            "Where the capacitor takes nearly all of the current, its reactance alone is left.",
            "V_hum",
            "=",
            "I_hum/(2*pi*f*C_s)",
            "approximation",
            source="reactance of a capacitor, where what lies beside it is far larger",
        ),
        Step(
            "So it has to be at least this large.",
            "C_s",
            ">=",
            "I_hum/(2*pi*f*s*V_off)",
            "derived",
            uses=(4, 8),
            without=("V_hum",),
        ),
        Step(
            "The copper of the wire counts there and back.",
            "R_loop",
            "=",
            "2*rho*l/A",
            "law",
            source="resistance of a conductor",
        ),
    ),
    plain=(
        Plain(
            "rules.analysis.formulas.field:mains_pick_up",
            MappingProxyType({"capacitance": "C_w", "voltage": "U", "frequency": "f"}),
            2,
        ),
        Plain(
            "rules.analysis.formulas.field:node_against_hum",
            MappingProxyType({"off_voltage": "V_off", "share": "s", "current": "I_hum"}),
            5,
        ),
        Plain(
            "rules.analysis.formulas.field:filter_for",
            MappingProxyType({"corner": "f_c", "resistance": "Z"}),
            7,
        ),
        Plain(
            "rules.analysis.formulas.field:shunt_against_hum",
            MappingProxyType({"current": "I_hum", "frequency": "f", "voltage": "s*V_off"}),
            9,
        ),
        Plain(
            "rules.analysis.formulas.field:loop_of_wire",
            MappingProxyType({"length": "l", "area": "A", "resistivity": "rho"}),
            10,
        ),
    ),
    example=MappingProxyType(
        {
            "f": 50.0,
            "C_w": 100e-12,
            "U": 230.0,
            "Z": 10e3,
            "V_off": 0.42,
            "s": 0.3333,
            "C_f": 3.3e-6,
            "C_s": 330e-9,
            "rho": 1.724e-8,
            "l": 5.0,
            "A": 0.22e-6,
        }
    ),
)
