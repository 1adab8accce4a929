"""clean-release: what leads past the switch, an open base, and latches that only a hand lets go."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from rules.analysis.formulas.cutoff import collector_base_leakage
from rules.clean_release import RULE
from schemas.circuit import Ambient, Circuit, Part, frozen_map
from tests.builders import circuit, resistor, supply
from tests.judged import document, judged, kinds, only_finding, outcomes, reviewed, value
from tests.latches import garden_light, tank
from tests.otherwise import told_otherwise, with_limits


def lamp(*extra: Part, without: tuple[str, ...] = (), **members: Any) -> Circuit:
    """The garden light; its LED is fed through R7, R9 is a load beside it."""
    made = garden_light(100.0, *extra, **members)
    return replace(made, parts=frozen_map({n: p for n, p in made.parts.items() if n not in without}))


def sounder(past: float | None, **members: Any) -> Circuit:
    """The same with 820 ohm in the place of the LED, and ``past`` ohm from the rail to it."""
    made = document(RULE.lesson.passing).circuit
    parts = {name: part for name, part in made.parts.items() if name != "R7"}
    if past is not None:
        parts["R7"] = resistor("R7", "rail", "lamp", past, tolerance=None)
    return replace(made, parts=frozen_map(parts), **members)


def test_the_lesson_circuits_fire_and_pass() -> None:
    assert "violated" in kinds(RULE, document(RULE.lesson.failing).circuit)
    assert kinds(RULE, document(RULE.lesson.passing).circuit) == {"satisfied"}


@pytest.mark.parametrize(("ohms", "fires"), [(90e3, False), (75e3, True)])
def test_both_sides_of_a_hundredth(ohms: float, fires: bool) -> None:
    """9 V/R - 5 % against a hundredth of 8.8 V/820 ohm, 107 uA: near 84 kohm."""
    found = judged(sounder(ohms), RULE).findings
    assert [f.severity for f in found] == (["error"] if fires else [])
    if found:
        assert value(found[0], "I_on") == pytest.approx(8.8 / 820.0, rel=1e-3)
        assert value(found[0], "I_left") == pytest.approx(9.0 / (0.95 * ohms), rel=0.05)


def test_a_led_that_stays_below_its_drop_is_off() -> None:
    """33 kohm across the switch lift the output to about 1.1 V: too little for a 3 V LED."""
    assert {o.kind for o in outcomes(RULE, lamp(resistor("RX", "vb", "out", 33e3)))} == {"satisfied"}


def test_an_open_base_amplifies_its_leakage() -> None:
    """Without R5, at 60 degC: 200 nA are 2.26 uA, times 151 they are 342 uA; with R5 they stay 2.26 uA."""
    hot = Ambient(298.15, 298.15, 333.15)
    made = document(RULE.lesson.passing.replace("2N3906", "2N3906, icbo: 200 nA, beta: 150")).circuit
    open_base = {name: part for name, part in made.parts.items() if name not in ("R7", "R5")}
    finding = only_finding(replace(made, parts=frozen_map(open_base), ambient=hot), RULE)
    least = 151.0 * collector_base_leakage(200e-9, 333.15)
    assert "Q2 is open" in finding.message
    assert value(finding, "I_CEO(Q2)") == pytest.approx(least) == pytest.approx(341.7e-6, rel=1e-3)
    assert value(finding, "I_left") >= 0.95 * least
    bled = {name: part for name, part in made.parts.items() if name != "R7"}
    assert not judged(replace(made, parts=frozen_map(bled), ambient=hot), RULE).findings


def test_the_discharge_of_the_timing_capacitor_is_told_and_not_judged() -> None:
    """D1 and R6 feed the load from C1 for a while after the release."""
    found = [o for o in outcomes(RULE, lamp()) if o.kind == "satisfied"]
    assert found
    assert {q.symbol for q in found[0].evidence} >= {"I_left", "I_on", "I_after"}


@pytest.mark.parametrize(
    ("subject", "words"),
    [
        (tank(), "let go by itself"),
        (circuit(supply("V1", "rail", "gnd", 9.0), resistor("R1", "rail", "gnd", 1e3)), ""),
    ],
)
def test_nothing_to_judge(subject: Circuit, words: str) -> None:
    (found,) = outcomes(RULE, subject)
    assert found.kind == "not-applicable"
    assert words in found.reason


def test_a_larger_resistor_is_proven() -> None:
    (finding,) = reviewed(RULE.lesson.failing, RULE).findings
    (remedy,) = finding.remedies
    assert remedy.proof.proven
    assert remedy.proof.after is not None
    assert remedy.proof.after <= 0.01


def test_policy_sets_the_limit() -> None:
    strict = with_limits(RULE, share=1e-4)
    assert judged(sounder(1e6), strict).findings
    assert not judged(sounder(1e6), RULE).findings


def test_names_and_polarity_decide_nothing() -> None:
    for was, now in told_otherwise(sounder(33e3), RULE):
        assert now.severity == was.severity
        assert now.test.left == pytest.approx(was.test.left, rel=1e-5)
