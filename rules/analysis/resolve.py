"""Every value that the computations need, with where it came from.

A value that the document did not give is taken from the part type's published
data, else from a stated default, and is listed as assumed with its source.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from rules.analysis.part_types import PART_TYPES, minimum_beta, minimum_gain
from schemas.circuit import Ambient, Beta, Circuit, Leakage, Part, Ratings, Tolerance
from schemas.finding import Assumed, Origin
from schemas.kinds import ASSUMPTIONS

TRANSISTORS = ("npn", "pnp")
SUPPLIES = ("battery", "supply")
REFERENCE_CURRENT = 10e-3  # A; where the search starts before the actual collector current is known
CORNERS = ("min", "typical", "max")
DEFAULT_REST = {"contact": "open", "driver": "low"}
DEFAULT_AMBIENT = Ambient(273.15, 298.15, 313.15)
ICBO_CLASS = 100e-9  # A, small-signal class limit at 25 degC


@dataclass(frozen=True, slots=True)
class Known:
    """One number in its SI unit with its origin, source and JSON Pointer."""

    value: float
    unit: str
    origin: Origin
    source: str
    pointer: str

    def at(self, value: float) -> Known:
        """Another number from the same place."""
        return Known(value, self.unit, self.origin, self.source, self.pointer)


@dataclass(frozen=True)
class Resolved:
    """A circuit together with every value it needs.

    ``values`` maps (part, member) to :class:`Known`; members without a value
    and without a sound default (a rating nobody gave) are absent.
    """

    circuit: Circuit
    values: Mapping[tuple[str, str], Known]
    assumed: tuple[Assumed, ...]
    ambient: Ambient
    assumptions: Mapping[str, float] = field(default_factory=dict)
    pinned: bool = False
    """The gains are those of one point of the tolerances: no corner and no current changes them."""
    networks: dict[object, object] = field(default_factory=dict, init=False, compare=False, repr=False)
    """Eliminated networks already made (see :func:`rules.analysis.network.build_network`)."""

    def known(self, part: str, member: str) -> Known | None:
        return self.values.get((part, member))

    def value(self, part: str, member: str) -> float:
        """The number itself; raises ``KeyError`` when it is neither given nor assumed."""
        return self.values[(part, member)].value

    def with_values(self, values: Mapping[tuple[str, str], float]) -> Resolved:
        """A copy with other numbers for (part, member) that it already has."""
        changed = dict(self.values)
        for key, value in values.items():
            changed[key] = changed[key].at(value)
        return replace(self, values=changed)

    def pinned_at(
        self,
        values: Mapping[tuple[str, str], float],
        assumptions: Mapping[str, float],
        betas: Mapping[str, float],
    ) -> Resolved:
        """A copy at one point of the tolerances; ``betas`` then hold at every corner and every current."""
        changed = dict(self.values)
        for key, value in values.items():
            changed[key] = changed[key].at(value)
        for part, value in betas.items():
            for corner in CORNERS:
                key = part, f"beta_{corner}"
                changed[key] = changed[key].at(value)
        return replace(self, values=changed, assumptions={**self.assumptions, **assumptions}, pinned=True)

    def beta(self, part: str, corner: str, collector_current: float | None = None) -> Known:
        """Current gain at a corner (``min``, ``typical``, ``max``).

        The minimum of a published type is read from its table at
        ``collector_current`` (A, magnitude); the search starts at 10 mA.
        """
        known = self.values[(part, f"beta_{corner}")]
        type_name = self.circuit.parts[part].text("type")
        if self.pinned or corner != "min" or known.origin == "declared" or type_name is None:
            return known
        at = REFERENCE_CURRENT if collector_current is None else collector_current
        promise = minimum_beta(PART_TYPES[type_name], at)
        return Known(promise.value, "", "assumed", promise.source, known.pointer)

    def gain(self, part: str, corner: str, collector_current: float) -> float:
        """The value of :meth:`beta` alone, for searches that ask it over and over."""
        known = self.values[(part, f"beta_{corner}")]
        type_name = self.circuit.parts[part].text("type")
        if self.pinned or corner != "min" or known.origin == "declared" or type_name is None:
            return known.value
        return minimum_gain(PART_TYPES[type_name], collector_current)

    def beta_varies(self, part: str, corner: str) -> bool:
        """True where the minimum depends on the collector current."""
        known = self.values[(part, f"beta_{corner}")]
        return (
            not self.pinned
            and corner == "min"
            and known.origin != "declared"
            and self.circuit.parts[part].text("type") is not None
        )


def escape(name: str) -> str:
    """One reference token of a JSON Pointer (RFC 6901, section 3)."""
    return name.replace("~", "~0").replace("/", "~1")


def part_pointer(part: str, *members: str) -> str:
    return "/parts/" + "/".join(escape(name) for name in (part, *members))


class _Collector:
    """Gathers values and what was assumed while the parts are walked."""

    def __init__(self, circuit: Circuit) -> None:
        self.circuit = circuit
        self.values: dict[tuple[str, str], Known] = {}
        self.assumed: list[Assumed] = []
        self.assumptions: dict[str, float] = {}
        for name, (dimension, default) in ASSUMPTIONS.items():
            given = circuit.assumptions.get(name)
            self.assumptions[name] = default if given is None else given
            if given is None and self._relevant(name):
                unit = {"voltage": "V"}.get(dimension, "")
                self.assumed.append(
                    Assumed(f"/assumptions/{name}", name, default, unit, _ASSUMPTION_SOURCE[name])
                )

    def _relevant(self, name: str) -> bool:
        kinds = {part.kind for part in self.circuit.parts.values()}
        wanted = {
            "diode_forward": {"diode", "zener"},
            "led_forward": {"led"},
            "led_spread": {"led"},
            "junction_spread": {"npn", "pnp", "diode"},
            "resistor_tolerance": {"resistor"},
            "film_tolerance": {"capacitor"},
            "electrolytic_tolerance": {"capacitor"},
        }.get(name, {"npn", "pnp"})
        return bool(kinds & wanted)

    def declared(self, part: Part, member: str, unit: str, value: float, *path: str) -> None:
        pointer = part_pointer(part.name, *(path or (member,)))
        self.values[(part.name, member)] = Known(value, unit, "declared", "document", pointer)

    def assume(
        self, part: Part, member: str, unit: str, value: float, source: str, *, listed: bool = True
    ) -> None:
        pointer = part_pointer(part.name, member)
        self.values[(part.name, member)] = Known(value, unit, "assumed", source, pointer)
        if listed:
            self.assumed.append(Assumed(pointer, member, value, unit, source))

    def take(
        self,
        part: Part,
        member: str,
        unit: str,
        default: float | None = None,
        source: str = "",
        *,
        listed: bool = True,
    ) -> None:
        """The given number, else the default (when there is one)."""
        given = part.number(member)
        if given is not None:
            self.declared(part, member, unit, given)
        elif default is not None:
            self.assume(part, member, unit, default, source, listed=listed)


_ASSUMPTION_SOURCE = {
    "vbe_on": "0.7 V base-emitter drop in hand work (Kuphaldt, Lessons in Electric Circuits vol. III)",
    "vce_sat": "0.2 V saturation voltage in hand work (Floyd, Electronic Devices, 4.4)",
    "vbe_off": "0.45 V at 25 degC counts as surely off; from memory",
    "diode_forward": "0.7 V silicon junction drop in hand work, common practice",
    "led_forward": "2 V forward drop in hand work (Malvino, Electronic Principles, ex. 5-12)",
    "junction_spread": "0.65 to 0.75 V by current and make, common practice, no source",
    "led_spread": "spread of one colour, common practice, no source",
    "reverse_beta": "reverse current gain of order 1 to 5 for small-signal transistors; from memory",
    "resistor_tolerance": "5 % resistors (Kuphaldt, Lessons in Electric Circuits vol. III)",
    "film_tolerance": "10 % for film and ceramic capacitors, common practice",
    "electrolytic_tolerance": "20 % at 20 degC, 120 Hz (makers' series sheets)",
}
_IDEAL = "not given; taken as ideal"


def _transistor(part: Part, into: _Collector) -> None:
    type_name = part.text("type")
    published = PART_TYPES.get(type_name) if type_name else None
    beta = part.values.get("beta")
    given = beta if isinstance(beta, Beta) else Beta()
    for corner, value in (("min", given.minimum), ("typical", given.typical), ("max", given.maximum)):
        if value is not None:
            member = {"min": "min", "typical": "typical", "max": "max"}[corner]
            into.declared(part, f"beta_{corner}", "", value, "beta", member)
    _published_beta(part, into, given)
    ratings = part.values.get("ratings")
    limits = ratings if isinstance(ratings, Ratings) else Ratings()
    _ratings(part, into, limits)
    into.take(part, "collector_base", "F")
    icbo = part.number("icbo")
    if icbo is not None:
        into.declared(part, "icbo", "A", icbo)
    elif published is not None and published.icbo is not None:
        into.assume(part, "icbo", "A", published.icbo.value, published.icbo.source, listed=False)
    else:
        into.assume(
            part, "icbo", "A", ICBO_CLASS, "class limit 100 nA at 25 degC (small-signal sheets)", listed=False
        )


def _published_beta(part: Part, into: _Collector, given: Beta) -> None:
    """Fill the corners the document left open, from the type or from the corners that were given."""
    type_name = part.text("type")
    published = PART_TYPES.get(type_name) if type_name else None
    low, high, typical = given.minimum, given.maximum, given.typical
    if published is not None:
        promise = minimum_beta(published, REFERENCE_CURRENT)
        if low is None:
            low = promise.value
            into.assume(
                part,
                "beta_min",
                "",
                low,
                f"{type_name}: lowest promise at the collector current in each state",
            )
        if high is None:
            high = max(low, published.beta_max.value) if published.beta_max is not None else 4.0 * low
            source = (
                published.beta_max.source
                if published.beta_max is not None
                else "four times the minimum; common practice"
            )
            into.assume(part, "beta_max", "", high, source)
    known = [value for value in (low, typical, high) if value is not None]
    only = "the only gain given"
    if low is None:
        low = min(known)
        into.assume(part, "beta_min", "", low, only)
    if high is None:
        high = max(known)
        into.assume(part, "beta_max", "", high, only)
    if typical is None:
        source = "geometric mean of the limits" if high != low else only
        into.assume(part, "beta_typical", "", math.sqrt(low * high), source, listed=high != low)


def _ratings(part: Part, into: _Collector, given: Ratings) -> None:
    type_name = part.text("type")
    published = PART_TYPES.get(type_name) if type_name else None
    units = {
        "vceo": "V",
        "vcbo": "V",
        "vebo": "V",
        "reverse": "V",
        "current": "A",
        "surge": "A",
        "power": "W",
        "junction": "K",
        "thermal": "K/W",
    }
    for member, unit in units.items():
        value = getattr(given, member)
        if value is not None:
            into.declared(part, member, unit, value, "ratings", member)
            continue
        sourced = published.ratings.get(member) if published is not None else None
        if sourced is not None:
            into.assume(part, member, unit, sourced.value, sourced.source, listed=False)


def _source(part: Part, into: _Collector) -> None:
    into.take(part, "voltage", "V")
    nominal = part.number("voltage") or 0.0
    into.take(part, "low", "V", nominal, "not given; taken as the nominal voltage")
    into.take(part, "high", "V", nominal, "not given; taken as the nominal voltage")
    into.take(part, "resistance", "ohm", 0.0, _IDEAL)
    into.take(part, "capacity", "C")
    into.take(part, "current", "A")


def _driver(part: Part, into: _Collector) -> None:
    into.take(part, "low", "V")
    into.take(part, "high", "V")
    into.take(part, "resistance", "ohm", 0.0, _IDEAL)
    _rest(part, into)


def _tolerance(part: Part, into: _Collector, assumption: str) -> None:
    given = part.values.get("tolerance")
    half = into.assumptions[assumption]
    if isinstance(given, Tolerance):
        into.declared(part, "tolerance_low", "", given.low, "tolerance")
        into.declared(part, "tolerance_high", "", given.high, "tolerance")
    else:
        source = _ASSUMPTION_SOURCE[assumption]
        into.assume(part, "tolerance_low", "", -half, source, listed=False)
        into.assume(part, "tolerance_high", "", half, source, listed=False)
        pointer = part_pointer(part.name, "tolerance")
        into.assumed.append(Assumed(pointer, "tolerance", half, "", source))


def dielectric_of(part: Part) -> str:
    """The dielectric given, else aluminium for a polarised capacitor and film for one that is not."""
    given = part.text("dielectric")
    return given if given is not None else ("aluminium" if "plus" in part.pins else "film")


def _capacitor(part: Part, into: _Collector) -> None:
    into.take(part, "capacitance", "F")
    into.take(part, "voltage", "V")
    into.take(part, "esr", "ohm")
    dielectric = dielectric_of(part)
    if part.text("dielectric") is None:
        into.assumed.append(
            Assumed(
                part_pointer(part.name, "dielectric"),
                "dielectric",
                dielectric,
                "",
                "polarised parts are taken as aluminium, others as film",
            )
        )
    _tolerance(
        part, into, "electrolytic_tolerance" if dielectric in ("aluminium", "tantalum") else "film_tolerance"
    )
    leakage = part.values.get("leakage")
    if isinstance(leakage, Leakage) and leakage.current is not None:
        into.declared(part, "leakage", "A", leakage.current)
    elif isinstance(leakage, Leakage) and leakage.per_cv is not None:
        into.declared(part, "leakage_per_cv", "1/s", leakage.per_cv, "leakage")


def _diode(part: Part, into: _Collector) -> None:
    name = "led_forward" if part.kind == "led" else "diode_forward"
    into.take(part, "forward", "V", into.assumptions[name], _ASSUMPTION_SOURCE[name], listed=False)
    into.take(part, "zener", "V")
    into.take(part, "current", "A")
    if part.kind == "zener":
        into.take(part, "resistance", "ohm", 0.0, _IDEAL)
        _tolerance(part, into, "resistor_tolerance")
    ratings = part.values.get("ratings")
    _ratings(part, into, ratings if isinstance(ratings, Ratings) else Ratings())


def _rest(part: Part, into: _Collector) -> None:
    """The resting position of a contact or level of a driver, where it was not given."""
    if part.text("rest") is None:
        pointer, rest = part_pointer(part.name, "rest"), DEFAULT_REST[part.kind]
        into.assumed.append(Assumed(pointer, "rest", rest, "", f"not given; taken as {rest}"))


def _contact(part: Part, into: _Collector) -> None:
    into.take(part, "current", "A")
    _rest(part, into)


def _resistive(part: Part, into: _Collector) -> None:
    into.take(part, "resistance", "ohm", 0.0, _IDEAL)
    into.take(part, "inductance", "H")
    into.take(part, "power", "W")
    into.take(part, "nominal", "V")
    into.take(part, "pick_up", "V")
    into.take(part, "release", "V")
    _tolerance(part, into, "resistor_tolerance")


def _fuse(part: Part, into: _Collector) -> None:
    into.take(part, "current", "A")
    into.take(part, "resistance", "ohm", 0.0, _IDEAL)


def _current_source(part: Part, into: _Collector) -> None:
    into.take(part, "current", "A")


_BY_KIND = {
    "resistor": _resistive,
    "inductor": _resistive,
    "coil": _resistive,
    "load": _resistive,
    "capacitor": _capacitor,
    "diode": _diode,
    "zener": _diode,
    "led": _diode,
    "npn": _transistor,
    "pnp": _transistor,
    "battery": _source,
    "supply": _source,
    "driver": _driver,
    "contact": _contact,
    "fuse": _fuse,
    "current-source": _current_source,
}


def resolve(circuit: Circuit) -> Resolved:
    """Give every part its values; see :class:`Resolved`."""
    into = _Collector(circuit)
    for part in circuit.parts.values():
        handler = _BY_KIND.get(part.kind)
        if handler is not None:
            handler(part, into)
    ambient = circuit.ambient
    if ambient is None:
        ambient = DEFAULT_AMBIENT
        for member, kelvin in (("low", ambient.low), ("nominal", ambient.nominal), ("high", ambient.high)):
            into.assumed.append(
                Assumed(
                    f"/ambient/{member}",
                    "ambient temperature",
                    kelvin,
                    "K",
                    "0, 25 and 40 degC where none is given; common practice",
                )
            )
    assumed = tuple(sorted(into.assumed, key=lambda item: (item.pointer, item.quantity)))
    return Resolved(circuit, into.values, assumed, ambient, into.assumptions)
