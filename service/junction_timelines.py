"""The course of the junction model in the shape of a timeline: the check of the exact one.

It is integrated, not solved: samples instead of modes, passages of currents
and nets instead of changes of region.  Nothing is assumed about jumps.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from service.sampling import Array, polylines_of
from service.shapes import assumed_shape, finite, positions
from service.timelines import before_shape, ends_of, outputs_of, timeline_shape

if TYPE_CHECKING:
    from rules.analysis.elements import Configuration
    from rules.analysis.junction.course import JunctionCourse
    from rules.analysis.junction.happenings import Happening
    from rules.analysis.states import State
    from rules.analysis.study import Study

Json = dict[str, Any]

FURTHER = 1.3  # times as long as the exact course is drawn: junctions are slower than ideal ones
AT_ONCE = 1e-3  # of the time since the last stimulus; what follows sooner happens at once
CALM = 0.2  # of the run, at its end; nothing may happen in it where a course counts as settled
CREEP = 0.06  # of its range; the most that a curve may move meanwhile
NOISE = 1e-6  # V or A
SAME = 0.02  # of a period; periods that differ by less are one


def junction_shape(
    study: Study, stimulus: str | None, beta: str, leakage: str, start: str, until: float | None
) -> Json:
    """The shape of one course; without ``until`` (s) it runs a little longer than the exact one is drawn."""
    from rules.analysis.junction.course import integrate
    from rules.analysis.timeline.timelines import gains, leaks

    circuit = study.circuit
    exact = study.timeline(stimulus, beta, start, leakage)
    if until is None:
        until = FURTHER * timeline_shape(circuit, exact)["drawn_to"]
    rest = study.state_sets(beta)[0]
    begin = None if exact.start == "power-up" else _state_of(rest.stable, exact.start)
    actions = () if stimulus is None else circuit.stimuli[stimulus]
    course = integrate(
        study.resolved,
        actions,
        begin,
        until,
        gains(study, beta),
        leaks=leaks(study) if leakage == "limit" else None,
        configuration=rest.configuration,
    )
    nets = {net: np.asarray(values) for net, values in sorted(course.nets.items())}
    stored = _stored(study, course)
    events, intervals = _told(study, course, begin, rest.configuration, stored)
    verdict, period, reason = _verdict(study, course, beta, intervals, {**nets, **stored})
    lines = polylines_of(course.times, nets)
    kept = polylines_of(course.times, stored)
    return {
        "circuit": circuit.name,
        "stimulus": stimulus,
        "events": events,
        "intervals": intervals,
        "nets": {net: {"at": list(line.at), "voltage": list(line.value)} for net, line in lines.items()},
        "verdict": verdict,
        "period": finite(period),
        "reason": reason,
        "start": exact.start,
        "beta": beta,
        "leakage": leakage,
        "model": "junction",
        "complete": course.complete and verdict != "undecided",
        "before": before_shape(study, exact),
        "drawn_to": course.end,
        "outputs": outputs_of(circuit, [item["devices"] for item in intervals]),
        "stored": {
            name: {
                "unit": "V" if circuit.parts[name].kind == "capacitor" else "A",
                "nets": [circuit.parts[name].pins[pin] for pin in ends_of(circuit.parts[name].pins)],
                "at": list(line.at),
                "value": list(line.value),
            }
            for name, line in kept.items()
        },
        "thresholds": [],
        "assumed": [assumed_shape(item) for item in study.resolved.assumed],
        "problems": [reason] if verdict == "undecided" else [],
    }


def _state_of(stable: tuple[State, ...], name: str) -> State | None:
    return next((state for state in stable if name in ("rest", state.name)), None)


def _stored(study: Study, course: JunctionCourse) -> dict[str, Array]:
    """Capacitor voltages, first pin against second, and coil currents at the times of the course."""
    from rules.analysis.timeline.stores import store_names

    parts = study.circuit.parts
    found: dict[str, Array] = {}
    for name in store_names(study.resolved)[0]:
        first, second = (parts[name].pins[pin] for pin in ends_of(parts[name].pins))
        found[name] = np.asarray(course.nets[first]) - np.asarray(course.nets[second])
    found.update({name: np.asarray(values) for name, values in course.coils.items()})
    return dict(sorted(found.items()))


_REGION = {"conducts": "active", "saturates": "saturated", "leaves-saturation": "active", "stops": "off"}


def _told(
    study: Study,
    course: JunctionCourse,
    begin: State | None,
    configuration: Configuration,
    stored: Mapping[str, Array],
) -> tuple[list[Json], list[Json]]:
    """Events and intervals: the state after each event is read from the devices that conduct."""
    from rules.analysis.junction.course import moved
    from rules.analysis.resolve import TRANSISTORS
    from rules.analysis.timeline.engine import state_name
    from schemas.circuit import Action

    circuit = study.circuit
    kinds = {part.name: part.kind for part in circuit.parts.values()}
    devices = {
        name: "off" if begin is None else begin.devices[name]
        for name, kind in sorted(kinds.items())
        if kind in TRANSISTORS or kind in ("diode", "led", "zener")
    }
    events: list[Json] = []
    intervals: list[Json] = []

    def interval(at: float) -> None:
        told = {
            "state": state_name(circuit, devices),
            "from": at,
            "to": None,
            "devices": dict(devices),
            **positions(configuration),
        }
        if intervals and {**intervals[-1], "from": at} == told:
            return
        if intervals and intervals[-1]["from"] == at:
            intervals.pop()
        if intervals:
            intervals[-1]["to"] = at
        intervals.append(told)

    def event(at: float, kind: str, what: str, parts: list[str]) -> None:
        held = {name: float(np.interp(at, course.times, values)) for name, values in stored.items()}
        events.append(
            {
                "at": at,
                "what": what,
                "state": state_name(circuit, devices),
                "kind": kind,
                "parts": parts,
                "reason": "",
                "stored": finite(held),
            }
        )

    interval(0.0)
    event(0.0, "start", "switched on, every capacitor empty" if begin is None else "as it stands", [])
    for burst in _bursts(course.events):
        for item in burst:
            if item.kind == "stimulus":
                action = Action(item.at, item.subject, item.what.rsplit(" ", 1)[-1])
                configuration = moved(configuration, (action,))
            elif item.kind in _REGION and item.subject in devices:
                region = _REGION[item.kind]
                diode = kinds[item.subject] not in TRANSISTORS
                devices[item.subject] = "on" if diode and region != "off" else region
        first = burst[0]
        interval(first.at)
        parts = sorted({item.subject for item in burst} & set(kinds))
        event(first.at, first.kind, ", ".join(item.what for item in burst), parts)
    if course.rests:
        event(course.end, "rest", f"at rest as {state_name(circuit, devices)}", [])
    else:
        event(course.end, "stop", course.reason, [])
        intervals[-1]["to"] = course.end
    return events, intervals


def _bursts(items: Sequence[Happening]) -> list[list[Happening]]:
    """Events that follow each other at once: a jump of ideal junctions is a rapid passage of real ones."""
    found: list[list[Happening]] = []
    stirred = 0.0  # time of the last stimulus
    for item in items:
        before = found[-1][-1] if found else None
        if item.kind == "stimulus":
            stirred = item.at
        elif before is not None and item.at - before.at <= AT_ONCE * (item.at - stirred):
            found[-1].append(item)
            continue
        found.append([item])
    return found


def _verdict(
    study: Study, course: JunctionCourse, beta: str, intervals: list[Json], curves: Mapping[str, Array]
) -> tuple[str, float | None, str]:
    last = intervals[-1]
    if course.rests or _calm(course, curves):
        there = [
            state.name
            for found in study.state_sets(beta)
            if dict(found.configuration.contacts) == last["contacts"]
            and dict(found.configuration.drivers) == last["drivers"]
            for state in found.stable
        ]
        if last["state"] in study.circuit.states and last["state"] not in there:
            return "never-ends", None, f"it rests in the state {last['state']}, which is no DC state"
        return "settles", None, "" if course.rests else f"what is stored still creeps at {course.end:.4g} s"
    period = _period(course)
    if period is not None:
        return "oscillates", period, ""
    return "undecided", None, f"still moving at {course.end:.4g} s ({course.reason})"


def _calm(course: JunctionCourse, curves: Mapping[str, Array]) -> bool:
    """True when the whole run was made, and in the last part of it nothing happened and little moved."""
    since = course.end * (1.0 - CALM)
    if not course.complete or any(item.at >= since for item in course.events):
        return False
    late = course.times >= since
    return all(np.ptp(values[late]) <= CREEP * np.ptp(values) + NOISE for values in curves.values())


def _period(course: JunctionCourse) -> float | None:
    """The time between the last two rises of a net, where the two before were as far apart."""
    rises: dict[str, list[float]] = {}
    for item in course.events:
        if item.kind == "rises":
            rises.setdefault(item.subject, []).append(item.at)
    for _, times in sorted(rises.items()):
        gaps = [b - a for a, b in itertools.pairwise(times[-3:])]
        if len(gaps) == 2 and abs(gaps[1] - gaps[0]) <= SAME * gaps[1]:
            return gaps[1]
    return None
