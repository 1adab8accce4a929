"""The course of a circuit in time in the junction model: the check of the event-exact timeline.

Every node has its strays, every junction its charges; contacts are milliohms
when closed.  Nothing is assumed about regions or jumps: a fold shows as a fast
but continuous passage.  Base-emitter and collector breakdown are not modelled.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from rules.analysis.configurations import configurations
from rules.analysis.elements import Array, Configuration
from rules.analysis.junction import curves
from rules.analysis.junction.assembly import Assembly, IcboChoice, assemble
from rules.analysis.junction.happenings import Happening, happenings
from rules.analysis.junction.model import REFERENCE_TEMPERATURE
from rules.analysis.junction.refine import refine
from rules.analysis.junction.rest import settle
from rules.analysis.junction.running import ACCURACY, STEP_BUDGET, Run
from rules.analysis.resolve import Resolved
from rules.analysis.states import State
from rules.analysis.timeline.plant import Leak
from rules.analysis.timeline.stores import store_names
from schemas.circuit import Action

RAMP = 1e-6  # s, in which the sources rise at power-up
UNREST = 1e-6  # V by which the nodes are moved at the start: a symmetrical circuit would stay on its fence


@dataclass(frozen=True, eq=False)
class JunctionCourse:
    """A run: ``nets`` (V) and ``coils`` (A) at ``times`` (s, strictly rising, unevenly spaced).

    ``complete`` is true when it reached ``until`` or came to rest; ``reason`` says which, or what
    stopped it.  ``steps`` were taken.
    """

    circuit: str
    temperature: float
    times: Array
    nets: Mapping[str, Array]
    coils: Mapping[str, Array]
    events: tuple[Happening, ...]
    complete: bool
    rests: bool
    reason: str
    steps: int

    @property
    def end(self) -> float:
        return float(self.times[-1])

    def voltage(self, net: str, times: Array | Sequence[float]) -> Array:
        """V at absolute times (s), smooth between samples; the last value beyond the end."""
        return curves.at(self.times, self.nets[net], np.asarray(times, dtype=float))

    def crossings(self, net: str, level: float, rising: bool | None = None) -> tuple[float, ...]:
        """When (s) a net passes ``level`` V; upwards, downwards, or both ways for ``None``."""
        found, upwards = curves.crossings(self.times, self.nets[net], level)
        return tuple(found[upwards == rising].tolist() if rising is not None else found.tolist())


def integrate(
    resolved: Resolved,
    actions: Sequence[Action],
    start: State | Mapping[str, float] | None,
    until: float,
    betas: Mapping[str, float],
    *,
    temperature: float = REFERENCE_TEMPERATURE,
    leaks: Mapping[str, Leak] | None = None,
    icbo: IcboChoice = "none",
    configuration: Configuration | None = None,
    accuracy: float = ACCURACY,
    step_budget: int = STEP_BUDGET,
    ramp: float = RAMP,
    watch: Sequence[str] | None = None,
) -> JunctionCourse:
    """Integrate a circuit through a stimulus until ``until`` s or rest.

    ``start`` is a state of the hand model (refined first; frozen ones let their
    capacitors go at 0 s), or capacitor voltages (V) and coil currents (A) by name, the
    others empty, or ``None`` for power-up: everything at zero, the sources rising
    within ``ramp`` s.  ``configuration`` is where contacts and drivers begin, else at
    rest, or as in the state.  ``betas`` are gains at 25 degC; ``leaks`` those of
    capacitors.  ``watch`` names the nets whose passage through half of the highest
    source is an event, else all collectors.  Past ``step_budget`` steps the course
    ends where it is, with ``complete`` false.  Raises ``ValueError`` for a bad
    ``until``, temperature or start.
    """
    if not (np.isfinite(until) and until > 0.0):
        raise ValueError(f"until must be a positive time in s, got {until!r}")
    if configuration is None:
        rest = configurations(resolved.circuit)[0][0]
        configuration = start.mode.network.configuration if isinstance(start, State) else rest

    def made(at: Configuration, held: Mapping[str, float] | None = None) -> Assembly:
        return assemble(resolved, at, betas, held=held, temperature=temperature, icbo=icbo, leaks=leaks)

    held = None
    if isinstance(start, Mapping):
        held = made(configuration, _stores_at(resolved, start))
    x = _start(made(configuration), start, held, icbo)
    run = Run(x, accuracy, step_budget, ramp if start is None else 0.0)
    groups = [
        (at, tuple(group))
        for at, group in itertools.groupby(sorted(actions, key=_moment), key=_moment)
        if at < until
    ]
    ends = [*(at for at, _ in groups), until]
    assembly = made(configuration)
    finished = ends[0] <= 0.0 or run.through(assembly, ends[0], not groups)
    for (_, group), end in zip(groups, ends[1:], strict=True):
        if not finished:
            break
        configuration = moved(configuration, group)
        assembly = made(configuration)
        finished = run.through(assembly, end, end == until)
    points = np.array(run.points)
    return JunctionCourse(
        resolved.circuit.name,
        temperature,
        np.array(run.times),
        {
            resolved.circuit.ground: np.zeros(len(points)),
            **{net: points[:, k] for k, net in enumerate(assembly.nets)},
        },
        {name: points[:, assembly.row(name)] for name in store_names(resolved)[1]},
        happenings(assembly, np.array(run.times), points, [a for _, group in groups for a in group], watch),
        finished,
        run.rests,
        run.reason if run.reason else f"reached {until:g} s",
        run.steps,
    )


def _moment(action: Action) -> float:
    return action.at


def moved(configuration: Configuration, actions: Sequence[Action]) -> Configuration:
    """The configuration after contacts and drivers have moved."""
    to = {action.part: action.to for action in actions}
    contacts = {name: to.get(name, at) for name, at in configuration.contacts.items()}
    drivers = {name: to.get(name, at) for name, at in configuration.drivers.items()}
    return replace(configuration, contacts=contacts, drivers=drivers)


def _start(
    assembly: Assembly, start: State | Mapping[str, float] | None, held: Assembly | None, icbo: IcboChoice
) -> Array:
    """The unknowns at 0 s; ``held`` is the circuit with its stores at the values to start from."""
    x = np.zeros(assembly.size)
    if isinstance(start, State):
        refined = refine(start, assembly.temperature, icbo)
        _copy(refined.assembly, refined.x, assembly, x)
    elif held is not None:
        _copy(held, settle(held, np.zeros(held.size)).x, assembly, x)
    nodes = np.arange(assembly.nodes)
    x[: assembly.nodes] += UNREST * (1.0 + nodes / assembly.nodes) * np.where(nodes % 2, -1.0, 1.0)
    return x


def _copy(source: Assembly, x: Array, target: Assembly, into: Array) -> None:
    """The same voltages and currents as unknowns of another configuration."""
    into[: target.nodes] = x[: source.nodes]
    for name in target.branches:
        if name in source.branches:
            into[target.row(name)] = x[source.row(name)]


def _stores_at(resolved: Resolved, values: Mapping[str, float]) -> dict[str, float]:
    """The value of every capacitor and coil; raises ``ValueError`` for names that are neither."""
    capacitors, coils = store_names(resolved)
    unknown = sorted(set(values) - {*capacitors, *coils})
    if unknown:
        raise ValueError(
            f"{', '.join(unknown)}: only capacitors and inductive parts keep a value to start from"
        )
    return {name: values.get(name, 0.0) for name in (*capacitors, *coils)}
