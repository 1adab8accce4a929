"""Why a part on a net of one pin carries nothing, and what becomes of a bleed resistor there."""

from __future__ import annotations

from types import MappingProxyType

from rules.derivations.model import Derivation, Step, Symbol

DERIVATION = Derivation(
    slug="one-pin-net",
    symbols=(
        Symbol("I_1", "current into the only pin of the net", "A", "real"),
        Symbol("R", "resistance of the part behind that pin", "ohm"),
        Symbol("V_B", "voltage of the base at the other end of the part", "V", "real"),
        Symbol("V_N", "voltage of the one-pin net", "V", "real"),
        Symbol("I_CBO", "leakage that the part was to carry away from the base", "A", "nonnegative"),
        Symbol("I_B", "leakage that is left to the base", "A", "nonnegative"),
    ),
    steps=(
        Step(
            "The currents into the pins of a net add up to nothing, and here there is one pin.",
            "I_1",
            "=",
            "0",
            "law",
            source="Kirchhoff's current law",
        ),
        Step(
            "A resistor turns a voltage between its ends into a current.",
            "V_B - V_N",
            "=",
            "R*I_1",
            "law",
            source="Ohm's law",
        ),
        Step(
            "So the lonely net only follows the other end: a voltmeter there shows the base, not ground.",
            "V_N",
            "=",
            "V_B",
            "derived",
            uses=(0, 1),
            without=("I_1", "R"),
        ),
        Step(
            "What leaks into the base divides between the resistor and the transistor.",
            "I_CBO",
            "=",
            "I_1 + I_B",
            "law",
            source="Kirchhoff's current law",
        ),
        Step(
            "The resistor takes none of it: all of the leakage is left to the base, as if it were not there.",
            "I_B",
            "=",
            "I_CBO",
            "derived",
            uses=(0, 3),
            without=("I_1",),
        ),
    ),
    plain=(),
    example=MappingProxyType({"R": 47e3, "V_B": 0.3, "I_CBO": 100e-9}),
)
