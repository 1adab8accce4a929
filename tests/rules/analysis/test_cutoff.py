"""Leakage of a transistor that is off, against published numbers."""

from __future__ import annotations

import pytest

from rules.analysis.formulas.cutoff import (
    bleed_at_most,
    collector_base_leakage,
    off_voltage,
    open_base_leakage,
)


@pytest.mark.parametrize(
    ("at_room", "celsius", "hot"),
    [
        (15e-9, 35.0, 30e-9),  # Bell, Electronic Devices and Circuits, ex. 5.18: doubles every 10 degC
        (15e-9, 60.0, 0.17e-6),
        (10e-9, 125.0, 10.24e-6),  # PMBT2222A sheet: 10 nA at 25 degC, 10 uA at 125 degC
        (100e-9, 25.0, 100e-9),
        (100e-9, 15.0, 50e-9),
    ],
)
def test_leakage_doubles(at_room: float, celsius: float, hot: float) -> None:
    assert collector_base_leakage(at_room, celsius + 273.15) == pytest.approx(hot, rel=2e-2)


def test_an_open_base_multiplies_it() -> None:
    """0.17 uA times beta + 1 = 401 is 68 uA."""
    assert open_base_leakage(0.17e-6, 400.0) == pytest.approx(68e-6, rel=5e-3)


def test_bleed_of_a_hot_part() -> None:
    """100 nA at 25 degC is 1.13 uA at 60 degC; 0.38 V, a third of it: 112 kohm (own working)."""
    icbo = collector_base_leakage(100e-9, 333.15)
    assert bleed_at_most(off_voltage(0.45, 333.15), icbo) == pytest.approx(112e3, rel=5e-3)


@pytest.mark.parametrize(
    "call",
    [
        lambda: collector_base_leakage(-1e-9, 300.0),
        lambda: collector_base_leakage(1e-9, 100.0),
        lambda: open_base_leakage(1e-9, 0.0),
        lambda: off_voltage(0.45, 600.0),
        lambda: bleed_at_most(0.4, 0.0),
    ],
)
def test_outside_the_domain(call) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(ValueError, match=r"must"):
        call()
