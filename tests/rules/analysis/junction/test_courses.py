"""The junction model asked of a study: all its states, and its stimuli."""

from __future__ import annotations

import pytest

from rules.analysis.junction.courses import compared, junction_course
from rules.analysis.study import Study
from rules.analysis.timeline.timelines import UnknownStart
from schemas.circuit import Leakage, frozen_map
from tests.builders import battery, circuit, contact, led, npn, press, resistor
from tests.latch import LATCH
from tests.random_timed import timed
from tests.rules.analysis.test_stability import with_capacitors
from tests.timed_circuits import classroom_delay, feeder, flasher, path_light
from tests.timed_families import FAMILIES
from tests.timers import garden_light


def test_every_situation_is_compared() -> None:
    found = compared(Study(path_light()))
    assert {item.situation.label for item in found} >= {"all off", "LED on, Q1 active, Q2 saturated"}
    assert all(item.refined.converged for item in found)
    assert all(item.agrees for item in found)


def test_a_model_that_differs_notably_is_told_with_its_net() -> None:
    """A small LED behind a high resistor, with a drop assumed at 10 mA: at 20 uA it has 0.3 V less."""
    dim = circuit(
        battery("B1", "vb", "gnd", 9.0, 1.0),
        contact("S1", "vb", "a", rest="closed"),
        resistor("R1", "a", "k", 390e3),
        led("L1", "k", "gnd", 3.0),
    )
    lit = [item for item in compared(Study(dim)) if item.situation.state.devices["L1"] == "on"]
    assert [item.agrees for item in lit] == [False]
    assert lit[0].refined.disagreement.net == "k"
    assert lit[0].refined.disagreement.volts == pytest.approx(-0.0514 * 6.4, abs=0.02)


def test_a_loop_that_the_hand_model_takes_for_open_is_told() -> None:
    """A stage that carries 60 uA at 0.57 V is off on paper; with it the loop through the capacitors grows."""
    subject = with_capacitors(41)
    item = next(item for item in compared(Study(subject)) if item.situation.timed is None)
    assert item.situation.state.stable
    assert item.refined.converged
    assert not item.refined.disagreement.notable
    assert not item.stable
    assert not item.agrees


def test_a_course_goes_on_beyond_the_end_of_the_hand_model() -> None:
    study = Study(classroom_delay())
    found = junction_course(study, "close")
    last = study.timeline("close").events[-1].at
    assert found.complete
    assert found.end == pytest.approx(1.5 * last)
    assert [event.kind for event in found.events] == ["stimulus", "conducts", "falls", "saturates"]


def test_starts_and_ends() -> None:
    study = Study(feeder())
    powered = junction_course(study, None, start="power-up", until=0.01)
    assert powered.end == pytest.approx(0.01)
    assert powered.nets["vp"][0] == pytest.approx(0.0, abs=1e-5)
    named = junction_course(study, "tap", start="Q2 saturated", until=8.0)
    assert named.rests
    oscillating = junction_course(Study(flasher()), None)
    assert len(oscillating.crossings("c1", 6.0, rising=True)) >= 3
    idle = junction_course(Study(circuit(*LATCH)), None)
    assert idle.rests
    assert idle.end <= 1.0


def test_unknown_names_are_refused() -> None:
    study = Study(feeder())
    with pytest.raises(UnknownStart, match="Q2 saturated"):
        junction_course(study, "tap", start="asleep")
    with pytest.raises(KeyError):
        junction_course(study, "nudge")


def test_a_capacitor_that_may_leak_its_charging_current_never_gets_there() -> None:
    """At its limit the electrolytic takes more than what charges it at the threshold."""
    subject = garden_light(leakage=Leakage(per_cv=0.01))
    found = junction_course(Study(subject), "press", leakage="limit", until=400.0)
    assert found.complete
    assert found.crossings("out", 4.5, rising=False) == ()
    # without it the same study lets go after a minute
    dry = junction_course(Study(subject), "press", until=80.0)
    assert len(dry.crossings("out", 4.5, rising=False)) == 1


def test_gains_of_a_corner_are_used() -> None:
    stage = circuit(
        battery("B1", "vb", "gnd", 9.0, 1.0),
        contact("S1", "vb", "a"),
        resistor("R1", "a", "b", 820e3),
        resistor("R2", "vb", "c", 1e3),
        npn("Q1", "c", "b", "gnd", type="2N3904"),
        stimuli=frozen_map({"touch": press("S1", 0.1)}),
    )
    study = Study(stage)
    lows = [junction_course(study, "touch", corner, until=0.09).nets["c"][-1] for corner in ("min", "max")]
    assert lows[1] < lows[0] - 0.5


def test_random_timed_circuits_run_to_their_end_or_say_why() -> None:
    """One of each family; a budget that gives out is told, and every voltage is finite."""
    for case in (timed(family, 0) for family in sorted(FAMILIES)):
        found = junction_course(Study(case.circuit), case.stimulus, start=case.start, step_budget=500)
        assert found.complete or "steps were taken" in found.reason, f"{case.name}: {found.reason}"
        for net, values in found.nets.items():
            assert abs(values).max() < 1e5, f"{case.name}: {net}"
