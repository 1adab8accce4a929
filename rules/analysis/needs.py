"""What each part has to stand: its greatest voltage, current and power over all states, corners and runs."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from rules.analysis.corners.variants import Quantity
from rules.analysis.readings import Reading, readings, worst_reading
from rules.analysis.resolve import SUPPLIES, TRANSISTORS
from rules.analysis.stress import Pair, along, between, capacitor_pair, collector_pair, reverse_pair

if TYPE_CHECKING:
    from rules.analysis.states import State
    from rules.analysis.study import Study
    from schemas.circuit import Part


@dataclass(frozen=True, slots=True)
class Extreme:
    """A greatest value (V, A or W), the state and corner at which it is reached, and when in a run (s)."""

    value: float
    state: str
    corner: str
    at: float | None = None


@dataclass(frozen=True, slots=True)
class Need:
    """What one part has to stand; members that its kind does not have, or nothing decides, are ``None``.

    ``volts`` is across the part (collector to emitter of a transistor, reverse of a diode), ``reverse`` the
    reverse base-emitter voltage of a transistor, ``amperes`` through it (collector, forward), ``watts`` its
    heat.
    """

    part: str
    volts: Extreme | None = None
    reverse: Extreme | None = None
    amperes: Extreme | None = None
    watts: Extreme | None = None


_CURRENT_PIN = {"npn": "collector", "pnp": "collector", "diode": "anode", "led": "anode", "zener": "anode"}
_REVERSED = ("diode", "led", "zener")
_ONE_WAY = (*TRANSISTORS, *_REVERSED)
_SOURCES = (*SUPPLIES, "driver", "current-source")


def needs(study: Study) -> Mapping[str, Need]:
    """Needs of every part that has a rating to buy by; sources have none."""
    parts = sorted(study.circuit.parts.items())
    return {name: _need(study, part) for name, part in parts if part.kind not in _SOURCES}


def _need(study: Study, part: Part) -> Need:
    pair = _pair(part)
    volts = _over_all(study, pair)
    if part.kind not in _ONE_WAY:
        volts = _largest([volts, _over_all(study, pair[::-1])])
    reverse = _over_all(study, reverse_pair(part)) if part.kind in TRANSISTORS else None
    amperes = None if part.kind == "capacitor" else _magnitude(study, _current(part))
    watts = None if part.kind in ("capacitor", "contact", "fuse") else _greatest(study, _power(part.name))
    return Need(part.name, volts, reverse, amperes, watts)


def _pair(part: Part) -> Pair:
    if part.kind in TRANSISTORS:
        return collector_pair(part)
    if part.kind == "capacitor":
        return capacitor_pair(part)
    if part.kind in _REVERSED:
        return part.pins["cathode"], part.pins["anode"]
    first, second = list(part.pins.values())[:2]
    return first, second


def _over_all(study: Study, pair: Pair) -> Extreme | None:
    """The greatest voltage of the first net of a pair against the second, at rest and along every run."""
    resting = _greatest(study, lambda state: between(state, pair))
    return _largest([resting, _moving(study, pair), _floating(study, pair)])


def _floating(study: Study, pair: Pair) -> Extreme | None:
    """All sources together, where a net floats in a stable state: an off transistor may see all of it."""
    nominal = (situation for situation in study.situations() if situation.timed is None)
    loose = next((s for s in nominal if any(s.state.nets[net] is None for net in pair)), None)
    if loose is None:
        return None
    sources = [part.name for part in study.circuit.parts.values() if part.kind in SUPPLIES]
    volts = sum(max(abs(study.value(name, end)) for end in ("low", "high")) for name in sources)
    corner = "every supply at its highest" if len(sources) > 1 else "the supply at its highest"
    return Extreme(volts, loose.label, corner) if sources else None


def _moving(study: Study, pair: Pair) -> Extreme | None:
    peak = along(study, pair)
    if peak is None or peak.value <= 0.0:
        return None
    return Extreme(peak.value, peak.state, peak.corner, peak.at)


def _largest(found: list[Extreme | None]) -> Extreme | None:
    return max((one for one in found if one is not None), key=lambda one: one.value, default=None)


def _current(part: Part) -> Quantity:
    pin = _CURRENT_PIN.get(part.kind) or next(iter(part.pins))
    return lambda state: state.currents[part.name][pin]


def _power(name: str) -> Quantity:
    return lambda state: state.power[name]


def _minus(quantity: Quantity) -> Quantity:
    def turned(state: State) -> float | None:
        value = quantity(state)
        return None if value is None else -value

    return turned


def _magnitude(study: Study, quantity: Quantity) -> Extreme | None:
    return _largest([_greatest(study, quantity), _greatest(study, _minus(quantity))])


def _greatest(study: Study, quantity: Quantity) -> Extreme | None:
    found = readings(study, lambda _: quantity, "max")
    return _extreme(worst_reading(found, "max")) if found else None


def _extreme(reading: Reading) -> Extreme:
    return Extreme(max(reading.value, 0.0), reading.base.label, reading.situation.corner)
