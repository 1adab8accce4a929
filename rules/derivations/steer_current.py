"""How large a timing resistor may be that has to feed a base at the threshold."""

from __future__ import annotations

from rules.derivations.model import Derivation, Plain, Step, Symbol

DERIVATION = Derivation(
    slug="steer-current",
    symbols=(
        Symbol("I_E", "current that has to be taken over", "A"),
        Symbol("beta", "gain of the transistor that takes it over", ""),
        Symbol("I_B", "base current that carries it", "A"),
        Symbol("I_L", "what the timing capacitor may leak", "A", "nonnegative"),
        Symbol("V_inf", "voltage the capacitor aims at", "V"),
        Symbol("V_th", "capacitor voltage at which both bases stand level", "V"),
        Symbol("V_s", "how far past that a real pair has taken over", "V"),
        Symbol("R", "timing resistor", "ohm"),
        Symbol("I_ch", "what it still brings there", "A"),
        Symbol("m", "margin", ""),
        Symbol("wanted", "margin that is wanted", ""),
        Symbol("f", "factor by which R falls and C rises, the delay kept", ""),
    ),
    steps=(
        Step(
            "The emitter carries base and collector current, so the base needs this much.",
            "I_B",
            "=",
            "I_E/(beta + 1)",
            "law",
            source="definition of the gain",
        ),
        Step(
            "Level bases are not enough: a real pair takes over within a tenth of a volt.",
            "V_s",
            "=",
            "0.1",
            "approximation",
            source="about 4*k*T/q, the span of an emitter-coupled pair; from memory",
        ),
        Step(
            "There the resistor brings least.",
            "I_ch",
            "=",
            "(V_inf - V_th - V_s)/R",
            "law",
            source="Ohm's law",
        ),
        Step(
            "That has to feed the base and what leaks through the capacitor.",
            "m",
            "=",
            "I_ch/(I_B + I_L)",
            "definition",
            source="Kirchhoff's current law at the capacitor",
        ),
        Step("With something in hand.", "m", ">=", "wanted", "limit", source="3: common practice, no source"),
        Step(
            "That is the largest timing resistor.",
            "R",
            "<=",
            "(V_inf - V_th - V_s)/(wanted*(I_B + I_L))",
            "derived",
            uses=(2, 3, 4),
            without=("m", "I_ch"),
        ),
        Step(
            "A smaller resistor with a larger capacitor keeps the delay; the capacitor leaks more by the same"
            " factor, the base does not need more.",
            "f*I_ch",
            ">=",
            "wanted*(I_B + f*I_L)",
            "limit",
            source="the same margin, after the change",
        ),
        Step(
            "So the leakage stands below the line: where it takes all, no factor helps; it is the base"
            " current"
            " that is gained on.",
            "f",
            ">=",
            "wanted*I_B/(I_ch - wanted*I_L)",
            "derived",
            uses=(6,),
        ),
    ),
    plain=(
        Plain(
            "rules.analysis.formulas.timing:steering_resistor_at_most",
            {
                "aim": "V_inf",
                "threshold": "V_th",
                "needed": "I_B",
                "leakage": "I_L",
                "margin": "wanted",
                "above": "V_s",
            },
            5,
        ),
        Plain(
            "rules.analysis.formulas.timing:faster_for_steering",
            {"charging": "I_ch", "needed": "I_B", "leakage": "I_L", "margin": "wanted"},
            7,
        ),
    ),
    example={
        "I_E": 1e-3,
        "beta": 100.0,
        "I_L": 1e-8,
        "V_inf": 8.0,
        "V_th": 4.0,
        "R": 1e5,
        "wanted": 3.0,
        "f": 1.0,
    },
)
