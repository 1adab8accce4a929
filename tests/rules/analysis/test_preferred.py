"""Preferred values against IEC 60063 and against their own definition."""

from __future__ import annotations

import math
from itertools import islice, pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rules.analysis.preferred import (
    SERIES,
    is_preferred,
    members_between,
    nearest,
    neighbours,
    pair_for_ratio,
    round_down,
    round_up,
    steps_down_from,
    steps_up_from,
)

# IEC 60063:2015, Preferred number series for resistors and capacitors, tables 1 and 2.
PUBLISHED = {
    "E3": "10 22 47",
    "E6": "10 15 22 33 47 68",
    "E12": "10 12 15 18 22 27 33 39 47 56 68 82",
    "E24": "10 11 12 13 15 16 18 20 22 24 27 30 33 36 39 43 47 51 56 62 68 75 82 91",
    "E96": "100 102 105 107 110 113 115 118 121 124 127 130 133 137 140 143 147 150 154 158 162 165 169 174"
    " 178 182 187 191 196 200 205 210 215 221 226 232 237 243 249 255 261 267 274 280 287 294 301 309"
    " 316 324 332 340 348 357 365 374 383 392 402 412 422 432 442 453 464 475 487 499 511 523 536 549"
    " 562 576 590 604 619 634 649 665 681 698 715 732 750 768 787 806 825 845 866 887 909 931 953 976",
}
NAMES = tuple(SERIES)
# IEC 60063:2015: largest step ratio of each series, hence the worst error of the nearest member (computed).
WORST_NEAREST = {
    "E3": 0.483, "E6": 0.225, "E12": 0.118, "E24": 0.0742, "E48": 0.0263, "E96": 0.0149, "E192": 0.0098,
}  # fmt: skip
# Log-nearest members computed from the tables above; self-consistency only.
NEAREST = [
    (41.5e3, 47e3, 39e3, 43e3, 41.2e3),
    (28.7e3, 33e3, 27e3, 30e3, 28.7e3),
    (86e3, 100e3, 82e3, 82e3, 86.6e3),
    (68.4e3, 68e3, 68e3, 68e3, 68.1e3),
    (883e3, 1e6, 820e3, 910e3, 887e3),
    (1.14e3, 1e3, 1.2e3, 1.1e3, 1.15e3),
    (124.57, 150, 120, 120, 124),
    (489.16, 470, 470, 470, 487),
]

values = st.floats(1e-12, 1e9, allow_nan=False)
series = st.sampled_from(NAMES)
tolerances = st.floats(0.0, 0.5)


@pytest.mark.parametrize("name", PUBLISHED)
def test_members_are_the_published_ones(name: str) -> None:
    assert list(SERIES[name]) == [int(member) for member in PUBLISHED[name].split()]


def test_generated_series_have_their_size_and_the_one_exception() -> None:
    assert [len(set(SERIES[name])) for name in NAMES] == [3, 6, 12, 24, 48, 96, 192]
    # E192 holds 920 where the formula gives 919; from memory.
    assert [round(100 * 10 ** (i / 192)) for i in (185,)] == [919]
    assert 920 in SERIES["E192"]
    assert 919 not in SERIES["E192"]
    assert set(SERIES["E48"]) < set(SERIES["E96"]) < set(SERIES["E192"])


def test_eight_members_of_e24_are_not_the_rounded_powers() -> None:
    # IEC 60063:2015 table 1 against round(10**(i/24)).
    off = {m for i, m in enumerate(SERIES["E24"]) if m != round(10 * 10 ** (i / 24))}
    assert off == {27, 30, 33, 36, 39, 43, 47, 82}


@pytest.mark.parametrize(("target", "e6", "e12", "e24", "e96"), NEAREST)
def test_nearest(target: float, e6: float, e12: float, e24: float, e96: float) -> None:
    assert [nearest(target, name) for name in ("E6", "E12", "E24", "E96")] == [e6, e12, e24, e96]


@pytest.mark.parametrize("name", NAMES)
def test_worst_error_of_the_nearest_member(name: str) -> None:
    members = (*SERIES[name], 10 * SERIES[name][0])
    worst = max(math.sqrt(b / a) for a, b in pairwise(members)) - 1.0
    assert worst == pytest.approx(WORST_NEAREST[name], rel=0.006)


@pytest.mark.parametrize(
    ("found", "expected"),
    [
        (round_down(28.7e3, "E12"), 27e3),  # base resistor of a saturated switch goes down
        (round_up(124.57, "E24"), 130.0),  # Floyd, Electronic Devices, ex. 3.7: 124.57 ohm becomes 130
        (round_down(4.7e3, "E24"), 4.7e3),
        (round_up(4.7e3, "E24"), 4.7e3),
        (round_down(4.7e3, "E24", 0.05), 4.3e3),  # 4.7 kohm 5 % may be 4935 ohm
        (round_down(4935.0, "E24", 0.05), 4.7e3),
        (round_up(4.7e3, "E24", 0.05), 5.1e3),
        (round_up(4465.0, "E24", 0.05), 4.7e3),
        (round_down(9.99e-6, "E6"), 6.8e-6),
        (round_up(6.9e-6, "E6"), 10e-6),
        (round_down(0.99999999999, "E3"), 1.0),  # float dust below a member
        (round_down(0.9999, "E3"), 0.47),
    ],
)
def test_safe_direction(found: float, expected: float) -> None:
    assert found == expected  # exact: the float nearest to the decimal


@given(values, series, tolerances)
def test_round_down_is_the_largest_that_fits(x: float, name: str, tolerance: float) -> None:
    found = round_down(x, name, tolerance)
    above = next(steps_up_from(found, name))
    assert found * (1 + tolerance) <= x * (1 + 2e-9)
    assert above * (1 + tolerance) > x


@given(values, series, tolerances)
def test_round_up_is_the_smallest_that_fits(x: float, name: str, tolerance: float) -> None:
    found = round_up(x, name, tolerance)
    below = next(steps_down_from(found, name))
    assert found * (1 - tolerance) >= x * (1 - 2e-9)
    assert below * (1 - tolerance) < x


@given(values, series)
def test_neighbours_enclose_and_are_adjacent(x: float, name: str) -> None:
    below, above = neighbours(x, name)
    assert below < x < above
    assert is_preferred(below, name)
    assert is_preferred(above, name)
    between = members_between(below, above, name)
    assert len(between) == (3 if is_preferred(x, name) else 2)
    assert nearest(x, name) in between


@given(st.integers(-15, 9), series, st.data())
def test_members_are_recognised_despite_float_dust(decade: int, name: str, data: st.DataObject) -> None:
    mantissa = data.draw(st.sampled_from(SERIES[name]))
    exact = float(f"{mantissa}e{decade}")
    dusty = exact * data.draw(st.floats(1 - 1e-12, 1 + 1e-12))
    assert is_preferred(dusty, name)
    assert round_down(dusty, name) == round_up(dusty, name) == nearest(dusty, name) == exact
    assert not is_preferred(exact * 1.001, name)


def test_steps_leave_the_member_itself_out() -> None:
    assert list(islice(steps_down_from(1e3, "E6"), 4)) == [680.0, 470.0, 330.0, 220.0]
    assert list(islice(steps_up_from(1e3, "E6"), 3)) == [1.5e3, 2.2e3, 3.3e3]
    assert list(islice(steps_down_from(999.0, "E6"), 2)) == [680.0, 470.0]
    assert list(islice(steps_up_from(999.0, "E6"), 2)) == [1e3, 1.5e3]


def test_members_between_includes_both_ends() -> None:
    assert members_between(1e3, 2.2e3, "E6") == (1e3, 1.5e3, 2.2e3)
    assert members_between(1.01e3, 1.49e3, "E6") == ()


@given(st.floats(0.05, 20.0), st.sampled_from(["E6", "E12"]))
def test_pair_is_the_best_of_all_pairs(ratio: float, name: str) -> None:
    first, second = (1e3, 30e3), (2e3, 50e3)
    found = pair_for_ratio(ratio, first, second, name)
    assert found is not None
    best = min(
        abs(math.log(p1 / p2 / ratio))
        for p1 in members_between(*first, name)
        for p2 in members_between(*second, name)
    )
    assert abs(math.log(found[0] / found[1] / ratio)) == pytest.approx(best, abs=1e-11)


def test_equal_pairs_are_settled_for_the_larger_values() -> None:
    assert pair_for_ratio(10.0, (1e3, 1e5), (1e2, 1e4), "E12") == (1e5, 1e4)
    assert pair_for_ratio(2.0, (1.01e3, 1.19e3), (1e3, 1e4), "E12") is None


@pytest.mark.parametrize("call", [round_down, round_up, nearest, neighbours, steps_down_from, is_preferred])
@pytest.mark.parametrize("bad", [0.0, -1.0, math.inf, math.nan])
def test_values_outside_the_domain_are_refused(call: object, bad: float) -> None:
    assert callable(call)
    with pytest.raises(ValueError, match="must be finite and above zero"):
        call(bad, "E24")


def test_unknown_series_and_tolerances_are_refused() -> None:
    with pytest.raises(ValueError, match="unknown series 'E25'; known: E3, E6"):
        round_down(1.0, "E25")
    for tolerance in (-0.1, 1.0, math.nan):
        with pytest.raises(ValueError, match="tolerance must be a fraction"):
            round_up(1.0, "E24", tolerance)
