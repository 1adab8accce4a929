"""The numbers of one state: voltages, currents, powers and regions, and which of them are open."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np

from rules.analysis.complementarity import Solution
from rules.analysis.elements import COILS, JOINTS, RESISTIVE, Array, coil_pins
from rules.analysis.network import Network, injections, pin_shares
from rules.analysis.refinement import refined
from rules.analysis.resolve import TRANSISTORS
from schemas.circuit import Part

_REGIONS = {
    (False, False): "off",
    (True, False): "active",
    (True, True): "saturated",
    (False, True): "reverse",
}
DEVICES = (*TRANSISTORS, "diode", "led", "zener")
_QUIET_VOLT, _QUIET_AMPERE = 1e-11, 1e-16  # below these a printed number is rounding


@dataclass(frozen=True, eq=False)
class Mode:
    """The linear circuit behind a state: which junctions conduct, at which gains."""

    network: Network
    betas: Mapping[str, float]
    solution: Solution


class Table:
    """Every quantity of a state, ``None`` where a null direction moves it."""

    def __init__(self, mode: Mode) -> None:
        self.mode, self.network = mode, mode.network
        self.circuit = mode.network.resolved.circuit
        network, solution = mode.network, mode.solution
        size, m = len(network.nets), len(network.junctions)
        self.inject = injections(network, mode.betas)
        islands = network.island_map
        source = network.source_vector()
        source[:size] += self.inject @ solution.current
        point = network.inverse @ source
        point[:size] += islands @ solution.potential
        point, self.refined = refined(network, mode.betas, solution, point)
        self.point: list[float] = point.tolist()
        self.null: Array | None = None
        if not solution.determined:
            self.null = network.inverse[:, :size] @ self.inject @ solution.null[:m]
            self.null[:size] += islands @ solution.null[m:]
        self.rows = {net: k for k, net in enumerate(network.nets)}
        self.branch_rows = {branch.part: size + k for k, branch in enumerate(network.branches)}
        self.loose = {branch.part for branch in network.loose} | set(network.loop_parts)

    def _moves(self, row: int | None) -> Array | None:
        return None if self.null is None or row is None else self.null[row]

    def nets(self) -> dict[str, float | None]:
        values: dict[str, float | None] = {self.circuit.ground: 0.0}
        for net, row in self.rows.items():
            moves = self._moves(row)
            open_ = moves is not None and float(np.abs(moves).max()) > 1e-9
            values[net] = None if open_ else _quiet(self.point[row], _QUIET_VOLT)
        for net in self.network.adrift:
            values[net] = None
        return dict(sorted(values.items()))

    def devices(self) -> dict[str, str]:
        return regions_of(self.network, self.mode.solution.support)

    def currents(self) -> dict[str, dict[str, float | None]]:
        result = {
            part.name: self._part_currents(part)
            for part in self.circuit.parts.values()
            if part.kind not in DEVICES
        }
        result.update(self._device_currents())
        return dict(sorted(result.items()))

    def _part_currents(self, part: Part) -> dict[str, float | None]:
        resolved = self.network.resolved
        if part.kind in COILS and part.name in self.network.held:
            return _pair(*coil_pins(part), self.network.held[part.name], None)
        if part.kind in RESISTIVE:
            first, second = ("plus", "minus") if "plus" in part.pins else ("a", "b")
            a, b = self.rows.get(part.pins[first]), self.rows.get(part.pins[second])
            r = resolved.value(part.name, "resistance")
            drop = (0.0 if a is None else self.point[a]) - (0.0 if b is None else self.point[b])
            moves = None
            if self.null is not None:
                none = np.zeros(self.null.shape[1])
                moves = ((none if a is None else self.null[a]) - (none if b is None else self.null[b])) / r
            return _pair(first, second, drop / r, moves)
        if part.kind == "current-source":
            return _pair("from", "to", resolved.value(part.name, "current"), None)
        if part.name in self.loose:
            return dict.fromkeys(sorted(part.pins), None)
        row = self.branch_rows.get(part.name)
        if row is None:
            return dict.fromkeys(sorted(part.pins), 0.0)  # an open contact, a capacitor at rest
        pins = self.network.branches[row - len(self.rows)].pins
        return _pair(*pins, self.point[row], self._moves(row))

    def _device_currents(self) -> dict[str, dict[str, float | None]]:
        value: dict[tuple[str, str], float] = {}
        moves: dict[tuple[str, str], Array] = {}
        solution = self.mode.solution
        for k, current in enumerate(solution.current.tolist()):
            junction = self.network.junctions[k]
            for pin, per_ampere in pin_shares(self.network, self.mode.betas, k).items():
                key = (junction.device, pin)
                value[key] = value.get(key, 0.0) + per_ampere * current
                if self.null is not None:
                    moves[key] = moves.get(key, 0.0) + per_ampere * solution.null[k]
        value.update(self.refined)
        result: dict[str, dict[str, float | None]] = {}
        for (device, pin), current in sorted(value.items()):
            result.setdefault(device, {})[pin] = _defined(current, moves.get((device, pin)))
        return result

    def power(
        self, voltages: Mapping[str, float | None], currents: Mapping[str, Mapping[str, float | None]]
    ) -> dict[str, float | None]:
        result: dict[str, float | None] = {}
        for part in self.circuit.parts.values():
            total: float | None = 0.0
            for pin, net in part.pins.items():
                current, voltage = currents[part.name][pin], voltages[net]
                if current == 0.0 or total is None:
                    continue
                total = None if current is None or voltage is None else total + current * voltage
            if total is None and part.kind in JOINTS:
                total = 0.0  # an ideal contact or fuse turns no power into heat, however the current divides
            result[part.name] = None if total is None else _quiet(total, 1e-18)
        return result


def regions_of(network: Network, support: Iterable[int]) -> dict[str, str]:
    """The region of every device when exactly the junctions in ``support`` conduct."""
    conducting = set(support)
    regions = {}
    for name, places in network.places:
        if "forward" in places:
            regions[name] = _REGIONS[(places["forward"] in conducting, places["reverse"] in conducting)]
        elif places.get("breakdown") in conducting:
            regions[name] = "breakdown"
        else:
            regions[name] = "on" if places["on"] in conducting else "off"
    return regions


def _pair(first: str, second: str, current: float, moves: Array | None) -> dict[str, float | None]:
    value = _defined(current, moves)
    return {first: value, second: None if value is None else _quiet(-value, _QUIET_AMPERE)}


def _defined(value: float, moves: Array | None) -> float | None:
    if moves is not None and float(np.abs(moves).max()) > 1e-13:
        return None
    return _quiet(value, _QUIET_AMPERE)


def _quiet(value: float, least: float) -> float:
    return 0.0 if abs(value) < least else value
