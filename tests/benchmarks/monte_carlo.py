"""All states of many samples against one batched LAPACK solution per stable state, and a root finder."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from rules.analysis.configurations import configurations
from rules.analysis.corners.draws import drawn
from rules.analysis.corners.parameters import parameters
from rules.analysis.corners.sampling import Samples, sampled_states
from rules.analysis.corners.stack import layout_of, stack_of
from rules.analysis.network import build_network
from rules.analysis.resolve import resolve
from schemas.circuit import Circuit
from tests.builders import circuit, diode, led, load, npn, pnp, resistor, supply
from tests.tolerances import spread

Array = NDArray[np.float64]
SAMPLES, ROOTS = 10_000, 200


def pond_lamp() -> Circuit:
    """A latch that switches a lamp and, through a third transistor, an indicator: 8 junctions, 13 parts."""
    return spread(
        circuit(
            supply("V1", "vp", "gnd", 12.0, resistance=0.5),
            pnp("Q2", "out", "b2", "vp", 150.0),
            resistor("RB2", "vp", "b2", 4.7e3),
            resistor("R2", "b2", "c1", 4.7e3),
            npn("Q1", "c1", "b1", "gnd", 200.0),
            resistor("R3", "out", "b1", 47e3),
            resistor("RB1", "b1", "gnd", 10e3),
            load("RL", "out", "gnd", 1e3),
            npn("Q3", "c3", "b3", "gnd", 120.0),
            resistor("R5", "out", "b3", 22e3),
            resistor("R6", "vp", "a3", 470.0),
            led("D1", "a3", "c3", 2.0),
            diode("D2", "b3", "b1"),
        )
    )


def sampled(count: int) -> Samples:
    """All states of ``count`` seeded samples."""
    found = pond_lamp()
    network = build_network(resolve(found), configurations(found)[0][0])
    listed = parameters(network.resolved)
    return sampled_states(network, listed, drawn(listed, count, 1))


def bordered(samples: Samples) -> list[tuple[Array, Array]]:
    """The whole linear circuit of every stable state: (matrices, right sides), nodes, branches, junctions."""
    network, pairs = samples.network, []
    size, branches = len(network.nets), len(network.branches)
    for mode in samples.modes:
        if not mode.stable.any():
            continue
        stack, support = mode.variants.stack, list(mode.support)
        total = size + branches + len(support)
        matrices, right = np.zeros((len(stack), total, total)), np.zeros((len(stack), total))
        nodal = (1.0 / stack.resistances) @ stack.layout.stamps.reshape(len(stack.layout.resistors), -1)
        matrices[:, : size + branches, : size + branches] = stack.layout.fixed + nodal.reshape(
            len(stack), size + branches, -1
        )
        for k in range(branches):
            matrices[:, size + k, size + k] -= stack.tie_ohms[:, k]
        matrices[:, :size, size + branches :] = -stack.injected[:, :, support]
        matrices[:, size + branches :, :size] = network.sense[support]
        right[:, : size + branches] = stack.sources
        right[:, size + branches :] = stack.drops[:, support]
        pairs.append((matrices, right[..., None]))
    return pairs


def lapack(pairs: list[tuple[Array, Array]]) -> list[Array]:
    return [np.linalg.solve(matrices, right) for matrices, right in pairs]


def roots(count: int) -> int:
    """One start of a general root finder for each sample, on the same problem; how many it solved.

    The complementarity conditions as the smooth equations i + s - sqrt(i**2 + s**2) = 0 (Fischer, 1992).
    """
    from scipy.optimize import root

    found = pond_lamp()
    network = build_network(resolve(found), configurations(found)[0][0])
    listed = [p for p in parameters(network.resolved) if p.kind != "capacitance"]
    stack = stack_of(layout_of(network), listed, drawn(listed, count, 1))
    g, h = stack.equations
    junctions = len(network.junctions)
    scale = np.ones(g.shape[1])
    scale[:junctions] = 1e-3
    solved = 0
    for matrix, right in zip(g * scale, h, strict=True):

        def residual(z: Array, matrix: Array = matrix, right: Array = right) -> Array:
            values: Array = matrix @ z + right
            values[:junctions] = (
                z[:junctions] + values[:junctions] - np.hypot(z[:junctions], values[:junctions])
            )
            return values

        answer = root(residual, np.ones(len(right)))
        solved += bool(np.abs(residual(answer.x)).max() < 1e-6)
    return solved


def works() -> dict[str, Callable[[], object]]:
    """What is timed: all states of all samples, the solutions alone, and some samples by a root finder."""
    pairs = bordered(sampled(SAMPLES))
    return {
        "own": lambda: sampled(SAMPLES),
        "lapack": lambda: lapack(pairs),
        "root": lambda: roots(ROOTS),
    }
