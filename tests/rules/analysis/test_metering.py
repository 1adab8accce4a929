"""A meter is a part that is added: what it shows, how much it moves, and when it tips a circuit over."""

from __future__ import annotations

import pytest

from rules.analysis.graph import distances
from rules.analysis.metering import Meter, read, source_current
from rules.analysis.needs import needs
from rules.analysis.study import Study
from schemas.circuit import Circuit
from tests.builders import (
    battery,
    capacitor,
    circuit,
    coil,
    contact,
    diode,
    exact,
    npn,
    press,
    resistor,
    supply,
)
from tests.latches import tank

DIGITAL, POINTER = Meter(), Meter(None, 20e3)


def divider(upper: float, lower: float, volts: float = 9.0) -> Circuit:
    return exact(
        supply("V1", "rail", "gnd", volts),
        resistor("R1", "rail", "tap", upper),
        resistor("R2", "tap", "gnd", lower),
    )


def shown(subject: Circuit, net: str, meter: Meter) -> tuple[float, float]:
    study = Study(subject)
    found = read(study, study.situations()[0], net, meter)
    assert found.shown is not None
    assert found.loading is not None
    return found.shown, found.loading


def test_a_digital_meter_on_220_kohm_reads_two_per_cent_low() -> None:
    """Thevenin: R_m/(R_m + R_th) with 10 Mohm and 220 kohm is 0.9785 (own arithmetic, by hand)."""
    volts, loading = shown(divider(440e3, 440e3), "tap", DIGITAL)
    assert loading == pytest.approx(-220e3 / (10e6 + 220e3))
    assert volts == pytest.approx(4.5 * 10e6 / (10e6 + 220e3))


def test_a_pointer_meter_of_20_kohm_per_volt_reads_half() -> None:
    """Its 10 V range is 200 kohm: 200/(200 + 220) is 0.476, which is 52 % low (by hand)."""
    _, loading = shown(divider(440e3, 440e3), "tap", POINTER)
    assert loading == pytest.approx(-220.0 / 420.0)


@pytest.mark.parametrize(("volts", "top"), [(0.3, 1.0), (1.0, 1.0), (1.1, 2.5), (9.0, 10.0), (300.0, 250.0)])
def test_the_range_is_the_smallest_that_holds_the_reading(volts: float, top: float) -> None:
    assert POINTER.range_for(volts) == top
    assert POINTER.loading(volts) == 20e3 * top
    assert DIGITAL.range_for(volts) is None


def test_the_band_is_that_of_the_loaded_net() -> None:
    """R1 -5 %, R2 +5 % and the reverse, the meter in parallel with R2: the divider formula by hand."""
    subject = circuit(
        supply("V1", "rail", "gnd", 9.0),
        resistor("R1", "rail", "tap", 1e6),
        resistor("R2", "tap", "gnd", 1e6),
    )
    study = Study(subject)
    found = read(study, study.situations()[0], "tap", DIGITAL)

    def by_hand(upper: float, lower: float) -> float:
        both = 1.0 / (1.0 / lower + 1.0 / 10e6)
        return 9.0 * both / (upper + both)

    assert found.shown == pytest.approx(by_hand(1e6, 1e6))
    assert found.low == pytest.approx(by_hand(1.05e6, 0.95e6))
    assert found.high == pytest.approx(by_hand(0.95e6, 1.05e6))
    assert found.holds


def test_an_undefined_net_has_no_reading_without_the_meter() -> None:
    subject = exact(
        supply("V1", "rail", "gnd", 9.0),
        resistor("R1", "rail", "gnd", 1e3),
        capacitor("C1", "rail", "far", 1e-6),
        capacitor("C2", "far", "gnd", 1e-6),
    )
    study = Study(subject)
    assert read(study, study.situations()[0], "far", DIGITAL).free is None


def test_a_meter_that_ends_the_state_is_told() -> None:
    """A latch held by a few microamperes: 20 kohm from its base to ground takes them all."""
    study = Study(tank())
    on = next(s for s in study.situations() if set(s.state.devices.values()) == {"saturated"})
    base = next(part.pins["base"] for part in study.circuit.parts.values() if part.kind == "npn")
    held = read(study, on, base, DIGITAL)
    assert not held.tips
    lost = read(study, on, base, Meter(100.0))
    assert lost.tips
    assert lost.shown is None


def test_what_a_source_gives() -> None:
    cell = battery("BT1", "rail", "gnd", 9.0, low=6.0, high=9.6)
    study = Study(circuit(cell, resistor("R1", "rail", "gnd", 1e3)))
    found = source_current(study.situations()[0], "BT1")
    assert found == pytest.approx((9e-3, 6.0 / 1050.0, 9.6 / 950.0))


def test_distances_count_parts_and_stop_at_ground() -> None:
    subject = divider(1e3, 1e3)
    assert distances(subject, {"rail", "gnd"}) == {"rail": 0, "tap": 1}


def test_needs_are_ohms_law_at_the_worst_corner() -> None:
    """1 kohm at 12 V, 5 %: 12 V, 12.63 mA and 151.6 mW (by hand)."""
    subject = circuit(supply("V1", "rail", "gnd", 12.0), resistor("R1", "rail", "gnd", 1e3))
    need = needs(Study(subject))["R1"]
    assert need.volts is not None
    assert need.amperes is not None
    assert need.watts is not None
    assert need.volts.value == pytest.approx(12.0)
    assert need.amperes.value == pytest.approx(12.0 / 950.0)
    assert need.watts.value == pytest.approx(144.0 / 950.0)
    assert need.watts.corner == "R1 -5 %"


def test_the_peak_of_a_coil_counts_for_its_switch() -> None:
    """With a diode across the coil the collector goes one drop above the rail (Kirchhoff's voltage law)."""
    subject = exact(
        supply("V1", "rail", "gnd", 12.0),
        contact("S1", "rail", "go"),
        resistor("R1", "go", "base", 2.2e3),
        resistor("R2", "base", "gnd", 10e3),
        npn("Q1", collector="low", base="base", emitter="gnd", beta=200.0),
        coil("K1", "rail", "low", 400.0, inductance=0.6),
        diode("D1", "low", "rail"),
        stimuli={"pull": press("S1", 1.0)},
    )
    need = needs(Study(subject))["Q1"]
    assert need.volts is not None
    assert need.volts.value == pytest.approx(12.7, abs=1e-3)
    assert need.volts.at is not None
