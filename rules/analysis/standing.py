"""What a circuit draws from its supplies while it stays in a named state, leakage included.

A leaking capacitor is a resistor that passes its limit at the highest voltage it can have in the state; the
collector-base leakage of a transistor is a current source across that junction.  Both are put into the
circuit and it is solved again: an open base then multiplies the leakage by itself, a bleed carries it off.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, TypeAlias

from rules.analysis.corners.existence import states_at
from rules.analysis.corners.worst import Sensitivity, worst
from rules.analysis.formulas.cutoff import COLDEST, HOTTEST, collector_base_leakage
from rules.analysis.frozen import capacitor_voltage
from rules.analysis.leakage import Promise, promise_of, supply_span
from rules.analysis.named import Pinned, fitting, range_of
from rules.analysis.resolve import SUPPLIES, TRANSISTORS, dielectric_of, resolve
from rules.analysis.states import State, find_states
from schemas.circuit import Circuit, Part, Tolerance, Value, frozen_map

if TYPE_CHECKING:
    from rules.analysis.study import Situation, Study

_LEAK = "leakage of "
_STILL = 1e-3  # V; a capacitor or junction at less leaks nothing
Leaks: TypeAlias = Mapping[str, Promise | float]  # of a capacitor its promise, of a transistor I_CBO in A


@dataclass(frozen=True, eq=False)
class Drain:
    """The greatest current from the supplies in one situation.

    ``amperes`` at ``corner``, ``nominal`` at nominal values without any leakage.  ``leaking``: per part the
    leakage (A) that flows there.  ``missing``: pointers of the values without which a leakage is not known.
    ``tuned``: the study and state with the leakages in them, for trials of other resistors.
    """

    amperes: float
    nominal: float
    corner: str
    situation: Situation
    how: str
    leaking: Mapping[str, float]
    promises: Mapping[str, Promise]
    missing: tuple[str, ...]
    tuned: tuple[Study, State]
    sensitivities: tuple[Sensitivity, ...]


@dataclass(frozen=True, eq=False)
class Leaky:
    """A circuit with its leakages as parts (``study``), a ``state`` of it, and what leaks there."""

    study: Pinned
    state: State
    leaks: Leaks
    missing: tuple[str, ...]


def sources(circuit: Circuit, *kinds: str) -> tuple[str, ...]:
    """Batteries and supplies by name, or only those of ``kinds``."""
    return tuple(p.name for p in circuit.parts.values() if p.kind in (kinds or SUPPLIES))


def drawn(state: State, names: tuple[str, ...]) -> float | None:
    """What the sources ``names`` deliver together, A; ``None`` where it is not determined."""
    total = 0.0
    for name in names:
        current = state.currents[name]["plus"]
        if current is None:
            return None
        total = total - current
    return total


def drains_of(study: Study, name: str, names: tuple[str, ...]) -> tuple[Drain, ...]:
    """Every :func:`drains`, the greatest current first; worked out once for a study."""
    return study.shared(
        ("drains", name, names),
        lambda: tuple(sorted(drains(study, name, names), key=lambda drain: -drain.amperes)),
    )


def drains(study: Study, name: str, names: tuple[str, ...]) -> Iterator[Drain]:
    """The current from the sources ``names`` in every situation that fits the state ``name``."""
    for situation in fitting(study, "typical", name):
        nominal = drawn(situation.state, names)
        if nominal is None:
            continue
        made = (
            _timed(study, name, names, nominal)
            if situation.timed
            else _resting(study, situation, names, nominal)
        )
        if made is not None:
            yield made


def standby(study: Study, battery: str) -> Drain | str:
    """The greatest current from a battery in the resting state that draws least of it, or why there is none.

    Only states with every contact and driver in its position of rest count.
    """
    return study.shared(("standby", battery), lambda: _standby(study, battery))


def _standby(study: Study, battery: str) -> Drain | str:
    rest = study.state_sets()[0].configuration.key
    found = [s for s in study.situations() if s.timed is None and s.position == rest]
    if not found:
        return "the circuit never rests"
    least: list[tuple[float, Situation]] = []
    for situation in found:
        amperes = drawn(situation.state, (battery,))
        if amperes is None:
            return f'the circuit does not determine the current from {battery} in "{situation.label}"'
        least.append((max(amperes, 0.0), situation))
    nominal, situation = min(least, key=lambda item: (item[0], item[1].label))
    made = _resting(study, situation, (battery,), nominal)
    return f'no state stands for "{situation.label}" once leakage flows' if made is None else made


def _timed(study: Study, name: str, names: tuple[str, ...], nominal: float) -> Drain | None:
    """While a capacitor charges, leakage is nothing beside the rest."""
    high = range_of(study, name, lambda state: drawn(state, names)).high
    if high is None:
        return None
    kept = (study, high.situation.state)
    return Drain(
        high.value, nominal, high.corner, high.situation, high.how, {}, {}, (), kept, high.sensitivities
    )


def with_leakage(study: Study, situation: Situation) -> Leaky | None:
    """A resting situation with all that may leak at the hottest in it; ``None`` where it is lost then."""
    return study.shared(("with leakage", situation.state), lambda: _with_leakage(study, situation))


def _with_leakage(study: Study, situation: Situation) -> Leaky | None:
    leaks, missing = _leaks(study, situation.state)
    leaky = _with_leaks(study, situation.state, leaks)
    network = situation.state.mode.network
    there = find_states(leaky.resolved, network.configuration, "typical", network.held, study.step_budget)
    state = _nearest(there.states, situation.state)
    return None if state is None else Leaky(leaky, state, leaks, missing)


def _resting(study: Study, situation: Situation, names: tuple[str, ...], nominal: float) -> Drain | None:
    made = with_leakage(study, situation)
    if made is None:
        return None
    leaky, state, leaks, missing = made.study, made.state, made.leaks, made.missing
    found = worst(state, lambda s: drawn(s, names), "max")
    if found is None or found.state is None:
        return None
    corner, amperes, how = found.state, found.value, "" if found.exact else found.how
    if not found.holds:
        instead = _nearest(states_at(state.mode.network, found.point).states, found.state)
        value = None if instead is None else drawn(instead, names)
        if instead is None or value is None:
            return None
        corner, amperes = instead, value
        how = "the transistors are in other regions there than at nominal values: the corner is no proof"
    leaking = {part: _leaking(corner, part) for part in sorted(leaks)}
    promises = {part: leak for part, leak in leaks.items() if isinstance(leak, Promise)}
    label = found.label
    tuned = (leaky, state)
    return Drain(
        amperes, nominal, label, situation, how, leaking, promises, missing, tuned, found.sensitivities
    )


def _leaks(study: Study, state: State) -> tuple[dict[str, Promise | float], tuple[str, ...]]:
    """What leaks in a state, at the highest ambient temperature, and what is not known of it."""
    found: dict[str, Promise | float] = {}
    missing: list[str] = []
    hot = min(max(study.resolved.ambient.high, COLDEST), HOTTEST)
    for part in study.circuit.parts.values():
        if part.kind == "capacitor":
            volts = capacitor_voltage(study.resolved, state, part.name)
            if volts is None or abs(volts) < _STILL:
                continue
            promise = promise_of(study, part.name, volts)
            if isinstance(promise, str):
                missing.append(promise)
            else:
                found[part.name] = promise
        elif part.kind in TRANSISTORS and _reverse_biased(part, state):
            amperes = collector_base_leakage(study.value(part.name, "icbo"), hot)
            if amperes > 0.0:
                found[part.name] = amperes
    return found, tuple(missing)


def _reverse_biased(part: Part, state: State) -> bool:
    """True when the collector-base junction blocks, or would with its base left open."""
    if state.devices[part.name] not in ("off", "active"):
        return False
    sign = 1.0 if part.kind == "npn" else -1.0
    collector, base, emitter = (state.nets[part.pins[pin]] for pin in ("collector", "base", "emitter"))
    below = base if base is not None else emitter
    return collector is not None and below is not None and sign * (collector - below) > _STILL


def _with_leaks(study: Study, state: State, leaks: Leaks) -> Pinned:
    """The circuit with its leakages as parts of their own."""
    made = dict(study.circuit.parts)
    span = supply_span(study)
    for name, leak in leaks.items():
        part, extra = study.circuit.parts[name], leak_name(name)
        if isinstance(leak, Promise):
            volts = abs(capacitor_voltage(study.resolved, state, name) or 0.0) * span
            if dielectric_of(part) in ("film", "ceramic"):
                volts = leak.rated or volts  # an insulation resistance, stated at the rated voltage
            first, second = part.pins.values()
            values: dict[str, Value] = {"resistance": volts / leak.limit, "tolerance": Tolerance(0.0, 0.0)}
            made[extra] = Part(extra, "resistor", {"a": first, "b": second}, values)
        else:
            ends = (part.pins["collector"], part.pins["base"])
            start, end = ends if part.kind == "npn" else ends[::-1]
            if start != end:
                made[extra] = Part(extra, "current-source", {"from": start, "to": end}, {"current": leak})
    circuit = _circuit_with(study.circuit, made)
    return Pinned(circuit, resolve(circuit))


def leak_name(part: str) -> str:
    """The name of the part that stands for a leakage; no document can have it."""
    return f"{_LEAK}{part}"


def is_leak(name: str) -> bool:
    """True for the name of a part that stands for a leakage."""
    return name.startswith(_LEAK)


def _circuit_with(circuit: Circuit, parts: Mapping[str, Part]) -> Circuit:
    return replace(circuit, parts=frozen_map(parts))


def _nearest(states: tuple[State, ...], like: State) -> State | None:
    """The stable state whose nets stand nearest to those of another one."""
    options = [state for state in states if state.stable] or list(states)

    def distance(state: State) -> tuple[float, tuple[int, ...]]:
        gaps = [
            abs(value - other)
            for net, value in like.nets.items()
            for other in (state.nets.get(net),)
            if value is not None and other is not None
        ]
        return max(gaps, default=math.inf), state.mode.solution.support

    return min(options, key=distance, default=None)


def _leaking(state: State, part: str) -> float:
    currents = state.currents.get(leak_name(part), {})
    return max((abs(value) for value in currents.values() if value is not None), default=0.0)
