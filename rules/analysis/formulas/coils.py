"""Coils: what an interrupted current does, and how long it takes to fall along a path.

SI units.  Every function raises ValueError outside the domain it states.
"""

from __future__ import annotations

import math

from rules.analysis.formulas.domain import not_negative, positive


def stored_energy(inductance: float, current: float) -> float:
    """L*I^2/2 in J of ``inductance`` H at ``current`` A (magnitude, not negative)."""
    positive(inductance=inductance)
    not_negative(current=current)
    return 0.5 * inductance * current**2


def broken_through(current: float, inductance: float, stray: float) -> float:
    """The voltage (V) to which ``current`` A through ``inductance`` H charges ``stray`` F.

    L*I^2/2 = C*V^2/2, all the energy of the coil in its stray capacitance, none lost in its winding.
    """
    positive(inductance=inductance, stray=stray)
    not_negative(current=current)
    return current * math.sqrt(inductance / stray)


def release_time(inductance: float, resistance: float, start: float, release: float, against: float) -> float:
    """The time (s) from ``start`` A to ``release`` A in a coil of ``inductance`` H and ``resistance`` ohm.

    ``against`` (V, not negative) stands against the current: the drop of a diode, of a diode and a zener.
    Solution of L*dI/dt = -R*I - V.  ``start`` > ``release`` > 0.
    """
    positive(inductance=inductance, resistance=resistance, start=start, release=release)
    not_negative(against=against)
    if release >= start:
        raise ValueError(f"release must be below start, got {release!r} and {start!r}")
    return (
        inductance / resistance * math.log((start * resistance + against) / (release * resistance + against))
    )
