"""Bias points of textbooks: base bias, emitter bias, dividers, collector feedback."""

from __future__ import annotations

import pytest

from rules.analysis.formulas.bias import Thevenin, base_current, bottom_resistor, thevenin_of_divider
from schemas.circuit import Part
from tests.builders import amperes, circuit, current_source, only_state, volts
from tests.reference.bias_rows import (
    ROWS,
    base_bias,
    collector_feedback,
    divider,
    emitter_bias,
)
from tests.textbook import (
    HUGE,
    Row,
    agrees,
    check,
    parametrize,
)


@parametrize(ROWS)
def test_bias_point(row: Row) -> None:
    check(row)


def collector_point(parts: tuple[Part, ...], vbe: float, pin: str = "collector") -> tuple[float, float]:
    """Current of Q1's pin and V_CE with another base-emitter drop."""
    state = only_state(circuit(*parts, assumptions={"vbe_on": vbe}))
    assert state.devices["Q1"] == "active"
    emitter = "e" if "e" in state.nets else "gnd"
    return abs(amperes(state, "Q1", pin)), volts(state, "c") - volts(state, emitter)


def test_base_bias_spread() -> None:
    # W11: Floyd, Electronic Devices, ex. 5.6, p. 156: I_C +18.69 %, V_CE -15.18 %; exact model
    i1, v1 = collector_point(base_bias(12, 100e3, 12, 560, 85), 0.7)
    i2, v2 = collector_point(base_bias(12, 100e3, 12, 560, 100), 0.6)
    assert agrees(100 * (i2 / i1 - 1), "18.69")
    assert agrees(100 * (v2 / v1 - 1), "-15.18")


def test_emitter_bias_spread() -> None:
    # W12: Floyd, Electronic Devices, ex. 5.7, p. 159: I_C +2.13 %; the book takes beta for beta + 1, so the
    # circuit's gain is one less and the book's I_C is the emitter current (1.7268 and 1.7636 mA recomputed)
    i1, _ = collector_point(emitter_bias(20, 20, 100e3, 4.7e3, 10e3, 84), 0.7, "emitter")
    i2, _ = collector_point(emitter_bias(20, 20, 100e3, 4.7e3, 10e3, 99), 0.6, "emitter")
    assert agrees(i1, "1.7268 m")
    assert agrees(i2, "1.7636 m")
    assert agrees(100 * (i2 / i1 - 1), "2.13")


def test_floyd_ratio_of_ten_is_seven_percent_off() -> None:
    # Own computation on Floyd's ex. 5.3, which just meets beta*R_E >= 10*R2: I_C -6.9 %, V_CE +27 %
    rough, rough_vce = collector_point(divider(10, 10e3, 5.6e3, 1e3, 560, HUGE), 0.7)
    exact, exact_vce = collector_point(divider(10, 10e3, 5.6e3, 1e3, 560, 100), 0.7)
    assert agrees(100 * (exact / rough - 1), "-6.9")
    assert agrees(100 * (exact_vce / rough_vce - 1), "27")


def test_thevenin_of_a_divider() -> None:
    # W30: Kuphaldt, Biasing calculations: 10 V, 220 k and 38.8 k make 1.5 V behind 33 k
    source = thevenin_of_divider(10.0, 220e3, 38.82e3)
    assert agrees(source.voltage, "1.50")
    assert agrees(source.resistance, "33.0 k")


def test_divider_design() -> None:
    # W24: E84 home work 12, problem 3: R_B 5 k, V_BB 3.2 V from 15 V: R1 24 k, R2 6.4 k printed, computed
    # 23.44 k and 6.356 k (own computation); the design's divider must give V_BB back
    source = thevenin_of_divider(15.0, 23.44e3, 6.356e3)
    assert agrees(source.voltage, "3.20")
    assert agrees(source.resistance, "5.00 k")
    # W25: the parts chosen: 5.053 k, 3.158 V
    chosen = thevenin_of_divider(15.0, 24e3, 6.4e3)
    assert agrees(chosen.voltage, "3.158")
    assert agrees(chosen.resistance, "5.053 k")


def test_bottom_resistor_of_bell() -> None:
    # W21: Bell, ex. 5.13, p. 211: V_B 5.7 V, I2 0.5 mA: R2 11.4 k under R1 18.6 k
    assert agrees(bottom_resistor(15.0, 5.7, 18.6e3, 0.0), "11.4 k")


def test_loaded_base_of_bell() -> None:
    # W10: Bell, ex. 5.9: the hand formula gives the solver's base current
    source = thevenin_of_divider(18.0, 33e3, 12e3)
    assert agrees(100 * base_current(source, 100, 1e3, 0.7), "3.734 m")
    assert base_current(Thevenin(0.5, 1e3), 100, 1e3, 0.7) == 0.0


@pytest.mark.parametrize(
    ("key", "parts", "printed"),
    [
        # L8: Bell, ex. 5.17, p. 220: S = dI_C / dI_CBO at hFE 100.  Prints 9.01 for the divider; its ex. 5.18
        # goes on with 8.2.  101 and 55.9: own computation, same definition.
        ("base bias", base_bias(18, 470e3, 18, 2.2e3, 100), "101"),
        ("collector feedback", collector_feedback(18, 270e3, 2.2e3, 100), "55.9"),
        ("divider", divider(18, 33e3, 12e3, 1.2e3, 1e3, 100), "9.01"),
    ],
)
def test_stability_factor(key: str, parts: tuple[Part, ...], printed: str) -> None:
    leak = 1e-7
    before = amperes(only_state(circuit(*parts)), "Q1", "collector")
    # I_CBO enters the base from the collector
    leaking = only_state(circuit(*parts, current_source("ICBO", "c", "b", leak)))
    factor = (amperes(leaking, "Q1", "collector") + leak - before) / leak
    assert agrees(factor, printed), f"{key}: {factor}"
