"""What a meter reads on each net of a state, with the meter connected, and how far that may lie off.

A meter is a part that is added: its resistance from the net to ground loads
what it measures, so every reading is that of the circuit with the meter in it,
solved again.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from rules.analysis.additions import Fitting
from rules.analysis.corners.worst import bounds
from rules.analysis.resolve import Resolved, resolve
from rules.analysis.states import State, find_states
from schemas.circuit import Circuit, Part, Tolerance, Value, frozen_map

if TYPE_CHECKING:
    from rules.analysis.study import Situation, Study

RANGES = (1.0, 2.5, 10.0, 25.0, 50.0, 100.0, 250.0)  # V; pointer meters, common practice, no source
DIGITAL = 10e6  # ohm; input resistance of a common digital multimeter, common practice, no source
PROBE = "METER"


@dataclass(frozen=True, slots=True)
class Meter:
    """A voltmeter: a fixed resistance (ohm), or so much per volt of its range (ohm/V) for a pointer meter."""

    resistance: float | None = DIGITAL
    per_volt: float | None = None

    def range_for(self, volts: float) -> float | None:
        """The smallest range (V) that holds a reading; ``None`` for a meter of fixed resistance."""
        if self.per_volt is None:
            return None
        return next((top for top in RANGES if top >= abs(volts)), RANGES[-1])

    def loading(self, volts: float) -> float:
        """Its resistance (ohm) while it reads ``volts``."""
        if self.per_volt is not None:
            return self.per_volt * (self.range_for(volts) or RANGES[-1])
        return DIGITAL if self.resistance is None else self.resistance


@dataclass(frozen=True, slots=True)
class Reading:
    """One net of one state.

    ``free`` is its voltage (V) without the meter, ``shown`` with it (``None`` where the net is undefined or
    the meter puts the circuit into another state), ``low`` and ``high`` the worst case of what is shown.
    ``range`` is that of a pointer meter (V).  ``holds``: the circuit stays in this state at both ends.
    """

    net: str
    free: float | None
    shown: float | None
    low: float | None
    high: float | None
    meter: float
    range: float | None
    holds: bool
    tips: bool = False

    @property
    def loading(self) -> float | None:
        """How much the meter moves the reading: (shown - free) / free, ``None`` where that has no meaning."""
        if self.free is None or self.shown is None or abs(self.free) < 1e-3:
            return None
        return (self.shown - self.free) / self.free


def read(study: Study, situation: Situation, net: str, meter: Meter) -> Reading:
    """What ``meter`` shows from ``net`` to ground in a situation, every tolerance counted."""
    free = situation.state.nets[net]
    ohms = meter.loading(0.0 if free is None else free)
    top = None if free is None else meter.range_for(free)
    loaded = _loaded(study, situation, net, ohms)
    if loaded is None:
        return Reading(net, free, None, None, None, ohms, top, False, tips=True)
    shown = loaded.nets[net]
    ends = bounds(loaded, lambda state: state.nets[net])
    if shown is None or ends is None:
        return Reading(net, free, shown, None, None, ohms, top, False)
    holds = ends.low.holds and ends.high.holds
    return Reading(net, free, shown, ends.low.value, ends.high.value, ohms, top, holds)


def _loaded(study: Study, situation: Situation, net: str, ohms: float) -> State | None:
    """The same state with the meter connected; ``None`` where it is none any more."""
    network = situation.state.mode.network
    resolved = with_meter(study.circuit, network.resolved, net, ohms)
    found = find_states(resolved, network.configuration, "typical", dict(network.held) or None)
    wanted = dict(situation.state.devices)
    same = [state for state in found.states if dict(state.devices) == wanted]
    stable = [state for state in same if state.stable] or same
    return stable[0] if stable else None


def with_meter(circuit: Circuit, resolved: Resolved, net: str, ohms: float) -> Resolved:
    """The values of the circuit with a meter from ``net`` to ground; its resistance has no tolerance."""
    name = PROBE
    while name in circuit.parts:
        name += "_"
    values: dict[str, Value] = {"resistance": ohms, "tolerance": Tolerance(0.0, 0.0)}
    meter = Part(name, "resistor", frozen_map({"a": net, "b": circuit.ground}), frozen_map(values))
    made = resolve(Fitting((meter,)).applied(circuit))
    return replace(made, values={**made.values, **resolved.values})


def source_current(situation: Situation, source: str) -> tuple[float, float, float] | None:
    """Current (A) that a source delivers in a situation: nominal, least and greatest."""
    ends = bounds(situation.state, lambda state: state.currents[source]["plus"])
    if ends is None:
        return None
    return -ends.nominal, -ends.high.value, -ends.low.value

