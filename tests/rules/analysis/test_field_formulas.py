"""Formulas on wires, contacts, meters and sources: numbers from elsewhere, and what they refuse."""

from __future__ import annotations

import cmath
import math
from collections.abc import Callable

import numpy as np
import pytest
from scipy.optimize import minimize_scalar

from rules.analysis.formulas import field


def test_the_matched_load_takes_most() -> None:
    """Against a search by scipy over all loads (maximum power transfer theorem)."""
    found = minimize_scalar(lambda r: -(12.0**2) * r / (r + 0.35) ** 2, bounds=(1e-3, 10.0), method="bounded")
    assert found.x == pytest.approx(0.35, rel=1e-3)
    assert field.matched_power(12.0, 0.35) == pytest.approx(-found.fun)
    assert field.short_circuit_current(12.0, 0.35) == pytest.approx(34.29, abs=0.01)


def test_pick_up_is_the_current_of_a_reactance() -> None:
    reactance = abs(1.0 / (2j * cmath.pi * 50.0 * 100e-12))
    assert field.mains_pick_up(100e-12, 230.0, 50.0) == pytest.approx(230.0 / reactance)
    assert field.shunt_against_hum(7.2e-6, 50.0, 0.14) == pytest.approx(7.2e-6 / 0.14 / (100.0 * math.pi))
    assert field.node_against_hum(0.42, 1.0 / 3.0, 7e-6) == pytest.approx(20e3)


def test_a_filter_has_lost_three_decibels_at_its_corner() -> None:
    farads = field.filter_for(5.0, 47e3)
    left = abs(1.0 / (1.0 + 2j * cmath.pi * 5.0 * 47e3 * farads))
    assert 20.0 * math.log10(left) == pytest.approx(-3.01, abs=0.01)


def test_bell_wire_has_eight_ohm_for_a_hundred_metres_one_way() -> None:
    """0.22 mm2 is 78 mohm/m (from memory)."""
    assert field.loop_of_wire(50.0, 0.22e-6) == pytest.approx(100.0 * 0.0784, rel=2e-3)


def test_a_meter_and_its_limit_are_each_other_s_inverse() -> None:
    for share in (0.5, 0.9, 0.95):
        assert field.reading_share(10e6, field.node_at_most(10e6, share)) == pytest.approx(share)
    assert field.node_at_most(10e6, 1.0) == 0.0


def test_what_a_window_leaves() -> None:
    assert field.tolerance_left(0.2, 0.1) == pytest.approx(1.2 / 1.1 - 1.0)
    assert field.tolerance_left(0.15, 0.2) < 0.0


def test_the_value_between_two_members_is_farthest_from_both() -> None:
    """By trying every value between 13 and 15."""
    values = np.linspace(13.0, 15.0, 20001)
    errors = np.minimum(values / 13.0, 15.0 / values) - 1.0
    assert field.rounding_error(15.0 / 13.0) == pytest.approx(errors.max(), abs=1e-5)
    assert field.rounding_error(1.0) == 0.0


@pytest.mark.parametrize(
    ("formula", "arguments"),
    [
        (field.short_circuit_current, (12.0, 0.0)),
        (field.matched_power, (-1.0, 1.0)),
        (field.pull_at_most, (12.0, 0.0)),
        (field.loop_of_wire, (5.0, 0.0)),
        (field.mains_pick_up, (0.0, 230.0, 50.0)),
        (field.node_against_hum, (0.0, 0.3, 1e-6)),
        (field.filter_for, (math.nan, 1e3)),
        (field.shunt_against_hum, (1e-6, 50.0, 0.0)),
        (field.reading_share, (0.0, 1e3)),
        (field.node_at_most, (10e6, 1.1)),
        (field.tolerance_left, (-0.1, 0.1)),
        (field.rounding_error, (0.9,)),
    ],
)
def test_outside_their_domain_they_refuse(
    formula: Callable[..., float], arguments: tuple[float, ...]
) -> None:
    with pytest.raises(ValueError, match="must be finite"):
        formula(*arguments)
