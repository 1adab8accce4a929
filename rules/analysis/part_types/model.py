"""What a published part type is: numbers, each with the text of its source."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType


@dataclass(frozen=True, slots=True)
class Sourced:
    """A number in its SI unit, and who published it under which conditions."""

    value: float
    unit: str
    source: str


@dataclass(frozen=True, slots=True)
class BetaPoint:
    """Published current gain at one collector current (A) and collector-emitter voltage (V)."""

    collector_current: float
    vce: float
    source: str
    minimum: float | None = None
    typical: float | None = None
    maximum: float | None = None


@dataclass(frozen=True, slots=True)
class SaturationPoint:
    """Limits in V of V_CE(sat) and V_BE(sat) at one collector and base current (A)."""

    collector_current: float
    base_current: float
    vce_max: float
    source: str
    vbe_min: float | None = None
    vbe_typical: float | None = None
    vbe_max: float | None = None


@dataclass(frozen=True, slots=True)
class BaseEmitterPoint:
    """V_BE(on) in V at one collector current (A)."""

    collector_current: float
    maximum: float
    source: str
    minimum: float | None = None


@dataclass(frozen=True, slots=True)
class ForwardPoint:
    """Largest forward voltage (V) of a diode at one current (A)."""

    current: float
    maximum: float
    source: str


@dataclass(frozen=True, slots=True)
class LeakagePoint:
    """Largest leakage (A) at one temperature (K) and voltage (V; ``None`` where it was not noted)."""

    name: str
    maximum: float
    voltage: float | None
    temperature: float
    source: str


@dataclass(frozen=True, slots=True)
class PartType:
    """The lowest promise of the makers for one part type.

    ``ratings`` has ``vceo``, ``vcbo``, ``vebo`` (transistors) or ``reverse``,
    ``peak_reverse``, ``surge`` (diodes), and ``current``, ``power``,
    ``junction`` (K), ``thermal`` (K/W); a key is missing where nothing was
    published.  ``beta_max`` is the largest gain any maker allows.  No listed
    maker publishes a typical gain at working current, so ``beta_typical`` may
    be ``None``.
    """

    name: str
    kind: str
    ratings: Mapping[str, Sourced]
    beta: tuple[BetaPoint, ...] = ()
    beta_max: Sourced | None = None
    beta_typical: Sourced | None = None
    icbo: Sourced | None = None
    saturation: tuple[SaturationPoint, ...] = ()
    base_emitter: tuple[BaseEmitterPoint, ...] = ()
    forward: tuple[ForwardPoint, ...] = ()
    leakage: tuple[LeakagePoint, ...] = ()
    characteristics: Mapping[str, Sourced] = field(default_factory=lambda: MappingProxyType({}))


def ratings(**members: tuple[float, str]) -> Mapping[str, Sourced]:
    """Ratings by member name, sorted, each with the unit its name implies."""
    return MappingProxyType(
        {name: Sourced(members[name][0], RATING_UNITS[name], members[name][1]) for name in sorted(members)}
    )


RATING_UNITS: Mapping[str, str] = MappingProxyType(
    {
        "vceo": "V",
        "vcbo": "V",
        "vebo": "V",
        "reverse": "V",
        "peak_reverse": "V",
        "current": "A",
        "surge": "A",
        "power": "W",
        "junction": "K",
        "thermal": "K/W",
    }
)
