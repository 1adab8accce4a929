"""The way back after a timed state, and which resistor governs it."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from rules.analysis.formulas.timing import decay_time, rc_time, rearmed_voltage
from rules.analysis.preferred import neighbours
from rules.analysis.rearming import levers, lowered
from rules.analysis.recovery import NoRecovery, Recovery, enough_charge, recovery_of, recovery_with
from rules.analysis.study import Study
from schemas.circuit import Circuit
from tests.timers import blinker, garden_light, hold_on, on_delay, one_shot

SHORT = 0.05


def way_of(subject: Circuit, corner: str = "typical") -> Recovery:
    study = Study(subject)
    way = recovery_of(study, corner, study.delays(corner)[0][0], SHORT)
    assert isinstance(way, Recovery), way
    return way


def test_the_charge_that_costs_five_per_cent() -> None:
    """One time constant: V_inf*(1 - (1-x)^0.05), and the delay from there is 95 %."""
    study = Study(on_delay())
    delay = study.delays("typical")[0][0]
    aim, x = 9.0 * 122 / 169, (0.7 * 122 / 22) / (9.0 * 122 / 169)
    enough = enough_charge(delay, SHORT)
    assert enough == pytest.approx(rearmed_voltage(aim, x, SHORT), rel=1e-9)
    source = 1.0 / (1.0 / 47e3 + 1.0 / 122e3)
    assert rc_time(source, 470e-6, enough, aim, x * aim) == pytest.approx(0.95 * delay.duration, rel=1e-9)


def test_the_garden_light_back_through_its_diode() -> None:
    """Own working: after release D1 carries it to 0.714 V in 11.2 s, below that 224 kohm remain."""
    way = way_of(garden_light())
    assert way.complete
    assert way.start == pytest.approx(3.962, abs=1e-3)
    diode_part = [s for s in way.segments if s.devices["D1"] == "on"]
    assert diode_part[-1].end == pytest.approx(0.714, abs=1e-3)
    assert sum(s.duration for s in diode_part) == pytest.approx(11.2, abs=0.1)
    rest = way.segments[-1]
    assert (rest.start, rest.end) == pytest.approx((0.7, way.enough), abs=1e-9)
    assert rest.duration == pytest.approx(decay_time(rest.tau or 0.0, 0.7, way.enough), rel=1e-6)
    # R6 and R9, the latter beside the lamp's way back through R3 and R4
    assert way.largest_resistance == pytest.approx(220e3 + 1 / (1 / 4.7e3 + 1 / 86e3), rel=1e-3)
    assert way.slowest is rest
    assert way.five_tau == pytest.approx(5 * (rest.tau or 0.0))


def test_without_the_diode_everything_leaves_through_the_charging_resistor() -> None:
    slow = way_of(garden_light(diode_fitted=False))
    quick = way_of(garden_light())
    assert slow.seconds > quick.seconds + 100.0
    assert all(s.tau is None or s.tau > 50.0 for s in slow.segments)


def test_after_a_region_change_the_stimulus_has_to_go() -> None:
    """S1 opens with C1 at its final voltage; R2 and R3 (122 kohm, base not drawing) take it down."""
    way = way_of(on_delay())
    assert way.configuration.key == "S1 open"
    # with Q1 on, the base stands at 0.7 V: the aim is where R1 and R2 balance
    assert way.start == pytest.approx((9.0 / 47e3 + 0.7 / 100e3) / (1 / 47e3 + 1 / 100e3), rel=1e-6)
    tail = [s for s in way.segments if s.devices["Q1"] == "off"]
    assert tail[0].tau == pytest.approx(122e3 * 470e-6, rel=1e-9)


def test_a_bleed_behind_the_contact_and_a_diode() -> None:
    assert way_of(on_delay(bleed=10e3)).seconds < 0.5 * way_of(on_delay()).seconds


def test_the_one_shot_comes_back_up_through_its_collector_resistor() -> None:
    way = way_of(one_shot())
    assert (way.start, way.goal) == pytest.approx((-0.5, 4.2), abs=0.15)
    assert way.seconds < 6 * 1e3 * 47e-6 * 1.2


@pytest.mark.parametrize(
    ("subject", "words"),
    [
        (blinker(), "never rests"),
        (hold_on(), "itself the way back"),
    ],
)
def test_no_way_back_to_judge(subject: Circuit, words: str) -> None:
    study = Study(subject)
    way = recovery_of(study, "typical", study.delays("typical")[0][0], SHORT)
    assert isinstance(way, NoRecovery)
    assert words in way.reason
    assert way.decided


def test_a_way_that_ends_early_is_not_complete() -> None:
    """A diode alone stops at 0.7 V: D1 to a rail-side net without anything that takes the rest."""
    subject = on_delay(upper=100e3, lower=22e3)
    parts = {name: part for name, part in subject.parts.items() if name not in ("R2", "R3")}
    base = replace(parts["Q1"], pins={**parts["Q1"].pins, "base": "slow"})
    way = way_of(replace(subject, parts={**parts, "Q1": base}))
    assert not way.complete
    assert way.seconds == math.inf
    assert way.stays == pytest.approx(0.7, abs=1e-6)
    assert way.largest_resistance == math.inf


def test_the_same_way_with_another_resistor_equals_a_fresh_study() -> None:
    study = Study(on_delay(bleed=47e3))
    delay = study.delays("typical")[0][0]
    way = recovery_of(study, "typical", delay, SHORT)
    assert isinstance(way, Recovery)
    moved = recovery_with(study, way, delay, {("R5", "resistance"): 22e3}, SHORT)
    assert moved is not None
    assert moved.seconds == pytest.approx(way_of(on_delay(bleed=22e3)).seconds, rel=1e-6)


def test_levers_are_the_resistors_the_time_follows() -> None:
    """The bleed governs; the charging resistor of the garden light governs the last 0.7 V."""
    study = Study(on_delay(bleed=100e3))
    delay = study.delays("typical")[0][0]
    way = recovery_of(study, "typical", delay, SHORT)
    assert isinstance(way, Recovery)
    names = dict(levers(study, way, delay, False, SHORT))
    assert set(names) == {"R2", "R3", "R5"}
    lights = Study(garden_light())
    glow = lights.delays("typical")[0][0]
    back = recovery_of(lights, "typical", glow, SHORT)
    assert isinstance(back, Recovery)
    first, weight = levers(lights, back, glow, False, SHORT)[0]
    assert first == "R6"
    assert weight == pytest.approx(0.89, abs=0.02)


def test_lowered_is_the_largest_preferred_value_that_keeps_the_limit() -> None:
    subject = on_delay(bleed=330e3)
    study = Study(subject)
    delay = study.delays("typical")[0][0]
    way = recovery_of(study, "typical", delay, SHORT)
    assert isinstance(way, Recovery)
    limit = 0.75 * way.seconds
    weights = dict(levers(study, way, delay, False, SHORT))
    found = lowered(study, way, delay, ("R5", weights["R5"]), limit, SHORT)
    assert found is not None
    ohms, back, _ = found
    assert way_of(on_delay(bleed=ohms * 1.05)).seconds <= limit
    _, above = neighbours(ohms, "E24")
    assert way_of(on_delay(bleed=above * 1.05)).seconds > limit
    assert back.seconds == pytest.approx(way_of(on_delay(bleed=ohms)).seconds, rel=1e-6)


def test_an_impossible_limit_has_no_value() -> None:
    study = Study(garden_light())
    delay = study.delays("typical")[0][0]
    way = recovery_of(study, "typical", delay, SHORT)
    assert isinstance(way, Recovery)
    assert lowered(study, way, delay, ("R9", 0.2), 1.0, SHORT) is None
