"""Published limits of the diode types, 25 degC unless stated; the lowest promise where makers differ."""

from __future__ import annotations

from collections.abc import Iterable
from types import MappingProxyType

from rules.analysis.part_types.model import ForwardPoint, LeakagePoint, PartType, Sourced, ratings

_CELSIUS = 273.15
_JUNCTION_150 = _CELSIUS + 150.0

_4148 = "Panjit 1N4148 Rev 0.2 (7 Apr 2010)"
_1N4148 = PartType(
    "1N4148",
    "diode",
    ratings(
        reverse=(75.0, _4148),
        peak_reverse=(100.0, _4148),
        current=(0.15, f"average; {_4148}; other makers 200 to 300 mA d.c."),
        surge=(0.5, f"under 1 s; {_4148}; other makers 1 A for 1 s"),
        power=(0.5, _4148),
        junction=(_JUNCTION_150, f"{_4148}; glass types of other makers 175 to 200 degC"),
        thermal=(300.0, f"typical; {_4148}"),
    ),
    forward=(ForwardPoint(10e-3, 1.0, _4148),),
    leakage=(
        LeakagePoint("I_R", 25e-9, 20.0, _CELSIUS + 25.0, _4148),
        LeakagePoint("I_R", 5e-6, 75.0, _CELSIUS + 25.0, _4148),
        LeakagePoint("I_R", 50e-6, 20.0, _CELSIUS + 150.0, _4148),
    ),
    characteristics=MappingProxyType(
        {
            "capacitance": Sourced(4e-12, "F", _4148),
            "recovery": Sourced(4e-9, "s", _4148),
        }
    ),
)

_4001 = "Diodes Inc DS28002 Rev E-2"
_RECTIFIERS = (
    ("1N4001", 50.0, 15e-12),
    ("1N4002", 100.0, 15e-12),
    ("1N4003", 200.0, 15e-12),
    ("1N4004", 400.0, 15e-12),
    ("1N4005", 600.0, 8e-12),
    ("1N4006", 800.0, 8e-12),
    ("1N4007", 1000.0, 8e-12),
)


def _rectifier(name: str, reverse: float, capacitance: float) -> PartType:
    return PartType(
        name,
        "diode",
        ratings(
            reverse=(reverse, _4001),
            peak_reverse=(reverse, _4001),
            current=(1.0, f"average at 75 degC ambient, 9.5 mm leads; {_4001}"),
            surge=(30.0, f"8.3 ms; {_4001}"),
            junction=(_JUNCTION_150, f"{_4001}; other makers 175 degC"),
            thermal=(100.0, f"{_4001}; other makers 45 to 50 K/W"),
        ),
        forward=(
            ForwardPoint(1.0, 1.1, f"makers other than Diodes Inc; {_4001} promises 1.0 V"),
            ForwardPoint(3.0, 1.3, "makers other than Diodes Inc"),
        ),
        leakage=(
            LeakagePoint("I_R", 5e-6, None, _CELSIUS + 25.0, _4001),
            LeakagePoint("I_R", 50e-6, None, _CELSIUS + 100.0, _4001),
            LeakagePoint("I_R", 250e-6, None, _CELSIUS + 125.0, "Comchip 1N4001 to 1N4007"),
        ),
        characteristics=MappingProxyType(
            {
                "capacitance": Sourced(capacitance, "F", _4001),
                "recovery": Sourced(2e-6, "s", "about 2 us; from memory"),
            }
        ),
    )


def diodes() -> Iterable[PartType]:
    """Every published diode type."""
    return (_1N4148, *(_rectifier(*row) for row in _RECTIFIERS))
