"""A coil without current stays without: rounding must not look like a current that grows for ever."""

from __future__ import annotations

import pytest

from rules.analysis.study import Study
from tests.builders import circuit, coil, diode, driver, npn, resistor, supply


@pytest.mark.parametrize("resistance", [330.0, 400.0, 417.3])
@pytest.mark.parametrize("volts", [4.7, 11.4, 12.0, 12.6, 23.9])
@pytest.mark.parametrize("beta", [53.7, 75.0, 100.0 / 3.0])
def test_a_switch_that_is_off_leaves_its_coil_at_rest(volts: float, resistance: float, beta: float) -> None:
    subject = circuit(
        supply("V1", "rail", "gnd", volts),
        driver("U1", "order", "gnd", 0.2, 4.8, resistance=50.0),
        resistor("R1", "order", "base", 2.2e3),
        resistor("R2", "base", "gnd", 22e3),
        npn("Q1", collector="pulled", base="base", emitter="gnd", beta=beta),
        coil("K1", "rail", "pulled", resistance, inductance=0.6),
        diode("D1", "pulled", "rail"),
    )
    found = Study(subject).timeline(None)
    assert found.verdict == "settles", found.reason
    assert found.final == {"K1": 0.0}
