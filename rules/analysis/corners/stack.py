"""One linear network at many points of its tolerances, eliminated in one batch.

What :class:`rules.analysis.network.Network` holds once is held here for N points:
arrays have one more axis in front.  Which nets, branches, islands and junctions
there are does not depend on values, so it is taken from the network.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from rules.analysis.corners.layout import Layout, layout_of
from rules.analysis.corners.parameters import Key, Parameter, effects
from rules.analysis.elements import Array
from rules.analysis.elimination import WIDE, star_mesh_inverses
from rules.analysis.network import Network
from rules.analysis.resolve import SUPPLIES, TRANSISTORS

SUSPECT = 1e-9  # of the largest resistance seen; a smaller response may be rounding

__all__ = ["Layout", "Stack", "layout_of", "stack_of"]

_TABLES = ("resistances", "voltages", "tie_ohms", "drops", "slopes")


@dataclass(frozen=True, eq=False)
class Stack:
    """N points of one network.

    ``values`` is (N, parameters); ``gains`` maps each transistor to its N gains, temperature included.
    """

    layout: Layout
    parameters: tuple[Parameter, ...]
    values: Array
    parts: Mapping[Key, Any]  # values of parts away from those of the network: arrays of N
    assumptions: Mapping[str, Any]
    gains: Mapping[str, Array]
    resistances: Array  # (N, resistors)
    voltages: Array  # (N, branches)
    tie_ohms: Array  # (N, branches)
    drops: Array  # (N, junctions)
    slopes: Array  # (N, junctions), ohm of each junction itself

    @property
    def network(self) -> Network:
        return self.layout.network

    @property
    def count(self) -> int:
        return len(self.values)

    def __len__(self) -> int:
        return len(self.values)

    def point(self, k: int) -> dict[Key, float]:
        """The k-th point."""
        return {p.key: value for p, value in zip(self.parameters, self.values[k].tolist(), strict=True)}

    def rows(self, numbers: NDArray[np.intp]) -> Stack:
        """Some of the points; what is eliminated already stays so."""
        if np.array_equal(numbers, np.arange(len(self))):
            return self

        def some(items: Mapping[Any, Any]) -> dict[Any, Any]:
            return {
                key: item[numbers] if isinstance(item, np.ndarray) else item for key, item in items.items()
            }

        tables: dict[str, Any] = {name: getattr(self, name)[numbers] for name in _TABLES}
        made = replace(
            self,
            values=self.values[numbers],
            parts=some(self.parts),
            assumptions=some(self.assumptions),
            gains=some(self.gains),
            **tables,
        )
        for name in ("shares", "sources", "inverse", "rest", "injected"):
            if name in self.__dict__:
                made.__dict__[name] = self.__dict__[name][numbers]
        if "equations" in self.__dict__:
            made.__dict__["equations"] = tuple(item[numbers] for item in self.equations)
        return made

    def forget(self) -> None:
        """Give back the memory of what is only needed to solve modes; asked again, it is worked out again."""
        for name in ("equations", "injected", "rest", "sources"):
            self.__dict__.pop(name, None)

    @classmethod
    def joined(cls, parts: Sequence[Stack]) -> Stack:
        """Several stacks of one layout as one."""
        first = parts[0]

        def all_of(name: str) -> dict[Any, Any]:
            return {
                key: np.concatenate([getattr(p, name)[key] for p in parts])
                if isinstance(item, np.ndarray)
                else item
                for key, item in getattr(first, name).items()
            }

        tables: dict[str, Any] = {name: np.concatenate([getattr(p, name) for p in parts]) for name in _TABLES}
        made = replace(
            first,
            values=np.concatenate([p.values for p in parts]),
            parts=all_of("parts"),
            assumptions=all_of("assumptions"),
            gains=all_of("gains"),
            **tables,
        )
        for name in ("shares", "sources", "inverse", "rest", "injected"):
            if all(name in p.__dict__ for p in parts):
                made.__dict__[name] = np.concatenate([p.__dict__[name] for p in parts])
        return made

    @cached_property
    def shares(self) -> Array:
        """1/(1+gain) of each junction at each point (N, junctions); see :meth:`Network.shares`."""
        network = self.network
        reverse = 1.0 / (1.0 + network.resolved.assumptions["reverse_beta"])
        result = np.zeros((self.count, len(network.junctions)))
        for k, junction in enumerate(network.junctions):
            if junction.device in self.gains:
                forward = junction.name == "forward"
                result[:, k] = 1.0 / (1.0 + self.gains[junction.device]) if forward else reverse
        return result

    @cached_property
    def sources(self) -> Array:
        """Right side of the nodal equations (N, s)."""
        size = len(self.network.nets)
        result = np.empty((self.count, size + self.voltages.shape[1]))
        result[:, :size], result[:, size:] = self.network.injection, self.voltages
        return result

    @cached_property
    def inverse(self) -> Array:
        """Inverse nodal matrices (N, s, s); see :func:`rules.analysis.elimination.network_inverse`."""
        layout = self.layout
        s = len(layout.fixed)
        if s == 0:
            return np.zeros((self.count, 0, 0))
        matrices = layout.fixed + (
            (1.0 / self.resistances) @ layout.stamps.reshape(len(layout.resistors), s * s)
            + self.tie_ohms @ layout.tie_stamps.reshape(len(layout.ties), s * s)
        ).reshape(self.count, s, s)
        wide = self._wide()
        if wide is None:
            result = np.asarray(np.linalg.inv(matrices), dtype=np.float64)
        else:
            result = np.empty_like(matrices)
            plain, apart = np.flatnonzero(~wide), np.flatnonzero(wide)
            result[plain] = np.linalg.inv(matrices[plain])
            result[apart] = star_mesh_inverses(
                len(self.network.nets),
                layout.datums,
                layout.ends,
                layout.ties,
                self.resistances[apart],
                self.tie_ohms[apart],
            )
        if layout.datums:
            result[:, :, list(layout.datums)] = 0.0
        return result

    def _wide(self) -> NDArray[np.bool_] | None:
        """At which points resistances lie too far apart for the ordinary way; ``None``: at none."""
        ohms = np.concatenate([self.resistances, self.tie_ohms], axis=1)
        if ohms.size == 0:
            return None
        least = np.where(ohms > 0.0, ohms, np.inf).min(axis=1)
        apart: NDArray[np.bool_] = ohms.max(axis=1) > WIDE * np.where(np.isfinite(least), least, 1.0)
        return apart if apart.any() else None

    @cached_property
    def rest(self) -> Array:
        """Node voltages and branch currents while no junction conducts (N, s)."""
        result: Array = np.matmul(self.inverse, self.sources[..., None])[..., 0]
        return result

    @cached_property
    def injected(self) -> Array:
        """Injections (N, nets, junctions) per ampere of junction current."""
        fixed, varying = self.network.injection_parts
        return fixed + varying * self.shares[:, None, :]

    def _between(self) -> Array:
        """What each junction sees between its ends per injection (N, junctions, nets)."""
        size = len(self.network.nets)
        potentials = np.zeros((self.count, size + 1, size))
        potentials[:, :size] = self.inverse[:, :size, :size]
        first, second = self.layout.junction_ends
        result: Array = potentials[:, first]
        result -= potentials[:, second]
        return result

    def _without_rounding(self, product: Array) -> Array:
        """The same with what is only rounding set to zero, as in :attr:`Network.reduced`."""
        size = len(self.network.nets)
        inverse = self.inverse[:, :size, :size]
        largest = max(float(inverse.max(initial=0.0)), -float(inverse.min(initial=0.0)))
        suspects = np.abs(product).min(axis=0, initial=np.inf) <= SUSPECT * largest
        seen, magnitude = -1, np.zeros(0)
        for j, k in np.argwhere(suspects).tolist():
            values = product[:, j, k]
            if not values.any():
                product[:, j, k] = 0.0  # of either sign
                continue
            if j != seen:
                seen, magnitude = j, np.zeros((self.count, size))
                for ends in self.layout.junction_ends:
                    if ends[j] < size:
                        magnitude += np.abs(inverse[:, ends[j]])
            terms = np.einsum("nm,nm->n", magnitude, np.abs(self.injected[:, :, k]))
            product[:, j, k] = np.where(np.abs(values) <= 1e-13 * terms + 1e-16 * largest, 0.0, values)
        return product

    def _into(self, seen: Array, fixed: Array, varying: Array) -> Array:
        """seen @ (fixed + varying * shares) for all points at once."""
        flat = seen.reshape(seen.shape[0] * seen.shape[1], seen.shape[2])
        result: Array = (flat @ fixed).reshape(*seen.shape[:2], fixed.shape[1])
        result += (flat @ varying).reshape(result.shape) * self.shares[:, None, :]
        return result

    def carried(self, currents: Array) -> Array:
        """Injections (N, nets) of junction currents (N, junctions)."""
        fixed, varying = self.network.injection_parts
        result: Array = currents @ fixed.T + (currents * self.shares) @ varying.T
        return result

    @cached_property
    def equations(self) -> tuple[Array, Array]:
        """(G, h) of each point: see :meth:`Network.equations`; (N, u, u) and (N, u)."""
        network = self.network
        size, j, free = len(network.nets), len(network.junctions), len(network.islands)
        fixed, varying = network.injection_parts
        response = self._without_rounding(self._into(self._between(), fixed, varying))
        g = np.zeros((self.count, j + free, j + free))
        g[:, :j, :j] = -response
        np.einsum("nii->ni", g[:, :j, :j])[...] += self.slopes
        h = np.zeros((self.count, j + free))
        h[:, :j] = self.drops - self.rest[:, :size] @ network.sense.T
        if free:
            islands = network.island_map
            g[:, :j, j:] = -network.sense @ islands
            balance = [islands.T @ part for part in (fixed, varying)]
            g[:, j:, :j] = balance[0] + balance[1] * self.shares[:, None, :]
            h[:, j:] = islands.T @ network.injection
        return g, h


def stack_of(layout: Layout, parameters: Sequence[Parameter], values: Array) -> Stack:
    """The points in the rows of ``values`` (N, parameters)."""
    network = layout.network
    resolved, count = network.resolved, len(values)
    point = {p.key: values[:, k] for k, p in enumerate(parameters)}
    parts, assumptions, gains = effects(resolved, point)

    def column(part: str, member: str) -> Any:
        given = parts.get((part, member))
        return resolved.value(part, member) if given is None else given

    def table(columns: list[Any]) -> Array:
        result = np.empty((count, len(columns)))
        result[:] = [0.0 if isinstance(item, np.ndarray) else item for item in columns]
        for k, item in enumerate(columns):
            if isinstance(item, np.ndarray):
                result[:, k] = item
        return result

    kinds = resolved.circuit.parts
    voltages, ohms = [], []
    for branch in network.branches:
        kind = kinds[branch.part].kind
        source = kind in SUPPLIES
        voltages.append(column(branch.part, "voltage") if source else branch.voltage)
        ohms.append(column(branch.part, "resistance") if kind == "inductor" else branch.resistance)
    drops, slopes = [], []
    for junction in network.junctions:
        slopes.append(junction.resistance)
        if kinds[junction.device].kind in TRANSISTORS:
            saturation = resolved.assumptions["vce_sat"] if junction.name == "reverse" else 0.0
            drops.append(assumptions["vbe_on"] - saturation)
        else:
            drops.append(column(junction.device, "forward" if junction.name == "on" else "zener"))
    return Stack(
        layout,
        tuple(parameters),
        values,
        parts,
        assumptions,
        {
            name: np.asarray(gain, dtype=float) if np.shape(gain) else np.full(count, gain, dtype=float)
            for name, gain in gains.items()
        },
        table([column(name, "resistance") for name in layout.resistors]),
        table(voltages),
        table(ohms),
        table(drops),
        table(slopes),
    )
