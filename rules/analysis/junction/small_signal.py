"""Small-signal modes of a circuit at a point of rest in the junction model.

The eigenvalues of det(lambda C + G) = 0 with G the Jacobian of the currents and
C that of the charges: the circuit's own capacitors and coils, junction and
diffusion capacitances and 1 pF at each node.  They span some twenty decades, so
fast and slow ones are found separately; only signs are meant to be used.

Infinite eigenvalues, those of the algebraic equations, are left out.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from rules.analysis.elements import Array
from rules.analysis.junction.assembly import Assembly
from rules.analysis.junction.refine import Refined
from rules.analysis.junction.rest import solve

ComplexArray: TypeAlias = NDArray[np.complex128]

CLEAR = 1e-7  # of its own size: a real part below this neither grows nor decays clearly


@dataclass(frozen=True, eq=False)
class SmallSignal:
    """Natural modes in 1/s, greatest real part first; ``growing`` of them grow."""

    eigenvalues: tuple[complex, ...]
    growing: int

    @property
    def stable(self) -> bool:
        return self.growing == 0

    @property
    def fastest_growth(self) -> float:
        """The greatest real part in 1/s; minus infinity for a circuit that stores nothing."""
        return self.eigenvalues[0].real if self.eigenvalues else float("-inf")


def small_signal(refined: Refined) -> SmallSignal:
    """The modes of a refined state; held capacitors stay at their voltage."""
    return modes_at(refined.assembly, refined.x)


def modes_at(assembly: Assembly, x: Array) -> SmallSignal:
    """The modes about any point x of a circuit; domain: a point of rest."""
    _, conductance = assembly.balance(x)
    _, capacitance = assembly.charge(x)
    values = eigenvalues(conductance, capacitance)
    order = np.lexsort((values.imag, -values.real))
    growing = int(np.count_nonzero(values.real > CLEAR * np.abs(values)))
    return SmallSignal(tuple(complex(value) for value in values[order]), growing)


def eigenvalues(conductance: Array, capacitance: Array) -> ComplexArray:
    """All finite lambda of det(lambda C + G) = 0 in 1/s.

    Domain: an unknown whose row of C is empty has an empty column too, and the
    rest of C is not singular.  Raises ``LinAlgError`` where G is singular.
    """
    dynamic = np.any(capacitance != 0.0, axis=1)
    count = int(np.count_nonzero(dynamic))
    if count == 0:
        return np.zeros(0, dtype=complex)
    reduced = _without_algebraic(conductance, dynamic)
    fast = np.linalg.eigvals(-np.linalg.solve(capacitance[np.ix_(dynamic, dynamic)], reduced))
    inverse = np.linalg.eigvals(-solve(conductance, capacitance))
    fast = fast[np.argsort(-np.abs(fast), kind="stable")]
    slow = inverse[np.argsort(-np.abs(inverse), kind="stable")][:count]
    # each list is sound at its own end; they meet where both have lost as many digits
    meeting = float(np.sqrt(np.abs(fast[0]) / np.abs(slow[0])))
    taken = int(np.count_nonzero(np.abs(fast) >= meeting))
    if 0 < taken < count and _are_pair(fast[taken - 1], fast[taken]):
        taken += 1
    kept = slow[: count - taken]
    return np.concatenate([fast[:taken], 1.0 / kept[np.abs(kept) > 0.0]])


def _are_pair(a: complex, b: complex) -> bool:
    return a.imag != 0.0 and abs(a - b.conjugate()) <= 1e-6 * abs(a)


def _without_algebraic(conductance: Array, dynamic: NDArray[np.bool_]) -> Array:
    """G with the unknowns that store nothing eliminated."""
    if np.all(dynamic):
        return conductance
    still = ~dynamic
    moving = conductance[np.ix_(dynamic, dynamic)]
    across, back = conductance[np.ix_(dynamic, still)], conductance[np.ix_(still, dynamic)]
    eliminated: Array = moving - across @ solve(conductance[np.ix_(still, still)], back)
    return eliminated
