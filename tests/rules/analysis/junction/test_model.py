"""Laws of exponential junctions against their closed forms and against points on paper."""

from __future__ import annotations

import numpy as np
import pytest

from rules.analysis.junction import model
from rules.analysis.resolve import resolve
from schemas.circuit import Circuit
from tests.builders import circuit, diode, led, npn, pnp, resistor, supply, zener

WARM = model.REFERENCE_TEMPERATURE


def bench() -> Circuit:
    return circuit(
        supply("V1", "vp", "gnd", 12.0),
        diode("D1", "a", "gnd"),
        led("L1", "a", "gnd", 1.9),
        npn("Q1", "c", "a", "gnd", 200.0),
        pnp("Q2", "c", "a", "vp", 150.0),
        zener("Z1", "gnd", "c", 5.6, resistance=10.0),
        resistor("R1", "vp", "a", 1e3),
    )


def laws(kelvin: float = WARM) -> model.Laws:
    return model.laws_of(resolve(bench()), {"Q1": 200.0, "Q2": 150.0}, kelvin)


ORDER = ("D1", "L1", "Q1 forward", "Q1 reverse", "Q2 forward", "Q2 reverse", "Z1 on", "Z1 breakdown")


def test_thermal_voltage_and_saturation_current() -> None:
    # kT/q from the constants of the SI brochure (2019)
    assert model.thermal_voltage(298.15) == pytest.approx(1.380649e-23 * 298.15 / 1.602176634e-19, rel=1e-9)
    assert model.saturation_current(WARM) == pytest.approx(1e-14, rel=1e-12)
    # near room temperature I_S grows about tenfold in 15 K; from memory
    assert 5.0 < model.saturation_current(WARM + 15.0) / model.saturation_current(WARM) < 12.0


def test_drop_and_current_undo_each_other() -> None:
    for kelvin in (263.15, WARM, 333.15):
        law = laws(kelvin)
        for amperes in (0.0, 1e-9, 1e-5, 1e-3, 0.5):
            i = np.full(len(ORDER), amperes)
            assert law.current(law.drop(i)) == pytest.approx(i, rel=1e-9, abs=1e-25)


def test_slope_is_the_derivative_and_the_law_never_overflows() -> None:
    law = laws()
    for i in (1e-6, 1e-3, 0.1):
        v = law.drop(np.full(len(ORDER), i))
        _, slope = law.current_and_slope(v)
        step = 1e-6 * law.width
        assert (law.current(v + step) - law.current(v - step)) / (2.0 * step) == pytest.approx(
            slope, rel=1e-6
        )
    for volts in (-1e4, 1e4):
        current, slope = law.current_and_slope(np.full(len(ORDER), volts))
        assert np.all(np.isfinite(current))
        assert np.all(slope >= 0.0)
    # the straight part carries on without a step in value or slope
    edge = law.v_ref + model.LINEAR_ABOVE * law.width
    (below, steep), (above, steeper) = (law.current_and_slope(edge + s * 1e-9) for s in (-1.0, 1.0))
    assert above == pytest.approx(below, rel=1e-6)
    assert steeper == pytest.approx(steep, rel=1e-6)


def test_currents_on_paper() -> None:
    """V_T ln(1 mA / 10 fA) = 0.6507 V at 25 degC; drops of diodes at 10 mA; a zener's voltage at 5 mA."""
    law = laws()
    at = dict(zip(ORDER, law.drop(np.full(len(ORDER), 1e-3 * 201.0 / 200.0)).tolist(), strict=True))
    assert at["Q1 forward"] == pytest.approx(0.025692579 * np.log(1e11), abs=1e-6)
    at = dict(zip(ORDER, law.drop(np.full(len(ORDER), 10e-3)).tolist(), strict=True))
    assert at["D1"] == pytest.approx(0.7, abs=1e-7)
    assert at["L1"] == pytest.approx(1.9, abs=1e-7)
    # 5.6 V at 5 mA with the drop in its slope resistance taken off
    at = dict(zip(ORDER, law.drop(np.full(len(ORDER), 5e-3)).tolist(), strict=True))
    assert at["Z1 breakdown"] == pytest.approx(5.6 - 10.0 * 5e-3, abs=1e-9)


@pytest.mark.parametrize(
    ("name", "low", "high"), [("Q1 forward", -2.1e-3, -1.5e-3), ("L1", -2.1e-3, -1.9e-3)]
)
def test_drops_fall_by_two_millivolts_per_kelvin(name: str, low: float, high: float) -> None:
    """Common practice: -2 mV/K for a silicon junction at milliamperes and for an LED."""
    i = np.full(len(ORDER), 10e-3)
    here = laws(WARM - 5.0).drop(i)[ORDER.index(name)]
    there = laws(WARM + 5.0).drop(i)[ORDER.index(name)]
    assert low < (there - here) / 10.0 < high


def test_gain_and_leakage_over_temperature() -> None:
    # about half a per cent per kelvin; from memory
    assert model.gains_at({"Q": 100.0}, WARM + 10.0)["Q"] == pytest.approx(105.0, abs=0.3)
    # 15 nA doubles three and a half times from 25 to 60 degC
    assert model.collector_leakage(15e-9, 333.15) == pytest.approx(169.7e-9, rel=1e-3)


@pytest.mark.parametrize("kelvin", [0.0, -1.0, 149.0, 501.0, float("nan")])
def test_a_temperature_outside_the_model_is_refused(kelvin: float) -> None:
    with pytest.raises(ValueError, match="150 to 500 K"):
        laws(kelvin)


def test_the_assumed_base_emitter_drop_moves_the_law() -> None:
    """A document that assumes 0.6 V gets a transistor with 0.1 V less at any current."""
    gains = {"Q1": 200.0, "Q2": 150.0}
    other = model.laws_of(resolve(circuit(*bench().parts.values(), assumptions={"vbe_on": 0.6})), gains, WARM)
    i = np.full(len(ORDER), 1e-3)
    moved = other.drop(i) - laws().drop(i)
    transistor = np.array(["Q" in name for name in ORDER])
    assert moved[transistor] == pytest.approx(-0.1, abs=1e-9)
    assert np.all(moved[~transistor] == 0.0)
