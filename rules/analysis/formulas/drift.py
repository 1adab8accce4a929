"""How the capacitance of a dielectric follows the temperature."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np

from rules.analysis.elements import Array


@dataclass(frozen=True, slots=True)
class Drift:
    """Relative change of the capacitance at temperatures (K), straight in between, flat outside."""

    kelvin: tuple[float, ...]
    change: tuple[float, ...]
    source: str


DRIFTS: Mapping[str, Drift] = MappingProxyType(
    {
        "aluminium": Drift(
            (248.15, 273.15, 298.15, 358.15),
            (-0.20, -0.05, 0.0, 0.12),
            "0.2 %/K near room, of 0.1 to 0.3 usual; 20 % less at -25 degC; from memory",
        ),
        "tantalum": Drift(
            (218.15, 298.15, 358.15),
            (-0.10, 0.0, 0.08),
            "10 % less at -55 degC, 8 % more at 85 degC; from memory",
        ),
        "film": Drift(
            (218.15, 298.15, 373.15), (-0.05, 0.0, 0.05), "PET, 5 % either way over its range; from memory"
        ),
        "ceramic": Drift(
            (218.15, 298.15, 398.15),
            (-0.15, 0.0, -0.15),
            "class 2 X7R, within 15 % from -55 to 125 degC; from memory",
        ),
    }
)
"""By dielectric; film is taken as polyester (polypropylene drifts half as much, the other way)."""


def capacitance_drift(dielectric: str, temperature: float | Array) -> Array:
    """Relative change of a capacitance from its value at 25 degC.

    ``dielectric`` is aluminium, tantalum, film or ceramic (ValueError otherwise); ``temperature`` in K,
    one or an array.  Source: see :data:`DRIFTS`.
    """
    if dielectric not in DRIFTS:
        raise ValueError(f"unknown dielectric {dielectric!r}; known: {', '.join(sorted(DRIFTS))}")
    known = DRIFTS[dielectric]
    change: Array = np.interp(np.asarray(temperature, dtype=float), known.kelvin, known.change)
    return change
