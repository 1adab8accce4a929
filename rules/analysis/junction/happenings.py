"""What happens in a run of the junction model: contacts move, devices conduct or stop, nets swing."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from rules.analysis.elements import SOURCES, Array
from rules.analysis.junction.assembly import Assembly
from rules.analysis.junction.refine import CONDUCTING
from rules.analysis.resolve import TRANSISTORS
from schemas.circuit import Action

_OFF = 0.5 * CONDUCTING  # A; hysteresis, so that a current at the limit does not chatter
_BAND = 0.02  # of the level; hysteresis of a passage

HappeningKind = Literal["stimulus", "conducts", "stops", "saturates", "leaves-saturation", "rises", "falls"]


@dataclass(frozen=True, slots=True)
class Happening:
    """Something that happens at ``at`` s to a part or a net (``subject``); ``what`` says it in words.

    A device conducts while a junction of it carries more than 1 uA.  ``rises`` and
    ``falls`` are passages of a net through half of the highest source voltage.
    """

    at: float
    kind: HappeningKind
    subject: str
    what: str


def happenings(
    assembly: Assembly,
    times: Array,
    points: Array,
    actions: Sequence[Action],
    watch: Sequence[str] | None = None,
) -> tuple[Happening, ...]:
    """Everything that happens in a run, by time, then by subject."""
    end = float(times[-1])
    found = [Happening(a.at, "stimulus", a.part, f"{a.part} goes {a.to}") for a in actions if a.at <= end]
    found.extend(_devices(assembly, times, points))
    found.extend(_passages(assembly, times, points, watch))
    return tuple(sorted(found, key=lambda item: (item.at, item.subject, item.kind)))


def _devices(assembly: Assembly, times: Array, points: Array) -> Iterator[Happening]:
    currents = assembly.laws.current(points @ assembly.sense.T)
    words: dict[str, tuple[HappeningKind, HappeningKind]] = {
        "reverse": ("saturates", "leaves-saturation"),
    }
    for k, junction in enumerate(assembly.junctions):
        kind = assembly.resolved.circuit.parts[junction.device].kind
        begins, ends = words.get(junction.name, ("conducts", "stops"))
        scaled = np.log(np.maximum(currents[:, k], 1e-30))
        tail = " in breakdown" if junction.name == "breakdown" else ""
        for at, up in _switches(times, scaled, float(np.log(CONDUCTING)), float(np.log(_OFF))):
            if junction.name == "reverse" and kind in TRANSISTORS:
                what = "goes into saturation" if up else "leaves saturation"
            else:
                what = f"begins to conduct{tail}" if up else f"stops conducting{tail}"
            yield Happening(at, begins if up else ends, junction.device, f"{junction.device} {what}")


def _passages(
    assembly: Assembly, times: Array, points: Array, watch: Sequence[str] | None
) -> Iterator[Happening]:
    parts = assembly.resolved.circuit.parts.values()
    if watch is None:
        watch = sorted({p.pins["collector"] for p in parts if p.kind in TRANSISTORS})
    resolved = assembly.resolved
    sources = [
        resolved.value(p.name, "high" if p.kind == "driver" else "voltage")
        for p in parts
        if p.kind in SOURCES
    ]
    highest = max((abs(v) for v in sources), default=0.0)
    level, band = 0.5 * highest, _BAND * highest
    for net in watch:
        if net not in assembly.nets or level == 0.0:
            continue
        v = np.abs(points[:, assembly.nets.index(net)])
        for at, up in _switches(times, v, level + band, level - band):
            kind: HappeningKind = "rises" if up else "falls"
            yield Happening(at, kind, net, f"{net} {kind} through {level:.4g} V")


def _switches(times: Array, values: Array, on: float, off: float) -> Iterator[tuple[float, bool]]:
    """When a quantity passes ``on`` upwards, then ``off`` downwards, and so on; straight between samples."""
    state = bool(values[0] > on)
    above, below = values > on, values < off
    k = 0
    while True:
        later = np.flatnonzero(below[k:] if state else above[k:])
        if not len(later):
            return
        k += int(later[0])
        if k == 0:
            return
        limit = off if state else on
        share = (limit - values[k - 1]) / (values[k] - values[k - 1])
        state = not state
        yield float(times[k - 1] + min(max(share, 0.0), 1.0) * (times[k] - times[k - 1])), state
