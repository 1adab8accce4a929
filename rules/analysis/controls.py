"""What a contact or a driver does: every state in one of its positions against every state in the other."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from rules.analysis.backwards import NEVER, Idle, idle
from rules.analysis.elements import RESISTIVE, SOURCES, Configuration
from rules.analysis.frozen import capacitor_voltage
from rules.analysis.hazards import shares_nets
from rules.analysis.lonely import is_terminal, is_unused_throw, lonely_pins
from rules.analysis.resolve import SUPPLIES
from rules.analysis.runs import positions
from rules.analysis.states import State, StateSet, find_states
from rules.analysis.timeline.stores import store_names
from schemas.finding import identity

if TYPE_CHECKING:
    from rules.analysis.study import Study
    from schemas.circuit import Circuit

FAINT = 1e-9  # A; a difference below it is none
WHOLE = 1.0  # the change of what is there in one position only
_PATTERNS = ((0.0, 0.0), (0.15, 0.1))  # of the supply: where capacitors are held, first and step
_LEADS = (*RESISTIVE, "contact", "fuse", "diode", "led", "inductor")


@dataclass(frozen=True, slots=True)
class Moved:
    """The largest relative change that moving a control made, of what, and what it was seen in.

    ``looked`` counts the states that were compared; ``unknown`` says why some could not be.
    """

    control: str
    change: float
    what: str
    looked: int
    unknown: str


def controls(study: Study) -> tuple[str, ...]:
    """Contacts and drivers, sorted."""
    return tuple(part.name for part in study.circuit.parts.values() if part.kind in ("contact", "driver"))


def moved(study: Study, name: str, enough: float) -> Moved:
    """Move a control in every position of the others and every state, until something changes by ``enough``.

    Only where nothing at rest does are timed states and capacitors held elsewhere looked at as well.
    """
    change, what, looked, unknown = 0.0, "", 0, ""
    for one, two in _all_pairs(study, name):
        if one.held and bool(one.faults) != bool(two.faults):
            # one position contradicts what the capacitors hold: it empties or charges one of them at once
            change, what = WHOLE, "what a capacitor holds"
            break
        if one.faults or two.faults or not (one.complete and two.complete):
            unknown = unknown if one.held else unknown or one.reason or two.reason
            continue
        looked += len(one.states) + len(two.states)
        found, part = _difference(study, name, one.states, two.states)
        if found > change:
            change, what = found, part
        if change >= enough:
            break
    return Moved(name, change, what, looked, unknown)


def _all_pairs(study: Study, name: str) -> Iterator[tuple[StateSet, StateSet]]:
    """The two positions of a control: at rest, in timed states, and with every capacitor held somewhere."""
    pairs = list(_pairs(study.state_sets(), name))
    yield from pairs
    for situation in study.situations():
        if situation.timed is not None:
            network = situation.state.mode.network
            yield from _held(study, name, network.configuration, network.held)
    capacitors = store_names(study.resolved)[0]
    if capacitors:
        for first, step in _PATTERNS:
            volts = supply_of(study)
            held = {part: volts * (first + step * k) for k, part in enumerate(capacitors)}
            for one, _ in pairs:
                yield from _held(study, name, one.configuration, held)


def _pairs(sets: Sequence[StateSet], name: str) -> Iterator[tuple[StateSet, StateSet]]:
    by_place = {tuple(sorted(positions(found.configuration).items())): found for found in sets}
    for key, found in by_place.items():
        here = dict(key)
        other = by_place.get(tuple(sorted({**here, name: _OTHER[here[name]]}.items())))
        if other is not None and here[name] in ("open", "low"):
            yield found, other


_OTHER = {"open": "closed", "closed": "open", "low": "high", "high": "low"}


def _held(
    study: Study, name: str, here: Configuration, held: Mapping[str, float]
) -> Iterator[tuple[StateSet, StateSet]]:
    """Both positions of a control with capacitors held; a position that then contradicts itself is empty."""
    contacts, drivers = dict(here.contacts), dict(here.drivers)
    chosen = contacts if name in contacts else drivers
    chosen[name] = _OTHER[chosen[name]]
    there = Configuration(contacts, drivers)
    made = [
        find_states(study.resolved, place, "typical", held, study.step_budget) for place in (here, there)
    ]
    yield made[0], made[1]


def supply_of(study: Study) -> float:
    """The largest voltage (V) of a source or level; 1 V where there is none."""
    found: list[float] = []
    for part in study.circuit.parts.values():
        if part.kind in SOURCES:
            members = ("low", "high") if part.kind == "driver" else ("voltage",)
            found.extend(abs(study.value(part.name, member)) for member in members)
    return max(found, default=0.0) or 1.0


def _difference(
    study: Study, name: str, ones: Sequence[State], twos: Sequence[State]
) -> tuple[float, str]:
    """How far the states of two positions are apart: of the state that has no twin, the nearest one."""
    if len(ones) != len(twos):
        return WHOLE, "the number of states"
    worst, what = 0.0, ""
    for these, those in ((ones, twos), (twos, ones)):
        for state in these:
            nearest = min((_change(study, name, state, other) for other in those), default=(WHOLE, ""))
            if nearest[0] > worst:
                worst, what = nearest
    return worst, what


def _change(study: Study, name: str, one: State, two: State) -> tuple[float, str]:
    """The largest relative change between two states of anything but the control itself, and of what."""
    found = (0.0, "")
    for part, pins in one.currents.items():
        if part != name:
            for pin, amps in pins.items():
                found = max(found, (relative(amps, two.currents[part][pin], FAINT), f"the current of {part}"))
    volts = supply_of(study)
    for capacitor in store_names(study.resolved)[0]:
        here = capacitor_voltage(study.resolved, one, capacitor)
        there = capacitor_voltage(study.resolved, two, capacitor)
        found = max(found, (_against(here, there, volts), f"the voltage of {capacitor}"))
    for net in study.circuit.nets:
        if is_terminal(study.circuit, net):
            found = max(found, (_against(one.nets[net], two.nets[net], volts), f"the voltage of {net}"))
    return found


def relative(one: float | None, two: float | None, faint: float) -> float:
    """|a - b| over the larger of both; 0 for a difference of ``faint`` or less, 1 where only one is known."""
    if one is None or two is None:
        return 0.0 if one is two else WHOLE
    apart = abs(one - two)
    return 0.0 if apart <= faint else apart / max(abs(one), abs(two))


def _against(one: float | None, two: float | None, whole: float) -> float:
    if one is None or two is None:
        return 0.0 if one is two else WHOLE
    return abs(one - two) / whole


def works_elsewhere(circuit: Circuit, name: str) -> bool:
    """True for a contact on the mains side, alone on two nets that leave the board, or an unused throw."""
    part = circuit.parts[name]
    nets = set(part.pins.values())
    if part.kind != "contact" or len(nets) < 2:
        return False
    if part.values.get("mains") is True:
        return not shares_nets(circuit, name)
    if any(is_unused_throw(circuit, pin) for pin in lonely_pins(circuit) if pin.part == name):
        return True
    alone = all(other.name == name or not nets & set(other.pins.values()) for other in circuit.parts.values())
    return alone and all(is_terminal(circuit, net) for net in nets)


def dead_end(study: Study, name: str) -> str | None:
    """The finding about what ends the way of a control: a one-pin net, or a diode that is drawn backwards."""
    circuit = study.circuit
    # no more than the poles themselves: a contact in a supply line makes a rail of what lies behind it
    sources = (part for part in circuit.parts.values() if part.kind in SUPPLIES)
    rails = {circuit.ground, *(net for part in sources for net in part.pins.values())}
    seen = set(circuit.parts[name].pins.values()) - rails
    front = sorted(seen)
    lonely = {pin.net: pin for pin in lonely_pins(circuit)}
    for net in front:
        if net in lonely:
            return lonely[net].finding
        for part in circuit.parts.values():
            if part.kind in _LEADS and net in part.pins.values():
                if part.kind in ("diode", "led") and isinstance(idle(study, part), Idle):
                    return identity("reversed-part", (part.name,), (), NEVER)
                fresh = set(part.pins.values()) - seen - rails
                seen |= fresh
                front.extend(sorted(fresh))
    return None
