"""Which capacitor ends a state, at what voltage and on its way to what."""

from __future__ import annotations

import itertools
import math

import pytest

from rules.analysis.study import Study
from rules.analysis.thresholds import deciding_capacitor, thresholds
from schemas.circuit import Circuit, frozen_map
from tests.builders import capacitor, circuit, coil, contact, diode, led, npn, press, resistor, supply
from tests.timers import garden_light


def test_a_timed_latch_lets_go_at_the_voltage_of_its_timing_capacitor() -> None:
    timeline = Study(garden_light()).timeline("press")
    (found,) = (t for t in thresholds(timeline) if t.kind == "jump")
    (jump,) = (event for event in timeline.events if event.kind == "jump" and event.at > 1.0)
    assert found.at == jump.at
    # C2 (100 nF at the base) is tied to C1 (470 uF) by two base-emitter junctions when the state ends
    assert found.capacitor == "C1"
    assert found.voltage == pytest.approx(float(timeline.at(jump.at).stored([jump.at])["C1"][0]))
    # by hand: R6 feeds C1 from the output, 8.77 V
    assert found.aim == pytest.approx(8.774, abs=2e-3)


def flasher() -> Circuit:
    parts = [supply("V1", "vp", "gnd", 12.0)]
    for k, other in ((1, 2), (2, 1)):
        parts += [
            led(f"D{k}", "vp", f"l{k}", 1.9),
            resistor(f"RC{k}", f"l{k}", f"c{k}", 820.0),
            resistor(f"RB{k}", "vp", f"b{k}", 56e3),
            capacitor(f"C{k}", f"c{k}", f"b{other}", 4.7e-6),
            npn(f"Q{k}", collector=f"c{k}", base=f"b{k}", emitter="gnd", beta=200.0),
        ]
    return circuit(*parts, name="bench-flasher")


def test_each_capacitor_of_an_astable_ends_its_own_half() -> None:
    timeline = Study(flasher()).timeline(None, start="power-up")
    found = [item for item in thresholds(timeline) if item.kind == "jump"]
    assert len(found) == len([event for event in timeline.events if event.kind == "jump"]) - 1
    assert len(found) >= 3
    assert all(a.capacitor != b.capacitor for a, b in itertools.pairwise(found))
    for item in found:
        # the base rises to 0.7 V while the collector stands at 0.2 V, and was bound for the rail
        assert item.voltage == pytest.approx(0.2 - 0.7, abs=1e-6)
        assert item.aim == pytest.approx(0.2 - 12.0, abs=1e-6)


def test_a_device_that_comes_on_without_a_jump_is_a_threshold_too() -> None:
    subject = circuit(
        supply("V1", "vp", "gnd", 9.0),
        contact("S1", "vp", "a"),
        resistor("R1", "a", "b", 10e3),
        capacitor("C1", "b", "gnd", 100e-6),
        diode("D1", "b", "k", 0.7),
        resistor("R2", "k", "gnd", 10e3),
        stimuli=frozen_map({"press": press("S1", 60.0)}),
    )
    timeline = Study(subject).timeline("press")
    first = thresholds(timeline)[0]
    assert (first.capacitor, first.kind) == ("C1", "region")
    assert first.voltage == pytest.approx(0.7, abs=1e-9)
    assert first.aim == pytest.approx(9.0, abs=1e-9)
    assert first.after == pytest.approx(math.log(9.0 / 8.3), rel=1e-9)


def test_a_coil_is_no_capacitor() -> None:
    subject = circuit(
        supply("V1", "vp", "gnd", 12.0),
        contact("S1", "vp", "in"),
        resistor("R1", "in", "b", 2.2e3),
        resistor("R2", "b", "gnd", 22e3),
        npn("Q1", collector="c", base="b", emitter="gnd", beta=100.0),
        coil("K1", "vp", "c", 400.0, inductance=0.6),
        diode("D1", "c", "vp", 0.7),
        stimuli=frozen_map({"press": press("S1", 12e-3)}),
    )
    timeline = Study(subject).timeline("press")
    assert any("D1" in event.parts for event in timeline.events)
    assert thresholds(timeline) == ()
    assert deciding_capacitor(timeline.last) is None
