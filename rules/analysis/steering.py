"""The moment at which a timing capacitor takes over the current of an emitter-coupled pair, and its needs."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from rules.analysis.corners.parameters import GAIN_PER_KELVIN, HANDBOOK_TEMPERATURE, LEAST_FACTOR, TEMPERATURE
from rules.analysis.courses import Courses, Places
from rules.analysis.delay_corners import DelayCorners
from rules.analysis.delays import Delay
from rules.analysis.elements import Array
from rules.analysis.formulas.timing import STEERING, leakage_temperature_factor
from rules.analysis.leakage import HOTTEST, SHEET_TEMPERATURE, Promise
from rules.analysis.resolve import dielectric_of

if TYPE_CHECKING:
    from rules.analysis.study import Study


@dataclass(frozen=True, slots=True)
class Steering:
    """``chain``, one transistor or a Darlington pair, takes over from ``partners``.

    The first of the chain has its base at the capacitor, the last shares its emitter with the partners.
    """

    chain: tuple[str, ...]
    partners: tuple[str, ...]


def steering_of(study: Study, delay: Delay) -> Steering | str:
    """Who takes over what at the end of a delay; a reason where nothing is steered."""
    capacitor = study.circuit.parts[delay.timed.capacitor]
    near = set(capacitor.pins.values()) - study.roles.rails
    arms = {arm.other for net in near for arm in study.roles.arms.get(net, ())}
    for k, segment in enumerate(delay.segments):
        following = delay.segments[k + 1].devices if k + 1 < len(delay.segments) else None
        for part in study.roles.transistors:
            on_now = segment.devices[part.name] != "off"
            starts = part.name in delay.timed.changed if following is None else following[part.name] != "off"
            if on_now or not starts or part.pins["base"] not in near | (arms - study.roles.rails):
                continue
            for chain in (_pair(study, part.name), (part.name,)):
                found = chain and _partners(study, chain[-1], segment.devices, set(chain))
                if chain and found:
                    return Steering(chain, found)
    return "no emitter-coupled transistor takes over a current from another one when it ends"


def _pair(study: Study, first: str) -> tuple[str, ...]:
    """The Darlington pair that a transistor drives."""
    pairs = study.roles.pairs
    return next((p.members for p in pairs if p.kind == "darlington" and p.members[0] == first), ())


def _partners(study: Study, last: str, devices: Mapping[str, str], own: set[str]) -> tuple[str, ...]:
    found = study.roles.partners(last, "emitter-coupled")
    return tuple(name for name in found if devices[name] != "off" and name not in own)


class Steered:
    """The sums of one steering at any points of the tolerances."""

    def __init__(self, corners: DelayCorners, steering: Steering, promise: Promise, opposed: bool) -> None:
        self.corners, self.steering, self.promise, self.opposed = corners, steering, promise, opposed
        junctions = corners.delay.timed.state.mode.network.junctions
        self._rows = [
            k for k, j in enumerate(junctions) if j.device in steering.partners and j.name == "forward"
        ]
        self._first = next(
            k for k, j in enumerate(junctions) if j.device == steering.chain[0] and j.name == "forward"
        )
        self._dielectric = dielectric_of(corners.resolved.circuit.parts[corners.capacitor])

    def _place(self, courses: Courses) -> tuple[Places, Places]:
        """Per point, the segment at whose end the first of the chain begins to conduct; else the last one."""
        count, segments = courses.end.shape
        on = courses.junctions[:, :, self._first] > 0.0
        moves = courses.end != courses.start
        last = segments - 1 - np.argmax(moves[:, ::-1], axis=1)
        k = np.where(on.any(axis=1), np.maximum(np.argmax(on, axis=1) - 1, 0), last)
        return np.arange(count), k

    def threshold(self, courses: Courses) -> Array:
        """Where the steering begins, V on the capacitor."""
        result: Array = courses.end[self._place(courses)]
        return result

    def charging(self, courses: Courses) -> Array:
        """What the resistor still brings 0.1 V past the threshold, A; negative where it would take."""
        at = self._place(courses)
        direction = np.sign(courses.end[at] - courses.start[at])
        result: Array = (courses.last[at] + courses.slope[at] * direction * STEERING) * direction
        return result

    def steered(self, courses: Courses) -> Array:
        """The current to be taken over, A."""
        rows, k = self._place(courses)
        current: Array = courses.junctions[rows, k][:, self._rows].sum(axis=1)
        return current

    def gain(self, points: Array) -> Array:
        """Steered current over base current, at the gains and the temperature of the points."""
        celsius = self.corners.column(points, TEMPERATURE) - HANDBOOK_TEMPERATURE
        factor = np.maximum(1.0 + GAIN_PER_KELVIN * celsius, LEAST_FACTOR)
        total = np.ones(len(points))
        for name in self.steering.chain:
            total = total * (1.0 + factor * self.corners.beta(points, name))
        return total

    def needed(self, courses: Courses, points: Array) -> Array:
        """Base current that carries the steered current, A."""
        result: Array = self.steered(courses) / self.gain(points)
        return result

    def leakage(self, points: Array) -> Array:
        """What the capacitor may leak against the course at the temperature of the points, A."""
        if not self.opposed:
            return np.zeros(len(points))
        return self.promise.sheet * leakage_factor(self._dielectric, self.corners.column(points, TEMPERATURE))

    def margin(self, courses: Courses, points: Array) -> Array:
        """I_ch / (I_B + I_L), the quantity that is judged; see ``formulas.timing.steering_margin``."""
        result: Array = self.charging(courses) / (self.needed(courses, points) + self.leakage(points))
        return result


def leakage_factor(dielectric: str, kelvin: Array) -> Array:
    """Factor on the limit of a sheet at temperatures (K), never below 1: no sheet promises less when cold."""
    found = np.empty(len(kelvin))
    for value in np.unique(kelvin):
        at = min(max(float(value), SHEET_TEMPERATURE), HOTTEST)
        found[kelvin == value] = max(1.0, leakage_temperature_factor(dielectric, at))
    return found
