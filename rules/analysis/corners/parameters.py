"""Every toleranced quantity of a circuit as an interval, and the circuit at one point of them all.

A *point* maps keys of parameters to values in SI units (kelvin for the
temperature); a parameter that it leaves out stays at its nominal value.  The
nominal point is the hand model as it stands, at the typical gains, with no
shift for temperature: values and gains of a document hold at 25 degC.

Temperature (rules of thumb for silicon, common practice, from memory): every
forward drop falls by 2 mV per kelvin, every gain rises by 0.5 % per kelvin.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any, TypeAlias

import numpy as np

from rules.analysis.resolve import SUPPLIES, TRANSISTORS, Known, Resolved
from rules.analysis.states import State, collector_currents
from schemas.circuit import Part
from schemas.finding import Origin

Key: TypeAlias = tuple[str, str]  # (part, member); the part is "" where all parts share one value
Point: TypeAlias = Mapping[Key, float]

VBE: Key = ("", "vbe_on")
DIODE: Key = ("", "diode_forward")
TEMPERATURE: Key = ("", "temperature")

HANDBOOK_TEMPERATURE = 298.15  # K; where the values of a document hold
DROP_PER_KELVIN = -2e-3  # V/K; silicon junction at constant current, from memory
GAIN_PER_KELVIN = 5e-3  # 1/K of the gain at 25 degC; general-purpose transistors, from memory
LEAST_DROP, LEAST_FACTOR = 0.01, 0.05  # V, and of the gain: a drop or gain never gets smaller


@dataclass(frozen=True, slots=True)
class Parameter:
    """One interval, ``low <= nominal <= high`` in ``unit``.

    ``part`` is empty where all parts share the value (``vbe_on``, ``diode_forward``, ``temperature``).
    ``kind`` is one of ``gain``, ``supply``, ``resistance``, ``capacitance``, ``inductance``, ``zener``,
    ``drop``, ``temperature``.  ``floating`` is true where the low end is read from a published table at
    the collector current.  ``origin``, ``source`` and ``pointer`` say where the interval is from.
    """

    key: Key
    kind: str
    low: float
    nominal: float
    high: float
    unit: str
    origin: Origin
    source: str
    pointer: str
    floating: bool = False

    @property
    def part(self) -> str:
        return self.key[0]

    @property
    def member(self) -> str:
        return self.key[1]


def parameters(resolved: Resolved, state: State | None = None) -> tuple[Parameter, ...]:
    """Every parameter of a circuit that may vary: gains, supplies, values, drops, temperature.

    The least gain of a published type is the one promised at the collector current in ``state``, at
    10 mA where no state is given.  Intervals without width are left out.
    """
    currents: Mapping[str, float] = {}
    if state is not None:
        mode = state.mode
        currents = collector_currents(mode.network, mode.betas, mode.solution)
    found: list[Parameter] = []
    for part in resolved.circuit.parts.values():
        if part.kind in TRANSISTORS:
            found.append(_gain(resolved, part.name, currents.get(part.name, 0.0)))
        elif part.kind in SUPPLIES:
            found.append(_supply(resolved, part.name))
        else:
            found.extend(_values(resolved, part))
    found.extend(_common(resolved))
    return tuple(sorted((p for p in found if p.low < p.high), key=_order))


_KINDS = ("gain", "supply", "resistance", "capacitance", "inductance", "zener", "drop", "temperature")


def _order(parameter: Parameter) -> tuple[int, Key]:
    return _KINDS.index(parameter.kind), parameter.key


def least_gain(resolved: Resolved, part: str, collector_current: float) -> float:
    """The least gain of a transistor at 25 degC at a collector current (A, either sign)."""
    at = abs(collector_current)
    return resolved.beta(part, "min", at if at > 0.0 else None).value


def _gain(resolved: Resolved, part: str, collector_current: float) -> Parameter:
    least = resolved.beta(part, "min", abs(collector_current) or None)
    typical, most = resolved.beta(part, "typical"), resolved.beta(part, "max")
    return Parameter(
        (part, "beta"),
        "gain",
        min(least.value, typical.value),
        typical.value,
        max(most.value, typical.value),
        "",
        least.origin,
        least.source,
        least.pointer,
        resolved.beta_varies(part, "min"),
    )


def _supply(resolved: Resolved, part: str) -> Parameter:
    known = resolved.values[part, "voltage"]
    low, high = resolved.values[part, "low"], resolved.values[part, "high"]
    given = low if low.origin == "declared" else high
    ends = sorted((low.value, known.value, high.value))
    where = given.origin, given.source, given.pointer
    return Parameter((part, "voltage"), "supply", ends[0], known.value, ends[2], "V", *where)


def _values(resolved: Resolved, part: Part) -> Iterable[Parameter]:
    """The value of a passive part or of a zener by its tolerance, the drop of an LED."""
    members = {
        "resistor": ("resistance",),
        "coil": ("resistance",),
        "load": ("resistance",),
        "inductor": ("resistance", "inductance"),
        "capacitor": ("capacitance",),
        "zener": ("zener",),
    }.get(part.kind, ())
    for member in members:
        known = resolved.known(part.name, member)
        if known is not None:
            yield _tolerated(resolved, part.name, member, known)
    if part.kind == "led":
        known = resolved.values[part.name, "forward"]
        spread = resolved.assumptions["led_spread"]
        low = max(LEAST_DROP, known.value - spread)
        yield Parameter(
            (part.name, "forward"),
            "drop",
            low,
            known.value,
            known.value + spread,
            "V",
            *_spread(resolved, "led_spread"),
        )


def _spread(resolved: Resolved, name: str) -> tuple[Origin, str, str]:
    """Origin, source and pointer of an assumed spread either way."""
    declared = name in resolved.circuit.assumptions
    spread = resolved.assumptions[name]
    source = "document" if declared else f"{spread:g} V either way, common practice, no source"
    return "declared" if declared else "assumed", source, f"/assumptions/{name}"


def _tolerated(resolved: Resolved, part: str, member: str, known: Known) -> Parameter:
    low, high = resolved.values[part, "tolerance_low"], resolved.values[part, "tolerance_high"]
    ends = [known.value, known.value * (1.0 + low.value), known.value * (1.0 + high.value)]
    least = min(ends)
    if least <= 0.0 < known.value:
        least = 1e-3 * known.value  # a tolerance of 100 % or more still leaves a part
    return Parameter(
        (part, member), member, least, known.value, max(ends), known.unit, low.origin, low.source, low.pointer
    )


def _common(resolved: Resolved) -> Iterable[Parameter]:
    """What all parts of a kind share: base-emitter drop, diode drop, temperature."""
    kinds = {part.kind for part in resolved.circuit.parts.values()}
    for key, concerned in ((VBE, set(TRANSISTORS)), (DIODE, {"diode", "zener"})):
        if not kinds & concerned:
            continue
        nominal = resolved.assumptions[key[1]]
        spread = resolved.assumptions["junction_spread"]
        low, where = max(LEAST_DROP, nominal - spread), _spread(resolved, "junction_spread")
        yield Parameter(key, "drop", low, nominal, nominal + spread, "V", *where)
    ambient = resolved.ambient
    if kinds & {*TRANSISTORS, "diode", "zener", "led"}:
        declared = resolved.circuit.ambient is not None
        yield Parameter(
            TEMPERATURE,
            "temperature",
            min(ambient.low, HANDBOOK_TEMPERATURE),
            HANDBOOK_TEMPERATURE,
            max(ambient.high, HANDBOOK_TEMPERATURE),
            "K",
            "declared" if declared else "assumed",
            "document" if declared else "0 to 40 degC where none is given; common practice",
            "/ambient",
        )


def frozen_point(point: Point) -> Point:
    """A read-only copy, in the order of its keys."""
    return MappingProxyType({key: point[key] for key in sorted(point)})


def nominal_point(parameters: Iterable[Parameter]) -> Point:
    """Every parameter at its nominal value."""
    return frozen_point({parameter.key: parameter.nominal for parameter in parameters})


def at(resolved: Resolved, point: Point) -> tuple[Resolved, dict[str, float]]:
    """The circuit at one point, and the gains there (the temperature included).

    The result holds these gains at every corner: ``find_states``, a timeline or a
    :class:`~rules.analysis.study.Study` built on it see one circuit without tolerances.
    Raises ``KeyError`` for a key that the circuit does not have.
    """
    values, assumptions, betas = effects(resolved, point)
    return resolved.pinned_at(values, assumptions, betas), betas


def effects(
    resolved: Resolved, point: Mapping[Key, Any]
) -> tuple[dict[Key, Any], dict[str, Any], dict[str, Any]]:
    """What a point changes: (values of parts, assumptions, gains).

    The values of the point may be arrays of one length: a point per place.
    """
    celsius = point.get(TEMPERATURE, HANDBOOK_TEMPERATURE) - HANDBOOK_TEMPERATURE
    shift = DROP_PER_KELVIN * celsius
    factor = _at_least(1.0 + GAIN_PER_KELVIN * celsius, LEAST_FACTOR)
    assumptions = {
        name: _at_least(point.get(("", name), resolved.assumptions[name]) + shift, LEAST_DROP)
        for name in ("vbe_on", "vbe_off", "diode_forward", "led_forward")
    }
    common = point.get(DIODE, resolved.assumptions["diode_forward"]) - resolved.assumptions["diode_forward"]
    values: dict[Key, Any] = {}
    betas: dict[str, Any] = {}
    for part in resolved.circuit.parts.values():
        if part.kind in TRANSISTORS:
            betas[part.name] = (
                point.get((part.name, "beta"), resolved.beta(part.name, "typical").value) * factor
            )
        elif part.kind in ("diode", "zener", "led"):
            own = point.get((part.name, "forward"), resolved.value(part.name, "forward"))
            shared = 0.0 if part.kind == "led" else common
            values[part.name, "forward"] = _at_least(own + shared + shift, LEAST_DROP)
    for key, value in point.items():
        if key[0] and key[1] not in ("beta", "forward"):
            if key not in resolved.values:
                raise KeyError(key)
            values[key] = value
    return values, assumptions, betas


def _at_least(value: Any, floor: float) -> Any:
    return np.maximum(value, floor) if isinstance(value, np.ndarray) else max(value, floor)
