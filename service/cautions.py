"""The cautions that go with a review: scope, hazard, and who has the last word."""

from __future__ import annotations

from collections.abc import Mapping

from schemas.circuit import Circuit

ALWAYS = (
    "A review by rules of thumb is not certification: it covers extra-low-voltage circuits on a bench, does"
    " not replace applicable local codes or a licensed practitioner, and must not be the reason to trust a"
    " circuit with the safety of people."
)  # common practice, no source

LIMITS: Mapping[str, tuple[float, str]] = {
    # Extra-low voltage that needs no basic protection in dry places (clause 414.4.5 of the HD/IEC 60364-4-41
    # family); also the appliance limit of IEC 62282-5-1:2012, 3.23.
    "scope": (60.0, "V"),
    # Safety extra-low voltage, ripple-free d.c. (IEC 61558-1:2005, 3.7.16).
    "selv": (120.0, "V"),
    # Capacitors are a shock hazard from here on (Lawrence Berkeley National Laboratory, Electrical Safety
    # Manual, tables 2.2.13 and 2.3.3): at least 100 V and at least 10 J.
    "stored_voltage": (100.0, "V"),
    "stored_energy": (10.0, "J"),
}

_SOURCES = ("battery", "supply", "driver")
_SOURCE_VALUES = ("voltage", "low", "high")


def cautions_for(circuit: Circuit, span: float = 0.0) -> tuple[str, ...]:
    """Cautions in a fixed order; ``span`` is the largest voltage (V) between two nets in any DC state."""
    found = [ALWAYS]
    highest = max(span, highest_source(circuit))
    scope, selv = LIMITS["scope"][0], LIMITS["selv"][0]
    if highest > scope:
        beyond = " and above 120 V DC, the limit of safety extra-low voltage" if highest > selv else ""
        found.append(
            f"{highest:.4g} V stands in this circuit: above {scope:.0f} V DC{beyond}. That is outside the"
            " scope of this review; touching it can injure. Follow the local electrical code and leave it to"
            " a licensed practitioner."
        )
    found.extend(_stored(circuit, highest))
    return tuple(found)


def highest_source(circuit: Circuit) -> float:
    """The largest declared source voltage in V."""
    declared = [
        abs(value)
        for part in circuit.parts.values()
        if part.kind in _SOURCES
        for key in _SOURCE_VALUES
        if (value := part.number(key)) is not None
    ]
    return max(declared, default=0.0)


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
