"""A mode at many points seen as one state: every voltage, current, power and gain is an array.

A quantity written for a :class:`~rules.analysis.states.State` as plain arithmetic
then gives its value at all points at once.  Whatever decides by a value raises, because
an array is neither true nor false; the points are then taken one by one.
"""

from __future__ import annotations

from collections.abc import Mapping, Set
from dataclasses import replace
from functools import cached_property
from typing import Any

import numpy as np

from rules.analysis.corners.stack import Stack
from rules.analysis.elements import COILS, JOINTS, RESISTIVE, Array, coil_pins, junction_terminal_currents
from rules.analysis.network import Network
from rules.analysis.resolve import TRANSISTORS, Resolved
from rules.analysis.tabulation import DEVICES, regions_of
from schemas.circuit import Part

_QUIET_VOLT, _QUIET_AMPERE, _QUIET_WATT = 1e-11, 1e-16, 1e-18  # as in a state's own table


class _ManyNetwork:
    """What a quantity may ask of the network: values, never an elimination."""

    def __init__(self, network: Network, resolved: Resolved) -> None:
        self.resolved = resolved
        self.configuration, self.held = network.configuration, network.held
        self.nets, self.islands, self.adrift = network.nets, network.islands, network.adrift


class _ManyMode:
    def __init__(self, stack: Stack) -> None:
        network = stack.network
        self.betas: Mapping[str, Any] = stack.gains
        self.network = _ManyNetwork(network, _resolved(stack))


def _resolved(stack: Stack) -> Resolved:
    resolved = stack.network.resolved
    values = dict(resolved.values)
    for key, value in stack.parts.items():
        values[key] = values[key].at(value)
    gains: Mapping[str, Any] = stack.gains
    for part, gain in gains.items():
        for corner in ("min", "typical", "max"):
            values[part, f"beta_{corner}"] = values[part, f"beta_{corner}"].at(gain)
    return replace(
        resolved, values=values, assumptions={**resolved.assumptions, **stack.assumptions}, pinned=True
    )


class View:
    """State-like: ``devices``, ``nets``, ``currents``, ``power``, ``mode.betas``, ``mode.network.resolved``.

    ``nets`` and ``currents`` hold ``None`` where nothing is determined, as those of a state do.
    """

    def __init__(
        self, stack: Stack, support: tuple[int, ...], z: Array, answers: Array, open_nets: Set[str]
    ) -> None:
        """``open_nets`` are those whose potential is not determined."""
        self._open = open_nets
        self._stack, self._support, self._z, self._answers = stack, support, z, answers
        self._rows = {net: k for k, net in enumerate(stack.network.nets)}

    @cached_property
    def mode(self) -> _ManyMode:
        return _ManyMode(self._stack)

    @cached_property
    def devices(self) -> Mapping[str, str]:
        return regions_of(self._stack.network, self._support)

    def _potential(self, net: str) -> Array:
        row = self._rows.get(net)
        column: Array = np.zeros(len(self._stack)) if row is None else self._answers[:, row]
        return column

    @cached_property
    def nets(self) -> Mapping[str, Any]:
        network = self._stack.network
        values: dict[str, Any] = {network.resolved.circuit.ground: np.zeros(len(self._stack))}
        for net in network.nets:
            values[net] = _quiet(self._potential(net), _QUIET_VOLT)
        for net in (*network.adrift, *self._open):
            values[net] = None
        return dict(sorted(values.items()))

    @cached_property
    def currents(self) -> Mapping[str, Mapping[str, Any]]:
        parts = self._stack.network.resolved.circuit.parts.values()
        result = {part.name: self._part_currents(part) for part in parts if part.kind not in DEVICES}
        result.update(self._device_currents())
        return dict(sorted(result.items()))

    def _part_currents(self, part: Part) -> dict[str, Any]:
        stack, network = self._stack, self._stack.network
        if part.kind in COILS and part.name in network.held:
            return _pair(*coil_pins(part), np.full(len(stack), network.held[part.name]))
        if part.kind in RESISTIVE:
            first, second = ("plus", "minus") if "plus" in part.pins else ("a", "b")
            drop = self._potential(part.pins[first]) - self._potential(part.pins[second])
            return _pair(first, second, drop / stack.resistances[:, stack.layout.resistors.index(part.name)])
        if part.kind == "current-source":
            current = network.resolved.value(part.name, "current")
            return _pair("from", "to", np.full(len(stack), current))
        if part.name in {branch.part for branch in network.loose} | set(network.loop_parts):
            return dict.fromkeys(sorted(part.pins), None)
        for k, branch in enumerate(network.branches):
            if branch.part == part.name:
                return _pair(*branch.pins, self._answers[:, len(network.nets) + k])
        return dict.fromkeys(sorted(part.pins), np.zeros(len(stack)))

    def _device_currents(self) -> dict[str, dict[str, Any]]:
        stack, network = self._stack, self._stack.network
        parts = network.resolved.circuit.parts
        reverse = network.resolved.assumptions["reverse_beta"]
        gains: Mapping[str, Any] = stack.gains
        value: dict[tuple[str, str], Any] = {}
        for k, junction in enumerate(network.junctions):
            part = parts[junction.device]
            if part.kind in TRANSISTORS:
                shares: Mapping[str, Any] = junction_terminal_currents(
                    junction.name, gains[part.name], reverse
                )
                sign = 1.0 if part.kind == "npn" else -1.0
            else:
                shares, sign = {"anode": 1.0, "cathode": -1.0}, 1.0 if junction.name == "on" else -1.0
            for pin, share in shares.items():
                key = (junction.device, pin)
                value[key] = value.get(key, 0.0) + sign * share * self._z[:, k]
        result: dict[str, dict[str, Any]] = {}
        for (device, pin), current in sorted(value.items()):
            result.setdefault(device, {})[pin] = _quiet(current, _QUIET_AMPERE)
        return result

    @cached_property
    def power(self) -> Mapping[str, Any]:
        result: dict[str, Any] = {}
        for part in self._stack.network.resolved.circuit.parts.values():
            pairs = [(self.currents[part.name][pin], self.nets[net]) for pin, net in part.pins.items()]
            # nothing flows out of a net that is adrift
            open_ = any(i is None or (v is None and np.any(i != 0.0)) for i, v in pairs)
            if open_:
                result[part.name] = np.zeros(len(self._stack)) if part.kind in JOINTS else None
                continue
            total: Any = np.zeros(len(self._stack))
            for current, voltage in pairs:
                total = total + (0.0 if voltage is None else current * voltage)
            result[part.name] = _quiet(total, _QUIET_WATT)
        return result

    def voltage(self, net: str) -> Any:
        return self.nets[net]

    def current(self, part: str, pin: str) -> Any:
        return self.currents[part][pin]

    @property
    def undefined_nets(self) -> tuple[str, ...]:
        return tuple(net for net, value in self.nets.items() if value is None)


def _quiet(value: Array, least: float) -> Array:
    return np.where(np.abs(value) < least, 0.0, value)


def _pair(first: str, second: str, current: Array) -> dict[str, Any]:
    value = _quiet(current, _QUIET_AMPERE)
    return {first: value, second: -value}
