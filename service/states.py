"""DC states as JSON-ready data: the full shape, and what the engine wants to know of them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from service.shapes import assumed_shape, finite, positions
from service.timed import by_configuration, frozen_shape, timed_shape

if TYPE_CHECKING:
    from rules.analysis.frozen import TimedState
    from rules.analysis.states import State, StateSet
    from rules.analysis.study import Study
    from schemas.circuit import Circuit

Json = dict[str, Any]
CORNERS = ("min", "typical", "max")


@dataclass(frozen=True, slots=True)
class Overview:
    """What a review tells of the states, and what a proof must not lose.

    ``stable`` counts the stable states per (corner, configuration); ``timed``
    names each (corner, configuration, capacitor) with a timed state;
    ``source_currents`` has the largest current (A) out of each source in any
    stable state; ``span`` is the largest voltage (V) between two nets.
    """

    states: tuple[Mapping[str, Any], ...]
    waiting: tuple[Mapping[str, Any], ...]
    stable: Mapping[tuple[str, str], int]
    timed: frozenset[tuple[str, str, str]]
    source_currents: Mapping[str, float]
    span: float
    complete: bool
    problems: tuple[str, ...]


def unknown(reason: str) -> Overview:
    """The overview of a circuit whose states could not be worked out."""
    return Overview((), (), {}, frozenset(), {}, 0.0, False, (reason,))


def overview(study: Study) -> Overview:
    """Look at every state at every corner; the states told are those at typical gain."""
    sets = {corner: study.state_sets(corner) for corner in CORNERS}
    every = [found for corner in CORNERS for found in sets[corner]]
    stable = [state for found in every for state in found.stable]
    reasons = list(study.incomplete_reasons)
    # a configuration gives its first fault as its reason; the others are told beside it
    reasons.extend(fault.message for found, fault in study.faults if fault.message != found.reason)
    return Overview(
        states=tuple(_summary(found, state) for found in sets["typical"] for state in found.states),
        waiting=tuple(_waiting(item) for item in study.timing("typical")),
        stable={(found.corner, found.configuration.key): len(found.stable) for found in every},
        timed=frozenset(
            (corner, found.configuration.key, found.capacitor)
            for corner in CORNERS
            for found in study.timing(corner)
        ),
        source_currents=_source_currents(study.circuit, stable),
        span=span(study),
        complete=study.complete,
        problems=tuple(sorted(set(reasons))),
    )


def _waiting(timed: TimedState) -> Json:
    """A timed state in short: what it is called, what holds it, where and when it ends."""
    shape = timed_shape(timed)
    return {
        **positions(timed.configuration),
        "name": timed.name,
        "devices": dict(sorted(timed.state.devices.items())),
        "held": finite(shape["held"]),
        "ends": finite(shape["ends"]),
        "outcome": timed.outcome,
    }


def _summary(found: StateSet, state: State) -> Json:
    return {
        **positions(found.configuration),
        "name": state.name,
        "stable": state.stable,
        "index": state.index,
        "devices": dict(sorted(state.devices.items())),
    }


def span(study: Study) -> float:
    """The largest voltage (V) between two nets in any stable DC state at any corner."""
    stable = (state for corner in CORNERS for found in study.state_sets(corner) for state in found.stable)
    return max((_between_nets(state) for state in stable), default=0.0)


def _between_nets(state: State) -> float:
    known = [voltage for voltage in state.nets.values() if voltage is not None]
    return max(known) - min(known) if known else 0.0


def _source_currents(circuit: Circuit, states: Iterable[State]) -> Mapping[str, float]:
    largest: dict[str, float] = {}
    sources = [name for name in sorted(circuit.parts) if circuit.parts[name].kind in ("battery", "supply")]
    for state in states:
        for name in sources:
            into = state.currents[name]["plus"]
            if into is not None:
                largest[name] = max(largest.get(name, 0.0), -into)
    return largest


def states_shape(circuit: Circuit, beta: str, hold: Mapping[str, float]) -> Json:
    """The shape of ``POST /v1/states`` at one corner; ``hold`` maps capacitors to volts.

    Without ``hold`` each configuration also lists its timed states.
    """
    from rules.analysis.configurations import configurations
    from rules.analysis.states import find_states
    from rules.analysis.study import Study, assumed_in

    study = Study(circuit)
    wanted, whole = configurations(circuit)
    sets = (
        study.state_sets(beta)
        if not hold
        else tuple(find_states(study.resolved, configuration, beta, hold) for configuration in wanted)
    )
    timed = {} if hold else by_configuration(study.timing(beta))
    reasons = [found.reason for found in sets if found.reason]
    if not whole:
        reasons.append("not every combination of contacts and drivers was looked at")
    return {
        "circuit": circuit.name,
        "complete": whole and all(found.complete for found in sets),
        "beta": beta,
        "held": dict(sorted(hold.items())),
        "assumed": [assumed_shape(item) for item in assumed_in(study.resolved, sets)],
        "configurations": [
            configuration_shape(found, timed.get(found.configuration.key, ())) for found in sets
        ],
        "problems": list(dict.fromkeys(reasons)),
    }


def configuration_shape(found: StateSet, timed: Sequence[TimedState] = ()) -> Json:
    return {
        **positions(found.configuration),
        "reached_by": list(found.configuration.reached_by),
        "complete": found.complete,
        "states": [_one_state(state) for state in found.states],
        "timed": [{**state_shape(item.state), **finite(timed_shape(item))} for item in timed],
    }


def _one_state(state: State) -> Json:
    held = state.mode.network.held
    return {**state_shape(state), **(finite(frozen_shape(state)) if held and state.stable else {})}


def state_shape(state: State) -> Json:
    """One state in SI units; a current is positive into the part at that pin, power when it is taken up."""
    return {
        "name": state.name,
        "stable": state.stable,
        "index": state.index,
        "devices": dict(sorted(state.devices.items())),
        "nets": finite(dict(sorted(state.nets.items()))),
        "currents": {
            part: finite(dict(sorted(pins.items()))) for part, pins in sorted(state.currents.items())
        },
        "power": finite(dict(sorted(state.power.items()))),
    }
