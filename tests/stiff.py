"""Integration of the hand model in time, apart from everything the project computes with.

The equations are in :mod:`tests.stiff_equations`, the method is in :mod:`tests.rodas`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from schemas.circuit import Action, Circuit
from tests import rodas
from tests.stiff_equations import BETWEEN, OFF, ON, Array, Codes, Equations, Fineness, Junction, ends_of

FADE = 1e-7  # of the longest time constant: how long a contact takes to open or close


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
    cold: bool = False,
    repeats: int = 3,
    steps: int = 40_000,
    fine: Fineness | None = None,
) -> Trace:
    """Follow a circuit from given net voltages (V, missing: 0) and coil currents (A, missing: 0).

    ``scale`` (s) is about the longest time constant: the end of motion is believed only after 30 of it
    with nothing happening.  It goes on to ``end`` s or, without one, until it rests or repeats itself.
    ``cold``: all sources come up together from zero just before 0 s.
    """
    fine = fine or Fineness()
    system = Equations(circuit, fine)
    positions = positions_at_rest(circuit)
    y = np.array(
        [(start or {}).get(net, 0.0) for net in system.nets]
        + [(coils or {}).get(name, 0.0) for name in system.coils]
        + [0.0]
    )
    recorder = _Recorder(system, repeats)
    fade, spent, ended = FADE * scale, 0, ""
    matrix, constant = system.linear(positions)
    if cold:
        matrix[:, -1], y[-1] = constant, 1.0
        recorder.add(-fade, y)
        ended, y, spent = _advance(system, (matrix, constant), -fade, y, fade, scale, recorder, steps, fade)
    recorder.add(0.0, y)
    moments = sorted({action.at for action in actions} | {0.0})
    for k, moment in enumerate(moments):
        before = dict(positions)
        positions.update({action.part: action.to for action in actions if action.at == moment})
        matrix, constant = system.linear(positions)
        last = k + 1 == len(moments)
        until = (end if end is not None else np.inf) if last else moments[k + 1]
        took = 0.0
        if positions != before:
            took = min(fade, 0.5 * (until - moment))
            matrix[:, -1], y = -system.before(before, positions, y), np.append(y[:-1], 1.0)
            ended, y, used = _advance(
                system, (matrix, constant), moment, y, took, scale, recorder, steps - spent, took
            )
            spent += used
        y, start_at = np.append(y[:-1], 0.0), moment + took
        recorder.restart(free=last and end is None)
        ended, y, used = _advance(
            system, (matrix, constant), start_at, y, until - start_at, scale, recorder, steps - spent
        )
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
        caps = [ends_of(p) for p in system.circuit.parts.values() if p.kind == "capacitor"]
        self.stored = np.array([system.vector(*ends) for ends in caps]).reshape(-1, system.size)
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
                visits.append((time, np.concatenate((self.stored @ y, y[len(self.system.nets) : -1]))))
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
            currents=values[:, cut:-1],
            codes=tuple(self.codes),
            ended=ended,
            period=self.period,
        )


def _advance(
    system: Equations,
    linear: tuple[Array, Array],
    start: float,
    y: Array,
    length: float,
    scale: float,
    recorder: _Recorder,
    budget: int,
    fade: float = 0.0,
) -> tuple[str, Array, int]:
    """For ``length`` s with nothing moved from outside: how it ended, where, steps used."""
    fine = system.fine
    matrix, constant = linear
    if fade:
        constant = constant.copy()
        constant[-1] = -1.0 / fade
    sense, inject, drops = system.sense, system.inject, system.drops
    width, slopes = fine.width, system.slopes
    mass = system.mass
    absolute = np.full(system.size, fine.absolute)
    absolute[len(system.nets) :] *= 1e-3

    def force(y: Array) -> Array:
        slack = (sense @ y - drops) / width
        balance: Array = constant - matrix @ y - inject @ (width * slopes * np.logaddexp(0.0, slack))
        return balance

    def conductance(y: Array) -> Array:
        return slopes / (1.0 + np.exp(np.clip((drops - sense @ y) / width, -500.0, 500.0)))

    passed, quiet, event = 0.0, 0, 0.0
    h = min(1e-9 * scale, length)
    code = recorder.codes[-1][1]

    def current(y: Array) -> Array:
        amperes: Array = width * slopes * np.logaddexp(0.0, (sense @ y - drops) / width)
        return amperes

    siemens, amperes = conductance(y), current(y)
    slope, first, growth = matrix + inject @ (siemens[:, None] * sense), force(y), 0.0
    for step in range(budget):
        factors = rodas.factorised(mass, slope, h)
        error = np.inf
        if factors is not None:
            new, wrong = rodas.step(factors, mass, force, first, y, h)
            allowed = absolute + fine.relative * np.maximum(np.abs(y), np.abs(new))
            now_siemens, now_amperes = conductance(new), current(new)
            shares = np.abs(np.maximum(siemens, now_siemens) * (sense @ wrong))
            shares /= fine.amperes * np.maximum(amperes, now_amperes) + 1e-9
            error = max(float((np.abs(wrong) / allowed).max()), float(shares.max(initial=0.0)))
        if not np.isfinite(error):
            h *= 0.1
            continue
        factor = min(6.0, max(0.1, 0.9 * error**-0.25)) if error > 0.0 else 6.0
        if error > 1.0:
            h *= min(factor, 0.9)
            continue
        ahead, next_code = matrix + inject @ (now_siemens[:, None] * sense), system.code(new)
        if next_code != code:
            rate = _growth(mass, ahead, scale)
            if rodas.GAMMA * h * rate > 1.0:
                h *= 0.3
                continue
        if next_code != code:
            code, event, growth = next_code, passed + h, rate
        moved = np.abs(new - y).max()
        passed, y = passed + h, new
        slope, first, siemens, amperes = ahead, force(y), now_siemens, now_amperes
        if recorder.add(start + passed, y):
            return "repeats", y, step
        if passed >= length * (1.0 - 1e-14):
            return "time", y, step
        quiet = quiet + 1 if moved < 1e-6 and h > scale else 0
        if length == np.inf and quiet >= 3 and passed - event > 30.0 * scale:
            return "rest", y, step
        h = min(h * factor, length - passed, 2.0 / growth if growth > 0.0 else np.inf)
    return "steps", y, budget


def _growth(mass: Array, slope: Array, scale: float) -> float:
    """The fastest rate (1/s) above which an odd number of modes grow, 0 for none; half-decade steps.

    A long implicit step damps what grows fast and would walk on along a state that has become
    unstable.  det(rate M - J) changes its sign at every real eigenvalue.
    """
    rates = 10.0 ** np.arange(0.0, 18.0, 0.5) / scale
    signs = np.linalg.slogdet(rates[:, None, None] * mass + slope)[0]
    return float(rates[signs < 0.0].max(initial=0.0))
