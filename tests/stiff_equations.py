"""The hand model as stiff differential equations, written from the circuit description alone.

Node equations: every net has a tiny capacitance to the reference, so that every net voltage is a
state and a regenerative jump is a very fast, but ordinary, movement.  Each ideal junction is a steep
smooth one,

    i = (w / r) ln(1 + exp((v - drop) / w)),

with w = 30 nV and r = 10 uohm: within a few microvolts of its drop from microamperes to some hundred
milliamperes.  A transistor is two of them with the cross sources of Ebers and Moll.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from schemas.circuit import Beta, Circuit, Part
from schemas.kinds import ASSUMPTIONS

Array = NDArray[np.float64]
Codes = tuple[int, ...]
ON, OFF, BETWEEN = 1, 0, -1


@dataclass(frozen=True)
class Fineness:
    """How closely the ideal elements are met, and how finely it is integrated."""

    width: float = 3e-8  # V, w above
    resistance: float = 1e-5  # ohm, r above
    contact: float = 3e-4  # ohm of a closed contact and of an ideal source
    share: float = 1e-9  # parasitic capacitance of a net, as a part of the smallest capacitor
    relative: float = 5e-6
    absolute: float = 5e-7  # V, and 1e-3 of it in A
    amperes: float = (
        1e-2  # error of a junction's current as a part of it, for its share is decided in nanovolts
    )
    on: float = 1e-7  # A: a junction with more than this conducts
    off: float = 30.0  # widths below its drop: a junction below this blocks


@dataclass(frozen=True)
class Junction:
    part: str
    name: str  # forward, reverse, on, breakdown


class Equations:
    """M y' = -(G y + D i(E y) - b) of one circuit.

    y are net voltages (V), coil currents (A), and at last the share of the position before that has not
    faded away yet: contacts, drivers and the supply do not change in no time.
    """

    def __init__(self, circuit: Circuit, fine: Fineness) -> None:
        self.circuit, self.fine = circuit, fine
        parts = circuit.parts.values()
        self.nets = tuple(net for net in circuit.net_names if net != circuit.ground)
        coils = [p for p in parts if p.kind in ("inductor", "coil") and p.number("inductance")]
        self.coils = tuple(p.name for p in coils)
        self.index = {net: k for k, net in enumerate(self.nets)}
        self.size = len(self.nets) + len(coils) + 1
        farads = [p.number("capacitance") or 0.0 for p in parts if p.kind == "capacitor"]
        self.parasitic = fine.share * min(farads, default=1e-6)
        self.mass = np.zeros((self.size, self.size))
        self.mass[: len(self.nets), : len(self.nets)] = self.parasitic * np.eye(len(self.nets))
        for part in parts:
            if part.kind == "capacitor":
                self._conductance(self.mass, *ends_of(part), part.number("capacitance") or 0.0)
        for k, coil in enumerate(coils, start=len(self.nets)):
            self.mass[k, k] = coil.number("inductance") or 0.0
        self.mass[-1, -1] = 1.0
        self.junctions: list[Junction] = []
        rows: list[tuple[Array, Array, float, float]] = [
            row for part in parts for row in self._junctions(part)
        ]
        self.sense = np.array([row[0] for row in rows]).reshape(-1, self.size)
        self.inject = np.array([row[1] for row in rows]).reshape(-1, self.size).T.copy()
        self.drops = np.array([row[2] for row in rows])
        self.slopes = 1.0 / np.array([row[3] for row in rows])

    def vector(self, a: str, b: str) -> Array:
        row = np.zeros(self.size)
        for net, sign in ((a, 1.0), (b, -1.0)):
            if net in self.index:
                row[self.index[net]] += sign
        return row

    def _conductance(self, matrix: Array, a: str, b: str, siemens: float) -> None:
        row = self.vector(a, b)
        matrix += siemens * np.outer(row, row)

    def _junctions(self, part: Part) -> Iterator[tuple[Array, Array, float, float]]:
        """Voltage sensed, current drawn from each net per ampere, drop, series resistance."""
        pins, r = part.pins, self.fine.resistance
        if part.kind in ("npn", "pnp"):
            on = self._assumed("vbe_on")
            gain = part.values["beta"]
            assert isinstance(gain, Beta)
            assert gain.typical is not None
            sign = 1.0 if part.kind == "npn" else -1.0
            for name, own, other, drop, beta in (
                ("forward", "emitter", "collector", on, gain.typical),
                (
                    "reverse",
                    "collector",
                    "emitter",
                    on - self._assumed("vce_sat"),
                    self._assumed("reverse_beta"),
                ),
            ):
                self.junctions.append(Junction(part.name, name))
                alpha = beta / (1.0 + beta)
                # base -> own emitter (or collector), of which alpha comes out of the other one
                drawn = (1.0 - alpha) * self.vector(pins["base"], pins[own])
                drawn += alpha * self.vector(pins[other], pins[own])
                yield sign * self.vector(pins["base"], pins[own]), sign * drawn, drop, r
        elif part.kind in ("diode", "led", "zener"):
            forward = part.number("forward")
            drop = self._assumed("led_forward" if part.kind == "led" else "diode_forward")
            across = self.vector(pins["anode"], pins["cathode"])
            self.junctions.append(Junction(part.name, "on"))
            yield across, across, drop if forward is None else forward, r
            if part.kind == "zener":
                self.junctions.append(Junction(part.name, "breakdown"))
                yield -across, -across, part.number("zener") or 0.0, max(part.number("resistance") or 0.0, r)

    def _assumed(self, name: str) -> float:
        return self.circuit.assumptions.get(name, ASSUMPTIONS[name][1])

    def linear(self, positions: Mapping[str, str]) -> tuple[Array, Array]:
        """G and b with contacts and drivers as in ``positions``; the last column of G is left to fading."""
        matrix, constant = np.zeros((self.size, self.size)), np.zeros(self.size)
        for part in self.circuit.parts.values():
            kind, ohms = part.kind, part.number("resistance") or 0.0
            if part.name in self.coils:  # L i' = v - R i; loss in parallel damps the coil against parasitics
                k = len(self.nets) + self.coils.index(part.name)
                across = self.vector(*ends_of(part))
                matrix[:, k] += across
                matrix[k, :] -= across
                matrix[k, k] += ohms
                loss = np.sqrt((part.number("inductance") or 0.0) / self.parasitic)
                self._conductance(matrix, *ends_of(part), 1.0 / loss)
            elif kind in ("resistor", "coil", "load"):
                self._conductance(matrix, *ends_of(part), 1.0 / ohms)
            elif kind in ("supply", "battery", "driver"):
                level = part.number(positions[part.name] if kind == "driver" else "voltage") or 0.0
                siemens = 1.0 / max(ohms, self.fine.contact)
                self._conductance(matrix, *ends_of(part), siemens)
                constant += level * siemens * self.vector(*ends_of(part))
            elif kind == "contact" and positions[part.name] == "closed":
                self._conductance(matrix, *ends_of(part), 1.0 / self.fine.contact)
            elif kind == "current-source":
                constant -= (part.number("current") or 0.0) * self.vector(part.pins["from"], part.pins["to"])
        return matrix, constant

    def before(self, old: Mapping[str, str], new: Mapping[str, str], y: Array) -> Array:
        """The currents (A) that keep everything as it was although the positions are new."""
        was, now = self.linear(old), self.linear(new)
        change: Array = (was[1] - was[0] @ y) - (now[1] - now[0] @ y)
        change[-1] = 0.0
        return change

    def slack(self, y: Array) -> Array:
        """v - drop of every junction."""
        slack: Array = self.sense @ y - self.drops
        return slack

    def code(self, y: Array) -> Codes:
        slack = self.slack(y) / self.fine.width
        amperes = self.fine.width * self.slopes * np.logaddexp(0.0, slack)
        state = np.where(amperes > self.fine.on, ON, np.where(slack < -self.fine.off, OFF, BETWEEN))
        return tuple(state.tolist())


def ends_of(part: Part) -> tuple[str, str]:
    for first, second in (("a", "b"), ("plus", "minus"), ("out", "reference")):
        if first in part.pins:
            return part.pins[first], part.pins[second]
    raise ValueError(part.kind)
