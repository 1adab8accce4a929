"""The course of a capacitor piece by piece: times, leakage, stalls and cuts against closed forms."""

from __future__ import annotations

import math

import pytest

from rules.analysis.course import (
    beyond,
    current_at,
    passes,
    resistance_of,
    seconds,
    stall,
    until,
    voltage_after,
)
from rules.analysis.formulas.timing import decay_time, rc_time
from rules.analysis.frozen import Segment

R, C, V = 220e3, 470e-6, 8.77  # the hand-work numbers of a garden path light
THRESHOLD = 3.877


def piece(
    start: float, end: float, ohms: float, aim: float, farads: float = C, complete: bool = True
) -> Segment:
    """One exponential piece through ``ohms`` towards ``aim``."""
    first, last, tau = (aim - start) / ohms, (aim - end) / ohms, ohms * farads
    time = tau * math.log(first / last) if complete else math.inf
    return Segment({}, start, end, first, last, aim, tau, time, complete)


CHARGE = (piece(0.0, THRESHOLD, R, V),)


@pytest.mark.parametrize("leakage", [0.0, 5e-6, 10e-6, 20e-6])
def test_one_piece_is_the_shifted_aim(leakage: float) -> None:
    expected = rc_time(R, C, 0.0, V, THRESHOLD, leakage)
    assert expected is not None
    assert seconds(CHARGE, C, leakage) == pytest.approx(expected, rel=1e-12)


@pytest.mark.parametrize(
    ("leakage", "release"), [(0.0, 60.33), (5e-6, 72.80), (10e-6, 92.20), (20e-6, 225.5)]
)
def test_release_times_worked_by_hand(leakage: float, release: float) -> None:
    """220 kohm, 470 uF from 8.77 V to 3.877 V: hand sums of the garden path light, own working."""
    assert seconds(CHARGE, C, leakage) == pytest.approx(release, rel=1e-3)


def test_leakage_as_a_resistor_is_a_divider() -> None:
    """2 Mohm beside the capacitor: aim and source resistance of the divider."""
    leak = 2e6
    expected = rc_time(R * leak / (R + leak), C, 0.0, V * leak / (R + leak), THRESHOLD)
    assert seconds(CHARGE, C, 0.0, 1.0 / leak) == pytest.approx(expected, rel=1e-12)
    assert expected == pytest.approx(62.84, rel=5e-4)


def test_the_limit_of_a_general_purpose_part_stalls_it() -> None:
    """0.01CV of 470 uF, 16 V is 75.2 uA; charging starts with 39.9 uA only."""
    assert seconds(CHARGE, C, 75.2e-6) == math.inf
    assert stall(CHARGE, 75.2e-6) == 0.0


def test_a_stall_on_the_way_is_where_the_currents_meet() -> None:
    leakage = 25e-6
    assert stall(CHARGE, leakage) == pytest.approx(V - leakage * R, rel=1e-12)
    assert stall(CHARGE, 20e-6) is None


def test_pieces_add_up_like_the_whole() -> None:
    parts = (piece(0.0, 1.0, R, V), piece(1.0, 3.0, R, V), piece(3.0, THRESHOLD, R, V))
    for leakage in (0.0, 7e-6):
        assert seconds(parts, C, leakage) == pytest.approx(seconds(CHARGE, C, leakage), rel=1e-12)


def test_leakage_speeds_a_discharge() -> None:
    down = (piece(6.0, 1.0, 100e3, 0.0),)
    assert seconds(down, C) == pytest.approx(decay_time(100e3 * C, 6.0, 1.0), rel=1e-12)
    assert seconds(down, C, 10e-6) == pytest.approx(decay_time(100e3 * C, 6.0, 1.0, -1.0), rel=1e-12)


def test_leakage_ends_where_the_voltage_turns_round() -> None:
    """A coupling capacitor from +4 V to -0.5 V leaks on the first 4 V only."""
    whole = (piece(4.0, -0.5, 47e3, -5.0),)
    first, second = piece(4.0, 0.0, 47e3, -5.0), piece(0.0, -0.5, 47e3, -5.0)
    assert seconds(whole, C, 5e-6) == pytest.approx(seconds((first,), C, 5e-6) + second.duration, rel=1e-12)
    assert seconds(whole, C, 1.0) < math.inf


def test_voltage_after_a_time() -> None:
    assert voltage_after(CHARGE, C, 0.0) == 0.0
    assert voltage_after(CHARGE, C, R * C) == pytest.approx(THRESHOLD)  # over by then
    assert voltage_after(CHARGE, C, 10.0) == pytest.approx(V * (1.0 - math.exp(-10.0 / (R * C))), rel=1e-12)
    straight = Segment({}, 1.0, 3.0, 1e-6, 1e-6, None, None, 2.0 * C / 1e-6, True)
    assert voltage_after((straight,), C, 470.0) == pytest.approx(2.0)


def test_cuts_keep_the_line_and_the_time() -> None:
    way = (piece(6.0, 3.0, 10e3, 0.0), piece(3.0, 1.0, 50e3, 0.0))
    head, tail = until(way, C, 2.0), beyond(way, C, 2.0)
    assert [s.end for s in head] == [3.0, 2.0]
    assert [s.start for s in tail] == [2.0]
    assert seconds(head, C) + seconds(tail, C) == pytest.approx(seconds(way, C), rel=1e-12)
    assert resistance_of(head[1]) == pytest.approx(50e3)
    assert current_at(way[1], 2.0) == pytest.approx(-2.0 / 50e3)
    assert until(way, C, 0.5) == way
    assert beyond(way, C, 9.0) == way


def test_an_aim_is_never_reached() -> None:
    settles = (piece(2.0, 0.0, 1e3, 0.0, complete=False),)
    assert passes(settles, 0.1)
    assert not passes(settles, 0.0)
    assert not passes(settles, -0.1)
    assert until(settles, C, 0.1)[0].duration == pytest.approx(1e3 * C * math.log(20.0), rel=1e-12)
