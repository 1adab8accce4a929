"""The worst value that a quantity of a state can take within all tolerances, and the corner it takes it at.

    worst(state, lambda s: s.nets["out"], "max")      -> Worst or None
    bounds(state, lambda s: s.power["R1"])            -> Bounds or None
    worst_scalar(lambda point: seconds(point), parameters, "min")

The mode of the state (which junctions conduct) is kept; ``holds`` says whether it
is a state of the circuit at the corner found.  Where it is not, ask
:func:`rules.analysis.corners.existence.states_at` what is there instead.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Literal, TypeAlias

import numpy as np

from rules.analysis.corners.context import Context, box_of, context_of
from rules.analysis.corners.gains import resettled
from rules.analysis.corners.labels import label
from rules.analysis.corners.parameters import Parameter, Point, frozen_point
from rules.analysis.corners.variants import Quantity, agree
from rules.analysis.corners.vertices import Extreme, Lines, Search
from rules.analysis.elements import Array
from rules.analysis.states import State

Sense: TypeAlias = Literal["min", "max"]

MATTERS = 1e-3  # of the sum of all single changes; a parameter below it is left out of the name of a corner
GAIN_ROUNDS = 4


@dataclass(frozen=True, slots=True)
class Sensitivity:
    """One parameter alone at its ends, all others nominal: the quantity at low and at high.

    ``relative`` is (change of the quantity / its nominal value) / (change of the parameter / its nominal
    value), 0 where one of the nominal values is 0; for the temperature it is the change of the quantity
    over the whole range, relative to its nominal value.
    """

    parameter: Parameter
    low: float
    high: float
    relative: float

    @property
    def change(self) -> float:
        """high - low, in the unit of the quantity."""
        return self.high - self.low


@dataclass(frozen=True, eq=False)
class Worst:
    """One end of a quantity over the box of all tolerances.

    ``value`` at ``point`` (every parameter), named ``label``; ``state`` is the same mode there (``None`` for
    a black-box quantity).  ``holds``: that mode is a state of the circuit there, and it has one solution all
    the way: where its determinant changes its sign within the box nothing bounds a quantity, and ``holds``
    is false.  ``exact``: no point of the
    box gives a worse value in this mode; where it is false, ``how`` says why.  ``nominal`` is the quantity at
    nominal values; ``lines`` the quantity along each parameter alone through there.
    """

    value: float
    sense: Sense
    point: Point
    label: str
    state: State | None
    holds: bool
    exact: bool
    how: str
    nominal: float
    parameters: tuple[Parameter, ...]
    lines: Lines

    @cached_property
    def sensitivities(self) -> tuple[Sensitivity, ...]:
        """Every parameter alone, largest change first."""
        return _sensitivities(self.parameters, self.lines)


@dataclass(frozen=True, eq=False)
class Bounds:
    """Both ends of one quantity."""

    low: Worst
    high: Worst

    @property
    def nominal(self) -> float:
        return self.low.nominal

    def holds_inside(self, value: float, room: float = 1e-9) -> bool:
        """True when a value lies between the ends, up to ``room`` of their distance."""
        slack = room * max(self.high.value - self.low.value, 1e-300)
        return self.low.value - slack <= value <= self.high.value + slack


def worst(
    state: State, quantity: Quantity, sense: Sense, parameters: Sequence[Parameter] | None = None
) -> Worst | None:
    """The worst value of a quantity in the mode of a state.

    ``quantity`` takes a :class:`~rules.analysis.states.State` (nets, currents, devices, power, gains, and
    ``mode.network.resolved`` at the point asked) and gives a number or ``None``.  ``parameters`` default to
    all that concern the state; the least gain of a published type is the one promised at the collector
    current at the very corner.  ``None`` where the quantity is undefined at nominal values.
    """
    found = _ends(context_of(state, parameters), quantity, (sense,), parameters is None)
    return None if found is None else found[0]


def bounds(state: State, quantity: Quantity, parameters: Sequence[Parameter] | None = None) -> Bounds | None:
    """Least and greatest value of a quantity in the mode of a state; see :func:`worst`."""
    found = _ends(context_of(state, parameters), quantity, ("min", "max"), parameters is None)
    return None if found is None else Bounds(*found)


class _Asked:
    """A quantity asked in one context."""

    def __init__(self, context: Context, quantity: Quantity, singly: bool) -> None:
        self.context, self.quantity, self.singly = context, quantity, singly
        self.torn = False  # the determinant changes its sign somewhere
        self._checked = False

    def evaluate(self, points: Array) -> Array:
        many = self.context.variants(points)
        self.torn = self.torn or bool(np.any(many.signs != self.context.sign))
        values = None if self.singly else many.take_together(self.quantity)
        if values is not None and not self._checked:
            self._checked = True
            if not agree(many.take_one(self.quantity, 0), float(values[0])):
                values = None
        if values is None:
            self.singly = True
            values = many.take_singly(self.quantity)
        return values


def _ends(
    context: Context, quantity: Quantity, senses: Sequence[Sense], floating: bool, singly: bool = False
) -> list[Worst] | None:
    asked = _Asked(context, quantity, singly)
    search = Search(asked.evaluate, context.box)
    if np.isnan(search.nominal):
        return None
    found = [_end(asked, search, sense, floating) for sense in senses]
    if None in found:
        # taken for all points at once it was another quantity: point by point then
        return _ends(context, quantity, senses, floating, True)
    return [one for one in found if one is not None]


def _end(asked: _Asked, search: Search, sense: Sense, floating: bool) -> Worst | None:
    sign, quantity = 1.0 if sense == "max" else -1.0, asked.quantity
    found = search.extreme(sign)
    for _ in range(GAIN_ROUNDS if floating else 0):
        moved = resettled(asked.context, found.vertex)
        if moved is None:
            break
        asked = _Asked(moved, quantity, asked.singly)
        following = search.moved(found, moved.box, sign, asked.evaluate)
        if following is None:
            search = Search(asked.evaluate, moved.box)
            following = search.extreme(sign)
        found = following
    many, row = asked.context.at(found.vertex)
    if not asked.singly and not agree(many.take_one(quantity, row), found.value):
        return None
    ill = ["the mode has no unique solution somewhere in between"] if asked.torn else []
    holds = bool(many.holds[row]) and not asked.torn
    return _told(asked.context.parameters, search, found, sense, many.state(row), holds, ill)


def _told(
    parameters: tuple[Parameter, ...],
    search: Search,
    found: Extreme,
    sense: Sense,
    state: State | None,
    holds: bool,
    ill: list[str],
) -> Worst:
    point = frozen_point({p.key: value for p, value in zip(parameters, found.vertex.tolist(), strict=True)})
    spans = search.lines.span
    floor = MATTERS * float(spans.sum())
    matter = [
        p.key for k, p in enumerate(parameters) if spans[k] > floor or k in found.both or k in found.inside
    ]
    return Worst(
        found.value,
        sense,
        point,
        label(point, parameters, matter),
        state,
        holds,
        found.proven and not ill,
        _how(parameters, search, found, ill),
        search.nominal,
        parameters,
        search.lines,
    )


def _how(parameters: tuple[Parameter, ...], search: Search, found: Extreme, ill: list[str]) -> str:
    """How an end was found and what it is worth, in words."""

    def names(places: tuple[int, ...]) -> str:
        return ", ".join(" ".join(word for word in parameters[k].key if word) for k in places[:4]) + (
            " and others" if len(places) > 4 else ""
        )

    words = [f"vertex by the signs of {len(parameters)} sensitivities"]
    words.append("at nominal values only" if search.thrifty else "compared again at both vertices")
    if found.both:
        words.append(f"{names(found.both)} tried both ways")
    if found.inside:
        words.append(f"inside the interval of {names(found.inside)}")
    if found.bent:
        looked = "looked at where the ends do not enclose the nominal value" if search.costly else "searched"
        inside = "taken as monotone" if search.thrifty else f"the inside was {looked}"
        words.append(f"not homographic in {names(found.bent)}: no proof, {inside}")
    if not found.settled:
        words.append("the signs did not settle")
    return "; ".join([*words, *ill])


def _sensitivities(parameters: tuple[Parameter, ...], lines: Lines) -> tuple[Sensitivity, ...]:
    found: list[Sensitivity] = []
    for k, p in enumerate(parameters):
        low, high = float(lines.low[k]), float(lines.high[k])
        width = 1.0 if p.kind == "temperature" else (p.high - p.low) / p.nominal if p.nominal else 0.0
        usable = lines.here != 0.0 and width != 0.0
        found.append(Sensitivity(p, low, high, (high - low) / lines.here / width if usable else 0.0))
    order = sorted(range(len(found)), key=lambda k: (-float(lines.span[k]), parameters[k].key))
    return tuple(found[k] for k in order)


def worst_scalar(
    f: Callable[[Point], float | None],
    parameters: Sequence[Parameter],
    sense: Sense,
    thrifty: bool = False,
) -> Worst | None:
    """The same search for any function of a point (a delay in s, say).

    ``f`` gets every parameter and may return an infinity (never ends: the worst of all maxima) or ``None``
    or NaN (undefined there: such points are passed over).  About 4 calls per parameter: the ends of every
    interval are compared at nominal values and at both corners, the inside is looked at only where the
    nominal value is not between the ends.  2 calls with ``thrifty``, which follows the signs at nominal
    values.  Never ``exact``.  ``None`` where ``f`` is undefined at nominal values.
    """
    both = bounds_scalar(f, parameters, thrifty, (sense,))
    return None if both is None else both[0]


def bounds_scalar(
    f: Callable[[Point], float | None],
    parameters: Sequence[Parameter],
    thrifty: bool = False,
    senses: Sequence[Sense] = ("min", "max"),
) -> tuple[Worst, ...] | None:
    """:func:`worst_scalar` for several senses, in their order; what was asked already is shared."""
    chosen = tuple(parameters)
    keys = [p.key for p in chosen]
    seen: dict[bytes, float] = {}

    def evaluate(points: Array) -> Array:
        values = np.empty(len(points))
        for k, row in enumerate(points):
            mark = row.tobytes()
            if mark not in seen:
                value = f(frozen_point(dict(zip(keys, row.tolist(), strict=True))))
                seen[mark] = float("nan") if value is None else float(value)
            values[k] = seen[mark]
        return values

    search = Search(evaluate, box_of(chosen), thrifty, costly=not thrifty)
    if np.isnan(search.nominal):
        return None
    result = []
    for sense in senses:
        found = search.extreme(1.0 if sense == "max" else -1.0)
        result.append(_told(chosen, search, found, sense, None, True, []))
    return tuple(result)
