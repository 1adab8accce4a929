"""RODAS: a linearly implicit Runge-Kutta step of order 4(3), L-stable, for M y' = f(y).

E. Hairer, G. Wanner, *Solving Ordinary Differential Equations II*, sec. IV.7; coefficients from memory:
`tests/analysis/test_stiff.py` measures the order.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import lapack

Array = NDArray[np.float64]

_A = (
    (1.544,),
    (0.9466785280815826, 0.2557011698983284),
    (3.314825187068521, 2.896124015972201, 0.9986419139977817),
    (1.221224509226641, 6.019134481288629, 12.53708332932087, -0.6878860361058950),
)
_C = (
    (-5.6688,),
    (-2.430093356833875, -0.2063599157091915),
    (-0.1073529058151375, -9.594562251023355, -20.47028614809616),
    (7.496443313967647, -10.24680431464352, -33.99990352819905, 11.70890893206160),
    (8.083246795921522, -7.981132988064893, -31.52159432874371, 16.31930543123136, -6.058818238834054),
)
GAMMA = 0.25
_ROWS_A, _ROWS_C = tuple(np.array(row) for row in _A), tuple(np.array(row) for row in _C)


def factorised(mass: Array, slope: Array, h: float) -> tuple[Array, NDArray[np.int32]] | None:
    """Factors of M / (gamma h) - df/dy, for ``slope`` = -df/dy; ``None`` where it is singular."""
    factors, pivots, failed = lapack.dgetrf(mass / (GAMMA * h) + slope)
    return None if failed else (factors, pivots)


def step(
    factors: tuple[Array, NDArray[np.int32]],
    mass: Array,
    force: Callable[[Array], Array],
    first: Array,
    y: Array,
    h: float,
) -> tuple[Array, Array]:
    """One step from ``y``, where f is ``first``: the new values and the estimate of their errors."""

    def solved(right: Array) -> Array:
        x: Array = lapack.dgetrs(*factors, right)[0]
        return x

    stages = np.zeros((6, len(y)))
    stages[0] = solved(first)
    for k in range(1, 4):
        at = y + _ROWS_A[k - 1] @ stages[:k]
        stages[k] = solved(force(at) + mass @ (_ROWS_C[k - 1] @ stages[:k]) / h)
    new = y + _ROWS_A[3] @ stages[:4]
    stages[4] = solved(force(new) + mass @ (_ROWS_C[3] @ stages[:4]) / h)
    new = new + stages[4]
    stages[5] = solved(force(new) + mass @ (_ROWS_C[4] @ stages[:5]) / h)
    return new + stages[5], stages[5]
