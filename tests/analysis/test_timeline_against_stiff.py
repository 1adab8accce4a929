"""Timelines of random timed circuits against stiff integration that shares no code with them.

Every junction has to conduct and block at the same times: wherever both sides are sure and differ, the
difference may last 0.1 % of the time since the last action.  That is every event, in order, within 0.1 %.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from rules.analysis.study import Study
from rules.analysis.timeline.model import Timeline
from schemas.circuit import frozen_map
from tests.builders import solve
from tests.modes_in_time import course_of_timeline, disagreements
from tests.random_timed import Timed, initial_nets, reversed_polarity, timed
from tests.stiff import Trace, integrate
from tests.timed_families import FAMILIES

SEEDS = 16  # of each of the 13 families: 208 circuits
ON_PAPER = "on paper"  # settles by the hand model, but the junction model would not stay there


def followed(case: Timed) -> Timeline:
    return Study(case.circuit).timeline(case.stimulus, start=case.start)


def integrated(case: Timed) -> Trace:
    cold = case.start == "power-up"
    start = {} if cold else initial_nets(solve(case.circuit).stable[0].nets, case.circuit)
    return integrate(case.circuit, case.actions, start, scale=case.scale, cold=cold)


def complaints(case: Timed, found: Timeline, trace: Trace) -> list[str]:
    """What a timeline and an integration do not agree about."""
    wrong: list[str] = []
    settles = found.verdict == "settles" or ON_PAPER in found.reason
    expected = "rest" if settles else "repeats" if found.verdict == "oscillates" else "?"
    if trace.ended != expected:
        wrong.append(f"{found.verdict} ({found.reason}), integration ends with {trace.ended}")
    moments = [action.at for action in case.actions]
    end = trace.times[-1] if settles else min(trace.times[-1], found.span)
    course = course_of_timeline(found, trace.junctions)
    wrong.extend(
        f"{trace.junctions[item.junction]} differs from {item.start} s to {item.end} s"
        for item in disagreements(course, trace.codes, end, moments, floor=1e-6 * case.scale)
        if item.share > 1e-3
    )
    periods = (found.period, trace.period)
    if None not in periods and found.period != pytest.approx(trace.period, rel=1e-3):
        wrong.append(f"periods {periods}")
    if settles:
        final = found.last.voltages([math.inf])
        for net, values in final.items():
            there = trace.at(net)[-1]
            if not math.isnan(values[0]) and abs(values[0] - there) > 1e-3:
                wrong.append(f"{net} ends at {values[0]} V, integration at {there} V")
    return wrong


@pytest.mark.slow
@pytest.mark.parametrize("family", FAMILIES)
def test_random_timed_circuits(family: str) -> None:
    wrong: dict[str, list[str]] = {}
    events = 0
    for seed in range(SEEDS):
        case = timed(family, seed)
        found, trace = followed(case), integrated(case)
        events += sum(event.kind in ("region", "jump") for event in found.events)
        said = complaints(case, found, trace)
        if said:
            wrong[case.name] = said
    assert not wrong
    assert events >= SEEDS  # something happens in them


def with_value(case: Timed, part: str, **values: float) -> Timed:
    """The same case with another value of one part."""
    old = case.circuit.parts[part]
    new = replace(old, values=frozen_map({**old.values, **values}))
    subject = replace(case.circuit, parts=frozen_map({**case.circuit.parts, part: new}))
    return replace(case, circuit=subject)


def test_the_comparison_sees_a_wrong_time() -> None:
    """An event moved by 0.2 %, a missing one and another end are all complained about."""
    case = timed("charge_switch", 0)
    found, trace = followed(case), integrated(case)
    assert not complaints(case, found, trace)
    course = course_of_timeline(found, trace.junctions)
    moments = [action.at for action in case.actions]
    number, at = next(
        (k, time) for k, (time, _) in enumerate(course) if k and time > moments[0] and time not in moments
    )
    late = at + 2e-3 * (at - max(m for m in moments if m < at))
    moved = [(late if k == number else time, codes) for k, (time, codes) in enumerate(course)]
    seen = disagreements(moved, trace.codes, trace.times[-1], moments, floor=1e-6 * case.scale)
    assert 1.5e-3 < seen[0].share < 2.5e-3
    missing = [entry for k, entry in enumerate(course) if k != number]
    assert disagreements(missing, trace.codes, trace.times[-1], moments, 1e-6 * case.scale)[0].share > 0.01
    larger = with_value(
        case, "C1", capacitance=1.003 * (case.circuit.parts["C1"].number("capacitance") or 0.0)
    )
    assert complaints(case, followed(larger), trace)
    later = with_value(case, "V1", voltage=1.001 * (case.circuit.parts["V1"].number("voltage") or 0.0))
    assert complaints(case, followed(later), trace)


def test_mirrored_circuits_run_the_same() -> None:
    """With every polarity exchanged the times stay and the voltages change their signs."""
    plain, other = timed("self_resetting", 4), timed("self_resetting", 5)
    assert {part.kind for part in plain.circuit.parts.values()} & {"npn", "pnp"}
    for case in (plain, other):
        turned = reversed_polarity(case)
        one, two = followed(case), followed(turned)
        times = [event.at for event in one.events]
        assert [event.at for event in two.events] == pytest.approx(times, rel=1e-9)
        at = np.linspace(0.0, 1.2 * one.span, 40)
        here, there = one.sample(at), two.sample(at)
        for net, values in here.items():
            assert there[net] == pytest.approx(-values, abs=1e-9, nan_ok=True)
