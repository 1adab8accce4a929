"""delay-temperature: the sum of two drifts by hand, both sides of the limit, a pair and a lone junction."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from rules.analysis.delay_corners import every_delay
from rules.analysis.drifting import Weather
from rules.analysis.formulas.timing import threshold_sensitivity
from rules.analysis.study import Study
from rules.delay_temperature import RULE
from rules.threshold_sensitivity import RULE as THRESHOLD_SENSITIVITY
from schemas.circuit import Action, Ambient, Circuit, Tolerance, Value, frozen_map
from tests.builders import circuit as make
from tests.builders import resistor, supply
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
from tests.timers import blinker, garden_light, hold_on, on_delay

NEAR = Ambient(297.15, 298.15, 299.15)


def changed(subject: Circuit, part: str, **values: Value) -> Circuit:
    old = subject.parts[part]
    made = replace(old, values=frozen_map({**old.values, **values}))
    return replace(subject, parts=frozen_map({**subject.parts, part: made}))


def charging(subject: Circuit) -> Circuit:
    return replace(subject, stimuli=frozen_map({"on": (Action(0.0, "S1", "closed"),)}))


def exact(subject: Circuit, ambient: Ambient = NEAR) -> Circuit:
    for name, part in subject.parts.items():
        if part.kind in ("resistor", "capacitor", "load"):
            subject = changed(subject, name, tolerance=Tolerance(0.0, 0.0))
    return replace(subject, ambient=ambient)


def rate(subject: Circuit) -> float:
    (outcome,) = [o for o in outcomes(RULE, subject) if o.subject == ("C1",)]
    assert outcome.test is not None
    return outcome.test.left


def test_the_lesson_circuits_fire_and_pass() -> None:
    assert "violated" in kinds(RULE, document(RULE.lesson.failing).circuit)
    assert kinds(RULE, document(RULE.lesson.passing).circuit) == {"satisfied"}


@pytest.mark.parametrize(("dielectric", "own"), [("film", 0.05 / 75.0), ("aluminium", 0.12 / 60.0)])
def test_both_drifts_by_hand(dielectric: str, own: float) -> None:
    """alpha_C - S*2 mV/V_BE, at the drop of 0.65 or 0.75 V at which that is more."""
    subject = exact(charging(on_delay(lower=20e3, farads=10e-6, dielectric=dielectric)))
    by_hand = []
    for drop in (0.65, 0.75):
        x = drop * 167e3 / (9.0 * 20e3)
        by_hand.append(abs(own - threshold_sensitivity(x) * 2e-3 / drop))
    assert rate(subject) == pytest.approx(max(by_hand), rel=0.02)


def test_a_pair_leaves_the_capacitor_alone_to_drift() -> None:
    """Both junctions of the garden light fall alike; 0.2 %/K of its electrolytic are left."""
    assert rate(replace(garden_light(), ambient=NEAR)) == pytest.approx(0.12 / 60.0, rel=0.05)
    lone = rate(exact(charging(on_delay(lower=15e3, dielectric="film", farads=10e-6))))
    assert lone > 3.0 * rate(replace(garden_light(), ambient=NEAR))


def at_rate(wanted: float) -> Callable[[float], Circuit]:
    """The on-delay whose film capacitor and divider give a rate, by regula falsi over R3."""

    def build(ohms: float) -> Circuit:
        return exact(charging(on_delay(lower=ohms, dielectric="film", farads=10e-6)))

    low, high = 14e3, 30e3
    for _ in range(30):
        middle = math.sqrt(low * high)
        low, high = (middle, high) if rate(build(middle)) > wanted else (low, middle)
    return lambda factor: build(low * factor)


def test_both_sides_of_the_limit() -> None:
    build = at_rate(0.005)
    for factor, severity in ((1.001, []), (0.999, ["warning"])):
        subject = build(factor)
        assert rate(subject) == pytest.approx(0.005, rel=5e-3)
        assert [f.severity for f in judged(subject, RULE).findings] == severity


def test_the_finding_says_what_drifts() -> None:
    """A discharge ends later in the warmth, for its capacitance and for its threshold."""
    finding = only_finding(on_delay(), RULE)
    assert finding.role == "discharging"
    assert "opposite" not in finding.message
    assert value(finding, "t_high") > value(finding, "t_nominal") > value(finding, "t_low")
    assert any("threshold that drifts" in told for told in finding.advice)
    lesson = only_finding(document(RULE.lesson.failing).circuit, RULE)
    assert "opposite ways" in lesson.message


FROSTY = RULE.lesson.passing.replace("dielectric: film", "voltage: 16 V, dielectric: aluminium").replace(
    "{low: -5 degC, nominal: 15 degC, high: 40 degC}", "{low: -25 degC, nominal: 0 degC, high: 10 degC}"
)


def test_in_the_frost_an_electrolytic_is_exchanged_for_film_and_that_is_proven() -> None:
    """15 of 95 % over 25 K: 0.63 %/K."""
    (finding,) = reviewed(FROSTY, RULE).findings
    assert finding.test.left == pytest.approx((1.0 - 0.80 / 0.95) / 25.0, rel=0.1)
    (remedy,) = finding.remedies
    assert {op["path"]: op["value"] for op in remedy.patch if op["op"] != "test"}[
        "/parts/C1/dielectric"
    ] == "film"
    assert remedy.proof.after is not None
    assert remedy.proof.after <= 0.005
    assert any("C1 that drifts" in told for told in finding.advice)


@pytest.mark.parametrize("subject", [garden_light(), charging(on_delay()), hold_on()])
def test_no_point_of_the_box_drifts_more(subject: Circuit) -> None:
    study = Study(subject)
    for delay in every_delay(study):
        weather = Weather(study, delay)
        worst = weather.corners.extreme(weather.rate, 1.0, thrifty=True)
        assert worst is not None
        box = weather.corners.box
        draw = np.random.default_rng(5).random((200, box.size))
        inside = weather.rate(box.low + (box.high - box.low) * draw)
        assert float(np.nanmax(inside)) <= worst.value * (1.0 + 1e-9)


def test_a_delay_that_never_ends_in_the_cold_is_caused_by_its_threshold() -> None:
    subject = charging(on_delay(lower=14e3))
    by_rule = {f.rule: f for f in judged(subject, RULE, THRESHOLD_SENSITIVITY).findings}
    finding = by_rule["delay-temperature"]
    assert "never ends at 0 degC" in finding.message
    assert finding.caused_by == by_rule["threshold-sensitivity"].identity
    assert all(math.isfinite(q.value) for q in finding.evidence if q.symbol.startswith("t_"))


def test_what_does_not_apply() -> None:
    one = Ambient(298.15, 298.15, 298.15)
    assert kinds(RULE, replace(hold_on(), ambient=one)) == {"not-applicable"}
    assert kinds(RULE, blinker()) == {"not-applicable"}
    assert kinds(RULE, make(supply("V1", "rail", "gnd", 9.0), resistor("R1", "rail", "gnd", 1e3))) == {
        "not-applicable"
    }


@pytest.mark.parametrize("subject", [on_delay(), charging(on_delay(lower=14.6e3))])
def test_renaming_order_and_the_mirror_change_nothing(subject: Circuit) -> None:
    before = judged(subject, RULE).findings
    assert before
    other, names = renamed(subject)
    after = judged(other, RULE).findings
    assert [(f.role, tuple(names[p] for p in f.parts)) for f in before] == [(f.role, f.parts) for f in after]
    for now in (after, judged(mirrored(subject), RULE).findings):
        for one, two in zip(before, now, strict=True):
            assert two.test.left == pytest.approx(one.test.left, rel=1e-6)
