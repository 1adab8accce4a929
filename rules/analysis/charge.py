"""What charged capacitors send through contacts, LEDs and diodes in the first moment."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from rules.analysis.elements import capacitor_pins, is_contact_closed
from rules.analysis.frozen import capacitor_voltage
from rules.analysis.runs import episodes
from rules.analysis.stress import moves, stress_corner

if TYPE_CHECKING:
    from rules.analysis.elements import Configuration
    from rules.analysis.study import Study
    from rules.analysis.timeline.model import Interval
    from schemas.circuit import Part

DIODES = ("diode", "led", "zener")
MOMENTS = ("stimulus", "jump", "forced")  # events at which a current may step
MOST_OF_IT = 0.5  # of the current of a part; less, and it is not the capacitor that drives it
SMALL = 1e-4  # A; a pulse below it is none


@dataclass(frozen=True, eq=False)
class Pulse:
    """The first moment in which a capacitor empties through a contact or junction.

    ``stored`` (V) is what it holds, ``drop`` (V) the fixed drops in the loop, ``ohms`` the resistance of the
    loop (0: nothing but its own), ``amperes`` the peak (infinite for 0 ohm); ``what`` says when.
    """

    capacitor: str
    device: str
    stored: float
    drop: float
    ohms: float
    amperes: float
    what: str
    state: str
    corner: str

    @property
    def straight(self) -> bool:
        return self.ohms == 0.0


def pulses(study: Study) -> Mapping[tuple[str, str], Pulse]:
    """The greatest pulse by capacitor and device (contacts, LEDs, zeners; diodes where nothing limits it)."""
    return study.shared(("stored charge",), lambda: _pulses(study))


def _pulses(study: Study) -> dict[tuple[str, str], Pulse]:
    best: dict[tuple[str, str], Pulse] = {}
    for pulse in (*_straight(study), *(_moments(study) if moves(study) else ())):
        key = pulse.capacitor, pulse.device
        if key not in best or pulse.amperes > best[key].amperes:
            best[key] = pulse
    return best


# straight across --------------------------------------------------------------------------------


def _straight(study: Study) -> Iterator[Pulse]:
    """Capacitors that a contact puts straight across a diode, or shorts."""
    sets = study.state_sets()
    capacitors = [part for part in study.circuit.parts.values() if part.kind == "capacitor"]
    for part in capacitors if any(p.kind == "contact" for p in study.circuit.parts.values()) else ():
        pins = [part.pins[pin] for pin in capacitor_pins(part)]
        closed: dict[str, str] = {}
        free: list[Configuration] = []
        for found in (each for each in sets if not each.faults):
            joined = _joined(study, found.configuration)
            ends = [joined[net] for net in pins]
            if ends[0] == ends[1]:
                for name in _closed(study, found.configuration, pins):
                    closed.setdefault(name, found.configuration.key)
            else:
                free.append(found.configuration)
        stored = _stored(study, part, {configuration.key for configuration in free})
        yield from _shorted(study, part, closed, max(stored))
        yield from _onto_diodes(study, part, pins, stored)


def _shorted(study: Study, part: Part, closed: Mapping[str, str], stored: float) -> Iterator[Pulse]:
    corner = stress_corner(study).label(study)
    for name in sorted(closed):
        if stored > 0.0:
            what = f"when {name} closes"
            yield Pulse(part.name, name, stored, 0.0, 0.0, math.inf, what, closed[name], corner)


def _onto_diodes(
    study: Study, part: Part, pins: list[str], stored: tuple[float, float]
) -> Iterator[Pulse]:
    corner = stress_corner(study).label(study)
    for found in study.state_sets():
        joined = _joined(study, found.configuration)
        ends = [joined[net] for net in pins]
        if ends[0] == ends[1]:
            continue
        place = found.configuration.key
        for device in study.circuit.parts.values():
            if device.kind not in DIODES:
                continue
            pair = [joined[device.pins[pin]] for pin in ("anode", "cathode")]
            volts = stored[0] if pair == ends else stored[1] if pair == ends[::-1] else 0.0
            drop = study.value(device.name, "forward")
            if volts <= drop or set(device.pins.values()) == set(pins):
                continue
            by = _closed(study, found.configuration, [*pins, *device.pins.values()])
            if by:
                what = f"when {by[0]} closes"
                yield Pulse(part.name, device.name, volts, drop, 0.0, math.inf, what, place, corner)


def _stored(study: Study, part: Part, free: set[str]) -> tuple[float, float]:
    """The greatest voltage (V) of a capacitor, each way round, at rest and along every run."""
    highest = [0.0, 0.0]

    def seen(volts: float | None) -> None:
        if volts is not None:
            highest[0], highest[1] = max(highest[0], volts), max(highest[1], -volts)

    for corner in study.corners:
        for found in study.state_sets(corner):
            for state in found.stable if found.configuration.key in free else ():
                seen(capacitor_voltage(study.resolved, state, part.name))
    for episode in episodes(study, stress_corner(study)) if moves(study) else ():
        seen(episode.begun.get(part.name))
        for interval in episode.timeline.intervals:
            for at in (interval.start, interval.end):
                seen(float(interval.stored([at])[part.name][0]))
    return highest[0], highest[1]


def _joined(study: Study, configuration: Configuration) -> dict[str, str]:
    """Every net under the first name of those that closed contacts tie it to."""
    leader = {net: net for net in study.circuit.net_names}

    def root(net: str) -> str:
        while leader[net] != net:
            net = leader[net]
        return net

    for part in study.circuit.parts.values():
        if part.kind == "contact" and is_contact_closed(part, configuration):
            one, two = sorted(root(net) for net in part.pins.values())
            leader[two] = one
    return {net: root(net) for net in study.circuit.net_names}


def _closed(study: Study, configuration: Configuration, nets: list[str]) -> list[str]:
    """Contacts that are closed there, open at rest, and tie nets of the loop together."""
    rest = study.state_sets()[0].configuration
    joined = _joined(study, configuration)
    groups = {joined[net] for net in nets}
    return sorted(
        part.name
        for part in study.circuit.parts.values()
        if part.kind == "contact"
        and is_contact_closed(part, configuration)
        and not (is_contact_closed(part, rest) and configuration.key == rest.key)
        and joined[part.pins["a"]] in groups
    )


# along runs -------------------------------------------------------------------------------------


def _moments(study: Study) -> Iterator[Pulse]:
    """The first moment after each event of every run; the supply coming on is left out."""
    corner = stress_corner(study)
    parts = study.circuit.parts.values()
    devices = [p for p in parts if p.kind in ("contact", "led", "zener")]
    capacitors = [p.name for p in parts if p.kind == "capacitor"]
    if not devices or not capacitors:
        return
    for episode in episodes(study, corner):
        if episode.kind == "power-up":
            continue
        times = {event.at for event in episode.timeline.events if event.kind in MOMENTS}
        for interval in episode.timeline.intervals:
            if interval.start in times:
                what = f"after {episode.what}"
                yield from _at(study, interval, devices, capacitors, what, corner.label(study))


def _at(
    study: Study, interval: Interval, devices: list[Part], capacitors: list[str], what: str, corner: str
) -> Iterator[Pulse]:
    state = interval.state
    giving = []
    stored = interval.stored([interval.start])
    for name in capacitors:
        part = study.circuit.parts[name]
        amperes = state.currents[name][capacitor_pins(part)[0]]
        volts = float(stored[name][0])
        # it gives where its current leaves it at the end that is positive
        if amperes is not None and amperes * volts < 0.0 and abs(amperes) > SMALL:
            giving.append((abs(amperes), name, abs(volts)))
    if not giving:
        return
    for device in devices:
        pin = "a" if device.kind == "contact" else "anode"
        through = state.currents[device.name][pin]
        if through is None or abs(through) <= SMALL:
            continue
        # the one that gives about as much as goes through it
        near = [item for item in giving if MOST_OF_IT * abs(through) <= item[0]]
        if not near:
            continue
        _, name, volts = max(near)
        drop = 0.0 if device.kind == "contact" else _drop(study, device, through)
        left = max(volts - drop, 0.0)
        if left > 0.0:
            ohms = left / abs(through)
            yield Pulse(name, device.name, volts, drop, ohms, abs(through), what, interval.name, corner)


def _drop(study: Study, device: Part, through: float) -> float:
    backwards = device.kind == "zener" and through < 0.0
    return study.value(device.name, "zener" if backwards else "forward")
