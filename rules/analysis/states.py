"""Every DC state of a circuit, configuration by configuration.

A state gives the region of each device, every node voltage (V), the current
into each pin (A, positive into the part) and the power of each part (W,
positive when it takes power).  A quantity that the circuit does not determine
is ``None``, never a number.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from rules.analysis.complementarity import Solution, problem_of, scaled
from rules.analysis.elements import TERMINALS, Array, Configuration, Fault
from rules.analysis.enumeration import enumerate_all, shared_point, solution_in
from rules.analysis.faults import explain_no_state, unlimited_current
from rules.analysis.network import Network, build_network
from rules.analysis.resolve import TRANSISTORS, Resolved
from rules.analysis.stability import is_stable
from rules.analysis.tabulation import Mode, Table, regions_of
from schemas.circuit import Circuit

STEP_BUDGET = 20_000
BETA_ROUNDS = 80
OTHER_CURRENTS = (1e-6, 1e-5, 1e-4, 1e-3, 0.1)  # A; beside the 10 mA from which the search starts
SOUND = math.log(1e-9)  # determinant of a balanced matrix from which an ordinary solver will do
BETA_SETTLED = 1e-11  # relative change of a gain read from its table


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
    shared: bool = False  # parallel ideal junctions were taken to share their current equally

    @cached_property
    def stable(self) -> tuple[State, ...]:
        return tuple(state for state in self.states if state.stable)


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
        if complete and _one_is_missing(modes):
            wider = [*modes, *_at_other_currents(network, corner, step_budget)]
            modes, settled = _at_actual_current(network, corner, wider, step_budget)
        if complete and not settled:
            complete, reason = False, "minimum gain and collector current did not settle together"
        elif complete and _one_is_missing(modes):
            complete, reason = False, "a further state exists whose gain and current were not found together"
    faults = tuple(unlimited_current(network, junctions) for junctions in enumeration.unlimited)
    if not modes and complete and not faults:
        faults = (explain_no_state(network),)
    if complete and faults:
        complete, reason = False, faults[0].message
    states = tuple(State(mode) for mode in modes)
    return StateSet(
        network.configuration,
        corner,
        network.held,
        states,
        complete,
        reason,
        faults,
        network,
        enumeration.shared,
    )


def _at_actual_current(
    network: Network, corner: str, modes: list[Mode], step_budget: int
) -> tuple[list[Mode], bool]:
    """Read each minimum gain at the collector current of the very state; (modes, all settled)."""
    pending, result, settled = list(modes), list[Mode](), True
    for _ in range(4):
        retry: dict[tuple[float, ...], dict[str, float]] = {}
        for mode in pending:
            found, betas = _settle(network, corner, mode)
            if found is None:
                retry[tuple(betas.values())] = betas
            elif not any(_same_mode(found, other) for other in result):
                result.append(found)
        if not retry:
            break
        pending = [
            Mode(network, betas, solution)
            for _, betas in sorted(retry.items())
            for solution in enumerate_all(problem_of(network, betas), step_budget).solutions
        ]
    else:
        settled = False
    # one mode may hold twice: at a small current with its gain and at a large one with less
    return sorted(result, key=_order), settled


def _one_is_missing(modes: list[Mode]) -> bool:
    """States of a circuit whose signs are all known come in odd numbers (degree theory)."""
    return bool(modes) and all(m.solution.index is not None for m in modes) and len(modes) % 2 == 0


def _at_other_currents(network: Network, corner: str, step_budget: int) -> list[Mode]:
    """Solutions at the gains of other collector currents, from where states at those currents are reached."""
    found: list[Mode] = []
    for current in OTHER_CURRENTS:
        betas = {
            name: network.resolved.gain(name, corner, current)
            for name in start_betas(network.resolved, corner)
        }
        solutions = enumerate_all(problem_of(network, betas), step_budget).solutions
        found.extend(Mode(network, betas, solution) for solution in solutions)
    return found


def _same_mode(a: Mode, b: Mode) -> bool:
    one, other = a.solution, b.solution
    return one.support == other.support and np.allclose(one.current, other.current, rtol=1e-6, atol=1e-15)


def _order(mode: Mode) -> tuple[int, tuple[int, ...], tuple[float, ...]]:
    return len(mode.solution.support), mode.solution.support, tuple(mode.betas.values())


def _settle(network: Network, corner: str, mode: Mode) -> tuple[Mode | None, dict[str, float]]:
    """Iterate gain and current in one mode; ``None`` with the last gains when the mode does not fit there."""
    betas, solution = dict(mode.betas), mode.solution
    support, resolved = solution.support, network.resolved
    varying = [name for name in betas if resolved.beta_varies(name, corner)]
    last: dict[str, tuple[float, float]] = {}  # the round before: gain and how far off, as logarithms
    for _ in range(BETA_ROUNDS):
        collector = collector_currents(network, betas, solution)
        wanted = {
            name: resolved.gain(name, corner, abs(collector[name]))
            for name in varying
            if collector[name] != 0.0
        }
        change = max((abs(value / betas[name] - 1.0) for name, value in wanted.items()), default=0.0)
        if change <= BETA_SETTLED:
            break
        for name, value in wanted.items():
            here, off = math.log(betas[name]), math.log(value / betas[name])
            betas[name] = math.exp(here + _secant(here, off, last.get(name)))
            last[name] = here, off
        try:
            solution = linear_state(network, betas, support).mode.solution
        except np.linalg.LinAlgError:
            following = solution_in(problem_of(network, betas), support)
            if following is None:
                return None, betas
            solution = following
    final = solution_in(problem_of(network, betas), support)
    return None if final is None else Mode(network, betas, final), betas


def _secant(here: float, off: float, before: tuple[float, float] | None) -> float:
    """The next step towards ``off`` = 0: a secant where the slope is sound, else half of the way."""
    if before is None or here == before[0]:
        return off
    slope = (off - before[1]) / (here - before[0])
    return -off / slope if -4.0 < slope < -0.25 else 0.5 * off


def linear_state(
    network: Network, betas: Mapping[str, float], support: tuple[int, ...], undetermined: bool = False
) -> State:
    """The linear solution of a mode whether or not its region conditions hold (what-if sums).

    Raises ``numpy.linalg.LinAlgError`` when the mode has no unique solution.  With ``undetermined`` some
    potentials and currents may stay open; the state then has ``None`` for them.
    """
    g, h = network.equations(betas)
    size, free = len(network.junctions), len(network.islands)
    keep = [*support, *range(size, size + free)]
    z, directions = np.zeros(size + free), np.zeros((size + free, 0))
    matrix = g.take(keep, axis=0).take(keep, axis=1)
    if keep and _is_sound(matrix):
        z[keep] = np.linalg.solve(matrix, -h[keep])
    elif keep:
        problem = problem_of(network, betas)
        solved = shared_point(problem, *scaled(problem), support)
        if solved is None or (solved[1].shape[1] and not undetermined):
            raise np.linalg.LinAlgError("this mode has no unique solution")
        z, directions = solved
        z[:size] *= problem.scale
        directions[:size] *= problem.scale[:, None]
    solution = Solution(support, z[:size], z[size:], directions, 1)
    return State(Mode(network, betas, solution))


def _is_sound(matrix: Array) -> bool:
    """True when a matrix of a few rows is far from singular."""
    if len(matrix) == 1:
        return matrix[0, 0] != 0.0 and math.isfinite(matrix[0, 0])
    rows = np.abs(matrix).max(axis=1)
    if rows.min() == 0.0:
        return False
    level = matrix / rows[:, None]
    columns = np.abs(level).max(axis=0)
    if columns.min() == 0.0:
        return False
    _, logarithm = np.linalg.slogdet(level / columns)
    return bool(logarithm > SOUND)


def collector_currents(network: Network, betas: Mapping[str, float], solution: Solution) -> dict[str, float]:
    """Magnitude-signed collector currents in A (positive in the normal direction), by transistor."""
    reverse = network.resolved.assumptions["reverse_beta"]
    result = dict.fromkeys(betas, 0.0)
    for k, junction in enumerate(network.junctions):
        if junction.device in result:
            gain = betas[junction.device] if junction.name == "forward" else reverse
            constant, varying = TERMINALS[junction.name]["collector"]
            per_ampere = constant + varying * (1.0 / (1.0 + gain))
            result[junction.device] += per_ampere * float(solution.current[k])
    return result


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
