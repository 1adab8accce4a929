"""The cautions that go with a review: scope, hazard, and who has the last word."""

from __future__ import annotations

from collections.abc import Mapping

from rules.analysis.hazards import SCOPE, SELV, above_scope, highest_source, not_for
from schemas.circuit import Circuit

__all__ = ["ALWAYS", "LIMITS", "cautions_for", "highest_source"]

ALWAYS = (
    "A review by rules of thumb is not certification: it covers extra-low-voltage circuits on a bench, does"
    " not replace applicable local codes or a licensed practitioner, and must not be the reason to trust a"
    " circuit with the safety of people."
)  # common practice, no source

LIMITS: Mapping[str, tuple[float, str]] = {
    "scope": (SCOPE.value, SCOPE.unit),
    "selv": (SELV.value, SELV.unit),
    # Capacitors are a shock hazard from here on (Lawrence Berkeley National Laboratory, Electrical Safety
    # Manual, tables 2.2.13 and 2.3.3): at least 100 V and at least 10 J.
    "stored_voltage": (100.0, "V"),
    "stored_energy": (10.0, "J"),
}


def cautions_for(circuit: Circuit, span: float = 0.0) -> tuple[str, ...]:
    """Cautions in a fixed order; ``span`` is the largest voltage (V) between two nets in any DC state."""
    found = [ALWAYS]
    highest = max(span, highest_source(circuit))
    if highest > LIMITS["scope"][0]:
        found.append(above_scope(highest))
    found.extend(_stored(circuit, highest))
    found.extend(filter(None, [not_for(circuit.use)]))
    return tuple(found)


def _stored(circuit: Circuit, highest: float) -> list[str]:
    volts, joules = LIMITS["stored_voltage"][0], LIMITS["stored_energy"][0]
    if highest < volts:
        return []
    found = []
    for name in sorted(circuit.parts):
        part = circuit.parts[name]
        capacitance = part.number("capacitance") if part.kind == "capacitor" else None
        energy = 0.0 if capacitance is None else 0.5 * capacitance * highest**2
        if energy >= joules:
            found.append(
                f"{name} can hold {energy:.3g} J at {highest:.4g} V after the supply is removed: a shock"
                " hazard. Discharge it through a resistor before touching anything."
            )
    return found
