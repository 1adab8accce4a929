"""Circuits with tolerances, and the whole box of their corners the slow way."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Sequence
from dataclasses import replace

from rules.analysis.corners.parameters import Parameter, at
from rules.analysis.network import build_network
from rules.analysis.resolve import Resolved
from rules.analysis.states import State, linear_state
from schemas.circuit import Beta, Circuit, frozen_map


def spread(circuit: Circuit, gain: tuple[float, float] = (0.6, 1.8), supply: float = 0.1) -> Circuit:
    """The circuit with gains between these multiples and supplies within this share of nominal."""
    parts = {}
    for name, part in circuit.parts.items():
        values = dict(part.values)
        beta = values.get("beta")
        if isinstance(beta, Beta) and beta.typical is not None:
            values["beta"] = Beta(gain[0] * beta.typical, beta.typical, gain[1] * beta.typical)
        if part.kind in ("supply", "battery"):
            volts = part.number("voltage") or 0.0
            values["low"], values["high"] = sorted((volts * (1.0 - supply), volts * (1.0 + supply)))
        parts[name] = replace(part, values=frozen_map(values))
    return replace(circuit, parts=frozen_map(parts))


def moved(state: State, point: dict[tuple[str, str], float]) -> State:
    """The mode of a state at a point, eliminated and solved on its own."""
    mode = state.mode
    resolved, betas = at(mode.network.resolved, point)
    network = build_network(resolved, mode.network.configuration, mode.network.held)
    return linear_state(network, betas, mode.solution.support)


def every_corner(
    state: State, parameters: Sequence[Parameter], quantity: Callable[[State], float | None]
) -> tuple[float, float]:
    """Least and greatest value over all 2**n corners, each solved on its own."""
    values = []
    for ends in itertools.product(*((p.low, p.high) for p in parameters)):
        value = quantity(moved(state, {p.key: end for p, end in zip(parameters, ends, strict=True)}))
        assert value is not None
        values.append(value)
    return min(values), max(values)


def chosen(parameters: Sequence[Parameter], *names: str) -> tuple[Parameter, ...]:
    """The parameters of these parts, or shared ones of these names."""
    return tuple(p for p in parameters if (p.part or p.member) in names)


def without_temperature(resolved: Resolved, parameters: Sequence[Parameter]) -> tuple[Parameter, ...]:
    """All but the temperature."""
    return tuple(p for p in parameters if p.kind != "temperature")
