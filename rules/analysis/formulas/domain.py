"""Checks of arguments, so that every formula refuses the same way."""

from __future__ import annotations

import math


def positive(**arguments: float) -> None:
    """Raises ValueError, naming the argument, unless every value is finite and above zero."""
    for name, value in arguments.items():
        if not (math.isfinite(value) and value > 0.0):
            raise ValueError(f"{name} must be finite and above zero, got {value!r}")


def not_negative(**arguments: float) -> None:
    """Raises ValueError, naming the argument, unless every value is finite and zero or more."""
    for name, value in arguments.items():
        if not (math.isfinite(value) and value >= 0.0):
            raise ValueError(f"{name} must be finite and not negative, got {value!r}")


def finite(**arguments: float) -> None:
    """Raises ValueError, naming the argument, unless every value is finite."""
    for name, value in arguments.items():
        if not math.isfinite(value):
            raise ValueError(f"{name} must be finite, got {value!r}")
