"""The circuit document as frozen facts.

Every quantity is a float in its SI unit (temperatures in kelvin, tolerances as
fractions).  Only what the document gave is kept here; assumed values are added
by :mod:`rules.analysis.resolve`, which records where each of them came from.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from types import MappingProxyType
from typing import TypeAlias, TypeVar

FORMAT = "thumbrule/1"
T = TypeVar("T")


def frozen_map(items: Mapping[str, T]) -> Mapping[str, T]:
    """A read-only copy, keys sorted, so that iteration never depends on input order."""
    return MappingProxyType({key: items[key] for key in sorted(items)})


@dataclass(frozen=True, slots=True)
class Tolerance:
    """Relative limits as fractions: ``-20/+50 %`` is ``Tolerance(-0.2, 0.5)``."""

    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Beta:
    """Forward current gain; ``None`` where the document did not say."""

    minimum: float | None = None
    typical: float | None = None
    maximum: float | None = None


@dataclass(frozen=True, slots=True)
class Ratings:
    """Absolute limits in V, A, W, K (``junction``) and K/W (``thermal``).

    Of a diode ``reverse`` is in V, ``surge`` the current (A) that it stands for a moment.
    """

    vceo: float | None = None
    vcbo: float | None = None
    vebo: float | None = None
    reverse: float | None = None
    current: float | None = None
    surge: float | None = None
    power: float | None = None
    junction: float | None = None
    thermal: float | None = None


@dataclass(frozen=True, slots=True)
class Leakage:
    """Leakage limit of a capacitor: a current in A, or ``per_cv`` in 1/s times C times rated V."""

    current: float | None = None
    per_cv: float | None = None


Value: TypeAlias = float | str | bool | Tolerance | Beta | Ratings | Leakage


@dataclass(frozen=True, slots=True)
class Part:
    """One part: its kind, the net on each pin, and the values that were given."""

    name: str
    kind: str
    pins: Mapping[str, str]
    values: Mapping[str, Value] = field(default_factory=dict)

    def number(self, key: str) -> float | None:
        """The given value of ``key`` in SI, or ``None`` when the document has none."""
        value = self.values.get(key)
        return float(value) if isinstance(value, (int, float)) and not isinstance(value, bool) else None

    def text(self, key: str) -> str | None:
        value = self.values.get(key)
        return value if isinstance(value, str) else None


@dataclass(frozen=True, slots=True)
class Ambient:
    """Ambient temperature range in kelvin."""

    low: float
    nominal: float
    high: float


@dataclass(frozen=True, slots=True)
class NetNote:
    """Optional remarks on a net: leaves the board (``terminal``), a ``label``.

    ``wire`` is the length in m of a wire on it that leaves the box, ``wire_area``
    the area in m2 of the copper of that wire.
    """

    terminal: bool = False
    label: str | None = None
    wire: float | None = None
    wire_area: float | None = None


@dataclass(frozen=True, slots=True)
class Action:
    """One step of a stimulus: at ``at`` seconds ``part`` goes ``to`` open, closed, low or high."""

    at: float
    part: str
    to: str


@dataclass(frozen=True, slots=True)
class Requirement:
    """A requirement; ``values`` holds its own members (``net``, ``state``, ``target``, ...)."""

    kind: str
    name: str | None
    values: Mapping[str, Value]


@dataclass(frozen=True, slots=True)
class Waiver:
    """An accepted finding: which rule on which parts, why, by whom, until when (ISO date, that day counts).

    ``accepted`` is the number that was accepted, the left side of the finding's test: a number in the unit
    of that test, or quantity text, whose dimension only the finding knows.
    """

    rule: str
    parts: tuple[str, ...]
    nets: tuple[str, ...]
    reason: str
    owner: str
    expires: str
    accepted: float | str | None = None


@dataclass(frozen=True)
class Circuit:
    """A checked circuit document."""

    name: str
    ground: str
    parts: Mapping[str, Part]
    title: str | None = None
    use: str | None = None
    format: str = FORMAT
    ambient: Ambient | None = None
    nets: Mapping[str, NetNote] = field(default_factory=dict)
    assumptions: Mapping[str, float] = field(default_factory=dict)
    states: Mapping[str, Mapping[str, str]] = field(default_factory=dict)
    stimuli: Mapping[str, tuple[Action, ...]] = field(default_factory=dict)
    requirements: tuple[Requirement, ...] = ()
    waivers: tuple[Waiver, ...] = ()

    @cached_property
    def net_names(self) -> tuple[str, ...]:
        """Every net that a pin, the ground or a remark names, sorted."""
        used = {net for part in self.parts.values() for net in part.pins.values()}
        return tuple(sorted(used | {self.ground} | set(self.nets)))
