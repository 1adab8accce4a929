"""The road that a current takes from rail to rail: what drops a fixed voltage, what resists, what sets it."""

from __future__ import annotations

import heapq
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, TypeAlias

from rules.analysis.elements import COILS, RESISTIVE, SOURCES
from rules.analysis.resolve import TRANSISTORS
from rules.analysis.roles import Roles
from rules.analysis.states import State
from schemas.circuit import Circuit, Part

if TYPE_CHECKING:
    from rules.analysis.study import Study

Drop: TypeAlias = tuple[str, str]  # (part, forward | zener | vbe_on | vce_sat)
QUIET = 1e-9  # A; less is no current
LOADS = ("led", "load", "coil")
BUDGET = "drop budget"  # role of a finding about what a road leaves over
_JUNCTIONS = ("diode", "led", "zener")
_ENDS = ("a", "b"), ("plus", "minus"), ("anode", "cathode")
_FEEDING = (*SOURCES, "current-source", "capacitor")


@dataclass(frozen=True, slots=True)
class Road:
    """From ``top`` to ``bottom`` net through ``parts``, in that order.

    ``drops`` are fixed voltages on it, ``resistive`` the parts that turn voltage into current.
    ``keeper`` keeps the current whatever voltage it has (an active transistor, a current source): empty
    where resistance sets it.  ``own`` are the parts that carry this current and no other.
    """

    top: str
    bottom: str
    parts: tuple[str, ...]
    resistive: tuple[str, ...]
    drops: tuple[Drop, ...]
    keeper: str = ""
    own: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class _Step:
    part: Part
    enters: str
    leaves: str


def road_of(study: Study, state: State, name: str) -> Road | None:
    """The road of the current through a part with two pins, the largest share at every fork.

    ``None`` where it carries no current, or one that is not determined.
    """
    part = study.circuit.parts[name]
    pair = sorted(part.pins, key=lambda pin: -(state.currents[name][pin] or 0.0))
    carried = state.currents[name][pair[0]]
    if carried is None or carried < QUIET:
        return None
    rails, seen = study.roles.rails, {name}
    up, top = _walk(state, rails, part.pins[pair[0]], -1.0, seen)
    down, bottom = _walk(state, rails, part.pins[pair[-1]], 1.0, seen)
    steps = [*reversed(up), _Step(part, pair[0], pair[-1]), *down]
    alone = []
    for step in steps:
        amps = state.currents[step.part.name][step.enters]
        if amps is not None and abs(abs(amps) - carried) <= 1e-6 * carried:
            alone.append(step.part.name)
    return _road(study.roles, steps, top, bottom, state, tuple(alone))


def _walk(
    state: State, rails: frozenset[str], net: str, sign: float, seen: set[str]
) -> tuple[list[_Step], str]:
    """Follow the largest current from a net: against it with ``sign`` -1, along it with +1; to which net."""
    steps: list[_Step] = []
    parts = state.mode.network.resolved.circuit.parts
    while net not in rails:
        found = [
            (sign * (state.currents[part.name][pin] or 0.0), part.name, pin)
            for part in parts.values()
            if part.name not in seen
            for pin, at in part.pins.items()
            if at == net
        ]
        best = min(((-amps, name, pin) for amps, name, pin in found), default=None)
        if best is None or -best[0] < QUIET:
            break
        part, near = parts[best[1]], best[2]
        seen.add(part.name)
        far = max(
            (pin for pin in sorted(part.pins) if pin != near),
            key=lambda pin: -sign * (state.currents[part.name][pin] or 0.0),
        )
        steps.append(_Step(part, far, near) if sign < 0.0 else _Step(part, near, far))
        if part.kind in _FEEDING:
            break
        net = part.pins[far]
    return steps, net


def _road(
    roles: Roles, steps: Sequence[_Step], top: str, bottom: str, state: State | None, own: tuple[str, ...]
) -> Road:
    drops = tuple(drop for step in steps for drop in _drops(roles, step))
    resistive = tuple(s.part.name for s in steps if s.part.kind in RESISTIVE)
    keeper = next((s.part.name for s in steps if _keeps(roles, s, state)), "")
    return Road(top, bottom, tuple(s.part.name for s in steps), resistive, drops, keeper, own)


def _keeps(roles: Roles, step: _Step, state: State | None) -> bool:
    if step.part.kind == "current-source":
        return True
    if step.part.kind not in TRANSISTORS or state is None or "base" in (step.enters, step.leaves):
        return False
    return state.devices[step.part.name] == "active" and roles.stages[step.part.name].intent != "follower"


def _drops(roles: Roles, step: _Step) -> Iterator[Drop]:
    name, kind = step.part.name, step.part.kind
    if kind in _JUNCTIONS:
        yield name, "zener" if kind == "zener" and step.enters == "cathode" else "forward"
    elif kind in TRANSISTORS:
        if "base" in (step.enters, step.leaves):
            yield name, "vbe_on"
            return
        # a follower stands at least one junction below the rail that its base cannot pass
        output = any(p.kind == "darlington" and p.members[1] == name for p in roles.pairs)
        if output:
            yield name, "vbe_on"
        follows = roles.stages[name].intent == "follower" and not output
        yield name, "vbe_on" if follows else "vce_sat"


def threshold_of(road: Road) -> str:
    """A zener in series on a road: it keeps the current off below a threshold on purpose; else empty."""
    return next((name for name, member in road.drops if member == "zener"), "")


def is_pulse(circuit: Circuit, road: Road) -> bool:
    """True where a capacitor brings the current: it lasts as long as the charge does."""
    return any(circuit.parts[name].kind == "capacitor" for name in road.parts)


def travellers(circuit: Circuit, road: Road) -> tuple[str, ...]:
    """The junctions of a road and the loads on it: what a finding about it is about."""
    loads = [name for name in road.parts if circuit.parts[name].kind in LOADS]
    return tuple(sorted({name for name, _ in road.drops} | set(loads)))


def volts_of(state: State, drop: Drop) -> float:
    """One fixed drop in V as it is in a state; at many corners at once an array."""
    resolved, (part, member) = state.mode.network.resolved, drop
    if member in ("vbe_on", "vce_sat"):
        return resolved.assumptions[member]
    return resolved.value(part, member)


def across(state: State, road: Road) -> float | None:
    """The voltage from rail to rail of a road, V."""
    top, bottom = state.nets[road.top], state.nets[road.bottom]
    return None if top is None or bottom is None else top - bottom


def over(state: State, road: Road) -> float | None:
    """What the fixed drops of a road leave over, V; plain arithmetic."""
    volts = across(state, road)
    if volts is None:
        return None
    for drop in road.drops:
        volts = volts - volts_of(state, drop)
    return volts


def resisted(state: State, parts: Iterable[str]) -> float | None:
    """The voltage over some resistive parts together, V; plain arithmetic."""
    total = 0.0
    pins = state.mode.network.resolved.circuit.parts
    for name in parts:
        first, second = (state.nets[net] for net in pins[name].pins.values())
        if first is None or second is None:
            return None
        total = total + abs(first - second)
    return total


# a road that nothing flows along ----------------------------------------------------------------


def cheapest_road(study: Study, state: State, name: str) -> Road | None:
    """The road with the least fixed drops through a part that carries no current in a state.

    Contacts count as closed, transistors as on.  ``None`` where no rail is reached on both sides.
    """
    part = study.circuit.parts[name]
    high, low = _ends(part)
    up = _cheapest(study, state, part.pins[high], True, name)
    down = _cheapest(study, state, part.pins[low], False, name)
    if up is None or down is None:
        return None
    steps = [*reversed(up[0]), _Step(part, high, low), *down[0]]
    return _road(study.roles, steps, up[1], down[1], None, ())


def _cheapest(
    study: Study, state: State, start: str, up: bool, without: str
) -> tuple[list[_Step], str] | None:
    """The steps from a net to a rail and that rail, which leave most voltage."""
    rails, sign = study.roles.rails, 1.0 if up else -1.0
    drivers = {p.pins["out"] for p in study.circuit.parts.values() if p.kind == "driver"}
    queue: list[tuple[float, int, str, tuple[tuple[str, str, str], ...]]] = [(0.0, 0, start, ())]
    done: set[str] = set()
    best: tuple[float, int, str, tuple[tuple[str, str, str], ...]] | None = None
    while queue:
        used, length, net, way = heapq.heappop(queue)
        if net in done:
            continue
        done.add(net)
        volts = state.nets[net]
        if (net in rails or net in drivers) and volts is not None:
            found = (used - sign * volts, length, net, way)
            best = found if best is None else min(best, found)
            continue
        for step in _steps_from(study.circuit, net, up):
            if step.part.name == without:
                continue
            cost = used + sum(volts_of(state, drop) for drop in _drops(study.roles, step))
            far = step.part.pins[step.enters if up else step.leaves]
            heapq.heappush(
                queue, (cost, length + 1, far, (*way, (step.part.name, step.enters, step.leaves)))
            )
    if best is None:
        return None
    parts = study.circuit.parts
    return [_Step(parts[part], enters, leaves) for part, enters, leaves in best[3]], best[2]


def _steps_from(circuit: Circuit, net: str, up: bool) -> Iterator[_Step]:
    """Every way a current may come into a net (``up``) or leave it."""
    for part in circuit.parts.values():
        for enters, leaves in _ways(part):
            if part.pins[leaves if up else enters] == net:
                yield _Step(part, enters, leaves)


def _ends(part: Part) -> tuple[str, str]:
    """The two pins of a part that has no more, the upper one first."""
    return next(ends for ends in _ENDS if set(ends) == set(part.pins))


def _ways(part: Part) -> tuple[tuple[str, str], ...]:
    if part.kind in (*RESISTIVE, *COILS, "contact", "fuse"):
        ends = _ends(part)
        return ends, ends[::-1]
    if part.kind == "zener":
        return ("anode", "cathode"), ("cathode", "anode")
    if part.kind in ("diode", "led"):
        return (("anode", "cathode"),)
    if part.kind == "npn":
        return ("collector", "emitter"), ("base", "emitter")
    if part.kind == "pnp":
        return ("emitter", "collector"), ("emitter", "base")
    return ()
