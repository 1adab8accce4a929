"""delay-supply: a share of the rail against a fixed threshold, both sides of the limit."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from rules.analysis.formulas.timing import threshold_sensitivity
from rules.delay_supply import RULE
from rules.threshold_sensitivity import RULE as THRESHOLD_SENSITIVITY
from schemas.circuit import Action, Ambient, Circuit, Tolerance, Value, frozen_map
from tests.builders import battery, capacitor, circuit, contact, film, npn, resistor, supply
from tests.judged import (
    document,
    judged,
    kinds,
    mirrored,
    only_finding,
    outcomes,
    renamed,
    value,
)
from tests.timers import blinker, garden_light, hold_on, on_delay

ROOM = Ambient(298.15, 298.15, 298.15)


def changed(subject: Circuit, part: str, **values: Value) -> Circuit:
    old = subject.parts[part]
    made = replace(old, values=frozen_map({**old.values, **values}))
    return replace(subject, parts=frozen_map({**subject.parts, part: made}))


def on_battery(subject: Circuit, low: float | None = 6.5, high: float | None = 9.6) -> Circuit:
    """The same on a battery, charging only."""
    made = battery("V1", "rail", "gnd", 9.0, low=low, high=high)
    return replace(
        subject,
        parts=frozen_map({**subject.parts, "V1": made}),
        stimuli=frozen_map({"on": (Action(0.0, "S1", "closed"),)}),
    )


def exact(subject: Circuit) -> Circuit:
    for name, part in subject.parts.items():
        if part.kind in ("resistor", "capacitor", "load"):
            subject = changed(subject, name, tolerance=Tolerance(0.0, 0.0))
    return replace(subject, ambient=ROOM)


def share(subject: Circuit) -> float:
    (outcome,) = [o for o in outcomes(RULE, subject) if o.subject == ("C1",)]
    assert outcome.test is not None
    return outcome.test.left


def test_the_lesson_circuits_fire_and_pass() -> None:
    assert "violated" in kinds(RULE, document(RULE.lesson.failing).circuit)
    assert kinds(RULE, document(RULE.lesson.passing).circuit) == {"satisfied"}


def test_divider_and_timing_resistor_on_one_rail() -> None:
    """The garden light: 0.008 relative, by an independent program; its worst corner is not far."""
    subject = changed(garden_light(), "B1", low=7.0, high=9.5)
    assert share(subject) < 0.02
    (outcome,) = [o for o in outcomes(RULE, subject) if o.subject == ("C1",)]
    assert outcome.kind == "satisfied"


@pytest.mark.parametrize("lower", [47e3, 22e3, 15e3])
def test_a_fixed_threshold_follows_by_its_sensitivity(lower: float) -> None:
    """A battery without a range is moved by one per cent: the derivative; V_BE 0.75 V is the worse end."""
    x = 0.75 * (147e3 + lower) / (9.0 * lower)
    subject = exact(on_battery(on_delay(lower=lower), None, None))
    finding = only_finding(subject, RULE)
    assert finding.test.left == pytest.approx(threshold_sensitivity(x), rel=4e-3)
    assert finding.severity == "warning"
    assert finding.parts == ("C1", "V1")
    assert "stays at" in finding.message


def half_fixed(ohms: float) -> Circuit:
    """A transistor whose emitter stands on a divider: its threshold is a share of the rail, and 0.7 V."""
    return exact(
        circuit(
            battery("B1", "rail", "gnd", 9.0, low=6.5, high=9.6),
            contact("S1", "rail", "feed"),
            resistor("R1", "feed", "slow", 100e3),
            film("C1", "slow", "gnd", 10e-6),
            npn("Q1", collector="out", base="slow", emitter="mid", beta=200.0),
            resistor("R2", "rail", "mid", 1e3),
            resistor("R3", "mid", "gnd", ohms),
            resistor("R4", "rail", "out", 47e3),
            stimuli=frozen_map({"on": (Action(0.0, "S1", "closed"),)}),
        )
    )


def test_both_sides_of_the_limit() -> None:
    """The higher the divider, the less its base-emitter drop counts; until the crossing gets flat."""
    low, high = 200.0, 1000.0
    assert share(half_fixed(low)) > 0.3 > share(half_fixed(high))
    for _ in range(30):
        middle = math.sqrt(low * high)
        low, high = (middle, high) if share(half_fixed(middle)) > 0.3 else (low, middle)
    for ohms, expected in ((low * 1.001, []), (low * 0.999, ["warning"])):
        assert share(half_fixed(ohms)) == pytest.approx(0.3, rel=5e-3)
        assert [f.severity for f in judged(half_fixed(ohms), RULE).findings] == expected


def test_a_threshold_partly_of_the_rail_falls_with_it_and_not_enough() -> None:
    finding = only_finding(half_fixed(200.0), RULE)
    ratio = value(finding, "V_th,low") / value(finding, "V_th,high")
    assert value(finding, "V_inf,low") / value(finding, "V_inf,high") < ratio < 1.0
    assert "The threshold falls from" in finding.message
    assert any("share of the rail" in told for told in finding.advice)


def test_numbers_of_the_finding_belong_together() -> None:
    finding = only_finding(exact(on_battery(on_delay())), RULE)
    by_hand = math.log(value(finding, "t_high") / value(finding, "t_low")) / math.log(9.6 / 6.5)
    assert finding.test.left == pytest.approx(-by_hand, rel=1e-9)
    assert value(finding, "V_low") == 6.5


def test_a_delay_that_never_ends_on_an_old_battery() -> None:
    subject = exact(on_battery(on_delay(lower=18e3), 4.0, 9.6))
    by_rule = {f.rule: f for f in judged(subject, RULE, THRESHOLD_SENSITIVITY).findings}
    finding = by_rule["delay-supply"]
    assert "never ends at 4 V" in finding.message
    assert finding.caused_by == by_rule["threshold-sensitivity"].identity


def test_what_does_not_apply() -> None:
    for subject in (on_delay(), hold_on(), blinker()):
        assert kinds(RULE, subject) == {"not-applicable"}
    assert any("no battery" in o.reason for o in outcomes(RULE, on_delay()))
    decoupled = circuit(
        supply("V1", "rail", "gnd", 9.0),
        capacitor("C1", "rail", "gnd", 1e-4),
        resistor("R1", "rail", "gnd", 1e3),
    )
    assert kinds(RULE, decoupled) == {"not-applicable"}


@pytest.mark.parametrize("subject", [on_battery(on_delay()), half_fixed(200.0), garden_light()])
def test_renaming_order_and_the_mirror_change_nothing(subject: Circuit) -> None:
    before = [(o.kind, o.test) for o in outcomes(RULE, subject) if o.test is not None]
    assert before
    for other in (renamed(subject)[0], mirrored(subject)):
        after = [(o.kind, o.test) for o in outcomes(RULE, other) if o.test is not None]
        assert [kind for kind, _ in after] == [kind for kind, _ in before]
        for (_, one), (_, two) in zip(before, after, strict=True):
            assert two is not None
            assert two.left == pytest.approx(one.left, rel=1e-6, abs=1e-9)
