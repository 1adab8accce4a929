"""Leakage limits: published vectors, grades, temperature, and the capacitors that would leak less."""

from __future__ import annotations

from dataclasses import replace

import pytest

from rules.analysis.leakage import Promise, choices, highest_voltage, promise_of
from rules.analysis.study import Study
from schemas.circuit import Ambient, Leakage
from tests.timers import garden_light, on_delay


def promise(**values: object) -> Promise:
    study = Study(on_delay(**values))  # type: ignore[arg-type]
    made = promise_of(study, "C1", 3.9)
    assert isinstance(made, Promise), made
    return made


# Vectors from 0.01CV or 3 uA (Panasonic SU) and 0.002CV or 0.2 uA (Nichicon KL), 20 degC; the row of 2200 uF
# is printed by Nippon Chemi-Con (FAQ "leakage current vs time"): 770 uA.
VECTORS = [
    (100e-6, 16.0, None, 16e-6),
    (100e-6, 16.0, 0.002, 3.2e-6),
    (47e-6, 25.0, None, 11.75e-6),
    (1e-6, 50.0, None, 3e-6),
    (10e-6, 16.0, None, 3e-6),
    (1000e-6, 16.0, None, 160e-6),
    (2200e-6, 35.0, None, 770e-6),
    (470e-6, 16.0, 0.002, 15.04e-6),
]


@pytest.mark.parametrize(("farads", "rated", "per_cv", "limit"), VECTORS)
def test_published_limits(farads: float, rated: float, per_cv: float | None, limit: float) -> None:
    stated = None if per_cv is None else Leakage(per_cv=per_cv)
    made = promise(farads=farads, voltage=rated, leakage=stated)
    assert made.sheet == pytest.approx(limit, rel=1e-9)
    assert made.origin == ("assumed" if per_cv is None else "declared")


def test_the_floor_is_not_by_charge() -> None:
    assert promise(farads=10e-6).by_charge is False
    assert promise(farads=470e-6).by_charge is True
    assert promise(farads=470e-6).grade == 0.01


def test_temperature_of_the_hottest_ambient() -> None:
    """3 times per 40 K from 20 degC, from memory; default ambient up to 40 degC."""
    made = promise(farads=470e-6)
    assert made.factor == pytest.approx(3.0**0.5, rel=1e-9)
    assert made.limit == pytest.approx(75.2e-6 * 3.0**0.5, rel=1e-9)


def test_a_cold_place_keeps_the_sheet() -> None:
    study = Study(replace(on_delay(), ambient=Ambient(250.0, 260.0, 270.0)))
    made = promise_of(study, "C1", 3.9)
    assert isinstance(made, Promise)
    assert made.factor == 1.0
    assert made.limit == made.sheet


def test_a_stated_current_counts_as_it_is() -> None:
    made = promise(leakage=Leakage(current=2e-6), voltage=None)
    assert made.sheet == 2e-6
    assert made.pointer == "/parts/C1/leakage"
    assert made.grade is None


@pytest.mark.parametrize(
    ("values", "missing"),
    [
        ({"voltage": None}, True),
        ({"voltage": None, "leakage": Leakage(per_cv=0.002)}, True),
        ({"voltage": None, "dielectric": "tantalum"}, True),
        ({"voltage": None, "dielectric": "film"}, False),
        ({"voltage": None, "dielectric": "ceramic"}, False),
    ],
)
def test_a_rating_is_needed_where_the_limit_is_per_rated_volt(
    values: dict[str, object], missing: bool
) -> None:
    study = Study(on_delay(**values))  # type: ignore[arg-type]
    made = promise_of(study, "C1", 3.9)
    assert (made == "/parts/C1/voltage") is missing
    if not missing:
        assert isinstance(made, Promise)
        assert 0.0 < made.sheet < 5e-6


def test_highest_voltage_counts_every_phase_and_the_fresh_battery() -> None:
    """on_delay rests at (9/47k + 0.7/100k) over the conductances = 6.35 V once Q1 is on."""
    assert highest_voltage(Study(on_delay()), "C1") == pytest.approx(6.346, abs=2e-3)
    light = garden_light()
    b1 = light.parts["B1"]
    fresh = replace(light, parts={**light.parts, "B1": replace(b1, values={**b1.values, "high": 9.9})})
    assert highest_voltage(Study(fresh), "C1") == pytest.approx(1.1 * highest_voltage(Study(light), "C1"))


def test_choices_come_in_order_with_their_limits() -> None:
    study = Study(garden_light())
    now = promise_of(study, "C1", 3.96)
    assert isinstance(now, Promise)
    made = choices(study, "C1", now)
    # 20 % in hand over 6.43 V (S1 held): 8.04 V, so 10 V
    assert [choice.rated for choice in made] == [16.0, 10.0, 10.0]
    factors = [choice.limit / now.limit for choice in made]
    assert factors == pytest.approx([0.2, 10 / 16, 0.2 * 10 / 16])
    assert [change.new for change in made[2].changes] == ["0.002CV", "10 V"]


def test_film_is_offered_up_to_ten_microfarad_only() -> None:
    small = Study(on_delay(farads=10e-6))
    now = promise_of(small, "C1", 3.9)
    assert isinstance(now, Promise)
    film = choices(small, "C1", now)[-1]
    assert {change.pointer: change.new for change in film.changes} == {
        "/parts/C1/dielectric": "film",
        "/parts/C1/voltage": "63 V",
    }
    assert film.limit < 0.05 * now.limit
    big = Study(on_delay(farads=12e-6))
    then = promise_of(big, "C1", 3.9)
    assert isinstance(then, Promise)
    assert all("film" not in choice.summary for choice in choices(big, "C1", then))


def test_a_part_that_is_already_good_has_no_better_choice() -> None:
    study = Study(on_delay(dielectric="film", voltage=63.0))
    now = promise_of(study, "C1", 3.9)
    assert isinstance(now, Promise)
    assert choices(study, "C1", now) == ()
