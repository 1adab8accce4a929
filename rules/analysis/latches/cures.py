"""Other resistances that keep a resting place of a latch: more hold for on, firmer bleeds for off."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Mapping
from typing import TYPE_CHECKING

from rules.analysis.latches.find import Latch, Rest
from rules.analysis.latches.heat import hottest, to_spare
from rules.analysis.latches.margins import Corner, Lost, at_worst
from rules.analysis.latches.path import Bench
from rules.analysis.network import build_network
from rules.analysis.preferred import members_between

if TYPE_CHECKING:
    from rules.analysis.study import Study

TRIED = 3  # resistors that are tried
SPAN = 1e3  # factor over which another value is looked for
LEAST_OHMS, MOST_OHMS = 100.0, 10e6  # outside, a value cures one thing and ruins the rest

Cure = dict[str, float]
"""New resistances in ohm, by part."""


def with_resistances(lost: Lost, latch: Latch, rest: Rest, ohms: Mapping[str, float]) -> Corner:
    """The corner of ``lost`` with other nominal resistances, each at the end of its tolerance that it had.

    One that was at neither end goes to the end on the side it comes from.
    """
    home = latch.home(rest)
    changed = {}
    for name, value in ohms.items():
        resolved = home.resolved
        nominal = resolved.value(name, "resistance")
        at = lost.corner.point.get((name, "resistance"))
        side = resolved.value(name, "tolerance_high" if value < nominal else "tolerance_low")
        changed[name, "resistance"] = value * (1.0 + side if at is None else at / nominal)
    network = build_network(lost.corner.network.resolved.with_values(changed), home.configuration, home.held)
    return Corner(lost.corner.label, {**lost.corner.point, **changed}, Bench(network))


def single(
    study: Study,
    latch: Latch,
    rest: Rest,
    lost: Lost,
    slopes: Mapping[str, float],
    enough: Callable[[Corner], bool],
    known: Collection[str] = (),
) -> Iterator[tuple[str, float]]:
    """Resistors changed one at a time until ``enough`` holds at the corner of ``lost``.

    Strongest influence (``slopes``) first, those ``known`` left out; each goes to the preferred value nearest
    to what it is.
    """
    parts = study.circuit.parts
    resistors = [n for n in slopes if parts[n].kind == "resistor" and slopes[n] and n not in known]
    for name in sorted(resistors, key=lambda n: (-abs(slopes[n]), n))[:TRIED]:

        def holds(value: float, name: str = name) -> bool:
            return enough(with_resistances(lost, latch, rest, {name: value}))

        ohms = nearest(study, name, slopes[name] < 0.0, holds)
        if ohms is not None:
            yield name, ohms


def nearest(study: Study, resistor: str, lower: bool, enough: Callable[[float], bool]) -> float | None:
    """The preferred value below (or above) the present one that is nearest to it and enough.

    What is enough stays enough further away.
    """
    now = study.value(resistor, "resistance")
    least, most = (max(now / SPAN, LEAST_OHMS), now) if lower else (now, min(now * SPAN, MOST_OHMS))
    if not least < most:
        return None
    every = members_between(least, most, study.preferences.resistor)
    members = [m for m in every if abs(m / now - 1.0) > 1e-6]
    ordered = sorted(members, reverse=lower)
    if not ordered or not enough(ordered[-1]):
        return None
    low, high = 0, len(ordered) - 1
    while low < high:
        middle = (low + high) // 2
        low, high = (low, middle) if enough(ordered[middle]) else (middle + 1, high)
    return ordered[low]


def bleeds(study: Study, latch: Latch, rest: Rest, wanted: float) -> Cure | None:
    """Lower resistors that keep ``rest`` up to ``wanted`` K, member by member; ``None`` where none do."""
    worst = at_worst(latch, rest, hottest)
    cure: Cure = {}
    lost = worst
    for _ in latch.members:
        slopes, failing = lost.slopes, lost.failing
        names = [n for n in slopes if slopes[n] < 0.0 and study.circuit.parts[n].kind == "resistor"]
        if not names or failing is None:
            return None
        name = min(names, key=lambda n: (slopes[n], n))

        def enough(ohms: float, name: str = name, failing: int = failing, lost: Lost = lost) -> bool:
            changed = with_resistances(worst, latch, rest, {**cure, name: ohms})
            return to_spare(latch, rest, changed, lost.support, failing, wanted) >= 0.0

        ohms = nearest(study, name, True, enough)
        if ohms is None:
            return None
        cure[name] = ohms
        lost = hottest(latch, rest, with_resistances(worst, latch, rest, cure))
        if lost.value >= wanted:
            return cure
    return None
