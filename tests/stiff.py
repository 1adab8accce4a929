"""The hand model integrated as stiff differential equations, written from the circuit description alone.

Node equations: every net has a tiny capacitance to the reference, so that every net voltage is a
state and a regenerative jump is a very fast, but ordinary, movement.  Each ideal junction is a steep
smooth one,

    i = (w / r) ln(1 + exp((v - drop) / w)),

with w = 0.3 uV and r = 30 uohm: within 0.03 mV of its drop from microamperes to some hundred milliamperes.
A transistor is two of them with the cross sources of Ebers and Moll.

Method: RODAS, linearly implicit, order 4(3), L-stable (E. Hairer, G. Wanner, *Solving Ordinary
Differential Equations II*, sec. IV.7; coefficients from memory, `tests/analysis/test_stiff.py` measures
the order), with the exact Jacobian.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import lapack

from schemas.circuit import Action, Beta, Circuit, Part
from schemas.kinds import ASSUMPTIONS

Array = NDArray[np.float64]
Codes = tuple[int, ...]
ON, OFF, BETWEEN = 1, 0, -1

A = (
    (1.544,),
    (0.9466785280815826, 0.2557011698983284),
    (3.314825187068521, 2.896124015972201, 0.9986419139977817),
    (1.221224509226641, 6.019134481288629, 12.53708332932087, -0.6878860361058950),
)
C = (
    (-5.6688,),
    (-2.430093356833875, -0.2063599157091915),
    (-0.1073529058151375, -9.594562251023355, -20.47028614809616),
    (7.496443313967647, -10.24680431464352, -33.99990352819905, 11.70890893206160),
    (8.083246795921522, -7.981132988064893, -31.52159432874371, 16.31930543123136, -6.058818238834054),
)
GAMMA = 0.25


@dataclass(frozen=True)
class Fineness:
    """How closely the ideal elements are met, and how finely it is integrated."""

    width: float = 3e-7  # V, w above
    resistance: float = 3e-5  # ohm, r above
    contact: float = 3e-4  # ohm of a closed contact and of an ideal source
    share: float = 1e-9  # parasitic capacitance of a net, as a part of the smallest capacitor
    relative: float = 1e-6
    absolute: float = 1e-7  # V, and 1e-3 of it in A
    amperes: float = (
        1e-2  # error of a junction's current as a part of it, for its share is decided in nanovolts
    )
    on: float = 1e-9  # A: a junction with more than this conducts
    off: float = 30.0  # widths below its drop: a junction below this blocks


@dataclass(frozen=True)
class Junction:
    part: str
    name: str  # forward, reverse, on, breakdown


@dataclass(frozen=True)
class Trace:
    """What was integrated: ``times`` (k), net ``voltages`` (k, nets), ``currents`` of coils (k, coils).

    ``codes`` are (time, one of ON, OFF, BETWEEN for each junction), where they change.
    ``ended``: ``rest``, ``repeats``, ``time`` or ``steps``.
    """

    nets: tuple[str, ...]
    coils: tuple[str, ...]
    junctions: tuple[Junction, ...]
    times: Array
    voltages: Array
    currents: Array
    codes: tuple[tuple[float, Codes], ...]
    ended: str
    period: float | None

    def at(self, net: str) -> Array:
        """The voltage of a net at all ``times``; the reference is 0 V throughout."""
        return self.voltages[:, self.nets.index(net)] if net in self.nets else np.zeros(len(self.times))

    def between(self, a: str, b: str) -> Array:
        return self.at(a) - self.at(b)


class Equations:
    """M y' = -(G y + D i(E y) - b(t)) of one circuit; y are net voltages (V), then coil currents (A)."""

    def __init__(self, circuit: Circuit, fine: Fineness) -> None:
        self.circuit, self.fine = circuit, fine
        parts = circuit.parts.values()
        self.nets = tuple(net for net in circuit.net_names if net != circuit.ground)
        coils = [p for p in parts if p.kind in ("inductor", "coil") and p.number("inductance")]
        self.coils = tuple(p.name for p in coils)
        self.index = {net: k for k, net in enumerate(self.nets)}
        self.size = len(self.nets) + len(coils)
        farads = [p.number("capacitance") or 0.0 for p in parts if p.kind == "capacitor"]
        self.parasitic = fine.share * min(farads, default=1e-6)
        self.mass = np.zeros((self.size, self.size))
        self.mass[: len(self.nets), : len(self.nets)] = self.parasitic * np.eye(len(self.nets))
        for part in parts:
            if part.kind == "capacitor":
                self._conductance(self.mass, *_ends(part), part.number("capacitance") or 0.0)
        for k, coil in enumerate(coils, start=len(self.nets)):
            self.mass[k, k] = coil.number("inductance") or 0.0
        self.junctions: list[Junction] = []
        rows: list[tuple[Array, Array, float, float]] = [
            row for part in parts for row in self._junctions(part)
        ]
        self.sense = np.array([row[0] for row in rows]).reshape(-1, self.size)
        self.inject = np.array([row[1] for row in rows]).reshape(-1, self.size).T.copy()
        self.drops = np.array([row[2] for row in rows])
        self.slopes = 1.0 / np.array([row[3] for row in rows])

    def _vector(self, a: str, b: str) -> Array:
        row = np.zeros(self.size)
        for net, sign in ((a, 1.0), (b, -1.0)):
            if net in self.index:
                row[self.index[net]] += sign
        return row

    def _conductance(self, matrix: Array, a: str, b: str, siemens: float) -> None:
        row = self._vector(a, b)
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
                drawn = (1.0 - alpha) * self._vector(pins["base"], pins[own])
                drawn += alpha * self._vector(pins[other], pins[own])
                yield sign * self._vector(pins["base"], pins[own]), sign * drawn, drop, r
        elif part.kind in ("diode", "led", "zener"):
            forward = part.number("forward")
            drop = self._assumed("led_forward" if part.kind == "led" else "diode_forward")
            across = self._vector(pins["anode"], pins["cathode"])
            self.junctions.append(Junction(part.name, "on"))
            yield across, across, drop if forward is None else forward, r
            if part.kind == "zener":
                self.junctions.append(Junction(part.name, "breakdown"))
                yield -across, -across, part.number("zener") or 0.0, max(part.number("resistance") or 0.0, r)

    def _assumed(self, name: str) -> float:
        return self.circuit.assumptions.get(name, ASSUMPTIONS[name][1])

    def linear(self, positions: Mapping[str, str]) -> tuple[Array, Array]:
        """G and b with contacts and drivers as in ``positions``."""
        matrix, constant = np.zeros((self.size, self.size)), np.zeros(self.size)
        for part in self.circuit.parts.values():
            kind, ohms = part.kind, part.number("resistance") or 0.0
            if part.name in self.coils:  # L i' = v - R i; loss in parallel damps the coil against parasitics
                k = len(self.nets) + self.coils.index(part.name)
                across = self._vector(*_ends(part))
                matrix[:, k] += across
                matrix[k, :] -= across
                matrix[k, k] += ohms
                loss = np.sqrt((part.number("inductance") or 0.0) / self.parasitic)
                self._conductance(matrix, *_ends(part), 1.0 / loss)
            elif kind in ("resistor", "coil", "load"):
                self._conductance(matrix, *_ends(part), 1.0 / ohms)
            elif kind in ("supply", "battery", "driver"):
                level = part.number(positions[part.name] if kind == "driver" else "voltage") or 0.0
                siemens = 1.0 / max(ohms, self.fine.contact)
                self._conductance(matrix, *_ends(part), siemens)
                constant += level * siemens * self._vector(*_ends(part))
            elif kind == "contact" and positions[part.name] == "closed":
                self._conductance(matrix, *_ends(part), 1.0 / self.fine.contact)
            elif kind == "current-source":
                constant -= (part.number("current") or 0.0) * self._vector(part.pins["from"], part.pins["to"])
        return matrix, constant

    def slack(self, y: Array) -> Array:
        """v - drop of every junction."""
        return self.sense @ y - self.drops

    def code(self, y: Array) -> Codes:
        slack = self.slack(y) / self.fine.width
        amperes = self.fine.width * self.slopes * np.logaddexp(0.0, slack)
        state = np.where(amperes > self.fine.on, ON, np.where(slack < -self.fine.off, OFF, BETWEEN))
        return tuple(state.tolist())


def _ends(part: Part) -> tuple[str, str]:
    for first, second in (("a", "b"), ("plus", "minus"), ("out", "reference")):
        if first in part.pins:
            return part.pins[first], part.pins[second]
    raise ValueError(part.kind)


def positions_at_rest(circuit: Circuit) -> dict[str, str]:
    usual = {"contact": "open", "driver": "low"}
    return {
        part.name: part.text("rest") or usual[part.kind]
        for part in circuit.parts.values()
        if part.kind in usual
    }


def integrate(
    circuit: Circuit,
    actions: Sequence[Action] = (),
    start: Mapping[str, float] | None = None,
    *,
    scale: float,
    end: float | None = None,
    coils: Mapping[str, float] | None = None,
    repeats: int = 3,
    steps: int = 40_000,
    fine: Fineness | None = None,
) -> Trace:
    """Follow a circuit from given net voltages (V, missing: 0) and coil currents (A, missing: 0).

    ``scale`` (s) is about the longest time constant: the end of motion is believed only after 30 of it
    with nothing happening.  It goes on to ``end`` s or, without one, until it rests or repeats itself.
    """
    fine = fine or Fineness()
    system = Equations(circuit, fine)
    positions = positions_at_rest(circuit)
    y = np.array(
        [(start or {}).get(net, 0.0) for net in system.nets]
        + [(coils or {}).get(name, 0.0) for name in system.coils]
    )
    recorder = _Recorder(system, repeats)
    recorder.add(0.0, y)
    now, spent, ended = 0.0, 0, ""
    moments = sorted({action.at for action in actions} | {0.0})
    for k, moment in enumerate(moments):
        positions.update({action.part: action.to for action in actions if action.at == moment})
        last = k + 1 == len(moments)
        until = (end if end is not None else np.inf) if last else moments[k + 1]
        recorder.restart(free=last and end is None)
        ended, now, y, used = _advance(system, positions, now, y, until, scale, recorder, steps - spent)
        spent += used
        if ended == "steps":
            break
    return recorder.trace(ended)


class _Recorder:
    """Keeps the steps, the changes of junctions, and looks for a course that comes back."""

    def __init__(self, system: Equations, repeats: int) -> None:
        self.system, self.repeats = system, repeats
        self.times: list[float] = []
        self.values: list[Array] = []
        self.codes: list[tuple[float, Codes]] = []
        self.period: float | None = None
        caps = [_ends(p) for p in system.circuit.parts.values() if p.kind == "capacitor"]
        self.stored = np.array([system._vector(*ends) for ends in caps]).reshape(-1, system.size)
        self.restart(free=False)

    def restart(self, free: bool) -> None:
        self.free = free
        self.settled: list[int] = []  # last ON or OFF of each junction
        self.visits: dict[int, list[tuple[float, Array]]] = {}

    def add(self, time: float, y: Array) -> bool:
        """Take a step in; true when the course has repeated itself often enough."""
        self.times.append(time)
        self.values.append(y)
        code = self.system.code(y)
        if not self.codes or code != self.codes[-1][1]:
            self.codes.append((time, code))
        return self.free and self._repeats(time, y, code)

    def _repeats(self, time: float, y: Array, code: Codes) -> bool:
        if not self.settled:
            self.settled = list(code)
        for k, (before, after) in enumerate(zip(self.settled, code, strict=True)):
            if after in (BETWEEN, before):
                continue
            self.settled[k] = after
            if after == ON and before == OFF:
                visits = self.visits.setdefault(k, [])
                visits.append((time, np.concatenate((self.stored @ y, y[len(self.system.nets) :]))))
                if len(visits) > self.repeats and self._same(visits):
                    self.period = visits[-1][0] - visits[-2][0]
                    return True
        return False

    def _same(self, visits: list[tuple[float, Array]]) -> bool:
        last = np.array([values for _, values in visits[-self.repeats :]])
        spans = np.diff([time for time, _ in visits[-self.repeats - 1 :]])
        size = np.abs(last).max(initial=0.0)
        return bool(np.ptp(last, axis=0).max() < 1e-4 * size and np.ptp(spans) < 1e-4 * spans.max())

    def trace(self, ended: str) -> Trace:
        system = self.system
        values = np.array(self.values)
        cut = len(system.nets)
        return Trace(
            nets=system.nets,
            coils=system.coils,
            junctions=tuple(system.junctions),
            times=np.array(self.times),
            voltages=values[:, :cut],
            currents=values[:, cut:],
            codes=tuple(self.codes),
            ended=ended,
            period=self.period,
        )


def _advance(
    system: Equations,
    positions: Mapping[str, str],
    start: float,
    y: Array,
    until: float,
    scale: float,
    recorder: _Recorder,
    budget: int,
) -> tuple[str, float, Array, int]:
    """From ``start`` to ``until`` s, nothing moved from outside: how it ended, when, where, steps used."""
    fine = system.fine
    matrix, constant = system.linear(positions)
    sense, inject, drops = system.sense, system.inject, system.drops
    width, slopes = fine.width, system.slopes
    mass = system.mass
    absolute = np.full(system.size, fine.absolute)
    absolute[len(system.nets) :] *= 1e-3

    def force(y: Array) -> Array:
        slack = (sense @ y - drops) / width
        return constant - matrix @ y - inject @ (width * slopes * np.logaddexp(0.0, slack))

    def conductance(y: Array) -> Array:
        return slopes / (1.0 + np.exp(np.clip((drops - sense @ y) / width, -500.0, 500.0)))

    passed, quiet, event = 0.0, 0, 0.0
    length = until - start
    h = min(1e-9 * scale, length)
    code = recorder.codes[-1][1]
    slope, first, growth = matrix + inject @ (conductance(y)[:, None] * sense), force(y), 0.0
    for step in range(budget):
        factors, pivots, failed = lapack.dgetrf(mass / (GAMMA * h) + slope)
        error = np.inf
        if not failed:
            new, wrong = _rodas(factors, pivots, mass, force, first, y, h)
            allowed = absolute + fine.relative * np.maximum(np.abs(y), np.abs(new))
            siemens = conductance(new)
            amperes = width * slopes * np.logaddexp(0.0, (sense @ new - drops) / width)
            shares = np.abs(siemens * (sense @ wrong)) / (fine.amperes * amperes + fine.on)
            error = max(float((np.abs(wrong) / allowed).max()), float(shares.max(initial=0.0)))
        if not np.isfinite(error):
            h *= 0.1
            continue
        factor = min(6.0, max(0.1, 0.9 * error**-0.25)) if error > 0.0 else 6.0
        if error > 1.0:
            h *= min(factor, 0.9)
            continue
        ahead, next_code = matrix + inject @ (siemens[:, None] * sense), system.code(new)
        if next_code != code:
            rate = _growth(mass, ahead, scale)
            if GAMMA * h * rate > 1.0:
                h *= 0.3
                continue
        if next_code != code:
            code, event, growth = next_code, passed + h, rate
        moved = np.abs(new - y).max()
        passed, y = passed + h, new
        slope, first = ahead, force(y)
        if recorder.add(start + passed, y):
            return "repeats", start + passed, y, step
        if passed >= length * (1.0 - 1e-14):
            return "time", until, y, step
        quiet = quiet + 1 if moved < 1e-6 and h > scale else 0
        if until == np.inf and quiet >= 3 and passed - event > 30.0 * scale:
            return "rest", start + passed, y, step
        h = min(h * factor, length - passed, 2.0 / growth if growth > 0.0 else np.inf)
    return "steps", start + passed, y, budget


def _growth(mass: Array, slope: Array, scale: float) -> float:
    """The fastest rate (1/s) above which an odd number of modes grow, 0 for none; half-decade steps.

    A long implicit step damps what grows fast and would walk on along a state that has become
    unstable.  det(rate M - J) changes its sign at every real eigenvalue.
    """
    rates = 10.0 ** np.arange(0.0, 18.0, 0.5) / scale
    signs = np.linalg.slogdet(rates[:, None, None] * mass + slope)[0]
    return float(rates[signs < 0.0].max(initial=0.0))


def _rodas(
    factors: Array,
    pivots: NDArray[np.int32],
    mass: Array,
    force: object,
    first: Array,
    y: Array,
    h: float,
) -> tuple[Array, Array]:
    """One step: the new values and the estimate of their errors."""
    assert callable(force)
    stages = np.zeros((6, len(y)))
    stages[0] = lapack.dgetrs(factors, pivots, first)[0]
    for k in range(1, 4):
        at = y + _ROWS_A[k - 1] @ stages[:k]
        stages[k] = lapack.dgetrs(factors, pivots, force(at) + mass @ (_ROWS_C[k - 1] @ stages[:k]) / h)[0]
    new = y + _ROWS_A[3] @ stages[:4]
    stages[4] = lapack.dgetrs(factors, pivots, force(new) + mass @ (_ROWS_C[3] @ stages[:4]) / h)[0]
    new = new + stages[4]
    stages[5] = lapack.dgetrs(factors, pivots, force(new) + mass @ (_ROWS_C[4] @ stages[:5]) / h)[0]
    return new + stages[5], stages[5]


_ROWS_A = tuple(np.array(row) for row in A)
_ROWS_C = tuple(np.array(row) for row in C)
