"""The course of one mode from given stored values: w' = A w + b solved by eigenvalues.

Where the eigenvectors lie too close together (a critically damped coil, say)
the matrix is moved by a hair for the search, and the matrix exponential of the
true one gives the values.
"""

from __future__ import annotations

import math
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from rules.analysis.elements import RESISTIVE, Array, capacitor_pins, coil_pins
from rules.analysis.network import pin_shares
from rules.analysis.resolve import TRANSISTORS
from rules.analysis.timeline.exponentials import LONGEST, Complex, Sums, extremes, first_passage

if TYPE_CHECKING:
    from rules.analysis.timeline.plant import Linear, Plant

_WIDE = 1e3  # ratio of exponents from which the slow ones are taken from the inverse matrix
_CLOSE = 1e7  # condition of the eigenvectors from which they count as lying together
_NUDGE = 1e-10
_NOTHING = 1e-15  # V or A
_STILL = 1e-14  # of the fastest exponent; below it an exponent is zero


def eigen(a: Array) -> tuple[Complex, Complex]:
    """Eigenvalues and eigenvectors, the slow ones as accurate as the fast."""
    if a.size == 0:
        return np.zeros(0, dtype=complex), np.zeros((0, 0), dtype=complex)
    values, vectors = np.linalg.eig(a)
    values, vectors = values.astype(complex), vectors.astype(complex)
    order = np.lexsort((values.imag, np.abs(values)))
    values, vectors = values[order], vectors[:, order]
    size = np.abs(values)
    if size[0] > 1e-13 * size[-1] and size[0] * _WIDE < size[-1]:
        # an eigenvalue is known to within rounding of the largest: the inverse turns large and small round
        inverse, turned = np.linalg.eig(np.linalg.inv(a))
        inverse, turned = 1.0 / inverse.astype(complex), turned.astype(complex)
        order = np.lexsort((inverse.imag, np.abs(inverse)))
        inverse, turned = inverse[order], turned[:, order]
        slow = size * size < size[0] * size[-1]
        if np.allclose(inverse[slow], values[slow], rtol=1e-3, atol=1e-9 * size[-1]):
            values, vectors = np.where(slow, inverse, values), np.where(slow, turned, vectors)
    values[np.abs(values) <= _STILL * size[-1]] = 0.0
    return values, vectors


class Spectrum:
    """The eigenvalues of a mode's matrix, shared by all its courses."""

    def __init__(self, matrix: Array) -> None:
        self.matrix = matrix
        self.values, self.vectors = eigen(matrix)
        self.close = bool(matrix.size) and np.linalg.cond(self.vectors) > _CLOSE
        if self.close:
            size = float(np.abs(matrix).max())
            count = len(matrix)
            nudge = _NUDGE * size * np.diag(np.linspace(-1.0, 1.0, count) if count > 1 else np.ones(1))
            self.values, self.vectors = eigen(matrix + nudge)
        self.inverse = np.linalg.inv(self.vectors) if matrix.size else self.vectors


class Course:
    """A mode from the stored values ``x0`` on (w, and mu where something fades); times in s from there."""

    def __init__(self, plant: Plant, mode: Linear, x0: Array, spectrum: Spectrum) -> None:
        self.plant, self.mode, self.x0, self.spectrum = plant, mode, x0, spectrum
        self.count = len(plant.stores.free)
        self.rate = mode.rate(x0)

    @cached_property
    def modal(self) -> Complex:
        """(free, exponents) share of each exponential in the rate of each stored value."""
        parts = self.spectrum.inverse @ self.rate
        # a direction without motion: what rounding leaves there would grow for ever
        largest = np.abs(self.spectrum.inverse).max(axis=1, initial=0.0) * np.abs(self.rate).max(initial=0.0)
        still = np.abs(parts) <= 1e2 * _STILL * largest
        # nor is it one where even the longest time moves nothing: what is left of two coils in one loop
        still |= np.abs(parts) * np.abs(self.spectrum.vectors).max(axis=0, initial=0.0) * LONGEST <= _NOTHING
        shares: Complex = self.spectrum.vectors * np.where(still & (self.spectrum.values == 0.0), 0.0, parts)
        return shares

    def sums(self, zeroth: Array, first: Array) -> Sums:
        """Affine functions ``zeroth + first @ x`` as sums of exponentials over time."""
        return Sums(
            zeroth + first @ self.x0, first[:, : self.count] @ self.modal, self.spectrum.values
        )

    def at(self, times: Array) -> Array:
        """x at times, shape (inputs, times); the limit at infinite times."""
        x = np.repeat(self.x0[:, None], len(times), axis=1)
        if self.count == 0:
            return x
        if self.spectrum.close:
            return self._exactly(times, x)
        sums = Sums(self.x0[: self.count], self.modal, self.spectrum.values)
        x[: self.count] = sums.at(times)
        return x

    def _exactly(self, times: Array, x: Array) -> Array:
        from scipy.linalg import expm

        whole = np.zeros((self.count + 1, self.count + 1))
        whole[: self.count, : self.count], whole[: self.count, -1] = self.spectrum.matrix, self.rate
        for k, time in enumerate(times.tolist()):
            if math.isinf(time):
                step = -np.linalg.lstsq(self.spectrum.matrix, self.rate, rcond=None)[0]
            else:
                step = expm(whole * time)[: self.count, -1]
            x[: self.count, k] += step
        return x

    def first_event(self, longest: float, slack: float) -> tuple[float, int] | None:
        """When (s) the first condition fails, and which; ``None`` when none does by ``longest``."""
        sums = self.sums(*self.mode.conditions)
        found = first_passage(sums, longest, slack)
        if found is None or not self.spectrum.close or found[0] == 0.0:
            return found
        return self._polished(*found), found[1]

    def _polished(self, time: float, k: int) -> float:
        row, base = self.mode.conditions[1][k], self.mode.conditions[0][k]
        for _ in range(4):
            x = self.at(np.array([time]))[:, 0]
            rate = float(row[: self.count] @ self.mode.rate(x))
            if rate == 0.0:
                break
            time -= float(base + row @ x) / rate
        return time

    def rests(self) -> bool:
        """True when every stored value comes to rest."""
        limit = Sums(self.x0[: self.count], self.modal, self.spectrum.values).limit()
        return bool(np.all(np.isfinite(limit)))

    # what a reader asks for ------------------------------------------------------------------

    @cached_property
    def _points(self) -> tuple[Array, Array]:
        """Node voltages and branch currents, affine over x."""
        constant, per_input, per_unknown = self.plant.linear
        return constant + per_unknown @ self.mode.unknowns[0], per_input + per_unknown @ self.mode.unknowns[1]

    @cached_property
    def _open(self) -> NDArray[np.bool_]:
        """Which node voltages and branch currents are undetermined."""
        if self.mode.null.shape[1] == 0:
            return np.zeros(len(self._points[0]), dtype=bool)
        moved = np.abs(self.plant.linear[2] @ self.mode.null).max(axis=1, initial=0.0)
        return np.asarray(moved > 1e-9)

    @cached_property
    def _rows(self) -> dict[str, int | None]:
        network = self.plant.network
        rows: dict[str, int | None] = {net: k for k, net in enumerate(network.nets)}
        rows[self.plant.resolved.circuit.ground] = None
        return rows

    def _adrift(self, net: str) -> bool:
        return net in self.plant.network.adrift

    def net(self, net: str) -> tuple[float, Array] | None:
        """A node voltage as (constant, per input); ``None`` where undefined."""
        row = self._rows[net]
        if row is None:
            return 0.0, np.zeros(self.x0.size)
        if self._adrift(net) or self._open[row]:
            return None
        return float(self._points[0][row]), self._points[1][row]

    def voltages(self, times: Array) -> dict[str, Array]:
        """Every node voltage at times, NaN where undefined."""
        x = self.at(times)
        found: dict[str, Array] = {}
        for net in sorted(self._rows):
            line = self.net(net)
            found[net] = np.full(len(times), np.nan) if line is None else line[0] + line[1] @ x
        return found

    def _between(self, a: str, b: str) -> tuple[Array, Array] | None:
        one, two = self.net(a), self.net(b)
        if one is None or two is None:
            return None
        return np.array([one[0] - two[0]]), (one[1] - two[1])[None]

    def between(self, a: str, b: str, times: Array) -> Array:
        line = self._between(a, b)
        return np.full(len(times), np.nan) if line is None else (line[0] + line[1] @ self.at(times)).ravel()

    def extremes(self, a: str, b: str, duration: float) -> tuple[tuple[float, float], tuple[float, float]]:
        """((least V, when), (greatest V, when)) between two nets within ``duration`` s."""
        line = self._between(a, b)
        if line is None:
            return (math.nan, math.nan), (math.nan, math.nan)
        return extremes(self.sums(*line), 0, min(duration, LONGEST) if math.isfinite(duration) else duration)

    def passage(self, a: str, b: str, level: float, rising: bool, longest: float) -> float | None:
        """When (s) the voltage between two nets first passes ``level`` in the given direction."""
        line = self._between(a, b)
        if line is None:
            return None
        sign = -1.0 if rising else 1.0
        found = first_passage(self.sums(sign * (line[0] - level), sign * line[1]), longest, 1e-12)
        return None if found is None else found[0]

    def stored(self, times: Array) -> dict[str, Array]:
        """Every capacitor voltage and coil current at times."""
        stores = self.plant.stores
        w = self.at(times)[: self.count]
        values = stores.combine @ w + stores.fixed[:, None]
        return dict(zip(stores.names, values, strict=True))

    def current(self, part: str, pin: str, times: Array) -> Array:
        """A into a pin at times; NaN where undefined."""
        x = self.at(times)
        line = self._current(part, pin)
        return np.full(len(times), np.nan) if line is None else line[0] + line[1] @ x

    def current_line(self, part: str, pin: str) -> tuple[float, Array] | None:
        """The current into a pin (A) as (constant, per input); ``None`` where undefined."""
        return self._current(part, pin)

    def _current(self, name: str, pin: str) -> tuple[float, Array] | None:
        part = self.plant.resolved.circuit.parts[name]
        zero = np.zeros(self.x0.size)
        stores, network = self.plant.stores, self.plant.network
        if name in stores.names:
            first = (capacitor_pins if part.kind == "capacitor" else coil_pins)(part)[0]
            sign, row = (1.0 if pin == first else -1.0), stores.names.index(name)
            if part.kind == "capacitor":
                weight = sign * stores.weight[row] * stores.combine[row]
                return float(weight @ self.mode.rates[0]), weight @ self.mode.rates[1]
            line = zero.copy()
            line[: self.count] = sign * stores.combine[row]
            return float(sign * stores.fixed[row]), line
        if part.kind in RESISTIVE:
            other = next(net for key, net in part.pins.items() if key != pin)
            between = self._between(part.pins[pin], other)
            if between is None:
                return None
            ohms = self.plant.resolved.value(name, "resistance")
            return float(between[0][0]) / ohms, between[1][0] / ohms
        if part.kind == "current-source":
            return (1.0 if pin == "from" else -1.0) * self.plant.resolved.value(name, "current"), zero
        if part.kind in TRANSISTORS or part.kind in ("diode", "led", "zener"):
            constant, slope = 0.0, zero.copy()
            for k, junction in enumerate(network.junctions):
                if junction.device != name:
                    continue
                if np.abs(self.mode.null[k]).max(initial=0.0) > 0.0:
                    return None
                share = pin_shares(network, self.plant.betas, k).get(pin, 0.0) * self.plant.problem.scale[k]
                constant += share * float(self.mode.unknowns[0][k])
                slope += share * self.mode.unknowns[1][k]
            return constant, slope
        row_at = self.plant.branch_rows.get(name)
        if row_at is None:
            return (0.0, zero) if part.kind == "contact" and name not in network.loop_parts else None
        branch = network.branches[row_at - len(network.nets)]
        if self._open[row_at] or name in network.loop_parts:
            return None
        sign = 1.0 if pin == branch.pins[0] else -1.0
        return sign * float(self._points[0][row_at]), sign * self._points[1][row_at]
