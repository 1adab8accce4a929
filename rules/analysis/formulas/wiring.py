"""Closed forms of the rules on wiring.  SI units; every function raises ValueError outside its domain."""

from __future__ import annotations

from rules.analysis.formulas.domain import finite, not_negative


def pushed_pin(level: float, current: float, resistance: float) -> float:
    """Voltage in V at an output of ``level`` V into which ``current`` A is pushed: level + I*r.

    ``resistance`` >= 0 ohm is that of the output itself; a negative current is one it delivers.
    Source: Ohm's law.
    """
    finite(level=level, current=current)
    not_negative(resistance=resistance)
    return level + current * resistance
