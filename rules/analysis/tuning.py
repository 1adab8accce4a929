"""Other resistors that bring a quantity of a state within a window at every tolerance.

Each trial is solved in the very mode of the state; whether anything else in the circuit minds is for a full
review.  One resistor alone first, then closer tolerances, then two resistors scaled together (a divider
made stiffer), then both.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, TypeAlias

import numpy as np

from rules.analysis.corners.parameters import parameters
from rules.analysis.corners.variants import Quantity
from rules.analysis.corners.worst import bounds
from rules.analysis.preferred import members_between, nearest, neighbours
from rules.analysis.requirements import Window
from rules.analysis.standing import is_leak

if TYPE_CHECKING:
    from rules.analysis.states import State
    from rules.analysis.study import Study

Values: TypeAlias = Mapping[tuple[str, str], float]
Ends: TypeAlias = tuple[float, float, float]  # least, nominal, greatest

CLOSE = 0.01  # tolerance that a closer resistor has; 1 % is what shops keep, common practice, no source
LEVERS = 3  # resistors tried
_NUDGE = 1.01
_WEIGHT = 0.02  # change of the quantity per relative change of a resistor, of the greatest one
_REACH = 100.0  # factor each way within which a resistor is looked for
_APART = 3.0  # factor between the values from which a resistor is solved
_CLOSE_ENOUGH = 1e-4  # of the quantity
_SHARE = 0.2  # of a current; resistors whose currents differ by less are one path
_FACTORS = members_between(1.1, _REACH, "E24")
_SCALES = (0.68, 0.47, 0.33, 0.22, 0.15, 0.1)


@dataclass(frozen=True, slots=True)
class Tuned:
    """Resistors with other values (ohm), ``closer`` ones with 1 %, and what the quantity then comes to."""

    ohms: Mapping[str, float]
    closer: tuple[str, ...]
    low: float
    nominal: float
    high: float


@dataclass(frozen=True, slots=True)
class Spread:
    """What would be left of the range: with exact resistors, and in all."""

    low: float
    high: float


class Tuner:
    """Trials on one state; every number is asked of the mode that it is in."""

    def __init__(self, study: Study, state: State, quantity: Quantity, window: Window) -> None:
        self.study, self.state, self.quantity, self.window = study, state, quantity, window
        parts = study.circuit.parts.values()
        self.resistors = tuple(p.name for p in parts if p.kind == "resistor" and not is_leak(p.name))

    def at(self, values: Values) -> float | None:
        """The quantity with other values at nominal tolerances; ``None`` without an answer."""
        try:
            return self.quantity(self.study.what_if(self.state, values))
        except np.linalg.LinAlgError:
            return None

    def levers(self) -> tuple[tuple[float, str], ...]:
        """(change per relative change, resistor) of those that move the quantity, most first."""
        here = self.at({})
        if here is None:
            return ()
        found = []
        for name in self.resistors:
            there = self.at({(name, "resistance"): _NUDGE * self.study.value(name, "resistance")})
            if there is not None:
                found.append(((there - here) / (_NUDGE - 1.0), name))
        most = max((abs(weight) for weight, _ in found), default=0.0)
        kept = [item for item in found if abs(item[0]) > _WEIGHT * most > 0.0]
        return tuple(sorted(kept, key=lambda item: (-abs(item[0]), item[1])))

    def range_at(self, ohms: Mapping[str, float], closer: Sequence[str] = ()) -> Ends | None:
        """The range over all tolerances; ``None`` where the mode does not hold at its ends."""
        values = {(name, "resistance"): value for name, value in ohms.items()}
        for name in closer:
            values[name, "tolerance_low"], values[name, "tolerance_high"] = -CLOSE, CLOSE
        try:
            state = self.study.what_if(self.state, values)
        except np.linalg.LinAlgError:
            return None
        found = bounds(state, self.quantity)
        if found is None or not (found.low.holds and found.high.holds):
            return None
        return found.low.value, found.nominal, found.high.value

    def left(self, *exact: str) -> Spread | None:
        """The range that is left when parameters of the kinds ``exact`` keep to their nominal values."""
        every = parameters(self.state.mode.network.resolved, self.state)
        found = bounds(self.state, self.quantity, [p for p in every if p.kind not in exact])
        return None if found is None else Spread(found.low.value, found.high.value)

    @property
    def hopeless(self) -> bool:
        """True when supplies, drops and temperature alone make the range wider than the window."""
        wide = self.window.high - self.window.low
        left = self.left("resistance", "gain") if math.isfinite(wide) else None
        return left is not None and left.high - left.low > wide

    def _fits(self, ends: Ends | None) -> bool:
        return ends is not None and self.window.holds(ends[0]) and self.window.holds(ends[2])

    def _aim(self, ends: Ends) -> float:
        """The nominal value that centres the range in the window, the range growing with it."""
        low, here, high = ends
        below, above = self.window.low, self.window.high
        if math.isfinite(below) and math.isfinite(above):
            return here + 0.5 * (below + above) - 0.5 * (low + high)
        limit, end = (above, high) if math.isfinite(above) else (below, low)
        return here * limit / end if here * end > 0.0 and limit * end > 0.0 else here + limit - end

    def solved(self, name: str, aim: float, others: Mapping[str, float] | None = None) -> float | None:
        """The resistance (ohm) at which the quantity is ``aim``; ``None`` where none within reach does it."""
        fixed = {(part, "resistance"): value for part, value in (others or {}).items()}
        now = self.study.value(name, "resistance")

        def value(ohms: float) -> float | None:
            return self.at({**fixed, (name, "resistance"): ohms})

        places = now / _APART, now, now * _APART
        seen = [value(ohms) for ohms in places]
        if any(item is None for item in seen):
            return None
        # within one mode (a + b*R)/(1 + d*R), by three values
        f = np.array(seen, dtype=float)
        r = np.array(places) / now
        try:
            a, b, d = np.linalg.solve(np.column_stack([np.ones(3), r, -r * f]), f).tolist()
        except np.linalg.LinAlgError:
            return None
        if b == aim * d:
            return None
        ohms = now * (aim - a) / (b - aim * d)
        if not now / _REACH <= ohms <= now * _REACH:
            return None
        there = value(ohms)
        scale = float(np.abs(f).max()) or 1.0
        return ohms if there is not None and abs(there - aim) <= _CLOSE_ENOUGH * scale else None

    def _best(
        self, name: str, others: Mapping[str, float], closer: Sequence[str], start: Ends
    ) -> Tuned | None:
        """The preferred value of one resistor that keeps the window, the most room left on both sides."""
        series = self.study.preferences.resistor
        ends: Ends | None = start
        found: list[tuple[float, Tuned]] = []
        tried: set[float] = set()
        for _ in range(2):  # the width of the range moves with its place: aim again from what was found
            if ends is None:
                break
            ohms = self.solved(name, self._aim(ends), others)
            if ohms is None:
                break
            closest = nearest(ohms, series)
            options = [closest, *neighbours(closest, series)]
            ends = None
            for option in options:
                if option in tried:
                    continue
                tried.add(option)
                there = self.range_at({**others, name: option}, closer)
                ends = ends or there
                if there is not None and self._fits(there):
                    room = -min(
                        there[0] - self.window.low if math.isfinite(self.window.low) else math.inf,
                        self.window.high - there[2] if math.isfinite(self.window.high) else math.inf,
                    )
                    if math.isinf(self.window.low) or math.isinf(self.window.high):
                        room = -room  # one-sided: no further than it has to
                    found.append((room, Tuned({**others, name: option}, tuple(closer), *there)))
        return min(found, key=lambda item: item[0])[1] if found else None

    def one_resistor(self) -> Iterator[Tuned]:
        """Each resistor alone, the most powerful first."""
        start = self.range_at({})
        if start is None:
            return
        for _, name in self.levers()[:LEVERS]:
            tuned = self._best(name, {}, (), start)
            if tuned is not None:
                yield tuned

    def closer(self) -> Iterator[Tuned]:
        """1 % resistors where they matter, the values kept or one of them changed."""
        levers = self.levers()
        loose = [name for _, name in levers if self._spread_of(name) > CLOSE]
        if not loose:
            return
        names = tuple(sorted(loose))
        kept = self.range_at({}, names)
        if self._fits(kept) and kept is not None:
            yield Tuned({}, names, *kept)
            return
        for _, name in levers[:LEVERS]:
            tuned = self._best(name, {}, names, kept) if kept is not None else None
            if tuned is not None:
                yield tuned
                return

    def stiffer(self) -> Iterator[Tuned]:
        """Two resistors that work against each other, both smaller: the least change that does it.

        With their own tolerances first, then with 1 %.
        """
        levers = self.levers()
        pair = next(
            (
                (a, b)
                for (wa, a), (wb, b) in itertools.combinations(levers[: 2 * LEVERS], 2)
                if wa * wb < 0.0 and self._together(a, b)
            ),
            None,
        )
        start = self.range_at({})
        if pair is None or start is None:
            return
        first, second = pair
        series = self.study.preferences.resistor
        loose = tuple(sorted(name for _, name in levers if self._spread_of(name) > CLOSE))
        for closer in dict.fromkeys(((), loose)):
            for scale in _SCALES:
                fixed = nearest(scale * self.study.value(second, "resistance"), series)
                tuned = self._best(first, {second: fixed}, closer, start)
                if tuned is not None:
                    yield tuned
                    return

    def scaled(self) -> Iterator[Tuned]:
        """Every resistor in the path that matters most, all raised by one factor, the least that does it."""
        levers = [(weight, name) for weight, name in self.levers() if weight < 0.0]
        if not levers:
            return
        through = {name: abs(self.state.currents[name]["a"] or 0.0) for _, name in levers}
        most = through[levers[0][1]]
        names = [name for _, name in levers if abs(through[name] - most) <= _SHARE * most]
        if len(names) < 2:
            return
        series = self.study.preferences.resistor
        low, high = 0, len(_FACTORS)
        found: Tuned | None = None
        while low < high:
            middle = (low + high) // 2
            ohms = {n: nearest(_FACTORS[middle] * self.study.value(n, "resistance"), series) for n in names}
            ends = self.range_at(ohms)
            if ends is not None and self._fits(ends):
                found, high = Tuned(ohms, (), *ends), middle
            else:
                low = middle + 1
        if found is not None:
            yield found

    def _together(self, a: str, b: str) -> bool:
        """True when two resistors meet at a net."""
        parts = self.study.circuit.parts
        return bool((set(parts[a].pins.values()) & set(parts[b].pins.values())) - self.study.roles.rails)

    def _spread_of(self, name: str) -> float:
        resolved = self.study.resolved
        return max(abs(resolved.value(name, "tolerance_low")), abs(resolved.value(name, "tolerance_high")))

    def tuned(self) -> Iterator[Tuned]:
        """One resistor, else closer tolerances; and where fewer than two ways were found, a pair."""
        if self.hopeless:
            return
        made = list(self.one_resistor())
        if not made:
            made = list(self.closer())
        if len(made) < 2:
            made.extend(self.stiffer())
        yield from made
