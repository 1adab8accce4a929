"""Every DC state of a circuit, configuration by configuration.

A state gives the region of each device, every node voltage (V), the current
into each pin (A, positive into the part) and the power of each part (W,
positive when it takes power).  A quantity that the circuit does not determine
is ``None``, never a number.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from rules.analysis.complementarity import Problem, Solution, enumerate_all, problem_of
from rules.analysis.faults import explain_no_state
from rules.analysis.network import RESISTIVE, Array, Configuration, Fault, Network, build_network, injections
from rules.analysis.network import junction_terminal_currents
from rules.analysis.resolve import TRANSISTORS, Resolved
from rules.analysis.stability import is_stable
from schemas.circuit import Circuit, Part

STEP_BUDGET = 20_000
CONFIGURATION_LIMIT = 64
BETA_ROUNDS = 60
_REGIONS = {(False, False): "off", (True, False): "active", (True, True): "saturated", (False, True): "reverse"}
_QUIET_VOLT, _QUIET_AMPERE = 1e-11, 1e-16  # below these a printed number is rounding


@dataclass(frozen=True, eq=False)
class Mode:
    """The linear circuit behind a state: which junctions conduct, at which gains."""

    network: Network
    betas: Mapping[str, float]
    solution: Solution


@dataclass(frozen=True, eq=False)
class State:
    """One solution with everything a reader asks of it."""

    name: str
    devices: Mapping[str, str]
    nets: Mapping[str, float | None]
    currents: Mapping[str, Mapping[str, float | None]]
    power: Mapping[str, float | None]
    index: int | None
    stable: bool
    mode: Mode

    def voltage(self, net: str) -> float | None:
        return self.nets[net]

    def current(self, part: str, pin: str) -> float | None:
        return self.currents[part][pin]

    @property
    def undefined_nets(self) -> tuple[str, ...]:
        return tuple(net for net, value in self.nets.items() if value is None)


@dataclass(frozen=True, eq=False)
class StateSet:
    """All states of one configuration at one beta corner."""

    configuration: Configuration
    corner: str
    held: Mapping[str, float]
    states: tuple[State, ...]
    complete: bool
    reason: str
    faults: tuple[Fault, ...]
    network: Network

    @property
    def stable(self) -> tuple[State, ...]:
        return tuple(state for state in self.states if state.stable)


def configurations(circuit: Circuit) -> tuple[tuple[Configuration, ...], bool]:
    """Every contact position and driver level, rest first, then those a stimulus reaches.

    Past ``CONFIGURATION_LIMIT`` only the rest positions, those reached by a
    stimulus and those one move away from rest; the second result is then false.
    """
    contacts = {p.name: p.text("rest") or "open" for p in circuit.parts.values() if p.kind == "contact"}
    drivers = {p.name: p.text("rest") or "low" for p in circuit.parts.values() if p.kind == "driver"}
    movable = sorted([*contacts, *drivers])
    rest = {**contacts, **drivers}
    reached: dict[tuple[str, ...], list[str]] = {}

    def note(positions: Mapping[str, str], who: str) -> None:
        names = reached.setdefault(tuple(positions[name] for name in movable), [])
        if who and who not in names:
            names.append(who)

    note(rest, "rest")
    for stimulus, actions in circuit.stimuli.items():
        positions = dict(rest)
        for _, group in itertools.groupby(actions, key=lambda action: action.at):
            positions.update({action.part: action.to for action in group})
            note(positions, stimulus)
    whole = 2 ** len(movable) <= CONFIGURATION_LIMIT
    if whole:
        ends = [("open", "closed") if name in contacts else ("low", "high") for name in movable]
        for combination in itertools.product(*ends):
            note(dict(zip(movable, combination, strict=True)), "")
    else:
        for name in movable:
            pair = ("open", "closed") if name in contacts else ("low", "high")
            note({**rest, name: pair[0] if rest[name] == pair[1] else pair[1]}, "")
    made = []
    for positions, names in reached.items():
        chosen = dict(zip(movable, positions, strict=True))
        made.append(Configuration({n: chosen[n] for n in movable if n in contacts},
                                  {n: chosen[n] for n in movable if n in drivers}, tuple(names)))
    return tuple(made), whole


def find_states(resolved: Resolved, configuration: Configuration, corner: str = "typical",
                held: Mapping[str, float] | None = None, step_budget: int = STEP_BUDGET) -> StateSet:
    """All states of one configuration; capacitors in ``held`` keep their voltage (V)."""
    network = build_network(resolved, configuration, held)
    return states_of(network, corner, step_budget)


def start_betas(resolved: Resolved, corner: str) -> dict[str, float]:
    return {p.name: resolved.beta(p.name, corner).value
            for p in resolved.circuit.parts.values() if p.kind in TRANSISTORS}


def states_of(network: Network, corner: str, step_budget: int = STEP_BUDGET) -> StateSet:
    """All states of an eliminated network at a beta corner (``min``, ``typical``, ``max``)."""
    resolved = network.resolved
    if network.faults:
        return StateSet(network.configuration, corner, network.held, (), False, network.faults[0].message,
                        network.faults, network)
    betas = start_betas(resolved, corner)
    problem = problem_of(network, betas)
    enumeration = enumerate_all(problem, step_budget)
    modes = [Mode(network, betas, solution) for solution in enumeration.solutions]
    complete, reason = enumeration.complete, enumeration.reason
    if any(resolved.beta_varies(name, corner) for name in betas):
        modes, settled = _at_actual_current(network, corner, modes, step_budget)
        if complete and not settled:
            complete, reason = False, "minimum gain and collector current did not settle together"
    faults: tuple[Fault, ...] = ()
    if not modes and complete:
        faults = (explain_no_state(network),)
        complete, reason = False, faults[0].message
    states = _named(resolved, [describe(mode) for mode in modes])
    return StateSet(network.configuration, corner, network.held, states, complete, reason, faults, network)


def _at_actual_current(network: Network, corner: str, modes: list[Mode], step_budget: int) -> tuple[list[Mode], bool]:
    """Read each minimum gain at the collector current of the very state; (modes, all settled)."""
    pending, seen, result, settled = list(modes), set(), [], True
    for _ in range(4):
        retry: dict[tuple[float, ...], dict[str, float]] = {}
        for mode in pending:
            if mode.solution.support in seen:
                continue
            found, betas = _settle(network, corner, mode)
            if found is not None:
                seen.add(found.solution.support)
                result.append(found)
            else:
                retry[tuple(betas.values())] = betas
        if not retry:
            break
        pending = [Mode(network, betas, solution) for _, betas in sorted(retry.items())
                   for solution in enumerate_all(problem_of(network, betas), step_budget).solutions
                   if solution.support not in seen]
    else:
        settled = False
    return sorted(result, key=lambda mode: (len(mode.solution.support), mode.solution.support)), settled


def _settle(network: Network, corner: str, mode: Mode) -> tuple[Mode | None, dict[str, float]]:
    """Iterate gain and current in one mode; ``None`` with the last gains when the mode stops fitting."""
    betas = dict(mode.betas)
    solution: Solution | None = mode.solution
    for _ in range(BETA_ROUNDS):
        assert solution is not None
        collector = collector_currents(network, betas, solution)
        wanted = {name: network.resolved.beta(name, corner, abs(collector[name])).value
                  if network.resolved.beta_varies(name, corner) and collector[name] != 0.0 else betas[name]
                  for name in betas}
        change = max(abs(wanted[name] / betas[name] - 1.0) for name in betas)
        # half steps in the logarithm: the table is flat enough that these always close in
        betas = {name: float(np.sqrt(wanted[name] * betas[name])) if change > 1e-12 else wanted[name] for name in betas}
        following = solve_mode(problem_of(network, betas), solution.support)
        if following is None:
            return None, betas
        solution = following
        if change <= 1e-12:
            break
    return Mode(network, betas, solution), betas


def solve_mode(problem: Problem, support: tuple[int, ...]) -> Solution | None:
    """The solution in one given mode, or ``None`` when that mode is not consistent."""
    from rules.analysis.search import exact_mode_of

    return exact_mode_of(problem, support)


def collector_currents(network: Network, betas: Mapping[str, float], solution: Solution) -> dict[str, float]:
    """Magnitude-signed collector currents in A (positive in the normal direction), by transistor."""
    reverse = network.resolved.assumptions["reverse_beta"]
    result = dict.fromkeys(betas, 0.0)
    for k, junction in enumerate(network.junctions):
        if junction.device in result:
            per_ampere = junction_terminal_currents(junction.name, betas[junction.device], reverse)["collector"]
            result[junction.device] += per_ampere * float(solution.current[k])
    return result


def describe(mode: Mode) -> State:
    """Work out voltages, currents, powers, regions, index and stability of one mode's solution."""
    network, solution = mode.network, mode.solution
    inject = injections(network, dict(mode.betas))
    islands = network.island_map()
    point = network.inverse @ (network.source_vector() + _padded(network, inject @ solution.current))
    point[: len(network.nets)] += islands @ solution.potential
    m = len(network.junctions)
    null = network.inverse[:, : len(network.nets)] @ inject @ solution.null[:m]
    null[: len(network.nets)] += islands @ solution.null[m:]
    table = _Table(mode, point, null)
    stable = solution.index != -1 and is_stable(network, inject, solution.current)
    return State("", table.devices(), table.nets(), table.currents(), table.power(), solution.index, stable, mode)


def _padded(network: Network, injected: Array) -> Array:
    return np.concatenate([injected, np.zeros(len(network.branches))])


class _Table:
    """Every printed quantity as (value, moves along a null direction?)."""

    def __init__(self, mode: Mode, point: Array, null: Array) -> None:
        self.mode, self.network = mode, mode.network
        self.circuit = mode.network.resolved.circuit
        self.rows = {net: k for k, net in enumerate(self.network.nets)}
        self.point, self.null = point, null
        self.adrift = set(self.network.adrift)

    def _net(self, net: str) -> tuple[float, Array]:
        row = self.rows.get(net)
        if row is None:
            return 0.0, np.zeros(self.null.shape[1])
        return float(self.point[row]), self.null[row]

    def nets(self) -> dict[str, float | None]:
        values: dict[str, float | None] = {}
        for net in sorted((*self.network.nets, self.circuit.ground)):
            value, moves = self._net(net)
            values[net] = None if net in self.adrift or np.abs(moves).max(initial=0.0) > 1e-9 else _quiet(value, _QUIET_VOLT)
        return values

    def devices(self) -> dict[str, str]:
        on: dict[str, dict[str, bool]] = {}
        for k, junction in enumerate(self.network.junctions):
            on.setdefault(junction.device, {})[junction.name] = k in self.mode.solution.support
        regions = {}
        for name, junctions in sorted(on.items()):
            if "forward" in junctions:
                regions[name] = _REGIONS[(junctions["forward"], junctions["reverse"])]
            elif junctions.get("breakdown"):
                regions[name] = "breakdown"
            else:
                regions[name] = "on" if junctions["on"] else "off"
        return regions

    def currents(self) -> dict[str, dict[str, float | None]]:
        return {part.name: self._part_currents(part) for part in self.circuit.parts.values()}

    def _part_currents(self, part: Part) -> dict[str, float | None]:
        network, resolved = self.network, self.network.resolved
        if part.kind in RESISTIVE:
            first, second = ("plus", "minus") if "plus" in part.pins else ("a", "b")
            (va, na), (vb, nb) = self._net(part.pins[first]), self._net(part.pins[second])
            r = resolved.value(part.name, "resistance")
            return _pair(first, second, (va - vb) / r, (na - nb) / r)
        if part.kind in (*TRANSISTORS, "diode", "led", "zener"):
            return self._device_currents(part)
        if part.kind == "current-source":
            return _pair("from", "to", resolved.value(part.name, "current"), np.zeros(0))
        pins = tuple(part.pins)
        for k, branch in enumerate(network.branches):
            if branch.part == part.name:
                row = len(network.nets) + k
                if part.name in network.loop_parts:
                    return dict.fromkeys(sorted(part.pins), None)
                return _pair(*branch.pins, float(self.point[row]), self.null[row])
        if any(branch.part == part.name for branch in network.loose):
            return dict.fromkeys(sorted(pins), None)
        return dict.fromkeys(sorted(pins), 0.0)  # an open contact, a capacitor at rest

    def _device_currents(self, part: Part) -> dict[str, float | None]:
        network, solution = self.network, self.mode.solution
        transistor = part.kind in TRANSISTORS
        sign = -1.0 if part.kind == "pnp" else 1.0
        value = dict.fromkeys(sorted(part.pins), 0.0)
        moves = {pin: np.zeros(solution.null.shape[1]) for pin in value}
        reverse = network.resolved.assumptions["reverse_beta"]
        for k, junction in enumerate(network.junctions):
            if junction.device != part.name:
                continue
            if transistor:
                split = junction_terminal_currents(junction.name, self.mode.betas[part.name], reverse)
            else:
                split = {"anode": 1.0, "cathode": -1.0} if junction.name == "on" else {"anode": -1.0, "cathode": 1.0}
            for pin, per_ampere in split.items():
                value[pin] += sign * per_ampere * float(solution.current[k])
                moves[pin] = moves[pin] + per_ampere * solution.null[k]
        return {pin: _defined(value[pin], moves[pin]) for pin in value}

    def power(self) -> dict[str, float | None]:
        voltages, result = self.nets(), {}
        currents = self.currents()
        for part in self.circuit.parts.values():
            total: float | None = 0.0
            for pin, net in sorted(part.pins.items()):
                current, voltage = currents[part.name][pin], voltages[net]
                if current == 0.0 or total is None:
                    continue
                total = None if current is None or voltage is None else total + current * voltage
            if total is None and part.name in self.network.loop_parts and part.kind == "contact":
                total = 0.0  # an ideal contact turns no power into heat, however the current divides
            result[part.name] = None if total is None else _quiet(total, 1e-18)
        return result


def _pair(first: str, second: str, current: float, moves: Array) -> dict[str, float | None]:
    value = _defined(current, moves)
    return {first: value, second: None if value is None else _quiet(-value, _QUIET_AMPERE)}


def _defined(value: float, moves: Array) -> float | None:
    return None if np.abs(moves).max(initial=0.0) > 1e-15 else _quiet(value, _QUIET_AMPERE)


def _quiet(value: float, least: float) -> float:
    return 0.0 if abs(value) < least else value


def matches(devices: Mapping[str, str], wanted: Mapping[str, str]) -> bool:
    """True when every device is in its wanted region; ``on`` means any conducting region."""
    return all(devices.get(name) == region or (region == "on" and devices.get(name) not in (None, "off"))
               for name, region in wanted.items())


def _named(resolved: Resolved, states: list[State]) -> tuple[State, ...]:
    """Give each state the document's name for it, else one made of its regions."""
    return tuple(replace(state, name=name_of(resolved.circuit, state)) for state in states)


def name_of(circuit: Circuit, state: State) -> str:
    """The most particular declared name that fits a stable state, else the conducting devices."""
    fitting = [(len(wanted), name) for name, wanted in circuit.states.items() if matches(state.devices, wanted)]
    if fitting and state.stable:
        return max(fitting, key=lambda item: (item[0], item[1]))[1]
    busy = [f"{name} {region}" for name, region in state.devices.items() if region != "off"]
    plain = ", ".join(busy) if busy else "all off"
    return plain if state.stable else f"{plain} (unstable)"
