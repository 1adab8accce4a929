"""Polylines that stand for exact curves: near enough everywhere, few points, jumps and gaps kept."""

from __future__ import annotations

import numpy as np
import pytest

from service.sampling import POINTS, TOLERANCE, Array, Curves, Piece, polylines, settling


def charging(tau: float, high: float = 9.0, start: float = 0.0) -> Piece:
    return Piece(start, start + 10 * tau, lambda t: {"v": high * -np.expm1(-(t - start) / tau)})


def farthest(piece: Piece, line_at: Array, line: Array, name: str = "v") -> float:
    """The largest distance of the polyline from the curve, on a grid of its own, fine at both ends."""
    length = piece.end - piece.start
    shares = np.concatenate([np.logspace(-11, 0, 4001), np.linspace(0.0, 1.0, 40_001)])
    times = piece.start + length * np.unique(shares)
    return float(np.abs(np.interp(times, line_at, line) - piece.curves(times)[name]).max())


@pytest.mark.parametrize("tau", [1e-9, 1e-3, 50.0, 1e6])
def test_a_charging_curve_is_met_everywhere_with_few_points(tau: float) -> None:
    piece = charging(tau)
    line = polylines([piece])["v"]
    assert farthest(piece, np.array(line.at), np.array(line.value, dtype=float)) < 1.3 * TOLERANCE * 9.0
    assert len(line.at) < 60
    assert line.at[0] == 0.0
    assert line.at[-1] == piece.end


def test_fast_and_slow_in_one_curve() -> None:
    def curves(t: Array) -> Curves:
        return {"v": 3.0 * -np.expm1(-t / 1e-4) + 5.0 * -np.expm1(-t / 100.0)}

    piece = Piece(0.0, 300.0, curves)
    line = polylines([piece])["v"]
    assert farthest(piece, np.array(line.at), np.array(line.value, dtype=float)) < 1.3 * TOLERANCE * 8.0
    early = sum(1 for time in line.at if time < 1e-3)
    assert 10 < early < len(line.at) - 10


def test_ringing_is_followed_to_its_end() -> None:
    piece = Piece(0.0, 1.0, lambda t: {"v": np.exp(-3.0 * t) * np.cos(2 * np.pi * 12.0 * t)})
    line = polylines([piece])["v"]
    assert len(line.at) == POINTS
    assert farthest(piece, np.array(line.at), np.array(line.value, dtype=float)) < 2e-3 * 2.0


def test_a_jump_keeps_both_sides() -> None:
    pieces = [Piece(0.0, 2.0, lambda t: {"v": t}), Piece(2.0, 4.0, lambda t: {"v": t - 4.0})]
    line = polylines(pieces)["v"]
    assert line.at == (0.0, 2.0, 2.0, 4.0)
    assert line.value == (0.0, 2.0, -2.0, 0.0)


def test_where_a_curve_is_undefined_there_is_a_gap() -> None:
    pieces = [
        Piece(0.0, 1.0, lambda t: {"v": t, "w": t}),
        Piece(1.0, 2.0, lambda t: {"v": np.full(t.shape, np.nan), "w": t}),
        Piece(2.0, 3.0, lambda t: {"v": 3.0 - t, "w": t}),
    ]
    lines = polylines(pieces)
    assert lines["v"].value == (0.0, 1.0, None, 1.0, 0.0)
    assert lines["v"].at == (0.0, 1.0, 1.0, 2.0, 3.0)
    assert lines["w"].value == (0.0, 3.0)


def test_a_curve_that_is_never_defined_has_no_points() -> None:
    line = polylines([Piece(0.0, 1.0, lambda t: {"v": np.full(t.shape, np.nan)})])["v"]
    assert (line.at, line.value) == ((), ())


def test_what_rounding_leaves_is_a_straight_line() -> None:
    def curves(t: Array) -> Curves:
        return {"flat": 0.7 + 1e-9 * np.sin(50.0 * t), "v": t}

    assert len(polylines([Piece(0.0, 1.0, curves)])["flat"].at) == 2


def test_no_curve_has_more_points_than_allowed() -> None:
    pieces = [Piece(float(k), k + 1.0, lambda t: {"v": np.sin(40.0 * t)}) for k in range(30)]
    assert len(polylines(pieces, points=90)["v"].at) == 90


def test_an_instant_is_one_point() -> None:
    pieces = [Piece(0.0, 0.0, lambda t: {"v": t + 5.0}), Piece(0.0, 1.0, lambda t: {"v": t})]
    line = polylines(pieces)["v"]
    assert line.at == (0.0, 0.0, 1.0)
    assert line.value == (5.0, 0.0, 1.0)


@pytest.mark.parametrize("tau", [1e-6, 2.0, 1e4])
def test_settling_is_about_five_time_constants(tau: float) -> None:
    assert settling([], charging(tau).curves, 0.0) == pytest.approx(np.log(100.0) * tau, rel=0.3)


def test_settling_looks_at_the_whole_run_and_at_nothing_that_rests() -> None:
    before = [Piece(0.0, 1.0, lambda t: {"v": 100.0 * t})]
    assert settling(before, lambda t: {"v": 100.0 - 0.5 * np.exp(-t)}, 1.0) == 0.0
    assert settling([], lambda t: {"v": np.full(t.shape, 3.0)}, 1.0) == 0.0
    assert settling([], lambda t: {"v": t}, 1.0) == 0.0
