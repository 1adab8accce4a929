"""A state of the hand model refined to the junction model, and how far the two disagree.

The state keeps its conducting junctions while their drops are found, then all
junctions get their currents.  The result has to have the sign of the hand-model
state (an unstable state refined to a stable one is another state); where it
has not, the circuit is followed in time from the hand-model voltages, which
answers only for states that are stable.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from rules.analysis.elements import RESISTIVE, Array, capacitor_pins, junction_terminal_currents
from rules.analysis.junction.assembly import Assembly, IcboChoice, assemble
from rules.analysis.junction.model import REFERENCE_TEMPERATURE
from rules.analysis.junction.rest import Rest, newton, on_branch, settle
from rules.analysis.junction.stamps import GROUND_LEAK
from rules.analysis.resolve import TRANSISTORS
from rules.analysis.states import State
from rules.analysis.tabulation import Table, regions_of

NOTABLE = 0.3  # V; two models that differ by more at a net are worth a remark
CONDUCTING = 1e-6  # A; a junction that carries more counts as conducting


@dataclass(frozen=True, slots=True)
class Disagreement:
    """The largest difference between the two models: V (junction minus hand model) at a net."""

    volts: float
    net: str

    @property
    def notable(self) -> bool:
        return abs(self.volts) > NOTABLE


@dataclass(frozen=True, eq=False)
class Refined:
    """A state in the junction model.

    ``converged`` is false where the junction model has no such state nearby or
    none was found; ``reason`` then says so and the numbers are only where the
    search ended.  ``index`` is the sign of the determinant, as of a hand-model state.
    """

    state: State
    assembly: Assembly
    x: Array
    converged: bool
    reason: str
    index: int
    rounds: int

    @property
    def temperature(self) -> float:
        return self.assembly.temperature

    @cached_property
    def nets(self) -> Mapping[str, float | None]:
        """V by net, ``None`` where the hand model leaves it open: nothing but leakage would decide there."""
        hand = self.state.nets
        found: dict[str, float | None] = dict(zip(self.assembly.nets, self.x.tolist(), strict=False))
        found[self.assembly.resolved.circuit.ground] = 0.0
        return {net: None if hand[net] is None else found[net] for net in sorted(found)}

    @cached_property
    def junction_currents(self) -> Array:
        """A, in the order of the network's junctions."""
        return self.assembly.laws.current(self.assembly.sense @ self.x)

    @cached_property
    def devices(self) -> Mapping[str, str]:
        """Region of each device: a junction with more than ``CONDUCTING`` amperes conducts."""
        conducting = np.flatnonzero(self.junction_currents > CONDUCTING).tolist()
        return regions_of(self.state.mode.network, conducting)

    @cached_property
    def currents(self) -> Mapping[str, Mapping[str, float]]:
        """A into each pin of each part."""
        return pin_currents(self.assembly, self.x)

    @cached_property
    def disagreement(self) -> Disagreement:
        """The net where the models differ most; the first by name among equals."""
        worst = Disagreement(0.0, self.assembly.resolved.circuit.ground)
        for net, volts in self.nets.items():
            hand = self.state.nets[net]
            if volts is not None and hand is not None and abs(volts - hand) > abs(worst.volts):
                worst = Disagreement(volts - hand, net)
        return worst


def refine(state: State, temperature: float = REFERENCE_TEMPERATURE, icbo: IcboChoice = "none") -> Refined:
    """Refine one state, frozen ones included, at a junction temperature (K).

    The gains of the state hold at 25 degC.  Raises ``ValueError`` for a
    temperature where the model does not hold.
    """
    mode = state.mode
    network = mode.network
    assembly = assemble(
        network.resolved,
        network.configuration,
        mode.betas,
        held=network.held,
        temperature=temperature,
        icbo=icbo,
    )
    hand = _hand_point(assembly, state)
    # a net that nothing decides is drawn to where the hand model may have it, not to the reference
    assembly.source[: assembly.nodes] += GROUND_LEAK * hand[: assembly.nodes]
    branch = on_branch(assembly, mode.solution.support, mode.solution.current)
    # the resistors between such nets round to more than the leakage that would decide them
    adrift = [row for row, net in enumerate(assembly.nets) if state.nets[net] is None]
    found = newton(assembly, branch.x, adrift)
    rounds = branch.rounds + found.rounds
    wanted = state.index
    if _fits(assembly, found, wanted):
        return Refined(state, assembly, found.x, True, "", index_of(assembly, found.x), rounds)
    reason = "the junction model has no state near this one"
    if wanted != -1:
        later = settle(assembly, hand)
        rounds += later.rounds
        if _fits(assembly, later, wanted):
            reached = Refined(state, assembly, later.x, True, "", index_of(assembly, later.x), rounds)
            if dict(reached.devices) == dict(state.devices):
                return reached
            moved = sorted(name for name, region in reached.devices.items() if region != state.devices[name])
            went = ", ".join(f"{name} {reached.devices[name]}" for name in moved)
            reason += f"; from its voltages the circuit goes to {went}"
    return Refined(state, assembly, found.x, False, reason, index_of(assembly, found.x), rounds)


def _fits(assembly: Assembly, found: Rest, wanted: int | None) -> bool:
    return found.converged and (wanted is None or index_of(assembly, found.x) == wanted)


def index_of(assembly: Assembly, x: Array) -> int:
    """Sign of the determinant of the linearised circuit relative to the circuit without any gain."""
    _, here = assembly.balance(x)
    _, dead = assembly.balance(np.zeros(assembly.size))
    return int(_sign(here) * _sign(dead))


def _sign(matrix: Array) -> float:
    rows = np.abs(matrix).max(axis=1, initial=0.0)
    level = matrix / np.where(rows > 0.0, rows, 1.0)[:, None]
    return float(np.linalg.slogdet(level)[0])


def _hand_point(assembly: Assembly, state: State) -> Array:
    """The hand-model voltages and branch currents as unknowns; where they are open, one choice that holds."""
    x = np.zeros(assembly.size)
    x[: len(assembly.nets)] = Table(state.mode).point[: len(assembly.nets)]
    parts = assembly.resolved.circuit.parts
    for row, name in enumerate(assembly.branches, start=assembly.nodes):
        part = parts[name]
        first = capacitor_pins(part)[0] if "out" not in part.pins else "out"
        x[row] = state.currents[name][first] or 0.0
    return x


def pin_currents(assembly: Assembly, x: Array) -> dict[str, dict[str, float]]:
    """A into each pin of each part at rest, sorted by name; free capacitors carry nothing."""
    resolved = assembly.resolved
    parts = resolved.circuit.parts
    volts = {resolved.circuit.ground: 0.0, **dict(zip(assembly.nets, x.tolist(), strict=False))}
    result = {name: dict.fromkeys(sorted(part.pins), 0.0) for name, part in sorted(parts.items())}

    def through(name: str, first: str, second: str, amperes: float) -> None:
        result[name][first] += amperes
        result[name][second] -= amperes

    for part in parts.values():
        if part.name in assembly.branches:
            first, second = ("out", "reference") if part.kind == "driver" else capacitor_pins(part)
            through(part.name, first, second, float(x[assembly.row(part.name)]))
        elif part.kind in RESISTIVE:
            first, second = capacitor_pins(part)
            across = volts[part.pins[first]] - volts[part.pins[second]]
            through(part.name, first, second, across / resolved.value(part.name, "resistance"))
        elif part.kind == "current-source":
            through(part.name, "from", "to", resolved.value(part.name, "current"))
    amperes = assembly.laws.current(assembly.sense @ x).tolist()
    reverse = resolved.assumptions["reverse_beta"]
    for k, junction in enumerate(assembly.junctions):
        part = parts[junction.device]
        if part.kind in TRANSISTORS:
            sign = -1.0 if part.kind == "pnp" else 1.0
            shares = junction_terminal_currents(junction.name, assembly.betas[part.name], reverse)
            for pin, share in shares.items():
                result[part.name][pin] += sign * share * amperes[k]
        else:
            ends = ("anode", "cathode") if junction.name == "on" else ("cathode", "anode")
            through(part.name, *ends, amperes[k])
    return result
