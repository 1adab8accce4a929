"""A timing resistor and capacitor chosen together, so that a delay keeps its window at every corner.

The resistor stays within what still steers the stage that the delay ends in; the capacitor is a member of
its own preferred series.  Each pair is judged by both ends of the delay's range.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from rules.analysis.corners.context import box_of
from rules.analysis.corners.parameters import Key, Parameter
from rules.analysis.delay_corners import DelayCorners
from rules.analysis.leakage import highest_voltage, promise_of
from rules.analysis.preferred import members_between, nearest, neighbours, round_down
from rules.analysis.requirements import Window
from rules.analysis.retiming import charging_resistor, governing_resistor
from rules.analysis.steering import Steered, steering_of

if TYPE_CHECKING:
    from rules.analysis.study import Study

SURE = 3.0  # times the base current that steering takes (see the rule steer-current)
_SECANTS, _ENOUGH = 6, 1e-3  # steps, and the relative error of a delay that is good enough
_FAR = 30.0  # factor each way within which a resistor is looked for
REACH = 10.0  # factor each way within which another capacitor is looked for
SHOWN = 3
_FIRST, _MOST, _STEPS = 0.05, 0.5, 3  # tolerances tried: the first, the largest, how many


@dataclass(frozen=True, slots=True)
class Pair:
    """A resistor (name, ohm) and a capacitor (name, F), and both ends of the delay with them, s.

    Either is ``None`` where it keeps its value.
    """

    resistor: tuple[str, float] | None
    capacitor: tuple[str, float] | None
    low: float
    nominal: float
    high: float


def _moved(p: Parameter, value: float) -> Parameter:
    factor = value / p.nominal
    return replace(p, low=p.low * factor, nominal=value, high=p.high * factor)


def ends(corners: DelayCorners) -> tuple[float, float, float] | None:
    """(least, nominal, greatest) delay in s, leakage left out; ``None`` where it may not end."""
    low, high = corners.worst(corners.total, -1.0), corners.worst(corners.total, 1.0)
    if low is None or high is None or not math.isfinite(high.value):
        return None
    return low.value, low.nominal, high.value


class Designer:
    """Pairs for one delay, and what its tolerances would have to be; ``window`` is without leakage."""

    def __init__(self, study: Study, corners: DelayCorners, window: Window) -> None:
        self.study, self.corners = study, corners
        self.window = Window(max(window.low, 0.0), window.high, window.pointer)
        self.capacitor = corners.capacitor
        delay = corners.delay
        self.resistor = charging_resistor(study, delay) or governing_resistor(study, delay)
        self.series = study.series(self.capacitor)

    @property
    def room(self) -> float:
        """Greatest over least accepted delay; infinite where one side is open."""
        return self.window.high / self.window.low if self.window.low > 0.0 else math.inf

    def _aim(self, low: float, here: float, high: float) -> float:
        """The nominal delay that puts the range in the middle of the window, by ratio."""
        if math.isfinite(self.window.high) and self.window.low > 0.0:
            return here * math.sqrt(self.window.low * self.window.high / (low * high))
        if math.isfinite(self.window.high):
            return here * self.window.high / high
        return here * self.window.low / low

    def _with(self, ohms: float, farads: float) -> DelayCorners:
        """The delay with other values of its resistor and its capacitor."""
        assert self.resistor is not None
        changed = {(self.resistor, "resistance"): ohms, (self.capacitor, "capacitance"): farads}
        study = self.study
        return corners_with(
            self.corners, {k: value for k, value in changed.items() if value != study.value(*k)}
        )

    def _try(self, ohms: float, farads: float) -> Pair | None:
        """One pair; ``None`` where its range does not fit."""
        assert self.resistor is not None
        there = ends(self._with(ohms, farads))
        if there is None or not (self.window.holds(there[0]) and self.window.holds(there[2])):
            return None
        same_r = ohms == self.study.value(self.resistor, "resistance")
        same_c = farads == self.study.value(self.capacitor, "capacitance")
        return Pair(
            None if same_r else (self.resistor, ohms), None if same_c else (self.capacitor, farads), *there
        )

    def _solved(self, farads: float, aim: float, ohms: float) -> float | None:
        """The resistance (ohm) with which the nominal delay is ``aim`` s, from ``ohms`` on by secants."""
        power, before = 1.0, (0.0, 0.0)
        for k in range(_SECANTS):
            made = self._with(ohms, farads)
            here = float(made.seconds(made.nominal)[0])
            if not (math.isfinite(here) and here > 0.0):
                return None
            spot = math.log(ohms), math.log(here)
            if k and spot[0] != before[0]:
                power = min(max((spot[1] - before[1]) / (spot[0] - before[0]), 0.3), 5.0)
            if abs(math.log(aim / here)) < _ENOUGH:
                return ohms
            before = spot
            ohms *= (aim / here) ** (1.0 / power)
        return ohms

    def pairs(self) -> Iterator[Pair]:
        """The resistor alone, then with the nearest capacitors that allow one within its bound."""
        now = ends(self.corners)
        if now is None or self.resistor is None or now[2] / now[0] > self.room:
            return
        most = self.bound()
        farads_now = self.study.value(self.capacitor, "capacitance")
        found = 0
        for farads in self._capacitors(farads_now):
            pair = self._with_capacitor(farads, now, most)
            if pair is not None:
                found += 1
                yield pair
            if found >= SHOWN:
                return

    def _with_capacitor(
        self, farads: float, now: tuple[float, float, float], most: float | None
    ) -> Pair | None:
        """The resistor that goes with a capacitor; at most ``most`` ohm."""
        assert self.resistor is not None
        start = self.study.value(self.resistor, "resistance")
        aim = self._aim(*now)
        guess = start * aim / now[1] * self.study.value(self.capacitor, "capacitance") / farads
        ohms: float | None = guess if most is None else min(guess, most)
        for _ in range(2):  # the width of the range moves with its place: aim again from what was found
            ohms = None if ohms is None else self._solved(farads, aim, ohms)
            if ohms is None or not start / _FAR < ohms < start * _FAR:
                return None
            there = ends(self._with(ohms, farads))
            if there is None:
                break
            aim = self._aim(*there)
        if ohms is None:
            return None
        wanted = ohms if most is None else min(ohms, most)
        options = [value for value in self._near(wanted) if most is None or value <= most]
        return next((pair for value in options for pair in (self._try(value, farads),) if pair), None)

    def _near(self, ohms: float) -> Iterator[float]:
        """The preferred value nearest to a resistance, then its neighbours."""
        series = self.study.preferences.resistor
        first = nearest(ohms, series)
        yield first
        yield from sorted(neighbours(first, series), key=lambda r: abs(math.log(r / ohms)))

    def _capacitors(self, now: float) -> list[float]:
        """The present one, then the members of its series, nearest first."""
        members = members_between(now / REACH, now * REACH, self.series)
        others = sorted((abs(math.log(c / now)), c) for c in members if abs(c / now - 1.0) > 1e-9)
        return [now, *(c for _, c in others)]

    def bound(self) -> float | None:
        """The largest resistor (ohm) that surely steers what takes over; ``None`` where nothing is steered.

        What it brings at the threshold goes as 1/R, so its margin does too.
        """
        if self.resistor is None:
            return None
        delay = self.corners.delay
        steering = steering_of(self.study, delay)
        promise = promise_of(self.study, self.capacitor, highest_voltage(self.study, self.capacitor))
        if isinstance(steering, str) or isinstance(promise, str):
            return None
        steered = Steered(self.corners, steering, promise, delay.opposed)
        found = self.corners.worst(steered.margin, -1.0)
        if found is None or not found.value > 0.0:
            return None
        most = self.study.value(self.resistor, "resistance") * found.value / SURE
        return round_down(most, self.study.preferences.resistor)

    # -- what tolerance would do

    def tolerances(self) -> Iterator[str]:
        """Which tolerances would make the range as narrow as the window, in words for the reader."""
        now = ends(self.corners)
        if now is None or not math.isfinite(self.room) or now[2] / now[0] <= self.room:
            return
        exact = self._ratio(0.0, None)
        own = self._tolerance(self.capacitor)
        if exact is not None and exact > self.room:
            yield (
                f"exact resistors alone leave a factor of {exact:.3g} from the least to the greatest delay,"
                f" and the window one of {self.room:.3g}: the {own:.3g} % of {self.capacitor} are too much"
            )
        elif exact is not None:
            most = self._largest(lambda share: self._ratio(share, None), exact)
            yield f"with {self.capacitor} as it is, centred resistors of {_percent(most)} would do"
        ideal = self._ratio(None, 0.0)
        if ideal is not None and ideal > self.room:
            yield f"an exact {self.capacitor} alone leaves a factor of {ideal:.3g}"
        elif ideal is not None:
            most = self._largest(lambda share: self._ratio(None, share), ideal)
            yield f"with resistors of this tolerance, a centred {self.capacitor} of {_percent(most)} would do"
        both = self._ratio(0.0, 0.0)
        if both is not None and both > self.room:
            yield (
                f"even exact parts leave a factor of {both:.3g}: the supply, the transistors and the"
                " temperature alone are too much for this window"
            )

    def _tolerance(self, part: str) -> float:
        known = self.study.known(part, "tolerance_high")
        return 0.0 if known is None else 100.0 * known.value

    def _ratio(self, resistors: float | None, capacitor: float | None) -> float | None:
        """Greatest over least delay with other tolerances (fractions); ``None`` keeps those there are."""
        changed = {}
        for p in self.corners.parameters:
            share = capacitor if p.key == (self.capacitor, "capacitance") else resistors
            mine = p.kind == "resistance" and self.study.circuit.parts[p.part].kind == "resistor"
            if share is not None and (mine or p.key == (self.capacitor, "capacitance")):
                changed[p.key] = replace(p, low=p.nominal * (1.0 - share), high=p.nominal * (1.0 + share))
        found = ends(moved(self.corners, changed))
        return None if found is None else found[2] / found[0]

    def _largest(self, ratio: Callable[[float], float | None], exact: float) -> float:
        """The largest tolerance with which the range is as narrow as the window, or a little below it.

        ``exact`` is the ratio without any; its logarithm grows nearly straight with the tolerance.
        """
        wanted, best = math.log(self.room), 0.0
        foot, step = math.log(exact), _FIRST
        for _ in range(_STEPS):
            found = ratio(step)
            if found is None:
                break
            there = math.log(found)
            if there <= wanted:
                best = max(best, step)
            if there <= foot:
                break
            step = min(0.995 * step * (wanted - foot) / (there - foot), _MOST)
        return best


def _percent(share: float) -> str:
    """Two figures, rounded down."""
    per_cent = 100.0 * share
    unit = 10.0 ** (math.floor(math.log10(per_cent)) - 1) if per_cent > 0.0 else 1.0
    return f"{math.floor(per_cent / unit + 1e-9) * unit:.2g} %"


def corners_with(corners: DelayCorners, values: Mapping[Key, float]) -> DelayCorners:
    """The same delay with other part values, each with its tolerance."""
    changed: dict[Key, Parameter] = {}
    for key, value in values.items():
        found = next((p for p in corners.parameters if p.key == key), None)
        if found is None:
            known = corners.resolved.values[key]
            now = known.value, known.value, known.value
            where = known.origin, known.source, known.pointer
            found = Parameter(key, key[1], *now, known.unit, *where)
        changed[key] = _moved(found, value)
    return moved(corners, changed)


def moved(corners: DelayCorners, changed: Mapping[Key, Parameter]) -> DelayCorners:
    """The same delay with other intervals; also of values that had none."""
    made = corners.with_intervals(changed)
    more = [p for key, p in sorted(changed.items()) if key not in corners.keys]
    made.parameters = (*made.parameters, *more)
    made.keys = tuple(p.key for p in made.parameters)
    made.box = box_of(made.parameters)
    return made
