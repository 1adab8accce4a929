"""The frozen view of one circuit that a rule gets: every shared analysis, worked out when first asked."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from copy import copy
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any, TypeVar

from rules.analysis.complementarity import solve_together
from rules.analysis.configurations import configurations
from rules.analysis.delays import Delay, LeftOut, delays, dwell
from rules.analysis.elements import Fault
from rules.analysis.frozen import TimedState, timed_states
from rules.analysis.network import Network, build_network
from rules.analysis.preferred import USUAL, Preferences
from rules.analysis.resolve import CORNERS, Known, Resolved, dielectric_of, resolve
from rules.analysis.roles import Roles
from rules.analysis.states import STEP_BUDGET, State, StateSet, find_states, linear_state, start_betas
from schemas.circuit import Circuit
from schemas.finding import Assumed

if TYPE_CHECKING:
    from rules.analysis.timeline.model import Timeline

EQUAL_SHARING = Assumed(
    "",
    "sharing",
    "equal",
    "",
    "ideal junctions in parallel leave their currents open; taken to share as equal junctions do",
)
T = TypeVar("T")
FILTER_SHARE = 0.01  # of the longest delay; below it a capacitor filters rather than times


def assumed_in(resolved: Resolved, sets: Iterable[StateSet]) -> tuple[Assumed, ...]:
    """The assumed values of a circuit, and equal sharing where one of the states rests on it."""
    shared = any(found.shared for found in sets)
    return tuple(sorted((*resolved.assumed, EQUAL_SHARING), key=_place)) if shared else resolved.assumed


def _place(item: Assumed) -> tuple[str, str]:
    return item.pointer, item.quantity


@dataclass(frozen=True, eq=False)
class Situation:
    """A state a circuit rests or waits in: where, at which corner, and whether a capacitor is held.

    ``label`` is the name a reader knows it by; ``timed`` is set for the start
    of a timed state.
    """

    label: str
    corner: str
    state: State
    timed: TimedState | None = None

    @property
    def place(self) -> tuple[str, str]:
        """State and corner, as a finding names them."""
        return self.label, self.corner

    @property
    def position(self) -> str:
        """Contact positions and driver levels as text, empty when there are none."""
        return self.state.mode.network.configuration.key


class Study:
    """All analyses of one circuit.  Pure: asking twice gives the same objects."""

    corners: tuple[str, ...] = CORNERS

    def __init__(
        self,
        circuit: Circuit,
        step_budget: int = STEP_BUDGET,
        proposing: bool = True,
        preferences: Preferences = USUAL,
    ) -> None:
        """``proposing`` is false where only verdicts are wanted: rules then look for no cures.

        ``preferences`` are the series from which cures take their values.
        """
        self.proposing = proposing
        self.preferences = preferences
        self.circuit = circuit
        self.step_budget = step_budget
        self._sets: dict[str, tuple[StateSet, ...]] = {}
        self._timed: dict[str, tuple[TimedState, ...]] = {}
        self._timelines: dict[tuple[str | None, str, str, str, float | None], Timeline] = {}
        self._shared: dict[object, Any] = {}
        self._delays: dict[str, tuple[tuple[Delay, ...], tuple[LeftOut, ...]]] = {}

    def asked(self, proposing: bool) -> Study:
        """The same study, its analyses shared, with or without the search for cures."""
        other = copy(self)
        other.proposing = proposing
        return other

    @cached_property
    def resolved(self) -> Resolved:
        return resolve(self.circuit)

    @property
    def assumed(self) -> tuple[Assumed, ...]:
        """Every value nobody gave; that parallel junctions share equally too, where a state depends on it."""
        return assumed_in(self.resolved, [found for c in self.corners for found in self.state_sets(c)])

    def state_sets(self, corner: str = "typical") -> tuple[StateSet, ...]:
        """DC states of every configuration at a beta corner, rest first."""
        if not self._sets:
            self._solve_together()
        if corner not in self._sets:
            made, _ = configurations(self.circuit)
            self._sets[corner] = tuple(
                find_states(self.resolved, configuration, corner, None, self.step_budget)
                for configuration in made
            )
        return self._sets[corner]

    def _solve_together(self) -> None:
        """All corners and configurations of a small circuit at once: one batch costs little more than one."""
        networks = [build_network(self.resolved, made) for made in configurations(self.circuit)[0]]
        gains = [start_betas(self.resolved, corner) for corner in self.corners]
        solve_together([(network, betas) for network in networks if not network.faults for betas in gains])

    def timing(self, corner: str = "typical") -> tuple[TimedState, ...]:
        """Timed states (capacitor held) that set a delay; filters, far shorter, are left out."""
        if corner not in self._timed:
            self._timed[corner] = timed_states(self.state_sets(corner), self.resolved, corner, FILTER_SHARE)
        return self._timed[corner]

    def delays(self, corner: str = "typical") -> tuple[tuple[Delay, ...], tuple[LeftOut, ...]]:
        """The timed states that somebody meant, and why other capacitors and timed states are no delays."""
        if corner not in self._delays:
            self._delays[corner] = delays(self, corner)
        return self._delays[corner]

    def timeline(
        self,
        stimulus: str | None,
        corner: str = "typical",
        start: str = "rest",
        leakage: str = "none",
        until: float | None = None,
    ) -> Timeline:
        """The course of the circuit in time; see :func:`rules.analysis.timeline.timelines.timeline`."""
        from rules.analysis.timeline.timelines import timeline

        key = (stimulus, corner, start, leakage, until)
        if key not in self._timelines:
            self._timelines[key] = timeline(self, stimulus, corner, start, leakage, until)
        return self._timelines[key]

    def situations(self, corner: str = "typical") -> tuple[Situation, ...]:
        """Every stable DC state, then the start of every timed state.

        A state at the end of a timed one that every stimulus leaves earlier is none of them.
        """
        return self.shared(("situations", corner), lambda: self._situations(corner))

    def _situations(self, corner: str) -> tuple[Situation, ...]:
        sets, timing = self.state_sets(corner), self.timing(corner)
        rest = sets[0].configuration
        later: dict[str, list[Mapping[str, str]]] = {}
        for timed in timing:
            if timed.duration > dwell(self.circuit, timed.configuration, rest):
                ends = [phase.segments[-1].devices for phase in (timed.phase, *timed.after) if phase.segments]
                later.setdefault(timed.configuration.key, []).extend(dict(devices) for devices in ends)
        found = [
            Situation(state.name, corner, state)
            for s in sets
            for state in s.stable
            if dict(state.devices) not in later.get(s.configuration.key, [])
        ]
        found.extend(Situation(timed.name, corner, timed.state, timed) for timed in timing)
        return tuple(found)

    @cached_property
    def roles(self) -> Roles:
        return Roles(self.circuit, [situation.state for situation in self.situations()])

    @cached_property
    def faults(self) -> tuple[tuple[StateSet, Fault], ...]:
        """Configurations without an answer, and why."""
        return tuple((s, fault) for s in self.state_sets() for fault in s.faults)

    @cached_property
    def incomplete_reasons(self) -> tuple[str, ...]:
        reasons = set()
        for corner in self.corners:
            for s in self.state_sets(corner):
                if not s.complete:
                    place = f"{s.configuration.key}: " if s.configuration.key else ""
                    reasons.add(f"{place}{s.reason}")
        if not configurations(self.circuit)[1]:
            reasons.add(
                "not every combination of contacts and drivers was tried, only those that are reached"
            )
        return tuple(sorted(reasons))

    @property
    def complete(self) -> bool:
        """True when every state of every configuration at every corner is surely known."""
        return not self.incomplete_reasons

    def shared(self, key: object, make: Callable[[], T]) -> T:
        """What ``make`` gives, made once for all rules that ask with this key."""
        if key not in self._shared:
            self._shared[key] = make()
        found: T = self._shared[key]
        return found

    def series(self, part: str) -> str:
        """The preferred series for a resistor or a capacitor of the circuit."""
        found = self.circuit.parts[part]
        if found.kind == "capacitor":
            return self.preferences.capacitor(dielectric_of(found))
        return self.preferences.resistor

    def known(self, part: str, member: str) -> Known | None:
        return self.resolved.known(part, member)

    def value(self, part: str, member: str) -> float:
        return self.resolved.value(part, member)

    def what_if(
        self,
        state: State,
        values: Mapping[tuple[str, str], float] | None = None,
        betas: Mapping[str, float] | None = None,
        regions: Mapping[str, str] | None = None,
    ) -> State:
        """The same mode with other part values, gains or regions, without asking whether it still holds.

        ``regions`` puts single transistors into another region: what a switch
        that stays active would pass if it did saturate.  Raises
        ``numpy.linalg.LinAlgError`` when the mode then has no unique solution.
        """
        mode = state.mode
        network, support = mode.network, mode.solution.support
        if values:
            # a state at a corner keeps the other values of that corner
            changed = network.resolved.with_values(values)
            network = build_network(changed, network.configuration, network.held)
        if regions:
            support = _support_with(network, support, regions)
        return linear_state(network, {**mode.betas, **(betas or {})}, support)


_CONDUCTING = {
    "off": (),
    "active": ("forward",),
    "saturated": ("forward", "reverse"),
    "reverse": ("reverse",),
}


def _support_with(network: Network, support: Iterable[int], regions: Mapping[str, str]) -> tuple[int, ...]:
    """The conducting junctions ``support``, but with the transistors in ``regions`` in the regions named."""
    conducting = set(support)
    for k, junction in enumerate(network.junctions):
        if junction.device in regions:
            conducting.discard(k)
            if junction.name in _CONDUCTING[regions[junction.device]]:
                conducting.add(k)
    return tuple(sorted(conducting))
