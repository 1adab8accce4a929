"""A divider at a base: what the base current does to it, and how to make it stiffer.

Any number of arms; their far ends are taken where the state has them.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, TypeAlias

import numpy as np

from rules.analysis.elements import RESISTIVE
from rules.analysis.formulas.bias import tap_shift, thevenin_of_arms, through_current
from rules.analysis.operating import operating_point, supposed
from rules.analysis.preferred import members_between, round_down
from rules.analysis.roles import Arm, Stage
from rules.analysis.states import State
from rules.analysis.worst_case import at_worst

if TYPE_CHECKING:
    from rules.analysis.study import Situation, Study

BLEED_SHARE = 0.1  # of the feed's conductance; an arm below it bleeds rather than divides
WINDOW = 1.4  # how far from the bound a pair is looked for: three or four E24 members each way
THRIFT = 0.05  # relative error of the tap that a pair of e times less resistance has to win
Values: TypeAlias = tuple[float, ...]


@dataclass(frozen=True, eq=False)
class Loading:
    """What the base current does to one divider in one situation.

    ``base`` (A) is what all bases on the tap take together, ``divider`` (A) the
    current of the unloaded divider and ``resistance`` (ohm) its arms in
    parallel, both by hand; ``loaded`` is the tap (V) as it is, ``unloaded``
    where it would be in the same mode without any base current.
    """

    study: Study
    situation: Situation
    transistors: tuple[str, ...]
    tap: str
    upper: tuple[Arm, ...]
    lower: tuple[Arm, ...]
    base: float
    divider: float
    resistance: float
    loaded: float

    @cached_property
    def unloaded(self) -> float | None:
        """``None`` where the mode has no unique solution at endless gain."""
        endless = dict.fromkeys(self.transistors, math.inf)
        state = supposed(self.study, self.situation.state, betas=endless)
        return None if state is None else state.nets[self.tap]

    @property
    def ratio(self) -> float:
        return self.divider / self.base

    @property
    def shift(self) -> float | None:
        """How far the base current moves the tap, V: exact in the mode of the state."""
        return None if self.unloaded is None else abs(self.unloaded - self.loaded)

    @property
    def by_hand(self) -> float:
        """The same by the hand formula: all arms in parallel, times the base current."""
        return tap_shift(self.base, self.resistance)

    @property
    def arms(self) -> tuple[Arm, ...]:
        return tuple(sorted((*self.upper, *self.lower), key=lambda arm: arm.part))


def loading(study: Study, stages: Sequence[Stage], situation: Situation) -> Loading | str:
    """The divider that feeds the bases of ``stages`` (all on one tap), or why there is none here.

    The reason is empty where no transistor conducts.
    """
    state, roles = situation.state, study.roles
    busy = [stage for stage in stages if state.devices[stage.transistor] != "off"]
    if not busy:
        return ""
    names = tuple(stage.transistor for stage in busy)
    first = busy[0]
    for stage in busy:
        if state.devices[stage.transistor] != "active":
            return f"{stage.transistor} is {state.devices[stage.transistor]}"
        if stage.emitter in roles.rails or _is_pinned(state, stage.emitter, roles.rails):
            return (
                f"the emitter of {stage.transistor} is on a rail: the feed sets a current,"
                " not a voltage (min-beta-drive judges switches)"
            )
    found = roles.divider(first.transistor, state)
    if found is None:
        feeds = [arm.part for arm in first.feeds]
        return (
            f"only {', '.join(feeds)} feeds the base of {first.transistor}: there is no divider"
            if feeds
            else f"no resistor feeds the base of {first.transistor}"
        )
    arms = (*found.upper, *found.lower)
    if any(arm.other in {stage.collector for stage in busy} - roles.rails for arm in arms):
        return f"the base of {first.transistor} is fed back from its own collector"
    holder = _holder(study, state, first.base, names)
    if holder:
        return f"{holder} sets the potential of net {first.base} too"
    feed, bleed = (found.upper, found.lower) if first.kind == "npn" else (found.lower, found.upper)
    if _conductance(study, bleed) < BLEED_SHARE * _conductance(study, feed):
        return (
            f"{_names(bleed)} bleeds less than a tenth of what {_names(feed)} can bring:"
            " that is a feed with a bleed, not a divider"
        )
    return _loading(study, situation, names, found.upper, found.lower)


def at_corner(load: Loading) -> Loading | None:
    """The same divider at the corner where its current is least against the base current."""

    def ratio(state: State) -> float | None:
        # the sums of _loading as plain arithmetic, so that all points are taken at once
        points = [operating_point(state, name) for name in load.transistors]
        known = [point for point in points if point is not None]
        value, ends = state.mode.network.resolved.value, [state.nets[arm.other] for arm in load.arms]
        volts = [end for end in ends if end is not None]
        if len(known) < len(points) or len(volts) < len(ends):
            return None
        arms = [1.0 / value(arm.part, "resistance") for arm in load.arms]
        free = sum(v * g for v, g in zip(volts, arms, strict=True)) / sum(arms)
        through = sum(np.maximum(0.0, v - free) * g for v, g in zip(volts, arms, strict=True))
        base = sum(point.base for point in known)
        found: float = through / np.where(np.greater(base, 0.0), base, np.nan)
        return found

    which = load.transistors, load.upper, load.lower
    found = at_worst(load.situation, ratio, "min")
    made = None if found is None else _loading(load.study, found.situation, *which)
    return made if isinstance(made, Loading) else None


def _loading(
    study: Study, situation: Situation, names: tuple[str, ...], upper: tuple[Arm, ...], lower: tuple[Arm, ...]
) -> Loading | str:
    state = situation.state
    tap = study.roles.stages[names[0]].base
    points = [operating_point(state, name) for name in names]
    loaded = state.nets[tap]
    base = sum(point.base for point in points if point is not None)
    if loaded is None or not base > 0.0:
        return f"the circuit does not determine the base current of {', '.join(names)}"
    pairs = list(_ends(state, (*upper, *lower)).values())
    divider, resistance = through_current(pairs), thevenin_of_arms(pairs).resistance
    return Loading(study, situation, names, tap, upper, lower, base, divider, resistance, loaded)


def _ends(state: State, arms: Iterable[Arm]) -> dict[str, tuple[float, float]]:
    """Per arm the potential of its far end (V) and its resistance (ohm)."""
    value = state.mode.network.resolved.value
    return {arm.part: (state.nets[arm.other] or 0.0, value(arm.part, "resistance")) for arm in arms}


def _conductance(study: Study, arms: Iterable[Arm]) -> float:
    return sum(1.0 / study.value(arm.part, "resistance") for arm in arms)


def _names(arms: Iterable[Arm]) -> str:
    return ", ".join(arm.part for arm in arms)


def _is_pinned(state: State, net: str, rails: frozenset[str]) -> bool:
    """True when a branch without resistance (a closed contact) ties ``net`` to a rail in this state."""
    branches = state.mode.network.branches
    return any(b.resistance == 0.0 and net in b.nets and set(b.nets) & rails for b in branches)


def _holder(study: Study, state: State, tap: str, bases: tuple[str, ...]) -> str:
    """A part besides resistors and the bases themselves that carries current at the tap, or holds it."""
    for part in study.circuit.parts.values():
        if part.name in bases or part.kind in RESISTIVE or tap not in part.pins.values():
            continue
        if part.name in state.mode.network.held:
            return part.name
        pins = [pin for pin, net in part.pins.items() if net == tap]
        if any(state.currents[part.name][pin] not in (0.0, None) for pin in pins):
            return part.name
    return ""


class Redesign:
    """New values for the resistors of a divider, by the loaded tap in closed form.

    In one mode the base current is an affine function of the tap's potential,
    ``j0 + slope*(v - v0)``; two solves give it, and every pair of values is then
    one division.
    """

    def __init__(self, study: Study, load: Loading, wanted: float) -> None:
        self.study, self.load, self.wanted = study, load, wanted
        self._fits: dict[float, tuple[Values, ...]] = {}
        self._checked: dict[Values, bool] = {}
        state = load.situation.state
        self.ends = _ends(state, load.arms)

        def in_order(arms: Iterable[Arm]) -> list[Arm]:
            return sorted(arms, key=lambda arm: (self.ends[arm.part][1], arm.part))

        # upper arms first, so that a tie does not depend on names
        self.order = (*in_order(load.upper), *in_order(load.lower))
        self.arms = tuple(arm.part for arm in self.order)
        spans = [
            (1.0 + study.value(part, "tolerance_low"), 1.0 + study.value(part, "tolerance_high"))
            for part in self.arms
        ]
        self.factors = tuple(itertools.product(*spans))
        self.potentials = tuple(self.ends[part][0] for part in self.arms)
        self.now = tuple(self.ends[part][1] for part in self.arms)
        halves = {(part, "resistance"): 0.5 * r for part, r in zip(self.arms, self.now, strict=True)}
        self.v0, self.j0 = self._tap(state)
        moved = supposed(study, state, halves)
        self.solvable = moved is not None
        v1, j1 = self._tap(moved) if moved is not None else (self.v0, self.j0)
        self.slope = (j1 - self.j0) / (v1 - self.v0) if v1 != self.v0 else 0.0

    @property
    def possible(self) -> bool:
        """Only resistors are changed, never a coil or a load."""
        parts = self.study.circuit.parts
        return self.solvable and all(parts[part].kind == "resistor" for part in self.arms)

    def _tap(self, state: State) -> tuple[float, float]:
        """Potential of the tap (V) and what the bases draw from it (A, negative for PNP)."""
        drawn = sum(state.currents[name]["base"] or 0.0 for name in self.load.transistors)
        return state.nets[self.load.tap] or 0.0, drawn

    def tap(self, values: Values) -> tuple[float, float]:
        """Tap (V) and ratio of divider to base current with other arm values (ohm, as in ``arms``)."""
        conductances = [1.0 / r for r in values]
        whole = sum(conductances)
        lifted = sum(e * g for e, g in zip(self.potentials, conductances, strict=True))
        v = (lifted - self.j0 + self.slope * self.v0) / (whole + self.slope)
        drawn = abs(self.j0 + self.slope * (v - self.v0))
        free = lifted / whole
        through = sum((e - free) * g for e, g in zip(self.potentials, conductances, strict=True) if e > free)
        return v, through / drawn if drawn else math.inf

    def least_ratio(self, values: Values) -> float:
        """The ratio at the worst ends of the arms' tolerances."""
        return min(self.tap(at_ends)[1] for at_ends in self._ends_of_tolerance(values))

    def _ends_of_tolerance(self, values: Values) -> Iterator[Values]:
        for factors in self.factors:
            yield tuple(r * factor for r, factor in zip(values, factors, strict=True))

    @cached_property
    def bound(self) -> float | None:
        """The factor on all arms, at most 1, that gives the wanted least ratio; ``None`` below 1e-5."""

        def holds(factor: float) -> bool:
            return self.least_ratio(tuple(factor * r for r in self.now)) >= self.wanted

        if holds(1.0):
            return 1.0
        low, high = 1e-5, 1.0
        if not holds(low):
            return None
        for _ in range(14):
            middle = math.sqrt(low * high)
            low, high = (middle, high) if holds(middle) else (low, middle)
        return low

    def stiff(self, error: Callable[[Values], float]) -> Values | None:
        """Preferred values that keep the wanted ratio at every tolerance, of the least relative ``error``."""
        factor = self.bound
        for _ in range(8):
            if factor is None:
                return None
            whole = factor * sum(self.now)
            scored = {values: _score(error(values), values, whole) for values in self._fitting(factor)}
            best = min(scored, key=scored.__getitem__, default=None)
            if best is not None and math.isfinite(scored[best][0]) and self._confirmed(best):
                return best
            factor *= 0.9
        return None

    def _fitting(self, factor: float) -> tuple[Values, ...]:
        """Candidates about ``factor`` times the present values that keep the ratio in closed form."""
        series = self.study.preferences.resistor
        if factor not in self._fits:
            most = [factor * r for r in self.now]
            if len(most) == 2:
                pairs = zip(most, self.now, strict=True)
                grids = [
                    [r for r in members_between(m / WINDOW, m * WINDOW, series) if r <= now]
                    for m, now in pairs
                ]
                found: Iterable[Values] = itertools.product(*grids)
            else:
                found = [tuple(round_down(r, series) for r in most)]
            self._fits[factor] = tuple(values for values in found if self.least_ratio(values) >= self.wanted)
        return self._fits[factor]

    def _confirmed(self, values: Values) -> bool:
        """The same by a full solve, for far ends that give way."""
        if values not in self._checked:
            self._checked[values] = self._holds_in_full(values)
        return self._checked[values]

    def _holds_in_full(self, values: Values) -> bool:
        worst = min(self._ends_of_tolerance(values), key=lambda at_ends: self.tap(at_ends)[1])
        changed = {(part, "resistance"): r for part, r in zip(self.arms, worst, strict=True)}
        state = supposed(self.study, self.load.situation.state, changed)
        if state is None:
            return False
        _, drawn = self._tap(state)
        pairs = [(state.nets[arm.other] or 0.0, r) for arm, r in zip(self.order, worst, strict=True)]
        return through_current(pairs) >= self.wanted * abs(drawn) > 0.0


def _score(error: float, values: Values, whole: float) -> tuple[float, ...]:
    """Least error first, weighed against the current that smaller values take from the supply."""
    spent = THRIFT * abs(math.log(sum(values) / whole))
    return round(error + spent, 9), *(-r for r in values)
