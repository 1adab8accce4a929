"""The formulas of what a resistor feeds: limits of their domain, and how they hang together."""

from __future__ import annotations

import math
from collections.abc import Callable

import pytest

from rules.analysis.formulas.feeding import (
    base_current_peak,
    leakage_drop,
    left_over,
    off_drive,
    power_allowed,
    series_current,
    series_resistor_at_least,
    zener_current,
    zener_resistor_at_most,
)


@pytest.mark.parametrize(
    ("call", "word"),
    [
        (lambda: left_over(-1.0, 0.0), "supply"),
        (lambda: left_over(9.0, -0.1), "drops"),
        (lambda: series_current(9.0, 2.0, 0.0), "resistor"),
        (lambda: series_resistor_at_least(2.0, 2.0, 0.01), "voltage_left"),
        (lambda: series_resistor_at_least(9.0, 2.0, 0.0), "current"),
        (lambda: zener_current(9.0, 5.1, 0.0, 0.0), "resistor"),
        (lambda: zener_resistor_at_most(5.0, 5.1, 2e-3, 0.0), "voltage_left"),
        (lambda: zener_resistor_at_most(9.0, 5.1, 0.0, 0.0), "current"),
        (lambda: power_allowed(0.4, 448.0, 0.0, 300.0), "thermal"),
        (lambda: off_drive(5.0, math.nan, 1e3, 1e4), "level"),
        (lambda: off_drive(5.0, 4.0, -1.0, 1e4), "feed"),
        (lambda: off_drive(5.0, 4.0, 1e3, 0.0), "bleed"),
        (lambda: base_current_peak(-1.0, 0.7, 1e3), "step"),
        (lambda: leakage_drop(-1.0, 1e-6), "resistance"),
    ],
)
def test_outside_their_domain_they_say_what_is_wrong(call: Callable[[], float], word: str) -> None:
    with pytest.raises(ValueError, match=word):
        call()


def test_the_resistor_gives_the_current_that_was_asked() -> None:
    ohms = series_resistor_at_least(9.6, 1.8, 16e-3)
    assert series_current(9.6, 1.8, ohms) == pytest.approx(16e-3)
    assert series_current(1.0, 1.8, ohms) == 0.0


def test_the_feed_leaves_what_was_asked() -> None:
    ohms = zener_resistor_at_most(7.0, 5.1, 2e-3, 1.9e-3)
    assert zener_current(7.0, 5.1, ohms, 1.9e-3) == pytest.approx(2e-3)
    assert zener_current(5.0, 5.1, ohms, 0.0) < 0.0


def test_a_divider_without_its_lower_arm_divides_nothing() -> None:
    assert off_drive(12.0, 5.0, 1e3, math.inf) == 7.0
    assert off_drive(12.0, 5.0, 1e3, 1e12) == pytest.approx(7.0)
    assert off_drive(12.0, 5.0, 0.0, 10e3) == 7.0


def test_nothing_in_the_way_is_no_limit() -> None:
    assert base_current_peak(5.0, 0.7, 0.0) == math.inf
    assert base_current_peak(0.5, 0.7, 0.0) == 0.0
    assert base_current_peak(9.0, 0.7, 83.0) == pytest.approx(0.1)
