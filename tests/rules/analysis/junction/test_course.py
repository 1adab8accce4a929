"""Courses in time of the junction model: closed forms, an independent integration, and honest ends."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from rules.analysis.junction.course import JunctionCourse, integrate
from rules.analysis.resolve import resolve
from rules.analysis.states import start_betas
from rules.analysis.timeline.plant import Leak
from schemas.circuit import Action, Circuit
from tests.builders import (
    capacitor,
    circuit,
    coil,
    contact,
    diode,
    film,
    inductor,
    load,
    npn,
    resistor,
    solve,
    supply,
)
from tests.latch import LATCH
from tests.timed_circuits import NAMED, feeder, flasher, path_light, valve
from tests.timers import blinker
from tests.transport import Transport


def course(
    subject: Circuit, until: float, *actions: Action, start: Any = "rest", **more: Any
) -> JunctionCourse:
    """``start`` is ``rest``, ``None`` for power-up, or stores by name."""
    resolved = resolve(subject)
    if start == "rest":
        start = solve(resolved).stable[0]
    return integrate(resolved, actions, start, until, start_betas(resolved, "typical"), **more)


def named(name: str, **more: Any) -> JunctionCourse:
    case = NAMED[name]
    subject = case.build()
    actions = () if case.stimulus is None else subject.stimuli[case.stimulus]
    return course(subject, case.until, *actions, start=None if case.stimulus is None else "rest", **more)


def low_pass(farads: float = 10e-6, ohms: float = 100e3) -> Circuit:
    return circuit(
        supply("V1", "vp", "gnd", 5.0),
        contact("S1", "vp", "a"),
        resistor("R1", "a", "b", ohms),
        capacitor("C1", "b", "gnd", farads),
        resistor("R2", "a", "gnd", 1e6),
    )


CLOSE = Action(0.0, "S1", "closed")


def test_charging_is_exponential() -> None:
    """V (1 - exp(-t/(R C))) with R C 1 s: within 0.5 mV all along; better with more accuracy."""
    fine = course(low_pass(), 5.0, CLOSE, accuracy=1e-6)
    assert fine.crossings("b", 2.5) == pytest.approx([math.log(2.0)], rel=3e-5)
    found = course(low_pass(), 5.0, CLOSE)
    times = np.linspace(0.01, 4.9, 60)
    assert found.voltage("b", times) == pytest.approx(5.0 * (1.0 - np.exp(-times)), abs=5e-4)
    assert found.crossings("b", 2.5) == pytest.approx([math.log(2.0)], rel=2e-4)
    assert found.crossings("b", 2.5, rising=False) == ()


def test_discharging_from_a_given_voltage() -> None:
    found = course(low_pass(), 30.0, start={"C1": 4.0})
    # through R1 and R2 in series, 11 s
    assert found.crossings("b", 2.0) == pytest.approx([11.0 * math.log(2.0)], rel=3e-4)


def test_a_coil_takes_and_gives_its_current() -> None:
    """L/R 2 ms: 63.2 % of 30 mA after one time constant; release through the diode as in the closed form

    (L/R) ln((I R + V_d)/(I_release R + V_d)), with V_d the drop at the mean current.
    """
    relay = circuit(
        supply("V1", "vp", "gnd", 12.0),
        contact("S1", "vp", "k"),
        coil("K1", "k", "gnd", 400.0, inductance=0.8),
        diode("D1", "gnd", "k"),
    )
    found = course(relay, 0.05, CLOSE, Action(0.03, "S1", "open"))
    current = found.coils["K1"]
    assert np.interp(2e-3, found.times, current) == pytest.approx(30e-3 * (1.0 - math.exp(-1.0)), rel=1e-4)
    after = found.times > 0.03
    released = float(np.interp(-6e-3, -current[after], found.times[after])) - 0.03
    drop = 0.7 + 1.8 * 0.02569 * math.log(1.5)  # 15 mA through a diode with 0.7 V at 10 mA
    assert released == pytest.approx(2e-3 * math.log((12.0 + drop) / (2.4 + drop)), rel=0.01)
    assert "D1 begins to conduct" in [event.what for event in found.events]


def test_an_inductor_without_a_path_swings_to_its_strays() -> None:
    """I sqrt(L/C) with the strays of the winding and the node: kilovolts, then a decaying ring."""
    bare = circuit(
        supply("V1", "vp", "gnd", 12.0),
        contact("S1", "vp", "k", rest="closed"),
        inductor("X1", "k", "gnd", 0.5, resistance=400.0),
    )
    found = course(bare, 1e-3, Action(0.0, "S1", "open"))
    expected = -30e-3 * math.sqrt(0.5 / 151e-12)  # 150 pF across the winding, 1 pF at the node
    assert found.nets["k"].min() == pytest.approx(expected, rel=0.02)


def test_a_constant_leakage_stops_the_charging_below_the_supply() -> None:
    leaking = course(low_pass(), 60.0, CLOSE, leaks={"C1": Leak(20e-6)})
    assert leaking.voltage("b", [55.0])[0] == pytest.approx(5.0 - 20e-6 * 100e3, abs=1e-3)
    resistive = course(low_pass(), 60.0, CLOSE, leaks={"C1": Leak(0.0, 1.0 / 100e3)})
    assert resistive.voltage("b", [55.0])[0] == pytest.approx(2.5, abs=1e-3)


def test_the_path_light_against_an_independent_integration() -> None:
    """Implicit Runge-Kutta of the transport form, from the description of the circuit alone."""
    found = named("path light")
    subject = path_light()
    start = {"vb": 9.0, "b2": 9.0, "c1": 9.0}
    pressed = Transport(subject, closed=frozenset({"S1"}))
    v, _ = pressed.run({net: start.get(net, 0.0) for net in pressed.nets}, 0.1, "out", 1e3)
    after, released = Transport(subject).run(
        dict(zip(pressed.nets, v.tolist(), strict=True)), 80.0, "out", 4.5
    )
    fall = found.crossings("out", 4.5, rising=False)
    assert fall == pytest.approx([0.1 + released], rel=1e-4)
    # 62.47 s; the hand model says 60.3 s to where the steering begins, 62.3 s to where it ends
    assert fall == pytest.approx([62.47], rel=1e-3)
    assert float(found.voltage("tm", fall)[0]) == pytest.approx(after[pressed.index["tm"]], abs=2e-3)


def test_leakage_stretches_the_delay_until_it_never_ends() -> None:
    """5 and 10 uA of 40 uA at the start: 75.4 s and 95.8 s; 20 uA stall it below the threshold.

    On paper 20 uA still let it end, after 225 s (charging from 8.77 V against 3.888 V): near a stall the
    junction model is the one to ask.  Own values of an implicit Runge-Kutta run.
    """
    subject = path_light()

    def released(leak: Leak) -> tuple[float, ...]:
        found = course(subject, 400.0, *subject.stimuli["press"], leaks={"C1": leak})
        assert found.complete
        return found.crossings("out", 4.5, rising=False)

    assert released(Leak(5e-6)) == pytest.approx([75.42], rel=2e-3)
    assert released(Leak(10e-6)) == pytest.approx([95.77], rel=4e-3)
    assert released(Leak(20e-6)) == ()
    # 2 Mohm across the capacitor: as a leakage and as a resistor
    bridged = circuit(*subject.parts.values(), resistor("RL", "tm", "gnd", 2e6), stimuli=subject.stimuli)
    as_part = course(bridged, 80.0, *subject.stimuli["press"]).crossings("out", 4.5, rising=False)
    assert released(Leak(0.0, 0.5e-6)) == pytest.approx(as_part, rel=1e-6)
    assert as_part == pytest.approx([65.24], rel=1e-3)


def test_a_second_period_of_the_path_light_is_shorter() -> None:
    """What is left on the timing capacitor is missing from the next minute."""
    subject = path_light()
    first = named("path light")
    left = float(first.nets["tm"][-1])
    assert left > 0.2
    second = course(subject, 80.0, *subject.stimuli["press"], start={"C1": left})
    one, two = (found.crossings("out", 4.5, rising=False)[0] for found in (first, second))
    # the exponential towards 8.9 V starts at what is left: t1 - t2 = R C ln(8.9/(8.9 - left))
    assert one - two == pytest.approx(103.4 * math.log(8.93 / (8.93 - left)), rel=0.02)


def test_the_feeder_against_an_independent_integration() -> None:
    subject = feeder()
    found = named("feeder")
    assert found.rests
    rest = Transport(subject).rest(
        {"b1": 0.02, "b2": 0.65, "c1": 6.0, "c2": 0.05, "tap": 0.02} | {"vp": 6.0, "gnd": 0.0}
    )
    pressed = Transport(subject, closed=frozenset({"S1"}))
    v, _ = pressed.run(rest, 0.02, "c2", 99.0)
    _, end = Transport(subject).run(dict(zip(pressed.nets, v.tolist(), strict=True)), 5.0, "c2", 3.0)
    assert found.crossings("c2", 3.0, rising=False) == pytest.approx([0.02 + end], rel=2e-4)


def test_the_flasher_has_its_period() -> None:
    """0.338 s, as an implicit Runge-Kutta run of the transport form gives; 0.331 s in the hand model."""
    found = named("flasher")
    rises = found.crossings("c1", 6.0, rising=True)
    periods = np.diff(rises)[1:]
    assert periods == pytest.approx(0.338, rel=5e-3)
    assert periods.std() < 1e-4
    subject = flasher()
    oracle = Transport(subject)
    at = {net: float(found.voltage(net, [1.0])[0]) for net in oracle.nets}
    before = next(t for t in found.crossings("c1", 6.0) if t > 1.0)
    _, swing = oracle.run(at, 1.0, "c1", 6.0)
    assert before - 1.0 == pytest.approx(swing, rel=1e-3)
    # drops shrink at small currents: the reverse base-emitter voltage is larger than by hand
    assert found.nets["b1"].min() < -9.2


def test_the_valve_rings_no_higher_than_its_diode_lets_it() -> None:
    found = named("valve")
    assert found.rests
    assert 12.5 < found.nets["c"].max() < 13.0
    # without the diode the collector is thrown to hundreds of volts
    bare = circuit(*(part for part in valve().parts.values() if part.name != "D1"))
    thrown = course(bare, 0.0203, Action(0.0, "U1", "high"), Action(0.02, "U1", "low"))
    assert thrown.nets["c"].max() > 500.0


def test_what_happens_is_listed_in_order() -> None:
    found = named("classroom delay")
    told = [(event.kind, event.subject) for event in found.events]
    assert told == [("stimulus", "S1"), ("conducts", "Q1"), ("falls", "out"), ("saturates", "Q1")]
    assert [event.at for event in found.events] == sorted(event.at for event in found.events)
    fall = found.crossings("out", 4.5, rising=False)[0]
    # the hysteresis of an event is 2 % of 9 V beyond the half
    assert found.events[2].at == pytest.approx(fall, rel=0.02)
    assert found.events[2].what == "out falls through 4.5 V"


@pytest.mark.parametrize("ramp", [1e-6, 0.1])
def test_a_latch_powers_up_into_off(ramp: float) -> None:
    """Slowly or at once: its bleed resistors keep both transistors off."""
    found = course(circuit(*LATCH), 1.0, start=None, ramp=ramp)
    assert found.rests
    assert abs(found.nets["out"][-1]) < 1e-3
    assert float(found.voltage("vp", [2.0])[0]) == pytest.approx(12.0, abs=1e-3)


def test_a_latch_keeps_the_state_it_starts_from() -> None:
    for state in solve(circuit(*LATCH)).stable:
        found = course(circuit(*LATCH), 1.0, start=state)
        assert found.rests
        assert float(found.nets["out"][-1]) == pytest.approx(state.nets["out"], abs=0.3)


def test_a_frozen_state_lets_its_capacitor_go() -> None:
    subject = path_light()
    on = next(s for s in solve(subject, held={"C1": 3.0}).stable if s.devices["Q2"] == "saturated")
    found = course(subject, 60.0, start=on)
    assert float(found.nets["tm"][0]) == pytest.approx(3.0, abs=1e-4)
    # from 3 V: R C ln((8.93 - 3)/8.93) earlier than from nothing
    assert found.crossings("out", 4.5, rising=False)[0] == pytest.approx(
        62.4 - 103.4 * math.log(8.93 / 5.93), rel=0.02
    )


def test_a_symmetrical_astable_leaves_its_fence() -> None:
    """Both transistors saturated at rest, both halves alike: it starts all the same."""
    found = course(blinker(), 1.5, start=None)
    assert found.complete
    assert not found.rests
    assert len(found.crossings("c1", 2.5, rising=True)) >= 2


def test_an_unstable_state_is_left() -> None:
    middle = next(state for state in solve(circuit(*LATCH)).states if state.index == -1)
    found = course(circuit(*LATCH), 1e-3, start=middle)
    assert found.rests
    assert not 2.0 < found.nets["out"][-1] < 6.0


def test_temperature_changes_the_delay() -> None:
    """A threshold of two base-emitter drops falls by some 2 mV/K: the lamp lights earlier when it is warm."""
    half = [
        named("classroom delay", temperature=kelvin).crossings("out", 4.5)[0] for kelvin in (268.15, 318.15)
    ]
    assert half[1] < half[0]


def test_collector_leakage_charges_an_open_node() -> None:
    """100 nA from collector to base into 1 uF: 0.1 V/s until the base-emitter junction carries it."""
    stage = circuit(
        supply("V1", "vp", "gnd", 9.0),
        load("LP1", "vp", "c", 1e3),
        film("C1", "b", "gnd", 1e-6),
        resistor("R1", "b", "gnd", 100e6),
        npn("Q1", "c", "b", "gnd", 100.0, icbo=100e-9),
    )
    found = course(stage, 2.0, start={"C1": 0.0}, icbo="limit")
    assert float(found.voltage("b", [1.0])[0]) == pytest.approx(0.1, rel=0.02)
    assert float(course(stage, 2.0).nets["b"][-1]) == pytest.approx(0.0, abs=1e-4)


def test_a_budget_gives_a_partial_answer_that_says_so() -> None:
    found = named("path light", step_budget=150)
    assert not found.complete
    assert found.reason.startswith("stopped at ")
    assert found.reason.endswith("s: 150 steps were taken")
    whole = named("path light")
    assert 0.0 < found.end < whole.end
    assert np.all(np.diff(found.times) > 0.0)
    assert found.nets["out"].tolist() == whole.nets["out"][: len(found.times)].tolist()


def test_the_same_run_twice_is_the_same_to_the_last_bit() -> None:
    one, two = named("feeder"), named("feeder")
    assert one.times.tobytes() == two.times.tobytes()
    assert all(one.nets[net].tobytes() == two.nets[net].tobytes() for net in one.nets)
    assert one.events == two.events


def test_a_tighter_accuracy_changes_little() -> None:
    coarse, fine = named("feeder"), named("feeder", accuracy=1e-6)
    assert coarse.crossings("c2", 3.0) == pytest.approx(fine.crossings("c2", 3.0), rel=3e-4)


@pytest.mark.parametrize("until", [0.0, -1.0, math.inf, math.nan])
def test_an_end_has_to_be_a_time(until: float) -> None:
    with pytest.raises(ValueError, match="positive time"):
        course(low_pass(), until)


def test_only_what_stores_can_be_started_from() -> None:
    with pytest.raises(ValueError, match="R1, X9: only capacitors and inductive parts"):
        course(low_pass(), 1.0, start={"R1": 3.0, "X9": 1.0, "C1": 2.0})
