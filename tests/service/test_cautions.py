"""Cautions appear at their thresholds, not before."""

from __future__ import annotations

import pytest

from schemas.circuit import Circuit, Part
from service.cautions import ALWAYS, cautions_for, highest_source


def _circuit(volts: float, farads: float = 1e-6, **more: float) -> Circuit:
    values = {"voltage": volts, **more}
    return Circuit("c", "gnd", {
        "V1": Part("V1", "supply", {"plus": "rail", "minus": "gnd"}, values),
        "C1": Part("C1", "capacitor", {"plus": "rail", "minus": "gnd"}, {"capacitance": farads}),
    })  # fmt: skip


def test_a_small_circuit_gets_the_usual_caution_only() -> None:
    assert cautions_for(_circuit(9.0)) == (ALWAYS,)
    assert "not certification" in ALWAYS


# 60 V DC: clause 414.4.5 of the HD/IEC 60364-4-41 family, dry places
@pytest.mark.parametrize(("volts", "count"), [(60.0, 1), (60.1, 2), (-61.0, 2), (120.0, 2)])
def test_the_scope_ends_above_sixty_volts(volts: float, count: int) -> None:
    assert len(cautions_for(_circuit(volts))) == count


# 120 V ripple-free DC: IEC 61558-1:2005, 3.7.16
def test_safety_extra_low_voltage_ends_above_a_hundred_and_twenty_volts() -> None:
    assert "120 V DC" not in cautions_for(_circuit(120.0))[1]
    assert "above 120 V DC, the limit of safety extra-low voltage" in cautions_for(_circuit(121.0))[1]


def test_the_highest_of_nominal_low_and_high_counts() -> None:
    assert highest_source(_circuit(48.0, low=40.0, high=62.0)) == 62.0
    assert "62 V" in cautions_for(_circuit(48.0, high=62.0))[1]


def test_sources_in_series_are_seen_through_the_states() -> None:
    assert cautions_for(_circuit(48.0), span=96.0)[1].startswith("96 V stands")


# 10 J and 100 V: Lawrence Berkeley National Laboratory, Electrical Safety Manual, tables 2.2.13 and 2.3.3.
# 2200 uF at 100 V holds 0.5 C V^2 = 11 J.
@pytest.mark.parametrize(
    ("volts", "farads", "warned"), [(100.0, 2200e-6, True), (100.0, 1999e-6, False), (99.0, 1.0, False)]
)
def test_stored_energy(volts: float, farads: float, warned: bool) -> None:
    found = [text for text in cautions_for(_circuit(volts, farads)) if text.startswith("C1 can hold")]
    assert len(found) == warned
    if warned:
        assert found[0].startswith("C1 can hold 11 J at 100 V")
