"""Closer parts and a better centre for a delay: what brings its whole range into a window."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from rules.analysis.corners.parameters import Key, Parameter
from rules.analysis.delay_corners import DelayCorners
from rules.analysis.preferred import steps_down_from, steps_in, steps_up_from
from rules.analysis.requirements import Window
from rules.analysis.resolve import dielectric_of
from rules.analysis.retiming import governing_resistor

if TYPE_CHECKING:
    from rules.analysis.study import Study

CLOSE_RESISTOR, CLOSE_CAPACITOR = 0.01, 0.10  # 1 % is the usual metal film, 10 % (K) a usual better capacitor
_DECADES = 0.25  # of preferred values tried either way
_COUNTS = 0.01  # of the delay; a resistor that moves it by less is left as it is


@dataclass(frozen=True, slots=True)
class Closer:
    """Which parts get a closer tolerance and which resistor another value; ``low`` and ``high`` (s) then."""

    resistors: tuple[str, ...]
    capacitor: str | None
    ohms: tuple[str, float] | None
    low: float
    high: float


def _close(corners: DelayCorners, resistors: tuple[str, ...], capacitor: str | None) -> dict[Key, Parameter]:
    """The intervals of the parts with a closer tolerance."""
    found = {}
    for p in corners.parameters:
        share = None
        if p.kind == "resistance" and p.part in resistors:
            share = CLOSE_RESISTOR
        elif p.kind == "capacitance" and p.part == capacitor:
            share = CLOSE_CAPACITOR
        if share is not None:
            low, high = p.nominal * (1.0 - share), p.nominal * (1.0 + share)
            found[p.key] = replace(p, low=max(p.low, low), high=min(p.high, high))
    return found


def _moved(p: Parameter, ohms: float) -> Parameter:
    factor = ohms / p.nominal
    return replace(p, low=p.low * factor, nominal=ohms, high=p.high * factor)


def _range(corners: DelayCorners) -> tuple[float, float] | None:
    low, high = corners.worst(corners.total, -1.0), corners.worst(corners.total, 1.0)
    if low is None or high is None or not math.isfinite(high.value):
        return None
    return low.value, high.value


def _wide_resistors(study: Study, corners: DelayCorners) -> tuple[str, ...]:
    """Resistors that move the delay and have more than 1 %, by name."""
    found = corners.worst(corners.total, 1.0)
    assert found is not None
    names = []
    for share in found.shares:
        p = share.parameter
        wide = p.kind == "resistance" and p.high > p.nominal * (1.0 + CLOSE_RESISTOR * 1.001)
        resistor = wide and study.circuit.parts[p.part].kind == "resistor"
        if resistor and not abs(share.high - share.low) <= _COUNTS * found.nominal:
            names.append(p.part)
    return tuple(sorted(names))


def _wide_capacitor(study: Study, corners: DelayCorners) -> str | None:
    name = corners.capacitor
    for p in corners.parameters:
        if p.key == (name, "capacitance") and p.high > p.nominal * (1.0 + CLOSE_CAPACITOR * 1.001):
            return name if dielectric_of(study.circuit.parts[name]) != "ceramic" else None
    return None


def spread_with(
    study: Study, corners: DelayCorners, resistors: bool, capacitor: bool
) -> tuple[float, float] | None:
    """Both ends (s) with closer parts; ``None`` where there are none to make closer."""
    chosen = _wide_resistors(study, corners) if resistors else ()
    own = _wide_capacitor(study, corners) if capacitor else None
    if (resistors and not chosen) or (capacitor and own is None):
        return None
    return _range(corners.with_intervals(_close(corners, chosen, own)))


def closer(study: Study, corners: DelayCorners, window: Window) -> Iterator[Closer]:
    """What brings both ends into the window, the least change first: at most two ways."""
    resistors, capacitor = _wide_resistors(study, corners), _wide_capacitor(study, corners)
    one = _most(corners, resistors)
    governing = governing_resistor(study, corners.delay)
    found = 0
    for r, c, moves in itertools.chain(
        [((), None, True), (one, None, False), ((), capacitor, False), (resistors, None, False)],
        [(one, None, True), ((), capacitor, True), (resistors, None, True)],
        [(resistors, capacitor, False), (resistors, capacitor, True)],
    ):
        if found >= 2 or (not r and c is None and not moves) or (moves and governing is None):
            continue
        narrowed = corners.with_intervals(_close(corners, r, c))
        ends = _range(narrowed)
        if ends is None:
            continue
        ohms = None
        if moves and governing is not None:
            centred = _centred(narrowed, governing, ends, window, study.preferences.resistor)
            if centred is None:
                continue
            ohms, ends = (governing, centred[0]), centred[1]
        if window.holds(ends[0]) and window.holds(ends[1]):
            found += 1
            yield Closer(r, c, ohms, *ends)


def _most(corners: DelayCorners, resistors: tuple[str, ...]) -> tuple[str, ...]:
    """The resistor that moves the delay most."""
    found = corners.worst(corners.total, 1.0)
    assert found is not None
    spans = {s.parameter.part: abs(s.high - s.low) for s in found.shares if s.parameter.kind == "resistance"}
    return tuple(sorted(resistors, key=lambda name: (-spans[name], name))[:1])


def _centred(
    corners: DelayCorners, resistor: str, ends: tuple[float, float], window: Window, series: str
) -> tuple[float, tuple[float, float]] | None:
    """A member of ``series`` for the resistor (ohm) with which both ends fit, the nearest; and the ends."""
    if ends[1] / ends[0] > window.high / max(window.low, 1e-300):
        return None
    key = (resistor, "resistance")
    p = next((p for p in corners.parameters if p.key == key), None)
    if p is None:
        return None
    down = ends[1] > window.high
    walk = steps_down_from if down else steps_up_from
    for ohms in itertools.islice(walk(p.nominal, series), steps_in(series, _DECADES)):
        there = _range(corners.with_intervals({key: _moved(p, ohms)}))
        if there is not None and window.holds(there[0]) and window.holds(there[1]):
            return ohms, there
    return None
