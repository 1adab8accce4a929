"""The derivative of a text at a point, in plain numbers: each value goes along with its slope."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True, slots=True)
class Sloped:
    """A value, and how it moves with the one symbol that is varied (the chain rule, step by step)."""

    value: float
    slope: float

    def __add__(self, other: Any) -> Sloped:
        b = of(other)
        return Sloped(self.value + b.value, self.slope + b.slope)

    def __sub__(self, other: Any) -> Sloped:
        b = of(other)
        return Sloped(self.value - b.value, self.slope - b.slope)

    def __mul__(self, other: Any) -> Sloped:
        b = of(other)
        return Sloped(self.value * b.value, self.slope * b.value + self.value * b.slope)

    def __truediv__(self, other: Any) -> Sloped:
        b = of(other)
        return Sloped(self.value / b.value, (self.slope - self.value / b.value * b.slope) / b.value)

    def __pow__(self, other: Any) -> Sloped:
        b = of(other)
        power = self.value**b.value
        if b.slope == 0.0:
            return Sloped(power, b.value * self.value ** (b.value - 1.0) * self.slope)
        return Sloped(power, power * (b.slope * math.log(self.value) + b.value * self.slope / self.value))

    def __radd__(self, other: Any) -> Sloped:
        return of(other) + self

    def __rsub__(self, other: Any) -> Sloped:
        return of(other) - self

    def __rmul__(self, other: Any) -> Sloped:
        return of(other) * self

    def __rtruediv__(self, other: Any) -> Sloped:
        return of(other) / self

    def __rpow__(self, other: Any) -> Sloped:
        return of(other) ** self

    def __neg__(self) -> Sloped:
        return Sloped(-self.value, -self.slope)

    def __lt__(self, other: Any) -> bool:
        return self.value < of(other).value

    def __gt__(self, other: Any) -> bool:
        return self.value > of(other).value

    def __abs__(self) -> Sloped:
        return self if self.value >= 0.0 else -self


def of(value: Any) -> Sloped:
    """A plain number does not move."""
    return value if isinstance(value, Sloped) else Sloped(float(value), 0.0)


def _word(plain: Callable[[float], float], slope: Callable[[float], float]) -> Callable[[Any], Any]:
    def word(value: Any) -> Any:
        a = of(value)
        return Sloped(plain(a.value), slope(a.value) * a.slope)

    return word


WORDS: dict[str, Callable[..., Any]] = {
    "log": _word(math.log, lambda x: 1.0 / x),
    "exp": _word(math.exp, math.exp),
    "sqrt": _word(math.sqrt, lambda x: 0.5 / math.sqrt(x)),
    "Max": max,
    "Min": min,
    "Abs": abs,
}
