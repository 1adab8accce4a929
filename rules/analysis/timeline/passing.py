"""From one mode to the next: sliding on, jumping where a state ceases to exist, fading a contact over."""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import numpy as np

from rules.analysis.elements import Array
from rules.analysis.timeline.plant import AT_LIMIT, Linear, Plant, Support, leaking

SAME = 1e-6  # V or of the value; two modes describe one point within this
FADE_LIMIT = 200  # modes passed while a contact fades over
CURVE_LIMIT = 60
_TOGETHER = 4  # junctions that may turn over at one moment
_FEW = 8  # junctions of a circuit small enough to try any of them
_BEYOND = 1e-6  # of the fade; where the states past a sudden end are looked for
_QUIET = 1e-12  # V
_APART = 1e-12  # of the largest of a row; junctions that act on each other by less are apart


@dataclass(frozen=True, eq=False)
class Landing:
    """The mode that follows, at x; ``sudden`` where voltages jumped, and then why this one followed."""

    mode: Linear
    x: Array
    sudden: bool = False
    reason: str = ""


@dataclass(frozen=True, slots=True)
class Stuck:
    """Nothing could be followed: ``reason`` says what was found."""

    reason: str


def regimes(plant: Plant, w: Array) -> Iterator[tuple[int, ...]]:
    """Ways the capacitors may leak at these voltages, the likeliest first."""
    ways = []
    for k in leaking(plant):
        u = float(w[k])
        ways.append((1,) if u > _QUIET else (-1,) if u < -_QUIET else (0, 1, -1))
    yield from itertools.product(*ways)


def modes_at(plant: Plant, x: Array, direction: Array | None = None) -> list[Linear]:
    """Every mode that holds at ``x`` and goes on along ``direction`` (by default along its own rates)."""
    found = _holding(plant, x, direction, plant.supports_at(x))
    if found:
        return found
    return _points(plant, _holding(plant, x, direction, _bordering(plant, x)), x)


def _holding(
    plant: Plant, x: Array, direction: Array | None, supports: Iterable[tuple[int, ...]]
) -> list[Linear]:
    found = []
    for junctions in supports:
        for leaks in regimes(plant, x):
            mode = plant.mode(Support(junctions, leaks))
            if mode.holds(x, direction):
                found.append(mode)
                break
    return found


def _bordering(plant: Plant, x: Array) -> list[tuple[int, ...]]:
    """Junctions that may begin or cease to conduct together where the solutions at ``x`` are on a limit.

    A junction without current counts as blocking in a solution, so the mode that
    goes on may be none of those found: a transistor that starts with a coil in its
    collector conducts with both junctions at once, and with no current yet.
    """
    size = plant.problem.size
    more: set[tuple[int, ...]] = set()
    known = plant.supports_at(x)
    for junctions in known:
        mode = plant.mode(Support(junctions, next(iter(regimes(plant, x)))))
        values = dict(zip(mode.keys, mode.condition(x).tolist(), strict=True))
        # in a small circuit all of them: a net that only a coil without current holds may jump
        border = [k for k in range(size) if size <= _FEW or values.get(k, 0.0) <= AT_LIMIT]
        for count in range(1, min(len(border), _TOGETHER) + 1):
            for turned in itertools.combinations(border, count):
                more.add(tuple(sorted(set(junctions) ^ set(turned))))
    return sorted(more - set(known), key=lambda junctions: (len(junctions), junctions))


def is_same_point(plant: Plant, one: Linear, other: Linear, x: Array) -> bool:
    """True where two modes describe the same voltages and currents at ``x``."""
    a, b = (mode.unknowns[0] + mode.unknowns[1] @ x for mode in (one, other))
    loose = np.zeros(a.size, dtype=bool)
    for mode in (one, other):
        loose |= np.abs(mode.null).max(axis=1, initial=0.0) > 0.0
    gap = np.abs(a - b) / np.maximum(1.0, np.maximum(np.abs(a), np.abs(b)))
    if np.any(gap[~loose] > SAME):
        return False
    if not loose.any():
        return True
    per_unknown = plant.linear[2][: len(plant.network.nets)]
    moved = np.abs(per_unknown[:, ~loose] @ (a - b)[~loose])
    return bool(moved.max(initial=0.0) <= SAME)


def onwards(
    plant: Plant, mode: Linear, key: object, x: Array, direction: Array | None = None
) -> Linear | None:
    """The mode that carries on without any jump once the condition ``key`` has reached its limit."""
    junctions = set(mode.support.junctions)
    if isinstance(key, int):
        swapped = plant.mode(Support(tuple(sorted(junctions ^ {key})), mode.support.leaks))
        if swapped.holds(x, direction):
            return swapped
        alone = int(np.sum(mode.condition(x) <= AT_LIMIT)) == 1
        if alone and swapped.sign is not None and mode.sign is not None and swapped.sign != mode.sign:
            return None  # the branch of solutions turns back here
    elif isinstance(key, tuple) and key and key[0] in ("leak", "stuck"):
        place = leaking(plant).index(key[1])
        for regime in (0, 1, -1):
            leaks = list(mode.support.leaks)
            leaks[place] = regime
            turned = plant.mode(Support(mode.support.junctions, tuple(leaks)))
            if regime != mode.support.leaks[place] and turned.holds(x, direction):
                return turned
    for other in modes_at(plant, x, direction):
        if other.support != mode.support and is_same_point(plant, mode, other, x):
            return other
    return None


def landing(
    plant: Plant, mode: Linear | None, x: Array, direction: Array | None = None, key: object = None
) -> Landing | Stuck:
    """Where the circuit goes when its state has ceased to exist: stored values stay, all else may jump."""
    every = [
        other
        for other in modes_at(plant, x, direction)
        if mode is None or other.support == mode.support or not is_same_point(plant, mode, other, x)
    ]
    if mode is not None:
        every = [other for other in every if other.support != mode.support]
    options = [other for other in every if other.sign != -1 and plant.state(other, x).stable]
    options = _told_apart(plant, options, x, direction)
    if not options:
        return Stuck("no other stable state exists with these stored values")
    if len(options) == 1:
        return Landing(options[0], x, True, "it is the only stable state there")
    if mode is not None and isinstance(key, int):
        kept = _apart(plant, mode, key, options)
        if len(kept) == 1:
            return Landing(kept[0], x, True, "it is the only stable state there that leaves the rest alone")
        followed = _through_fold(plant, mode, key, x, direction)
        if followed is not None and any(followed.support == other.support for other in options):
            words = f"of {len(options)} stable states it is the one at the other end of the bend"
            return Landing(followed, x, True, words)
    return Stuck(f"{len(options)} stable states may follow")


def _points(plant: Plant, modes: list[Linear], x: Array) -> list[Linear]:
    """The first mode of every point: a junction at its drop, without current, may be on or off."""
    found: list[Linear] = []
    for mode in modes:
        if not any(is_same_point(plant, mode, other, x) for other in found):
            found.append(mode)
    return found


def _told_apart(plant: Plant, modes: list[Linear], x: Array, direction: Array | None) -> list[Linear]:
    """One mode for every point; of several only those that last, where some do."""
    if len(modes) > 1 and direction is not None:
        modes = [mode for mode in modes if _lasts(mode, x, direction)] or modes
    return _points(plant, modes, x)


def _lasts(mode: Linear, x: Array, direction: Array) -> bool:
    """Whether conditions at their limit that ``direction`` leaves alone hold along the rates of the mode too.

    A junction across a capacitor that stands at its drop blocks in one solution and conducts in another;
    while that capacitor is charged on, only the other one is true.
    """
    rate = mode.rate(x)
    slopes = mode.conditions[1]
    drift = slopes[:, : rate.size] @ rate
    still = (mode.condition(x) <= AT_LIMIT) & (np.abs(slopes @ direction) <= 1e-12)
    return not bool(np.any(drift[still] < -1e-12 * max(1.0, float(np.abs(drift).max(initial=0.0)))))


def _apart(plant: Plant, mode: Linear, key: int, options: list[Linear]) -> list[Linear]:
    """The options in which no junction changes over that the one at its limit does not act on.

    With the stored values held, parts of a circuit that only a capacitor or an ideal source joins are apart.
    """
    g = np.abs(plant.equations[0])
    joined = g > _APART * np.maximum(g.max(axis=1, keepdims=True), 1e-300)
    reached, front = {key}, [key]
    for k in front:
        fresh = set(np.flatnonzero(joined[k] | joined[:, k]).tolist()) - reached
        reached |= fresh
        front.extend(sorted(fresh))
    now = set(mode.support.junctions) - reached
    return [other for other in options if set(other.support.junctions) - reached == now]


def _through_fold(
    plant: Plant, mode: Linear, key: int, x: Array, direction: Array | None
) -> Linear | None:
    """Follow the curve of solutions back through its bend until it passes the same stored values again."""
    if direction is None:
        direction = np.zeros(x.size)
        rate = mode.rate(x)
        direction[: rate.size] = rate
    size = float(np.abs(direction).max(initial=0.0))
    if size == 0.0:
        return None
    step = direction / size
    support, at, way = set(mode.support.junctions), 0.0, 1.0
    for _ in range(CURVE_LIMIT):
        support ^= {key}
        here = plant.mode(Support(tuple(sorted(support)), mode.support.leaks))
        if here.sign is None or not here.sound or key not in here.keys:
            return None
        slopes = here.conditions[1] @ step
        way = 1.0 if slopes[here.keys.index(key)] >= 0.0 else -1.0
        values = here.condition(x + at * step)
        falling = np.flatnonzero(slopes * way < 0.0)
        # the condition just crossed stands at zero and rises
        falling = falling[[here.keys[k] != key for k in falling]]
        reach = values[falling] / np.abs(slopes[falling])
        nearest = float(reach.min(initial=np.inf))
        if way > 0.0 and at < 0.0 and at + nearest >= 0.0:
            return here if here.sign > 0 else None
        if not np.isfinite(nearest) or falling.size == 0:
            return None
        crossed = here.keys[int(falling[int(reach.argmin())])]
        if not isinstance(crossed, int):
            return None
        at, key = at + way * max(nearest, 0.0), crossed
        if at > AT_LIMIT:
            return None
    return None


def fade(plant: Plant, junctions: tuple[int, ...], w: Array) -> Landing | Stuck:
    """Follow the solution while the faded source goes from 1 to 0 with all stored values kept."""
    x = np.concatenate([w, [1.0]])
    direction = np.zeros(x.size)
    direction[-1] = -1.0
    mode = plant.mode(Support(junctions, ()))
    sudden, reasons = False, list[str]()
    if not mode.holds(x, direction):
        # the same voltages may belong to another mode, or to none that lasts
        others = [other for other in modes_at(plant, x, direction) if is_same_point(plant, mode, other, x)]
        if not others:
            landed = _past(plant, None, x, direction)
            if isinstance(landed, Stuck):
                return landed
            mode, x, sudden = landed.mode, landed.x, True
            reasons.append(landed.reason)
        else:
            mode = others[0]
    for _ in range(FADE_LIMIT):
        if np.any(np.abs(mode.ties[1] @ direction) > 1e-12):
            # a coil or a junction across a capacitor does not let the source fade in this mode
            landed = _past(plant, mode, x, direction)
            if isinstance(landed, Stuck):
                return landed
            mode, x, sudden = landed.mode, landed.x, True
            reasons.append(landed.reason)
            continue
        values, slopes = mode.condition(x), mode.conditions[1] @ direction
        falling = np.flatnonzero(slopes < -1e-12)
        reach = np.maximum(values[falling], 0.0) / -slopes[falling]
        nearest = float(reach.min(initial=np.inf))
        if nearest >= x[-1]:
            x[-1] = 0.0
            return Landing(mode, x, sudden, "; ".join(dict.fromkeys(reasons)))
        x[-1] -= nearest
        key = mode.keys[int(falling[int(reach.argmin())])]
        following = onwards(plant, mode, key, x, direction)
        if following is None:
            landed = landing(plant, mode, x, direction, key)
            if isinstance(landed, Stuck):
                return landed
            following, sudden = landed.mode, True
            reasons.append(landed.reason)
        mode = following
    return Stuck("too many changes of region while the position changed")


def _past(plant: Plant, mode: Linear | None, x: Array, direction: Array) -> Landing | Stuck:
    """The state just after a sudden end while something fades."""
    beyond = x + _BEYOND * direction
    options = [
        other
        for other in modes_at(plant, beyond, direction)
        if other.sign != -1 and (mode is None or other.support != mode.support)
    ]
    stable = [other for other in options if plant.state(other, beyond).stable]
    stable = _told_apart(plant, stable, beyond, direction)
    if len(stable) != 1:
        return Stuck(f"{len(stable)} stable states may follow" if stable else "no state follows")
    return Landing(stable[0], beyond, True, "it is the only stable state there")
