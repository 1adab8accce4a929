"""Why a control whose wire leads nowhere changes no current, although its net moves."""

from __future__ import annotations

from types import MappingProxyType

from rules.derivations.model import Derivation, Step, Symbol

DERIVATION = Derivation(
    slug="dead-control",
    symbols=(
        Symbol("V_1", "voltage that the control lays on its wire in one position", "V", "real"),
        Symbol("V_2", "the same in the other position", "V", "real"),
        Symbol("G", "conductance of the way from the wire to the rest of the circuit", "S", "nonnegative"),
        Symbol("I_1", "current through the wire in one position", "A", "real"),
        Symbol("I_2", "the same in the other position", "A", "real"),
        Symbol("dI", "change of that current", "A", "real"),
    ),
    steps=(
        Step(
            "In one position the wire carries what its way lets through.",
            "I_1",
            "=",
            "G*V_1",
            "law",
            source="Ohm's law",
        ),
        Step("In the other position too.", "I_2", "=", "G*V_2", "law", source="Ohm's law"),
        Step(
            "What the control does is the difference.",
            "dI",
            "=",
            "I_2 - I_1",
            "definition",
            source="difference",
        ),
        Step(
            "So it acts in proportion to the conductance of the way, not to the step of the voltage.",
            "dI",
            "=",
            "G*(V_2 - V_1)",
            "derived",
            uses=(0, 1, 2),
            without=("I_1", "I_2"),
        ),
        Step(
            "A wire to nowhere, and a diode that blocks in both positions, have none.",
            "G",
            "=",
            "0",
            "law",
            source="open circuit",
        ),
        Step(
            "The wire moves, and nothing else does.", "dI", "=", "0", "derived", uses=(3, 4), without=("G",)
        ),
    ),
    plain=(),
    example=MappingProxyType({"V_1": 0.0, "V_2": 5.0}),
)
