"""threshold-sensitivity: the derivative, both sides of each limit, falling and turning courses, proofs."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rules.analysis.crossing import Crossing, as_fraction
from rules.analysis.delay_corners import delay_corners, every_delay
from rules.analysis.formulas.timing import rc_time, threshold_sensitivity
from rules.analysis.study import Study
from rules.threshold_sensitivity import RULE
from schemas.circuit import Action, Ambient, Circuit, Tolerance, Value, frozen_map
from schemas.finding import Finding
from tests.builders import npn
from tests.judged import (
    document,
    judged,
    kinds,
    mirrored,
    only_finding,
    outcomes,
    renamed,
    reviewed,
    value,
)
from tests.timers import blinker, garden_light, hold_on, on_delay, one_shot

ROOM = Ambient(298.15, 298.15, 298.15)


def changed(subject: Circuit, part: str, **values: Value) -> Circuit:
    old = subject.parts[part]
    made = replace(old, values=frozen_map({**old.values, **values}))
    return replace(subject, parts=frozen_map({**subject.parts, part: made}))


def charging(subject: Circuit) -> Circuit:
    return replace(subject, stimuli=frozen_map({"on": (Action(0.0, "S1", "closed"),)}))


def exact(subject: Circuit) -> Circuit:
    """No tolerance but that of the base-emitter drop, at 25 degC."""
    for name, part in subject.parts.items():
        if part.kind in ("resistor", "capacitor"):
            subject = changed(subject, name, tolerance=Tolerance(0.0, 0.0))
    return replace(subject, ambient=ROOM)


def test_the_lesson_circuits_fire_and_pass() -> None:
    assert "violated" in kinds(RULE, document(RULE.lesson.failing).circuit)
    assert kinds(RULE, document(RULE.lesson.passing).circuit) == {"satisfied"}


@pytest.mark.parametrize(
    ("x", "expected"), [(0.2, 1.12), (0.5, 1.44), (0.632, 1.72), (0.8, 2.49), (0.9, 3.91)]
)
def test_figures_of_the_derivative(x: float, expected: float) -> None:
    """Worked out beforehand with a computer algebra system."""
    assert threshold_sensitivity(x) == pytest.approx(expected, abs=5e-3)


@given(st.floats(0.02, 0.99))
def test_it_is_the_derivative_of_the_time(x: float) -> None:
    def seconds(threshold: float) -> float:
        found = rc_time(1.0, 1.0, 0.0, 1.0, threshold)
        assert found is not None
        return found

    step = 1e-6 * min(x, 1.0 - x)
    slope = (seconds(x + step) - seconds(x - step)) / (2.0 * step)
    assert slope * x / seconds(x) == pytest.approx(threshold_sensitivity(x), rel=1e-5)
    assert float(as_fraction(np.array([threshold_sensitivity(x)]))[0]) == pytest.approx(x, rel=1e-6)


def lower_for(x: float) -> float:
    """R3 of the on-delay at which the threshold by 0.75 V is ``x`` of the aim: 0.75*(147k + R3) = x*9*R3."""
    return 0.75 * 147e3 / (9.0 * x - 0.75)


@pytest.mark.parametrize(
    ("x", "severity"),
    [(0.799, None), (0.801, "warning"), (0.949, "warning"), (0.951, "error"), (1.02, "error")],
)
def test_both_sides_of_each_limit(x: float, severity: str | None) -> None:
    found = judged(charging(exact(on_delay(lower=lower_for(x)))), RULE).findings
    assert [f.severity for f in found] == ([] if severity is None else [severity])
    if severity is not None and x < 1.0:
        assert found[0].test.left == pytest.approx(x, rel=1e-6)
        assert value(found[0], "S") == pytest.approx(threshold_sensitivity(x), rel=1e-6)
        assert value(found[0], "V_th") / value(found[0], "V_inf") == pytest.approx(x)
    if x > 1.0:
        assert "does not end there" in found[0].message


def base_at_the_capacitor(drop: float) -> Circuit:
    """A charge straight into a base: the threshold is one base-emitter drop (V)."""
    subject = exact(charging(on_delay(upper=1.0, lower=1e7)))
    return replace(subject, assumptions=frozen_map({"vbe_on": drop}))


@pytest.mark.parametrize(("drop", "fires"), [(1.0501, False), (1.0499, True), (0.7, True)])
def test_both_sides_of_the_least_swing(drop: float, fires: bool) -> None:
    """50 mV less than the drop is what a part may have."""
    found = judged(base_at_the_capacitor(drop), RULE).findings
    assert [f.severity for f in found] == (["warning"] if fires else [])
    if fires:
        assert found[0].test.unit == "V"
        assert found[0].test.left == pytest.approx(drop - 0.05, abs=1e-4)
        assert "base-emitter drop" in found[0].message


def test_a_capacitor_that_turns_round_swings_far() -> None:
    """A one-shot goes from 4.3 V to -0.5 V: its threshold is small, its way is not."""
    assert kinds(RULE, one_shot()) == {"satisfied"}


def test_a_discharge_that_ends_low_is_no_flat_crossing() -> None:
    """11.9 V down to 1.4 V with 0.35 V to aim at: 90 % of the way, but S is 0.6 only."""
    (outcome,) = outcomes(RULE, hold_on())
    assert outcome.kind == "satisfied"
    assert outcome.test is not None
    assert outcome.test.left == 0.0


def discharging(subject: Circuit) -> Finding:
    return next(f for f in judged(subject, RULE).findings if f.role == "discharging")


def test_a_discharge_that_is_stopped_early_is_as_sensitive_as_a_flat_charge() -> None:
    """Towards 0.8 V and stopped at 4.82 V at this corner: 3.7 times, as with a charge from 0 V to 0.89."""
    finding = discharging(on_delay())
    full = 0.8 + (9.0 - 0.8) * 105.0 / (105.0 + 49.35)  # fed through R1 +5 %, the base drawing by R2 +5 %
    left = value(finding, "V_th") - value(finding, "V_inf")
    by_hand = value(finding, "V_th") / left / math.log((full - value(finding, "V_inf")) / left)
    assert value(finding, "S") == pytest.approx(by_hand, rel=1e-6)
    assert threshold_sensitivity(finding.test.left) == pytest.approx(value(finding, "S"), rel=1e-6)
    assert "as with a charge from 0 V to 0.89" in finding.message
    assert "goes from" in finding.message


def test_the_sensitivity_is_what_the_delay_does() -> None:
    """Against the delay itself, with the threshold moved by its divider."""
    study = Study(exact(charging(on_delay(upper=1e6, lower=220e3))))
    (delay,) = every_delay(study)
    corners = delay_corners(study, delay)
    crossing = Crossing(corners)
    drop = corners.keys.index(("", "vbe_on"))
    points = np.repeat(corners.nominal, 2, axis=0)
    points[1, drop] *= 1.0 + 1e-6
    times = corners.seconds(points)
    courses = corners.courses(points)
    expected = float(crossing.sensitivity(courses, points)[0])
    assert (times[1] / times[0] - 1.0) / 1e-6 == pytest.approx(expected, rel=1e-3)


def test_the_engine_proves_the_other_divider_and_the_delay_is_kept() -> None:
    (finding,) = reviewed(RULE.lesson.failing, RULE).findings
    (remedy,) = finding.remedies
    assert {op["path"] for op in remedy.patch if op["op"] != "test"} == {
        "/parts/C1/capacitance",
        "/parts/R3/resistance",
    }
    assert remedy.proof.after is not None
    assert remedy.proof.after <= 0.8


def test_where_no_divider_helps_it_is_said() -> None:
    subject = base_at_the_capacitor(0.7)
    assert not [p for o in outcomes(RULE, subject) for p in o.proposals]
    assert any("divider" in a for a in only_finding(subject, RULE).advice)


def test_what_does_not_apply() -> None:
    assert {o.kind for o in outcomes(RULE, blinker())} == {"not-applicable"}
    dead = replace(
        on_delay(), parts=frozen_map({"Q1": npn("Q1", "a", "b", "gnd", 100.0)}), stimuli=frozen_map({})
    )
    assert kinds(RULE, dead) == {"not-applicable"}


@pytest.mark.parametrize(
    "subject", [garden_light(), on_delay(), charging(on_delay(lower=15e3)), base_at_the_capacitor(0.7)]
)
def test_renaming_order_and_the_mirror_change_nothing(subject: Circuit) -> None:
    before = judged(subject, RULE).findings
    other, names = renamed(subject)
    after = judged(other, RULE).findings
    assert [(f.severity, f.role, tuple(names[p] for p in f.parts)) for f in before] == [
        (f.severity, f.role, f.parts) for f in after
    ]
    for now in (after, judged(mirrored(subject), RULE).findings):
        assert [(f.severity, f.role) for f in now] == [(f.severity, f.role) for f in before]
        for one, two in zip(before, now, strict=True):
            assert two.test.left == pytest.approx(one.test.left, rel=1e-6)
