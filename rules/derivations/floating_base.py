"""What a transistor with an open base leaks, and the resistor that lets the leakage out in time."""

from __future__ import annotations

from types import MappingProxyType

from rules.derivations.model import Derivation, Plain, Step, Symbol

DERIVATION = Derivation(
    slug="floating-base",
    symbols=(
        Symbol("I_CBO", "collector-base leakage at the highest ambient temperature", "A"),
        Symbol("I_CBO_25", "its limit at 25 degC", "A"),
        Symbol("T", "highest ambient temperature", "K"),
        Symbol("T_25", "25 degC, 298.15 K", "K"),
        Symbol("dT", "temperature step over which the leakage doubles", "K"),
        Symbol("I_C", "collector current", "A", "real"),
        Symbol("I_B", "current into the base from outside", "A", "real"),
        Symbol("beta_max", "greatest current gain", ""),
        Symbol("I_CEO", "collector current with an open base", "A"),
        Symbol("V_R", "voltage across the resistor from base to emitter", "V"),
        Symbol("R_BE", "resistor from base to emitter", "ohm"),
        Symbol("V_BE_off", "base-emitter voltage that is surely off", "V"),
        Symbol("s", "share of it that the leakage may use up", ""),
    ),
    steps=(
        Step(
            "Leakage of a junction doubles every ten kelvin; over a wide range real parts do better.",
            "I_CBO",
            "=",
            "I_CBO_25*2**((T - T_25)/dT)",
            "approximation",
            source="Bell, Electronic Devices and Circuits, ex. 5.18",
        ),
        Step(
            "The collector carries the amplified base current; leakage that enters the base region from the"
            " collector counts as base current too, and then flows on itself.",
            "I_C",
            "=",
            "beta_max*(I_B + I_CBO) + I_CBO",
            "law",
            source="the transistor equations in any text, from memory",
        ),
        Step("An open base takes no current from outside.", "I_B", "=", "0", "law", source="open circuit"),
        Step(
            "What the collector then carries has a name of its own.",
            "I_CEO",
            "=",
            "I_C",
            "definition",
            source="collector-emitter leakage, base open",
        ),
        Step(
            "So the leakage is amplified by the whole gain.",
            "I_CEO",
            "=",
            "(beta_max + 1)*I_CBO",
            "derived",
            uses=(1, 2, 3),
            without=("I_C", "I_B"),
        ),
        Step(
            "A resistor from base to emitter carries the leakage past the junction.",
            "V_R",
            "=",
            "I_CBO*R_BE",
            "law",
            source="Ohm's law",
        ),
        Step(
            "The junction takes nothing while the voltage stays well below that at which it turns on.",
            "V_R",
            "<=",
            "s*V_BE_off",
            "limit",
            source="a third of V_BE,off: common practice, no source",
        ),
        Step(
            "That is the largest bleed.",
            "R_BE",
            "<=",
            "s*V_BE_off/I_CBO",
            "derived",
            uses=(5, 6),
            without=("V_R",),
        ),
    ),
    plain=(
        Plain(
            "rules.analysis.formulas.cutoff:open_base_leakage", {"icbo": "I_CBO", "beta_max": "beta_max"}, 4
        ),
        Plain(
            "rules.analysis.formulas.cutoff:bleed_at_most",
            {"vbe_off": "V_BE_off", "icbo": "I_CBO", "share": "s"},
            7,
        ),
    ),
    example=MappingProxyType(
        {
            "I_CBO_25": 15e-9,
            "T": 333.15,
            "T_25": 298.15,
            "dT": 10.0,
            "beta_max": 400.0,
            "R_BE": 47e3,
            "V_BE_off": 0.38,
            "s": 1.0 / 3.0,
        }
    ),
)
