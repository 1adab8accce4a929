"""What is asked of a bench sheet: the meter as text, and sources at measured voltages."""

from __future__ import annotations

from collections.abc import Mapping

from rules.analysis.metering import Meter
from schemas.circuit import Circuit
from schemas.problems import Complaint, nearest_name, quoted
from schemas.quantities import parse

METER_FORM = "a resistance such as 10 Mohm, or one per volt of range such as 20 kohm/V"


def meter_of(text: str) -> Meter:
    """``10 Mohm`` or ``20 kohm/V``.  Raises :class:`Complaint`."""
    spelled = text.strip()
    per_volt = spelled.endswith("/V")
    try:
        ohms = parse(spelled.removesuffix("/V").strip(), "resistance", "positive")
    except Complaint as complaint:
        raise Complaint(complaint.detail, seen=quoted(text), accepted=METER_FORM) from complaint
    return Meter(None, ohms) if per_volt else Meter(ohms)


def check_measured(circuit: Circuit, volts: Mapping[str, float]) -> None:
    """Every name is a battery or supply of the circuit.  Raises :class:`Complaint`."""
    sources = sorted(p.name for p in circuit.parts.values() if p.kind in ("battery", "supply"))
    for name in sorted(volts):
        if name not in sources:
            raise Complaint(
                "only a battery or supply can be measured",
                seen=quoted(name),
                accepted=", ".join(sources) or "nothing: this circuit has neither",
                nearest=nearest_name(name, sources),
            )
