"""The part kinds as data: pins, parameters, dimensions.

One table feeds the marshmallow schemas, the published JSON Schema, the network
builder and the documentation, so that they cannot drift apart.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType


@dataclass(frozen=True, slots=True)
class Parameter:
    """One member of a part.

    ``type`` is a dimension of :mod:`schemas.quantities` (``resistance``,
    ``voltage``, ...) or one of ``tolerance``, ``choice``, ``flag``, ``beta``,
    ``ratings``, ``leakage``, ``type`` (a published part type).  ``bound`` is
    ``positive`` (> 0), ``nonnegative`` (>= 0) or ``any``.  ``choices`` are the
    words of a choice, or the members that ``ratings`` may have (all when empty).
    """

    name: str
    type: str
    required: bool = False
    bound: str = "positive"
    choices: tuple[str, ...] = ()
    meaning: str = ""


@dataclass(frozen=True, slots=True)
class Kind:
    """One part kind.  ``pins`` lists the accepted pin sets; the first is the usual one."""

    name: str
    pins: tuple[tuple[str, ...], ...]
    parameters: tuple[Parameter, ...]
    meaning: str
    one_of: tuple[tuple[str, ...], ...] = ()  # at least one member of each group must be given

    def parameter(self, name: str) -> Parameter | None:
        return next((p for p in self.parameters if p.name == name), None)


def _p(
    name: str,
    type_: str,
    *,
    required: bool = False,
    bound: str = "positive",
    choices: tuple[str, ...] = (),
    meaning: str = "",
) -> Parameter:
    return Parameter(name, type_, required, bound, choices, meaning)


_AB = (("a", "b"),)
_PM = (("plus", "minus"),)
_AK = (("anode", "cathode"),)
_CBE = (("collector", "base", "emitter"),)
_DIODE_RATINGS = (
    _p("ratings", "ratings", choices=("reverse", "current", "surge", "power", "junction", "thermal")),
)
_SOURCE = (
    _p("voltage", "voltage", required=True, bound="any", meaning="nominal open-circuit voltage"),
    _p("low", "voltage", bound="any", meaning="lowest open-circuit voltage in use"),
    _p("high", "voltage", bound="any", meaning="highest open-circuit voltage in use"),
    _p("resistance", "resistance", bound="nonnegative", meaning="internal resistance"),
)
_TRANSISTOR = (
    _p("type", "type", meaning="a published part type"),
    _p("beta", "beta", meaning="forward current gain"),
    _p("ratings", "ratings"),
    _p("icbo", "current", bound="nonnegative", meaning="collector-base leakage at 25 degC"),
    _p("collector_base", "capacitance", meaning="capacitance between collector and base"),
)

_ALL = (
    Kind(
        "resistor",
        _AB,
        (
            _p("resistance", "resistance", required=True),
            _p("tolerance", "tolerance"),
            _p("power", "power", meaning="rated dissipation"),
        ),
        "a fixed resistor",
    ),
    Kind(
        "capacitor",
        (("plus", "minus"), ("a", "b")),
        (
            _p("capacitance", "capacitance", required=True),
            _p("tolerance", "tolerance"),
            _p("voltage", "voltage", meaning="rated voltage"),
            _p("dielectric", "choice", choices=("aluminium", "tantalum", "film", "ceramic")),
            _p("leakage", "leakage", meaning="a current, or a multiple of C times rated voltage"),
            _p("esr", "resistance", bound="nonnegative", meaning="equivalent series resistance"),
        ),
        "a capacitor; plus and minus when polarised, a and b when not",
    ),
    Kind(
        "inductor",
        _AB,
        (
            _p("inductance", "inductance", required=True),
            _p("resistance", "resistance", bound="nonnegative", meaning="winding resistance"),
            _p("tolerance", "tolerance"),
        ),
        "an inductor; a short circuit at rest but for its winding resistance",
    ),
    Kind(
        "coil",
        _PM,
        (
            _p("resistance", "resistance", required=True),
            _p("inductance", "inductance"),
            _p("nominal", "voltage", meaning="nominal coil voltage"),
            _p("pick_up", "voltage", meaning="voltage at which the relay surely pulls in"),
            _p("release", "voltage", meaning="voltage at which the relay has surely let go"),
            _p("tolerance", "tolerance"),
        ),
        "a relay coil",
    ),
    Kind(
        "load",
        _PM,
        (
            _p("resistance", "resistance", required=True),
            _p("inductive", "flag"),
            _p("tolerance", "tolerance"),
            _p("power", "power", meaning="rated dissipation"),
        ),
        "a lamp, sounder or motor",
    ),
    Kind(
        "diode",
        _AK,
        (
            _p("type", "type"),
            _p("forward", "voltage", meaning="forward drop"),
            *_DIODE_RATINGS,
        ),
        "a diode",
    ),
    Kind(
        "zener",
        _AK,
        (
            _p("zener", "voltage", required=True, meaning="breakdown voltage"),
            _p("forward", "voltage", meaning="forward drop"),
            _p("resistance", "resistance", bound="nonnegative", meaning="slope resistance in breakdown"),
            _p("tolerance", "tolerance"),
            *_DIODE_RATINGS,
        ),
        "a zener diode",
    ),
    Kind(
        "led",
        _AK,
        (
            _p("forward", "voltage", meaning="forward drop"),
            _p("current", "current", meaning="rated forward current"),
            *_DIODE_RATINGS,
        ),
        "a light-emitting diode",
    ),
    Kind("npn", _CBE, _TRANSISTOR, "an NPN bipolar transistor", (("type", "beta"),)),
    Kind("pnp", _CBE, _TRANSISTOR, "a PNP bipolar transistor", (("type", "beta"),)),
    Kind(
        "battery",
        _PM,
        (
            *_SOURCE,
            _p("capacity", "charge", meaning="rated charge"),
            _p("chemistry", "choice", choices=("alkaline", "zinc-carbon", "lithium", "lead", "nickel")),
            _p("keyed", "flag", meaning="cannot be put in backwards"),
        ),
        "a battery",
    ),
    Kind(
        "supply",
        _PM,
        (*_SOURCE, _p("current", "current", meaning="the most it can give")),
        "a regulated or mains-derived supply",
    ),
    Kind(
        "driver",
        (("out", "reference"),),
        (
            _p("high", "voltage", required=True, bound="any", meaning="output voltage when high"),
            _p("low", "voltage", required=True, bound="any", meaning="output voltage when low"),
            _p("resistance", "resistance", bound="nonnegative", meaning="output resistance"),
            _p("rest", "choice", choices=("low", "high"), meaning="level at rest; low when not given"),
        ),
        "a logic output",
    ),
    Kind(
        "current-source",
        (("from", "to"),),
        (_p("current", "current", required=True, bound="any", meaning="current out of the pin `to`"),),
        "a current source; the current leaves the net at `from`, enters the net at `to`",
    ),
    Kind(
        "contact",
        _AB,
        (
            _p("rest", "choice", choices=("open", "closed"), meaning="position at rest; open when not given"),
            _p("material", "choice", choices=("silver", "gold")),
            _p("current", "current", meaning="rated current"),
            _p("mains", "flag", meaning="it switches the mains"),
            _p("separated", "flag", meaning="its maker states safe separation from the other circuits"),
        ),
        "a switch or button contact",
    ),
    Kind(
        "fuse",
        _AB,
        (
            _p("current", "current", required=True, meaning="rated current"),
            _p("resistance", "resistance", bound="nonnegative", meaning="cold resistance"),
        ),
        "a fuse; joins its ends but for its resistance",
    ),
)

KINDS: Mapping[str, Kind] = MappingProxyType({kind.name: kind for kind in _ALL})

REGIONS: Mapping[str, tuple[str, ...]] = MappingProxyType(
    {
        "npn": ("off", "active", "saturated", "reverse"),
        "pnp": ("off", "active", "saturated", "reverse"),
        "diode": ("off", "on"),
        "led": ("off", "on"),
        "zener": ("off", "on", "breakdown"),
    }
)
"""Regions of each device kind.  In ``states:`` the word ``on`` also means any conducting region."""

USES = ("bench", "hobby", "life-safety", "medical", "vehicle-braking")
"""What a circuit is for; the last three are outside what a review can vouch for."""

ASSUMPTIONS: Mapping[str, tuple[str, float]] = MappingProxyType(
    {
        "vbe_on": ("voltage", 0.7),
        "vce_sat": ("voltage", 0.2),
        "vbe_off": ("voltage", 0.45),
        "diode_forward": ("voltage", 0.7),
        "led_forward": ("voltage", 2.0),
        "junction_spread": ("voltage", 0.05),
        "led_spread": ("voltage", 0.2),
        "reverse_beta": ("ratio", 4.0),
        "resistor_tolerance": ("ratio", 0.05),
        "film_tolerance": ("ratio", 0.10),
        "electrolytic_tolerance": ("ratio", 0.20),
    }
)
"""What a document may assume: name -> (dimension, default in SI)."""
