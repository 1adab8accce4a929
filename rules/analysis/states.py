"""Every DC state of a circuit, configuration by configuration.

A state gives the region of each device, every node voltage (V), the current
into each pin (A, positive into the part) and the power of each part (W,
positive when it takes power).  A quantity that the circuit does not determine
is ``None``, never a number.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from rules.analysis.complementarity import Problem, Solution, enumerate_all, problem_of
from rules.analysis.faults import explain_no_state, unlimited_current
from rules.analysis.network import (
    RESISTIVE,
    Array,
    Configuration,
    Fault,
    Network,
    build_network,
    injections,
    junction_terminal_currents,
)
from rules.analysis.resolve import TRANSISTORS, Resolved
from rules.analysis.stability import is_stable
from schemas.circuit import Circuit, Part

STEP_BUDGET = 20_000
CONFIGURATION_LIMIT = 64
BETA_ROUNDS = 80
BETA_SETTLED = 1e-11  # relative change of a gain read from its table
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


@dataclass(frozen=True, eq=False)
class State:
    """One solution with everything a reader asks of it, worked out when asked.

    ``index`` is the sign of the state's determinant: -1 is unstable for any
    stray capacitance; ``None`` where an undetermined mode has none.
    """

    mode: Mode

    @cached_property
    def _table(self) -> Table:
        return Table(self.mode)

    @cached_property
    def devices(self) -> Mapping[str, str]:
        return regions_of(self.mode.network, self.mode.solution.support)

    @cached_property
    def nets(self) -> Mapping[str, float | None]:
        return self._table.nets()

    @cached_property
    def currents(self) -> Mapping[str, Mapping[str, float | None]]:
        return self._table.currents()

    @cached_property
    def power(self) -> Mapping[str, float | None]:
        return self._table.power(self.nets, self.currents)

    @property
    def index(self) -> int | None:
        return self.mode.solution.index

    @cached_property
    def stable(self) -> bool:
        if self.index == -1:
            return False
        return is_stable(self.mode.network, self._table.inject, self.mode.solution.current)

    @cached_property
    def name(self) -> str:
        return name_of(self.mode.network.resolved.circuit, self)

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

    @cached_property
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
    for places, names in reached.items():
        chosen = dict(zip(movable, places, strict=True))
        made.append(
            Configuration(
                {n: chosen[n] for n in movable if n in contacts},
                {n: chosen[n] for n in movable if n in drivers},
                tuple(names),
            )
        )
    return tuple(made), whole


def find_states(
    resolved: Resolved,
    configuration: Configuration,
    corner: str = "typical",
    held: Mapping[str, float] | None = None,
    step_budget: int = STEP_BUDGET,
) -> StateSet:
    """All states of one configuration; capacitors in ``held`` keep their voltage (V)."""
    network = build_network(resolved, configuration, held)
    return states_of(network, corner, step_budget)


def start_betas(resolved: Resolved, corner: str) -> dict[str, float]:
    return {
        p.name: resolved.beta(p.name, corner).value
        for p in resolved.circuit.parts.values()
        if p.kind in TRANSISTORS
    }


def states_of(network: Network, corner: str, step_budget: int = STEP_BUDGET) -> StateSet:
    """All states of an eliminated network at a beta corner (``min``, ``typical``, ``max``)."""
    resolved = network.resolved
    if network.faults:
        return StateSet(
            network.configuration,
            corner,
            network.held,
            (),
            False,
            network.faults[0].message,
            network.faults,
            network,
        )
    betas = start_betas(resolved, corner)
    problem = problem_of(network, betas)
    enumeration = enumerate_all(problem, step_budget)
    modes = [Mode(network, betas, solution) for solution in enumeration.solutions]
    complete, reason = enumeration.complete, enumeration.reason
    if any(resolved.beta_varies(name, corner) for name in betas):
        modes, settled = _at_actual_current(network, corner, modes, step_budget)
        if complete and not settled:
            complete, reason = False, "minimum gain and collector current did not settle together"
    faults = tuple(unlimited_current(network, junctions) for junctions in enumeration.unlimited)
    if not modes and complete and not faults:
        faults = (explain_no_state(network),)
    if complete and faults:
        complete, reason = False, faults[0].message
    states = tuple(State(mode) for mode in modes)
    return StateSet(network.configuration, corner, network.held, states, complete, reason, faults, network)


def _at_actual_current(
    network: Network, corner: str, modes: list[Mode], step_budget: int
) -> tuple[list[Mode], bool]:
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
        pending = [
            Mode(network, betas, solution)
            for _, betas in sorted(retry.items())
            for solution in enumerate_all(problem_of(network, betas), step_budget).solutions
            if solution.support not in seen
        ]
    else:
        settled = False
    return sorted(result, key=lambda mode: (len(mode.solution.support), mode.solution.support)), settled


def _settle(network: Network, corner: str, mode: Mode) -> tuple[Mode | None, dict[str, float]]:
    """Iterate gain and current in one mode; ``None`` with the last gains when the mode does not fit there."""
    betas, solution = dict(mode.betas), mode.solution
    support, resolved = solution.support, network.resolved
    varying = [name for name in betas if resolved.beta_varies(name, corner)]
    last = np.inf
    for _ in range(BETA_ROUNDS):
        collector = collector_currents(network, betas, solution)
        wanted = {
            name: resolved.beta(name, corner, abs(collector[name])).value
            for name in varying
            if collector[name] != 0.0
        }
        change = max((abs(value / betas[name] - 1.0) for name, value in wanted.items()), default=0.0)
        if change <= BETA_SETTLED:
            break
        # full steps close in fast; half steps in the logarithm where they do not
        share = 1.0 if change < 0.5 * last else 0.5
        last = change
        betas.update(
            {name: float(betas[name] ** (1.0 - share) * value**share) for name, value in wanted.items()}
        )
        try:
            solution = linear_state(network, betas, support).mode.solution
        except np.linalg.LinAlgError:
            following = solve_mode(problem_of(network, betas), support)
            if following is None:
                return None, betas
            solution = following
    final = solve_mode(problem_of(network, betas), support)
    return None if final is None else Mode(network, betas, final), betas


def linear_state(network: Network, betas: Mapping[str, float], support: tuple[int, ...]) -> State:
    """The linear solution of a mode whether or not its region conditions hold (what-if sums).

    Raises ``numpy.linalg.LinAlgError`` when the mode has no unique solution.
    """
    g, h = network.equations(betas)
    size, free = len(network.junctions), len(network.islands)
    keep = [*support, *range(size, size + free)]
    z = np.zeros(size + free)
    if keep:
        z[keep] = np.linalg.solve(g[np.ix_(keep, keep)], -h[keep])
    solution = Solution(support, z[:size], z[size:], np.zeros((size + free, 0)), 1)
    return State(Mode(network, betas, solution))


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
            per_ampere = junction_terminal_currents(junction.name, betas[junction.device], reverse)[
                "collector"
            ]
            result[junction.device] += per_ampere * float(solution.current[k])
    return result


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
            for pin, per_ampere in self._split(k).items():
                key = (junction.device, pin)
                value[key] = value.get(key, 0.0) + per_ampere * current
                if self.null is not None:
                    moves[key] = moves.get(key, 0.0) + per_ampere * solution.null[k]
        result: dict[str, dict[str, float | None]] = {}
        for (device, pin), current in sorted(value.items()):
            result.setdefault(device, {})[pin] = _defined(current, moves.get((device, pin)))
        return result

    def _split(self, k: int) -> dict[str, float]:
        """Current into each pin of the device per ampere of junction ``k``."""
        junction = self.network.junctions[k]
        part = self.circuit.parts[junction.device]
        if part.kind not in TRANSISTORS:
            return (
                {"anode": 1.0, "cathode": -1.0} if junction.name == "on" else {"anode": -1.0, "cathode": 1.0}
            )
        reverse = self.network.resolved.assumptions["reverse_beta"]
        split = junction_terminal_currents(junction.name, self.mode.betas[part.name], reverse)
        return split if part.kind == "npn" else {pin: -current for pin, current in split.items()}

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
            if total is None and part.kind == "contact":
                total = 0.0  # an ideal contact turns no power into heat, however the current divides
            result[part.name] = None if total is None else _quiet(total, 1e-18)
        return result


def regions_of(network: Network, support: Iterable[int]) -> dict[str, str]:
    """The region of every device when exactly the junctions in ``support`` conduct."""
    conducting = set(support)
    on: dict[str, dict[str, bool]] = {}
    for k, junction in enumerate(network.junctions):
        on.setdefault(junction.device, {})[junction.name] = k in conducting
    regions = {}
    for name, junctions in sorted(on.items()):
        if "forward" in junctions:
            regions[name] = _REGIONS[(junctions["forward"], junctions["reverse"])]
        elif junctions.get("breakdown"):
            regions[name] = "breakdown"
        else:
            regions[name] = "on" if junctions["on"] else "off"
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


def matches(devices: Mapping[str, str], wanted: Mapping[str, str]) -> bool:
    """True when every device is in its wanted region; ``on`` means any conducting region."""
    return all(
        devices.get(name) == region or (region == "on" and devices.get(name) not in (None, "off"))
        for name, region in wanted.items()
    )


def name_of(circuit: Circuit, state: State) -> str:
    """The most particular declared name that fits a stable state, else the conducting devices."""
    fitting = [
        (len(wanted), name) for name, wanted in circuit.states.items() if matches(state.devices, wanted)
    ]
    if fitting and state.stable:
        return max(fitting, key=lambda item: (item[0], item[1]))[1]
    busy = [f"{name} {region}" for name, region in state.devices.items() if region != "off"]
    plain = ", ".join(busy) if busy else "all off"
    return plain if state.stable else f"{plain} (unstable)"
