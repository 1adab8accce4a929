"""How far the resting places of a latch are from being lost: in gain, in supply voltage, in temperature.

Each margin is found by following the state while one condition worsens, first
at the nominal values, then at the worst corner: the end of each supply and of
the temperature that leaves least, and every resistance at the limit of its
tolerance that hurts there.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import TypeVar

import numpy as np

from rules.analysis.corners.labels import label
from rules.analysis.corners.parameters import TEMPERATURE, Key, Parameter, least_gain, parameters
from rules.analysis.elements import junction_terminal_currents
from rules.analysis.enumeration import BRUTE_LIMIT
from rules.analysis.latches.conditions import (
    Conditions,
    between,
    condition,
    fed_by,
    forward_of,
    with_gain,
    with_supply,
)
from rules.analysis.latches.find import Latch, Rest
from rules.analysis.latches.path import Bench, Family, Followed
from rules.analysis.network import Network, build_network
from rules.analysis.resolve import CORNERS, TRANSISTORS
from rules.analysis.states import collector_currents
from rules.analysis.tabulation import regions_of

RANGE = 1e3  # factor over which gains and supplies are followed
TOLD = 0.1  # of the strongest influence; a resistance below it is not named in a corner

T = TypeVar("T")


@dataclass(frozen=True, eq=False)
class Corner:
    """A point of the tolerances, how it is called, and the network there (other resistances, if any)."""

    label: str
    point: Mapping[Key, float]
    bench: Bench

    @property
    def network(self) -> Network:
        return self.bench.network


Way = Callable[[Mapping[Key, float]], Family]
"""From a point of the tolerances to the conditions along the way on which a margin is looked for."""


@dataclass(frozen=True, eq=False)
class Lost:
    """Where a resting place is lost: at ``value``, after ``share`` of a way, in which mode and condition.

    ``failing`` is ``None`` where it is never lost, or where it never was.
    """

    corner: Corner
    value: float
    share: float = 0.0
    support: tuple[int, ...] = ()
    failing: int | None = None
    way: Way | None = None

    @property
    def conditions(self) -> Conditions | None:
        """The conditions at which it is lost."""
        return None if self.way is None else self.way(self.corner.point)(np.array([self.share])).at(0)

    @cached_property
    def slopes(self) -> dict[str, float]:
        """Per resistance, how an increase moves the condition that failed (V per unit of the logarithm)."""
        conditions = self.conditions
        if self.failing is None or conditions is None:
            return {}
        return self.corner.bench.slopes(conditions, self.support, self.failing)

    @property
    def told(self) -> tuple[str, ...]:
        """The resistances that matter most where it is lost, the strongest first."""
        slopes = self.slopes
        strongest = max(map(abs, slopes.values()), default=0.0)
        found = [name for name, slope in slopes.items() if abs(slope) > TOLD * strongest]
        return tuple(sorted(found, key=lambda name: (-abs(slopes[name]), name)))

    def moved(self, point: Mapping[Key, float]) -> float:
        """V by which the condition that failed would be missed at another point, resistances apart."""
        if self.way is None or self.failing is None:
            return 0.0
        values, _, _ = self.corner.bench.mode(self.way(point)(np.array([self.share])), self.support)
        return float(values[0, self.failing])


def kept(latch: Latch, key: tuple[object, ...], make: Callable[[], T]) -> T:
    """Work something out once per latch."""
    if key not in latch.kept:
        latch.kept[key] = make()
    return latch.kept[key]  # type: ignore[return-value]


def gains(latch: Latch, rest: Rest, corner: str) -> dict[str, float]:
    """Gain of every transistor at a corner, the least ones at the collector currents of the resting place."""
    resolved = latch.network.resolved
    names = [part.name for part in resolved.circuit.parts.values() if part.kind in TRANSISTORS]
    start = latch.start(rest)
    if corner != "min" or start is None:
        return {name: resolved.beta(name, corner).value for name in names}
    mode = start.mode
    currents = collector_currents(mode.network, mode.betas, mode.solution)
    return {name: least_gain(resolved, name, currents[name]) for name in names}


def intervals(latch: Latch) -> tuple[Parameter, ...]:
    return kept(latch, ("intervals",), lambda: parameters(latch.network.resolved))


def holds(latch: Latch, rest: Rest, network: Network, saturated: bool) -> Callable[[Sequence[int]], bool]:
    """Whether a mode is the resting place; ``saturated``: with its output, if that does so at any gain."""
    output = latch.outputs.get(rest.name)
    there = [state for corner in CORNERS if (state := latch.state(rest, corner)) is not None]
    saturates = output is not None and any(state.devices[output] == "saturated" for state in there)
    wanted = output if saturated and saturates else None

    def keeps(support: Sequence[int]) -> bool:
        devices = regions_of(network, support)
        on = frozenset(name for name in latch.members if devices[name] != "off")
        return on == rest.conducting and (wanted is None or devices[wanted] == "saturated")

    return keeps


def reserve(latch: Latch, rest: Rest, corner: Corner) -> Lost:
    """1/f with f the smallest factor on the least gains of the loop at which its output still saturates.

    Below 1 the state is missing at these gains; 0 when no gain brings it.
    """
    return _reserve(latch, rest, corner, True)


def existence(latch: Latch, rest: Rest, corner: Corner) -> Lost:
    """As :func:`reserve`, but the state only has to be there."""
    return _reserve(latch, rest, corner, False)


def _reserve(latch: Latch, rest: Rest, corner: Corner, saturated: bool) -> Lost:
    network, bench = corner.network, corner.bench
    least, loop = gains(latch, rest, "min"), forward_of(network, latch.members)
    keeps = holds(latch, rest, network, saturated)
    for most, decades in ((1.0, RANGE), (RANGE, RANGE * RANGE)):

        def way(point: Mapping[Key, float], most: float = most, decades: float = decades) -> Family:
            target = condition(network, point, least)
            return lambda share: with_gain(target, loop, most * decades**-share)

        mode = _brought(latch, rest, bench, way(corner.point), keeps)
        if mode is not None:
            end = bench.follow(way(corner.point), mode, keeps)
            return lost_at(corner, end, decades**end.share / most, way)
    return Lost(corner, 0.0)


def holding(latch: Latch, rest: Rest, corner: Corner) -> Lost:
    """The lowest share of the nominal supply voltages at which the state is there; infinite when at none."""
    network, bench = corner.network, corner.bench
    least, supplies, top = gains(latch, rest, "min"), fed_by(network), highest_share(latch)
    keeps = holds(latch, rest, network, False)

    def way(point: Mapping[Key, float]) -> Family:
        # shares are those of the nominal voltages
        nominal = {key: value for key, value in point.items() if key[1] != "voltage"}
        target = condition(network, nominal, least)
        return lambda share: with_supply(target, supplies, top * RANGE**-share)

    mode = _brought(latch, rest, bench, way(corner.point), keeps)
    if mode is None:
        return Lost(corner, math.inf)
    end = bench.follow(way(corner.point), mode, keeps)
    return lost_at(corner, end, top * RANGE**-end.share, way)


def collector_current(lost: Lost, transistor: str) -> float:
    """Collector current (A, magnitude) of a transistor where a state is lost."""
    conditions = lost.conditions
    if conditions is None:
        return 0.0
    network = lost.corner.network
    reverse = network.resolved.assumptions["reverse_beta"]
    total = 0.0
    for k, current in enumerate(lost.corner.bench.currents(conditions, lost.support).tolist()):
        junction = network.junctions[k]
        if junction.device == transistor:
            gain = float(conditions.gain[k])
            total += junction_terminal_currents(junction.name, gain, reverse)["collector"] * current
    return abs(total)


def highest_share(latch: Latch) -> float:
    """The highest supply in use over its nominal voltage, at least 1."""
    supplies = [p for p in intervals(latch) if p.kind == "supply" and p.nominal]
    return max([1.0, *(end / p.nominal for p in supplies for end in (p.low, p.high))])


def written(latch: Latch, rest: Rest, gain: str) -> Corner:
    """Everything as written, at one corner of the gains."""
    return Corner(gain, {}, Bench(latch.home(rest)))


def warmest(latch: Latch, rest: Rest) -> Corner:
    """Greatest gain, highest supplies, highest ambient temperature."""
    found = intervals(latch)
    point = {p.key: p.high for p in found if p.kind in ("gain", "supply", "temperature")}
    if all(key[1] == "beta" for key in point):
        return written(latch, rest, "max")
    return Corner(label(point, found), point, Bench(latch.home(rest)))


def present(latch: Latch, rest: Rest, corner: Corner, gain: str) -> bool:
    """True when a resting place exists at a corner, the gains being those of ``gain``."""
    target = condition(corner.network, corner.point, gains(latch, rest, gain))
    keeps = holds(latch, rest, corner.network, False)
    return (
        _brought(latch, rest, corner.bench, lambda share: between(target, target, share), keeps) is not None
    )


def survives(latch: Latch, rest: Rest, corner: Corner, factor: float, saturated: bool = True) -> bool:
    """True when a resting place exists with the least gains of the loop times ``factor``."""
    least = condition(corner.network, corner.point, gains(latch, rest, "min"))
    loop = forward_of(corner.network, latch.members)
    weak = with_gain(least, loop, np.array([factor])).at(0)
    keeps = holds(latch, rest, corner.network, saturated)
    return _brought(latch, rest, corner.bench, lambda share: between(weak, weak, share), keeps) is not None


def survives_at(latch: Latch, rest: Rest, corner: Corner, share: float) -> bool:
    """True when a resting place exists with the supplies at a share of their nominal voltages."""
    nominal = {key: value for key, value in corner.point.items() if key[1] != "voltage"}
    full = condition(corner.network, nominal, gains(latch, rest, "min"))
    low = with_supply(full, fed_by(corner.network), np.array([share])).at(0)
    keeps = holds(latch, rest, corner.network, False)
    return _brought(latch, rest, corner.bench, lambda part: between(low, low, part), keeps) is not None


Measure = Callable[[Latch, Rest, Corner], Lost]


@dataclass(frozen=True, slots=True)
class Varied:
    """What a margin depends on beside the resistances, and which way it gets worse."""

    gain: str
    supplies: bool
    temperature: bool
    falling: bool  # true where a smaller margin is worse


VARIED = {
    "reserve": Varied("min", True, True, True),
    "existence": Varied("min", True, True, True),
    "holding": Varied("min", False, True, False),
    "hottest": Varied("max", True, False, True),
}


def as_written(latch: Latch, rest: Rest, measure: Measure) -> Lost:
    """A margin with everything as written but for the gains."""
    gain = VARIED[measure.__name__].gain
    key = ("as written", measure.__name__, rest)
    return kept(latch, key, lambda: measure(latch, rest, written(latch, rest, gain)))


def at_worst(latch: Latch, rest: Rest, measure: Measure) -> Lost:
    """A margin at its worst corner; :data:`VARIED` says what each lets vary."""
    return kept(latch, ("at worst", measure.__name__, rest), lambda: _at_worst(latch, rest, measure))


def _at_worst(latch: Latch, rest: Rest, measure: Measure) -> Lost:
    """Search by the signs of the influences, looked at again at the corner that they lead to."""
    varied = VARIED[measure.__name__]
    first = as_written(latch, rest, measure)
    worst, ends = first, _ends(latch, first, varied)
    for _ in range(2) if ends else ():
        found = measure(latch, rest, _at(latch, rest, ends, first.told, varied.gain))
        if worst is first or (found.value < worst.value) == varied.falling:
            worst = found
        again = _ends(latch, found, varied)
        if again == ends or found.failing is None:
            break
        ends = {**ends, **again}
    return worst


def _ends(latch: Latch, lost: Lost, varied: Varied) -> dict[Key, float]:
    """For each parameter that matters where a state is lost, the end of its interval that loses it sooner."""
    slopes = lost.slopes
    strongest = max(map(abs, slopes.values()), default=0.0)
    found: dict[Key, float] = {}
    for p in intervals(latch):
        if p.kind == "resistance" and abs(slopes.get(p.part, 0.0)) > 1e-6 * strongest:
            found[p.key] = p.high if slopes[p.part] < 0.0 else p.low
        elif (p.kind == "supply" and varied.supplies) or (p.key == TEMPERATURE and varied.temperature):
            low, high = (lost.moved({**lost.corner.point, p.key: end}) for end in (p.low, p.high))
            if abs(low - high) > 1e-9:
                found[p.key] = p.low if low < high else p.high
    return found


def _at(latch: Latch, rest: Rest, ends: Mapping[Key, float], told: Collection[str], gain: str) -> Corner:
    """The corner at these ends; of the resistances only those ``told`` are named."""
    found, network = intervals(latch), latch.home(rest)
    ohms = {key: value for key, value in ends.items() if key[1] == "resistance"}
    resolved = network.resolved.with_values(ohms) if ohms else network.resolved
    bench = Bench(build_network(resolved, network.configuration, network.held))
    named = {p.key: p.low if gain == "min" else p.high for p in found if p.kind == "gain"}
    point = {**named, **ends}
    matter = [p.key for p in found if p.kind != "resistance" or p.part in told]
    return Corner(label(point, found, matter), point, bench)


def _brought(
    latch: Latch, rest: Rest, bench: Bench, family: Family, keeps: Callable[[Sequence[int]], bool]
) -> tuple[int, ...] | None:
    """The mode of a resting place at the start of a way, ``None`` where it does not exist there."""
    target = family(np.zeros(1)).at(0)
    start, same = latch.start(rest), holds(latch, rest, bench.network, False)
    if start is not None:
        first = condition(bench.network, {}, start.mode.betas)
        support = start.mode.solution.support
        values, signs, _ = bench.mode(first.alone, support)
        if signs[0] >= 0.0 and not np.any(values[0] < -1e-6):
            end = bench.follow(lambda share: between(first, target, share), support, same)
            if end.arrived and keeps(end.support):
                return end.support
    if len(bench.network.junctions) > BRUTE_LIMIT and start is not None:
        return None
    found = [s for s, index in bench.supports(target) if index != -1 and keeps(s)]
    return min(found, default=None)


def lost_at(corner: Corner, end: Followed, value: float, way: Way) -> Lost:
    return Lost(corner, value, end.share, end.support, end.failing, way)
