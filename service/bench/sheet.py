"""The bench sheet: parts to buy, how to bring the board up, and what a meter has to show in each state."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Any

from rules.analysis.metering import Meter, Reading, read, source_current
from rules.analysis.named import along, range_of
from rules.analysis.states import State
from rules.analysis.stress import is_polarised
from rules.analysis.study import Situation, Study
from rules.wording import listed
from schemas.circuit import Circuit, frozen_map
from schemas.quantities import format_quantity
from service.bench.buying import parts_list, shape
from service.bench.orders import bring_up, moves_for, probing
from service.cautions import cautions_for
from service.ruleset import Ruleset
from service.shapes import positions
from service.states import span

HEAVY = 0.05  # of a reading; a meter that takes more hides what it measures: common practice, no source
MOVING = 1e-3  # V; a net that moves further while a capacitor charges has no one reading
HOT = 0.5  # of the rated power; warm enough to say so

Json = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Shown:
    """One reading, where it moves to while a capacitor charges (V), and what to do about a heavy meter."""

    reading: Reading
    moves_to: float | None
    advice: str


def measured(circuit: Circuit, volts: Mapping[str, float]) -> Circuit:
    """The circuit with sources at voltages that were measured: no more and no less."""
    parts = dict(circuit.parts)
    for name, value in volts.items():
        part = parts[name]
        kept = {key: given for key, given in part.values.items() if key not in ("low", "high")}
        parts[name] = replace(part, values=frozen_map({**kept, "voltage": value}))
    return replace(circuit, parts=frozen_map(parts))


def sheet(circuit: Circuit, ruleset: Ruleset, meter: Meter, volts: Mapping[str, float]) -> Json:
    """The whole sheet as JSON-ready data.  The parts list is for all voltages, the readings for ``volts``."""
    study = Study(circuit, proposing=False)
    here = Study(measured(circuit, volts), proposing=False) if volts else study
    lines = parts_list(study, ruleset)
    return {
        "circuit": circuit.name,
        "meter": {"resistance": meter.resistance, "per_volt": meter.per_volt},
        "measured": dict(sorted(volts.items())),
        "complete": study.complete and here.complete,
        "parts": [shape(line) for line in lines],
        "bring_up": [{"do": step.do, "expect": step.expect} for step in bring_up(here)],
        "states": [_state(here, situation, meter) for situation in chosen(here)],
        "cautions": [*cautions_for(circuit, span(study)), *_warnings(study)],
    }


def chosen(study: Study) -> tuple[Situation, ...]:
    """The states to measure: those that the document names, or all when it names none; rest first.

    A named state in every position in which it exists; of one that only a held capacitor keeps, its start.
    """
    names = set(study.circuit.states)
    found = study.situations()
    named = [situation for situation in found if situation.label in names]
    return tuple(named or found)


def _state(study: Study, situation: Situation, meter: Meter) -> Json:
    nets = probing(study, study.circuit.net_names)
    last = _last(study, situation)
    shown = [_shown(study, situation, net, meter, last) for net in nets]
    return {
        "name": situation.label,
        **positions(situation.state.mode.network.configuration),
        "how": moves_for(study, situation),
        "held": dict(sorted(situation.state.mode.network.held.items())),
        "lasts": None if situation.timed is None else _finite(situation.timed.duration),
        "devices": dict(sorted(situation.state.devices.items())),
        "readings": [_reading(item) for item in shown],
        "currents": list(_currents(study, situation)),
    }


def _last(study: Study, situation: Situation) -> State | None:
    """A timed state at its last moment; ``None`` for a state that stays."""
    if situation.timed is None:
        return None
    *_, last = along(study, situation.timed)
    return last


def _shown(study: Study, situation: Situation, net: str, meter: Meter, last: State | None) -> Shown:
    found = read(study, situation, net, meter)
    moves = None
    if last is not None and found.free is not None and last.nets[net] is not None:
        end = float(last.nets[net] or 0.0)
        if abs(end - found.free) > MOVING * max(1.0, abs(found.free)):
            moves, found = end, _widened(study, situation, found, end)
    return Shown(found, moves, _advice(study, situation, found, meter, moves, last))


def _widened(study: Study, situation: Situation, found: Reading, end: float) -> Reading:
    """The band from the first to the last moment of a timed state.

    Of a named state at rest over all tolerances; else the last moment is the nominal one.
    """
    if found.low is None or found.high is None:
        return found
    low, high = min(found.low, end), max(found.high, end)
    rest = study.state_sets()[0].configuration.key
    if situation.label in study.circuit.states and situation.position == rest:
        over = range_of(study, situation.label, lambda state: state.nets[found.net])
        low = low if over.low is None else min(low, over.low.value)
        high = high if over.high is None else max(high, over.high.value)
    return replace(found, low=low, high=high)


def _advice(
    study: Study,
    situation: Situation,
    found: Reading,
    meter: Meter,
    moves: float | None,
    last: State | None,
) -> str:
    if found.free is None:
        return "undefined: whatever leakage and pick-up decide; do not rely on a reading"
    instead = _instead(study, situation, found, meter)
    if found.tips:
        return f"do not measure here: the meter itself ends this state.{instead}"
    if moves is not None and situation.timed is not None and last is not None:
        name = situation.timed.capacitor
        taken = _taken(study, last, name, found, meter, moves)
        told = f"moves to {format_quantity(moves, 'V', 3)} while {name} charges"
        if taken > HEAVY:
            share = f"the meter takes {100 * taken:.0f} % of what charges it and moves the delay."
            return f"{told}; {share}{instead or ' Time the delay instead.'}"
        return told
    if found.loading is not None and abs(found.loading) > HEAVY:
        return (
            f"the meter moves it by {100 * found.loading:+.0f} %: the reading is that of the loaded net."
            f"{instead}"
        )
    if not found.holds:
        return "at an end of the tolerances the circuit leaves this state: the band is that of the state"
    return ""


def _taken(
    study: Study, last: State, capacitor: str, found: Reading, meter: Meter, volts: float
) -> float:
    """Share of the last charging current of a capacitor that a meter on its net takes; 0 elsewhere."""
    part = study.circuit.parts[capacitor]
    pin = next((pin for pin, net in part.pins.items() if net == found.net), None)
    charging = None if pin is None else last.currents[capacitor][pin]
    if not charging:
        return 0.0
    return abs(volts / meter.loading(volts) / charging)


def _instead(study: Study, situation: Situation, found: Reading, meter: Meter) -> str:
    """A neighbour that a meter does not disturb: the emitter of a transistor that conducts from this base."""
    for part in study.circuit.parts.values():
        if part.kind not in ("npn", "pnp") or part.pins["base"] != found.net:
            continue
        emitter = part.pins["emitter"]
        if situation.state.devices[part.name] == "off" or emitter in study.roles.rails:
            continue
        other = read(study, situation, emitter, meter)
        if other.loading is not None and abs(other.loading) <= HEAVY:
            drop = study.resolved.assumptions["vbe_on"]
            sign = "add" if part.kind == "npn" else "subtract"
            return f" Measure {emitter} and {sign} {format_quantity(drop, 'V', 2)} instead."
    return ""


def _reading(item: Shown) -> Json:
    found = item.reading
    return {
        "net": found.net,
        "free": found.free,
        "shown": found.shown,
        "low": found.low,
        "high": found.high,
        "loading": found.loading,
        "meter": found.meter,
        "range": found.range,
        "moves_to": item.moves_to,
        "advice": item.advice,
    }


def _currents(study: Study, situation: Situation) -> Iterator[Json]:
    for part in study.circuit.parts.values():
        if part.kind in ("battery", "supply"):
            amps = source_current(situation, part.name)
            if amps is not None:
                yield {"source": part.name, "expect": amps[0], "low": amps[1], "high": amps[2]}


def _finite(value: float) -> float | None:
    return value if math.isfinite(value) else None


def _warnings(study: Study) -> list[str]:
    """Cautions that belong to the bench: polarity, heat, stored charge, coils."""
    parts = study.circuit.parts.values()
    found = []
    backwards = sorted(part.name for part in parts if is_polarised(part))
    if backwards:
        found.append(
            f"{listed(backwards)} may vent or burst when put in backwards or above the rated voltage: check"
            " polarity before power, and keep your face away at the first switch-on."
        )
    hot = sorted({name for situation in study.situations() for name in _warm(study, situation)})
    if hot:
        found.append(
            f"{listed(hot)} run at more than half the rated power in some state and may be too hot to touch."
        )
    coils = sorted(part.name for part in parts if part.kind == "coil")
    if coils:
        found.append(
            f"Do not pull a probe or a lead off {listed(coils)} while current flows: the coil makes a high"
            " voltage for a moment."
        )
    batteries = sorted(part.name for part in parts if part.kind == "battery")
    if batteries:
        found.append(
            f"Do not short {listed(batteries)} with a probe; take it out before you change parts, and never"
            " charge a cell that is not made for it."
        )
    return found


def _warm(study: Study, situation: Situation) -> Iterator[str]:
    for name, watts in situation.state.power.items():
        rated = study.known(name, "power")
        if rated is not None and watts is not None and watts > HOT * rated.value:
            yield name
