"""Parts that may have been drawn the wrong way round: what they do, and what they would do turned.

Where it is not sure that a part is meant to conduct at all, nothing is told: clamps,
flyback and discharge diodes and protection against a turned battery conduct in no
resting state, and rightly so.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

from rules.analysis.additions import Fitting
from rules.analysis.coils import is_coil
from rules.analysis.lonely import is_terminal, pin_counts
from rules.analysis.resolve import SUPPLIES
from rules.analysis.runs import episodes, unfinished
from rules.analysis.stress import moves, stress_corner

if TYPE_CHECKING:
    from rules.analysis.states import State
    from rules.analysis.study import Study
    from schemas.circuit import Circuit, Part

LEAST = 10e-6  # A that a diode turned round has to carry, to be believed
NEVER = "never conducts"  # role of a finding about such a diode
MOST = 0.1  # A that it may carry, where no rating says more
_PARTNERS = (
    "resistor",
    "load",
    "contact",
    "fuse",
    "npn",
    "pnp",
    "battery",
    "supply",
    "led",
    "diode",
    "driver",
)  # what says that a current is meant to flow where only it and the diode meet
_ENDS = {
    "npn": ("collector", "emitter"),
    "pnp": ("collector", "emitter"),
    "diode": ("anode", "cathode"),
    "led": ("anode", "cathode"),
    "zener": ("anode", "cathode"),
}


@dataclass(frozen=True, eq=False)
class Against:
    """A transistor that carries ``amps`` (A) against its arrow in ``state``; ``base`` A flow in its base."""

    transistor: str
    state: State
    corner: str
    amps: float
    base: float


def exchanged(part: Part) -> Fitting:
    """The same part with its two ends exchanged."""
    first, second = _ENDS[part.kind]
    return Fitting(moved=((part.name, first, part.pins[second]), (part.name, second, part.pins[first])))


def turned_study(study: Study, part: Part) -> Study:
    """The circuit with a part turned round."""
    from rules.analysis.study import Study as Again

    made = exchanged(part).applied(study.circuit)
    return study.shared(
        ("turned", part.name), lambda: Again(made, study.step_budget, proposing=False)
    )


def every_state(study: Study) -> Iterator[tuple[str, State]]:
    """Every stable state and every start of a timed one, with its corner of gains."""
    for corner in study.corners:
        for found in study.state_sets(corner):
            for state in found.stable:
                yield corner, state
        for situation in study.situations(corner):
            if situation.timed is not None:
                yield corner, situation.state


# transistors ----------------------------------------------------------------------------------


def along_arrow(part: Part, state: State) -> float | None:
    """The emitter current (A), positive the way its arrow points."""
    into = state.currents[part.name]["emitter"]
    return None if into is None else (-into if part.kind == "npn" else into)


def against_arrow(study: Study, part: Part) -> tuple[Against | None, float]:
    """Where a transistor carries most against its arrow in a stable state; and the most (A) along it."""
    worst, along = None, 0.0
    for corner, state in every_state(study):
        amps = along_arrow(part, state)
        if amps is None:
            continue
        along = max(along, amps)
        if amps < 0.0 and (worst is None or -amps > worst.amps):
            base = abs(state.currents[part.name]["base"] or 0.0)
            worst = Against(part.name, state, corner, -amps, base)
    return worst, along


def does_better(study: Study, part: Part, least: float) -> bool:
    """True where the transistor, its ends exchanged, carries more than ``least`` A along its arrow and no
    more than that against it."""
    other = turned_study(study, part)
    turned = other.circuit.parts[part.name]
    worst, along = against_arrow(other, turned)
    return along > least and (worst is None or worst.amps <= least) and not other.faults


def resting(study: Study) -> tuple[str, ...]:
    """The names of the states a circuit rests in, sorted."""
    return tuple(sorted({state.name for found in study.state_sets() for state in found.stable}))


# diodes ---------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Idle:
    """A diode that never conducts but would, turned round: ``amps`` (A) at most, in ``state``.

    ``partner`` is the part in series that carries nothing either; ``runs`` how many runs were looked at.
    """

    diode: str
    partner: str
    amps: float
    state: str
    states: int
    runs: int


def conducts(study: Study, part: Part) -> bool:
    return any(state.devices[part.name] != "off" for _, state in every_state(study))


def idle(study: Study, part: Part) -> Idle | str:
    """The case of a diode or LED that is surely drawn backwards; else why nothing is told of it."""
    if conducts(study, part):
        return "it conducts"
    partner = series_partner(study.circuit, part)
    if partner is None:
        return "it conducts in no state, and nothing in series says that it should: it may be a clamp"
    if _is_clamp(study.circuit, part, partner):
        return f"with {partner.name} it lies across a part that it protects"
    ends = set(part.pins.values()) | set(partner.pins.values())
    if part.kind == "diode" and partner.kind == "resistor" and ends & study.roles.rails:
        return f"with {partner.name} it may keep a net from going beyond a rail"
    sources = [p for p in study.circuit.parts.values() if p.kind in SUPPLIES]
    if partner.kind in SUPPLIES and len(sources) > 1:
        return f"it may keep {partner.name} in reserve"
    other = turned_study(study, part)
    if other.faults or not other.complete:
        return "turned round it would do no better"
    carried = [
        (abs(amps), state.name)
        for found in other.state_sets()
        for state in found.stable
        if (amps := state.currents[part.name]["anode"]) is not None
    ]
    amps, name = max(carried, default=(0.0, ""))
    rated = study.known(part.name, "current")
    if not LEAST <= amps <= (MOST if rated is None else rated.value):
        return "turned round it would do no better"
    looked = episodes(study, stress_corner(study)) if moves(study) else ()
    if unfinished(looked):
        return "it conducts in no state at rest, and not every run could be followed"
    for episode in looked:
        if any(interval.devices[part.name] != "off" for interval in episode.timeline.intervals):
            return "it conducts for a moment in a run"
    states = sum(len(found.stable) for found in study.state_sets())
    return Idle(part.name, partner.name, amps, name, states, len(looked))


def series_partner(circuit: Circuit, part: Part) -> Part | None:
    """The one other part on a net of a diode that only the two of them share."""
    counts = pin_counts(circuit)
    for net in part.pins.values():
        if counts[net] != 2 or is_terminal(circuit, net) or net == circuit.ground:
            continue
        for other in circuit.parts.values():
            if other.name != part.name and net in other.pins.values() and other.kind in _PARTNERS:
                return other
    return None


def _is_clamp(circuit: Circuit, part: Part, partner: Part) -> bool:
    """True where both in series lie across a coil, a capacitor or a base-emitter junction."""
    shared = set(part.pins.values()) & set(partner.pins.values())
    ends = (set(part.pins.values()) | set(partner.pins.values())) - shared
    if len(partner.pins) != 2 or len(ends) != 2:
        return False
    for other in circuit.parts.values():
        pins = other.pins
        if (is_coil(other) or other.kind == "capacitor") and set(pins.values()) == ends:
            return True
        if other.kind in ("npn", "pnp") and {pins["base"], pins["emitter"]} == ends:
            return True
    return False


def forward_zener(study: Study, part: Part) -> State | None:
    """A stable state in which a zener only conducts like a diode, where turned round it would break down."""
    regions = {state.devices[part.name] for _, state in every_state(study)}
    if "on" not in regions or "breakdown" in regions:
        return None
    counts = pin_counts(study.circuit)
    for net in part.pins.values():
        beside = [p for p in study.circuit.parts.values() if net in p.pins.values() and p.name != part.name]
        if counts[net] == 2 and any(p.kind in ("zener", "diode") for p in beside):
            return None  # two back to back: one of them always conducts like a diode
    other = turned_study(study, part)
    if other.faults or not any(s.devices[part.name] == "breakdown" for _, s in every_state(other)):
        return None
    return next(state for _, state in every_state(study) if state.devices[part.name] == "on")
