"""What happens the moment a contact or driver moves, or the supply comes on.

Stored values stay; the position is faded over (the current of an opening
contact falls to zero, the voltage of a closing one, the level of a driver
moves), and the solution is followed on its way.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from rules.analysis.elements import Array, Configuration, is_contact_closed
from rules.analysis.network import coils_in
from rules.analysis.timeline.passing import Landing, Stuck, fade, landing, modes_at, regimes
from rules.analysis.timeline.plant import Linear, Plant, Support
from schemas.circuit import Action

FORCED = 1e-9  # V or A, and of the value; a smaller change of a stored value is rounding


@dataclass(frozen=True, eq=False)
class Moved:
    """Where a circuit stands after a move; ``forced`` tells of stored values that had to change at once."""

    plant: Plant
    mode: Linear
    x: Array
    sudden: bool = False
    reason: str = ""
    forced: tuple[tuple[str, tuple[str, ...]], ...] = ()


def power_up(plant: Plant) -> Moved | Stuck:
    """Switched on with nothing stored: all sources rise together from zero.

    Capacitors in series across a source divide its voltage as they rise with it: the charge between them
    stays zero.
    """
    w, _ = plant.stores.settle({})
    faded = fade(plant.faded(-(plant.network.source_vector() + plant.inputs @ w)), (), w)
    return _settled(plant, faded, w, ())


def moved_configuration(configuration: Configuration, actions: Sequence[Action]) -> Configuration:
    contacts, drivers = dict(configuration.contacts), dict(configuration.drivers)
    for action in actions:
        (contacts if action.part in contacts else drivers)[action.part] = action.to
    return replace(configuration, contacts=contacts, drivers=drivers)


def move(
    plants: Callable[[Configuration], Plant], plant: Plant, mode: Linear, x: Array, actions: Sequence[Action]
) -> Moved | Stuck:
    """Move contacts and drivers at one moment."""
    configuration = moved_configuration(plant.configuration, actions)
    if configuration.key == plant.configuration.key:
        return Moved(plant, mode, x)
    following = plants(configuration)
    values = plant.stores.values(x)
    w, change = following.stores.settle(values)
    forced: list[tuple[str, tuple[str, ...]]] = []
    if change > FORCED * max(1.0, max((abs(v) for v in values.values()), default=0.0)):
        forced.extend(_changes(values, following.stores.values(w)))
        landed = landing(following, None, w)
        return _settled(following, landed, w, tuple(forced))
    source = _difference(plant, following, mode, x)
    faded: Landing | Stuck = (
        landing(following, None, w)
        if source is None
        else fade(following.faded(source), mode.support.junctions, w)
    )
    return _settled(following, faded, w, tuple(forced))


def _changes(before: dict[str, float], after: dict[str, float]) -> list[tuple[str, tuple[str, ...]]]:
    return [
        (f"{name} goes from {before[name]:.4g} to {after[name]:.4g} V at once", (name,))
        for name in sorted(after)
        if abs(after[name] - before[name]) > FORCED * max(1.0, abs(before[name]))
    ]


def _difference(plant: Plant, following: Plant, mode: Linear, x: Array) -> Array | None:
    """The source that makes the circuit in its new position look as it was; ``None``: it is undefined."""
    state = plant.state(mode, x)
    network = following.network
    size = len(network.nets)
    row = {net: k for k, net in enumerate(network.nets)}
    source = np.zeros(size + len(network.branches))
    old, new = plant.configuration, following.configuration
    parts = plant.resolved.circuit.parts
    for name in sorted(new.contacts):
        part = parts[name]
        was, now = is_contact_closed(part, old), is_contact_closed(part, new)
        if was == now:
            continue
        if now:
            a, b = state.nets[part.pins["a"]], state.nets[part.pins["b"]]
            if name not in following.branch_rows:
                continue  # in parallel with another ideal branch: nothing to fade
            if a is None or b is None:
                return None
            source[following.branch_rows[name]] += a - b
            continue
        current = state.currents[name]["a"]
        if current is None:
            return None
        for pin, sign in (("a", -1.0), ("b", 1.0)):
            if part.pins[pin] in row:
                source[row[part.pins[pin]]] += sign * current
    for name in sorted(new.drivers):
        if old.drivers[name] != new.drivers[name] and name in following.branch_rows:
            levels = (plant.resolved.value(name, level) for level in (old.drivers[name], new.drivers[name]))
            was_level, level = levels
            source[following.branch_rows[name]] += was_level - level
    return source


def _settled(
    plant: Plant, landed: Landing | Stuck, w: Array, forced: tuple[tuple[str, tuple[str, ...]], ...]
) -> Moved | Stuck:
    """The mode of the plant itself (with its leakages) that the fade ended in."""
    if isinstance(landed, Stuck):
        return without_coils(plant, w, landed, forced)
    junctions = landed.mode.support.junctions
    for leaks in regimes(plant, w):
        mode = plant.mode(Support(junctions, leaks))
        if mode.holds(w):
            return Moved(plant, mode, w, landed.sudden, landed.reason, forced)
    # the end of the fade lies on a limit from which its own course leads away
    wanted = set(junctions)
    near = [mode for mode in modes_at(plant, w) if mode.sign != -1]
    near.sort(key=lambda mode: (len(wanted ^ set(mode.support.junctions)), mode.support.junctions))
    if near:
        return Moved(plant, near[0], w, landed.sudden, landed.reason, forced)
    return without_coils(plant, w, Stuck("no state exists with these stored values"), forced)


def without_coils(
    plant: Plant, w: Array, stuck: Stuck, forced: tuple[tuple[str, tuple[str, ...]], ...] = ()
) -> Moved | Stuck:
    """A coil whose current has no path: in the real circuit it breaks through; here it becomes zero."""
    coils = coils_in(plant.resolved, dict.fromkeys(plant.stores.free, 0.0))
    carrying = [name for name in coils if abs(float(w[plant.stores.free.index(name)])) > FORCED]
    for names in [(name,) for name in carrying] + ([tuple(carrying)] if len(carrying) > 1 else []):
        emptied = w.copy()
        for name in names:
            emptied[plant.stores.free.index(name)] = 0.0
        landed = landing(plant, None, emptied)
        if isinstance(landed, Landing):
            told = [
                (
                    f"the {float(w[plant.stores.free.index(name)]) * 1e3:.4g} mA of {name} have no path:"
                    " they break through as an arc or through a junction",
                    (name,),
                )
                for name in names
            ]
            return Moved(plant, landed.mode, landed.x, True, landed.reason, (*forced, *told))
    return stuck
