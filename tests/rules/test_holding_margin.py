"""holding-margin: reserves against sums of paper and textbooks, both sides of each limit, traps, remedies."""

from __future__ import annotations

import math

import pytest

from rules.analysis.preferred import is_preferred
from rules.holding_margin import RULE
from rules.latch_two_states import RULE as STATES
from schemas.circuit import Beta, Circuit
from schemas.quantities import parse
from tests.builders import driver, led, load, npn, pnp, resistor, solve, supply
from tests.judged import document, judged, kinds, mirrored, outcomes, renamed, reviewed, value
from tests.latches import bench, bistable, garden_light, least_feedback, tank


def test_the_lesson_circuits_fire_and_pass() -> None:
    assert "violated" in kinds(RULE, document(RULE.lesson.failing).circuit)
    assert kinds(RULE, document(RULE.lesson.passing).circuit) == {"satisfied"}


def margins(subject: Circuit, corner: str = "min") -> tuple[float, float]:
    """(reserve of gain, holding voltage) at a corner."""
    tests = [o.test for o in outcomes(RULE, subject) if o.corner == corner and o.test is not None]
    gain = {test.left for test in tests if test.relation == ">="}
    volts = {test.left for test in tests if test.relation == "<="}
    assert (len(gain), len(volts)) == (1, 1)
    return gain.pop(), volts.pop()


def by_hand(beta_1: float, beta_2: float, r3: float, rb1: float, rl: float) -> tuple[float, float]:
    """The same two for the tank latch at 12 V, where Q1 is active when it lets go (own sums).

    beta_2*f*(beta_1*f*I_B1 - V_BE/RB2) = I_C2 for f; the same with f = 1 for the supply.
    """
    bleed_1, bleed_2 = 0.7 / rb1, 0.7 / 4.7e3
    i_b1, i_c2 = 11.1 / r3 - bleed_1, 11.8 / rl + 11.1 / r3
    a, b = beta_1 * beta_2 * i_b1, beta_2 * bleed_2
    f = (b + math.sqrt(b * b + 4.0 * a * i_c2)) / (2.0 * a)
    slope = beta_1 * beta_2 / r3 - 1.0 / rl - 1.0 / r3
    rest = beta_2 * (beta_1 * (0.9 / r3 + bleed_1) + bleed_2) - 0.2 / rl - 0.9 / r3
    return 1.0 / f, rest / slope


# gains, R3, RB1, RL, and the reserve worked out beforehand with another program
KNOWN = [
    pytest.param(200.0, 150.0, 47e3, 10e3, 1e3, 19.4, id="ample"),
    pytest.param(100.0, 80.0, 47e3, 10e3, 1e3, 10.0, id="less gain"),
    pytest.param(100.0, 80.0, 330e3, 47e3, 270.0, 1.72, id="starved"),
]


@pytest.mark.parametrize(("beta_1", "beta_2", "r3", "rb1", "rl", "known"), KNOWN)
def test_reserve_and_holding_voltage(
    beta_1: float, beta_2: float, r3: float, rb1: float, rl: float, known: float
) -> None:
    gain, volts = margins(tank(beta_1, beta_2, r3, rb1, 4.7e3, rl))
    expected = by_hand(beta_1, beta_2, r3, rb1, rl)
    assert gain == pytest.approx(known, rel=5e-3)
    assert gain == pytest.approx(expected[0], rel=1e-5)
    assert volts == pytest.approx(expected[1], rel=1e-5)


def test_the_holding_voltage_by_counting_states() -> None:
    """3.99 + 0.2 + 0.04 V by hand; three states above it, one below."""
    _, volts = margins(tank())
    assert volts == pytest.approx(4.23, abs=0.005)
    assert [len(solve(tank(volts=k * volts)).states) for k in (0.9999, 1.0001)] == [1, 3]


def test_a_latch_that_lets_go_of_itself_at_the_start_of_its_period() -> None:
    """Q1 is a current source there, active by design: its overdrive is 1, the reserve of the loop 5.2."""
    gain, _ = margins(garden_light(100.0))
    assert gain == pytest.approx(5.2, abs=0.05)


BOOK = {"vbe_on": 0.3, "vce_sat": 0.1}


def test_the_bistable_of_a_book() -> None:
    """VR ch. 9 problem 2: I_B2 0.3668 mA, I_C2 9.563 mA, gain 40: overdrive 1.534, gain needed 26.1."""
    (finding,) = (f for f in judged(bistable(assumptions=BOOK), RULE).findings if f.role == "reserve of gain")
    assert finding.severity == "warning"
    assert finding.test.left == pytest.approx(1.534, abs=1e-3)
    assert 40.0 / finding.test.left == pytest.approx(26.1, abs=0.05)
    assert {place.state for place in finding.occurrences} == {"Q1 saturated", "Q2 saturated"}


def test_the_design_of_a_book_with_half_as_much_again() -> None:
    """VR ch. 9 problem 1: I_B 0.15 mA, half as much again as 5 mA need at a gain of 50.

    The other side takes 10.1 V/33.54k of the 5 mA, which the book leaves out: 7.5/4.7 is 1.6.
    """
    subject = bistable(10.0, 1980.0, 12.94e3, 20.6e3, 50.0, assumptions=BOOK)
    found = [o.test.left for o in outcomes(RULE, subject) if o.test is not None and o.test.relation == ">="]
    assert found == pytest.approx([50 * 0.15e-3 / (5e-3 - 10.1 / 33.54e3)] * len(found), rel=2e-3)


def test_a_bistable_of_ideal_junctions() -> None:
    """Millman and Taub, from memory: 12 V, 2.2k, 15k, 100k need a gain of 9.26."""
    ideal = {"vbe_on": 1e-9, "vce_sat": 0.0}
    subject = bistable(12.0, 2.2e3, 15e3, 100e3, 20.0, assumptions=ideal)
    found = [o.test.left for o in outcomes(RULE, subject) if o.test is not None and o.test.relation == ">="]
    assert found == pytest.approx([20.0 / 9.26] * len(found), rel=1e-3)


def test_the_latch_with_four_equal_resistors() -> None:
    """9 V, load 470, R1 = R3 = 10k, R2 2.2k, R4 10k (own sums): Q1 starves at about 1.6 V."""
    subject = bench(
        supply("V1", "rail", "gnd", 9.0),
        pnp("Q2", "out", "b2", "rail", 100.0),
        load("L1", "out", "gnd", 470.0),
        resistor("R1", "out", "b1", 10e3),
        resistor("R3", "b1", "gnd", 10e3),
        npn("Q1", "c1", "b1", "gnd", 100.0),
        resistor("R2", "c1", "b2", 2.2e3),
        resistor("R4", "b2", "rail", 10e3),
    )
    gain, volts = margins(subject)
    assert volts == pytest.approx(0.7 * 2 + 0.2, abs=0.03)
    assert gain > 10.0


def weak(reserve: float) -> Circuit:
    """A bistable with so much reserve: I_B 0.3668 mA and I_C 9.563 mA with the drops of the book."""
    i_b = (9.7 / 11e3) - 10.3 / 20e3
    i_c = 9.9 / 1e3 - 10.1 / 30e3
    return bistable(beta=Beta(reserve * i_c / i_b, 100.0, 200.0), assumptions=BOOK)


@pytest.mark.parametrize(
    ("reserve", "told"), [(0.999, ["error"]), (1.001, ["warning"]), (1.999, ["warning"]), (2.001, [])]
)
def test_both_sides_of_each_limit_of_gain(reserve: float, told: list[str]) -> None:
    found = [f for f in judged(weak(reserve), RULE).findings if f.role == "reserve of gain"]
    assert [finding.severity for finding in found] == told
    assert all(finding.test.left == pytest.approx(reserve, rel=1e-5) for finding in found)


@pytest.mark.parametrize(
    ("share", "told"), [(1.001, ["error"]), (0.999, ["warning"]), (0.701, ["warning"]), (0.699, [])]
)
def test_both_sides_of_each_limit_of_supply(share: float, told: list[str]) -> None:
    _, volts = by_hand(200.0, 150.0, 47e3, 10e3, 1e3)
    subject = tank(low=volts / share, high=12.0)
    found = [f for f in judged(subject, RULE).findings if f.role == "holding voltage"]
    assert [finding.severity for finding in found] == told
    for finding in found:
        assert finding.test.left == pytest.approx(volts, rel=1e-5)
        assert finding.test.right == pytest.approx(0.7 * volts / share)


def test_the_worst_corner_is_told_with_its_values() -> None:
    """Cold, low supply, least gain, feedback large, bleed small, load heavy: by hand at those values."""
    subject = tank(
        Beta(100, 200, 400),
        Beta(80, 150, 300),
        330e3,
        47e3,
        4.7e3,
        270.0,
        low=10.0,
        high=13.0,
        toleranced=True,
    )
    finding = next(f for f in judged(subject, RULE).findings if f.role == "reserve of gain")
    assert finding.corner == "beta min, V1 10 V, R3 +5 %, RB1 -5 %, RL -5 %, 0 degC"
    drop, gain = 0.75, 0.875
    out, r3, rl = 10.0 - 0.2, 346.5e3, 256.5
    i_b1, i_c2 = (out - drop) / r3 - drop / (0.95 * 47e3), out / rl + (out - drop) / r3
    a, b = 8000.0 * gain**2 * i_b1, 80.0 * gain * drop / (0.95 * 4.7e3)
    assert finding.test.left == pytest.approx(2 * a / (b + math.sqrt(b * b + 4 * a * i_c2)), rel=1e-4)
    assert value(finding, "M_worst") == finding.test.left
    assert value(finding, "V_V1") == 10.0


def test_a_state_that_is_missing_is_the_cause_and_not_the_margin() -> None:
    edge = least_feedback(50.0, 50.0)
    subject = tank(Beta(50, 100, 200), Beta(50, 100, 200), 1.05 * edge)
    found = judged(subject, STATES, RULE).findings
    (lost,) = (f for f in found if f.rule == STATES.slug)
    errors = [f for f in found if f.rule == RULE.slug and f.severity == "error"]
    assert {f.role for f in errors} == {"reserve of gain", "holding voltage"}
    assert {f.caused_by for f in errors} == {lost.identity}
    assert "only with" in next(f for f in errors if f.role == "reserve of gain").message


def test_an_led_is_dark_before_the_latch_lets_go() -> None:
    parts = [p for p in tank(100.0, 80.0, 47e3, 47e3, low=2.0, high=13.0).parts.values() if p.name != "RL"]
    subject = bench(*parts, resistor("R7", "out", "lamp", 270.0), led("D1", "lamp", "gnd", 3.5))
    finding = next(f for f in judged(subject, RULE).findings if f.role == "holding voltage")
    assert finding.test.left < 3.5 + 0.2
    assert "D1 is dark before that" in finding.message


def test_the_finding_shows_its_sums() -> None:
    finding = next(
        f
        for f in judged(tank(100.0, 80.0, 330e3, 47e3, 4.7e3, 270.0), RULE).findings
        if f.role == "reserve of gain"
    )
    assert finding.severity == "warning"
    assert "with 1.72 times the gain it needs" in finding.message
    assert value(finding, "V_hold,hand") == pytest.approx(0.7 * (1 + 330 / 47) + 0.2)
    # Q1 has to pass I_C2/beta_2 and the bleed of Q2; as it stands, active, it passes beta_1*I_B1
    i_c1 = 100.0 * (11.1 / 330e3 - 0.7 / 47e3)
    assert value(finding, "R_f,max") == pytest.approx(11.1 / (2 * i_c1 / 100 + 0.7 / 47e3), rel=1e-6)
    assert value(finding, "I_hold") == pytest.approx((value(finding, "V_hold") - 0.2) / 270, rel=5e-3)


def test_the_mirror_and_other_names_have_the_same_numbers() -> None:
    subject = tank(100.0, 80.0, 330e3, 47e3, 4.7e3, 270.0)
    other, names = renamed(subject)
    plain, turned, changed = (margins(each) for each in (subject, mirrored(subject), other))
    assert turned[0] == pytest.approx(plain[0], rel=1e-9)
    assert changed == pytest.approx(plain, rel=1e-9)
    found = judged(other, RULE).findings
    assert found[0].parts == tuple(sorted(names[name] for name in ("Q1", "Q2")))


def test_what_is_no_latch_is_not_judged() -> None:
    plain = bench(
        supply("V1", "rail", "gnd", 12.0),
        driver("U1", "in", "gnd", 0.0, 5.0),
        resistor("R1", "in", "b", 10e3),
        npn("Q1", "c", "b", "gnd", 100.0),
        load("L1", "rail", "c", 1e3),
    )
    (found,) = outcomes(RULE, plain)
    assert found.kind == "not-applicable"


def test_the_engine_proves_more_feedback() -> None:
    found = reviewed(RULE.lesson.failing, RULE).findings
    assert {finding.role for finding in found} == {"reserve of gain", "holding voltage"}
    for finding in found:
        first = finding.remedies[0]
        assert first.proof.proven
        (change,) = (item for item in first.patch if item["op"] == "replace")
        ohms = parse(change["value"], "resistance")
        assert is_preferred(ohms, "E24")
        assert change["path"] == "/parts/R2/resistance" or change["path"] == "/parts/R1/resistance"
        if change["path"] == "/parts/R2/resistance":
            assert ohms == 39e3


def test_the_next_larger_resistor_would_not_do() -> None:
    """39k holds at the worst corner down to 70 % of the lowest supply, 43k does not."""
    for ohms, kind in (("39 kohm", {"satisfied"}), ("43 kohm", {"satisfied", "violated"})):
        text = RULE.lesson.failing.replace("56 kohm", ohms)
        assert kinds(RULE, document(text).circuit) == kind


def test_a_supply_written_as_a_negative_voltage_counts_the_same() -> None:
    """The negative rail of the bistable: plus at ground, or minus 10 V above it."""
    plain = bistable(assumptions=BOOK)
    parts = [part for part in plain.parts.values() if part.name != "V2"]
    turned = bench(*parts, supply("V2", "minus", "gnd", -10.0, low=-10.5, high=-9.0), assumptions=BOOK)
    asked = [o.test for o in outcomes(RULE, turned) if o.test is not None]
    told = [o.test for o in outcomes(RULE, plain) if o.test is not None]
    gains = [{round(t.left, 4) for t in tests if t.relation == ">="} for tests in (asked, told)]
    assert gains[1] <= gains[0]
    # the rail that falls furthest below its nominal voltage is the one that is named: 9 V of 10 V
    assert {round(t.right, 6) for t in asked if t.relation == "<="} == {6.3}
