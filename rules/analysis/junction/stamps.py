"""Adding parts to the matrices of nodal equations."""

from __future__ import annotations

import numpy as np

from rules.analysis.elements import Array
from rules.analysis.junction.model import NODE_CAPACITANCE

GROUND_LEAK = 1e-15  # S from each node; only keeps an undefined node from making matrices singular
Ends = tuple[int | None, int | None]


class Stamps:
    """The matrices of a circuit while its parts are added."""

    def __init__(self, nets: tuple[str, ...], inner: int, branches: int) -> None:
        self.index = {net: k for k, net in enumerate(nets)}
        self.nodes = len(nets) + inner
        size = self.nodes + branches
        self.conductance, self.capacitance = np.zeros((size, size)), np.zeros((size, size))
        self.source = np.zeros(size)
        diagonal = np.arange(self.nodes)
        self.conductance[diagonal, diagonal] = GROUND_LEAK
        diagonal = diagonal[: len(nets)]
        self.capacitance[diagonal, diagonal] = NODE_CAPACITANCE

    def two(self, matrix: Array, ends: Ends, value: float) -> None:
        """A conductance or capacitance between two nodes; ``None`` is the reference."""
        for k, other in (ends, ends[::-1]):
            if k is not None:
                matrix[k, k] += value
                if other is not None:
                    matrix[k, other] -= value

    def branch(self, row: int, ends: Ends, resistance: float) -> None:
        """v(first) - v(second) - resistance * j = source, the current j leaving ``first``."""
        for k, sign in zip(ends, (1.0, -1.0), strict=True):
            if k is not None:
                self.conductance[k, row] += sign
                self.conductance[row, k] += sign
        self.conductance[row, row] = -resistance

    def inject(self, row: int, ends: Ends, amperes: float) -> None:
        """A current that is given, leaving the first end."""
        for k, sign in zip(ends, (1.0, -1.0), strict=True):
            if k is not None:
                self.conductance[k, row] += sign
        self.conductance[row, row] = 1.0
        self.source[row] = amperes
