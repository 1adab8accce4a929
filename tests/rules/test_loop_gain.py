"""loop-gain: the gain around the loop by hand, three tenths of the least gain, causes, what is no latch."""

from __future__ import annotations

import math

import pytest

from rules.analysis.latches.find import latches
from rules.analysis.latches.gain import gain_around, middle
from rules.analysis.study import Study
from rules.holding_margin import RULE as RESERVE
from rules.latch_two_states import RULE as STATES
from rules.loop_gain import RULE
from schemas.circuit import Beta, Circuit, frozen_map
from tests.builders import contact, load, npn, pnp, resistor, solve, supply
from tests.judged import document, judged, kinds, mirrored, only_finding, outcomes, renamed, reviewed, value
from tests.latches import bench, bistable, garden_light, least_feedback, tank


def test_the_lesson_circuits_fire_and_pass() -> None:
    assert "violated" in kinds(RULE, document(RULE.lesson.failing).circuit)
    assert kinds(RULE, document(RULE.lesson.passing).circuit) == {"satisfied"}


def around(subject: Circuit, corner: str = "min") -> float:
    study = Study(subject)
    (latch,) = latches(study)
    return gain_around(study, latch, corner)


@pytest.mark.parametrize(
    ("beta_1", "beta_2", "r3", "rl"),
    [(200.0, 150.0, 47e3, 1e3), (100.0, 80.0, 100e3, 470.0), (60.0, 300.0, 22e3, 470.0)],
)
def test_two_of_opposite_kind(beta_1: float, beta_2: float, r3: float, rl: float) -> None:
    """T = beta_1*beta_2/(1 + R_f/R_L): bleeds carry a fixed current and take no signal; 625 first."""
    subject = tank(beta_1, beta_2, r3, rl=rl)
    assert around(subject) == pytest.approx(beta_1 * beta_2 / (1.0 + r3 / rl), rel=1e-9)


def test_a_base_without_a_bleed_changes_nothing() -> None:
    assert around(tank(rb2=None)) == pytest.approx(625.0, rel=1e-9)


def test_two_of_one_kind() -> None:
    """From base to base beta times the share of the collector current that R1 takes: R_C/(R_C + R_1)."""
    assert around(bistable()) == pytest.approx((40.0 / 11.0) ** 2, rel=1e-9)


def test_an_emitter_resistor_is_feedback_within_the_member() -> None:
    """The signal current of Q1 is set by R_E: the base resistors see (beta + 1)*R_E (own sums)."""
    parts = [part for part in tank().parts.values() if part.name != "Q1"]
    subject = bench(*parts, npn("Q1", "c1", "b1", "e1", 200.0), resistor("RE", "e1", "gnd", 330.0))
    feed, base = 47e3 + 1e3, 1.0 / (1.0 / 10e3 + 1.0 / 48e3)
    # one ampere in the collector of Q2 brings RL/(R3 + RL) A towards b1, of which the base takes its share
    share = 1e3 / feed * base / (base + 201.0 * 330.0)
    assert around(subject) == pytest.approx(200.0 * 150.0 * share, rel=1e-9)


def test_a_loop_of_three_by_the_definition() -> None:
    """The loop is cut at the base of Q1: what comes back per ampere, all junctions at their drops."""
    betas = {"Q1": 100.0, "Q2": 100.0, "Q3": 100.0}
    subject = bench(
        supply("V1", "vp", "gnd", 12.0),
        pnp("Q2", "out", "b2", "vp", betas["Q2"]),
        resistor("RB2", "vp", "b2", 10e3),
        resistor("R2", "b2", "c1", 4.7e3),
        npn("Q1", "c1", "b1", "gnd", betas["Q1"]),
        resistor("RB1", "b1", "gnd", 10e3),
        load("RL", "out", "gnd", 1e3),
        npn("Q3", "vp", "out", "f", betas["Q3"]),
        resistor("RF", "f", "gnd", 10e3),
        resistor("R3", "f", "b1", 33e3),
    )
    # f follows out; seen from out the follower is (beta + 1) times R_F and R_3 in parallel
    seen = 101.0 / (1.0 / 10e3 + 1.0 / 33e3)
    out = 1.0 / (1.0 / 1e3 + 1.0 / seen)
    assert around(subject) == pytest.approx(100.0 * 100.0 * out / 33e3, rel=1e-3)


def test_the_middle_state_is_there_exactly_while_the_on_state_is() -> None:
    """Degree theory: the signs of all states add up to one, so off and on (+1) need a -1 between."""
    edge = least_feedback(100.0, 80.0)
    for share, there in ((0.99, True), (1.01, False)):
        found = solve(tank(100.0, 80.0, share * edge)).states
        assert sum(state.index or 0 for state in found) == 1
        assert any(state.index == -1 for state in found) == there
    (latch,) = latches(Study(tank()))
    state = middle(Study(tank()), latch, "min")
    assert state is not None
    assert state.devices == {"Q1": "active", "Q2": "active"}
    # I_B1 = (beta_2*V/RB2 + V/RL + (1 + R3/RL)*V/RB1)/(beta_1*beta_2 - 1 - R3/RL) = 0.881 uA
    by_hand = (150 * 0.7 / 4.7e3 + 0.7 / 1e3 + 48 * 0.7 / 10e3) / (200 * 150 - 48)
    assert state.currents["Q1"]["base"] == pytest.approx(by_hand, rel=1e-9)
    assert by_hand == pytest.approx(0.881e-6, rel=1e-3)


def needing(reserve: float) -> Circuit:
    """The tank latch with so much reserve at its least gain, its greater gains in proportion."""
    i_b1, i_c2, bleed = 11.1 / 330e3 - 0.7 / 47e3, 11.8 / 270.0 + 11.1 / 330e3, 0.7 / 4.7e3
    # both gains equal to b at the edge: b*(b*I_B1 - bleed) = I_C2
    edge = (bleed + math.sqrt(bleed * bleed + 4.0 * i_b1 * i_c2)) / (2.0 * i_b1)
    gain = Beta(reserve * edge, 5.0 * edge, 9.0 * edge)
    return tank(gain, gain, 330e3, 47e3, 4.7e3, 270.0)


@pytest.mark.parametrize(
    ("reserve", "told"), [(0.999, ["error"]), (1.02, ["warning"]), (3.332, ["warning"]), (3.335, [])]
)
def test_both_sides_of_each_limit(reserve: float, told: list[str]) -> None:
    found = judged(needing(reserve), RULE).findings
    assert [finding.severity for finding in found] == told
    for finding in found:
        assert finding.test.left == pytest.approx(reserve, rel=1e-4)
        assert finding.corner == "min"


def test_three_tenths_by_enumeration() -> None:
    """The same circuit with 0.3 times its gains has three states or one."""
    for reserve, count in ((3.32, 1), (3.35, 3)):
        gain = needing(reserve).parts["Q1"].values["beta"]
        assert isinstance(gain, Beta)
        least = 0.3 * (gain.minimum or 0.0)
        assert len(solve(tank(least, least, 330e3, 47e3, 4.7e3, 270.0)).states) == count


def named(subject: Circuit) -> Circuit:
    states = {"dry": {"Q1": "off", "Q2": "off"}, "wet": {"Q1": "on", "Q2": "on"}}
    return bench(
        *subject.parts.values(),
        contact("S1", "vp", "set"),
        resistor("R8", "set", "b1", 10e3),
        states=frozen_map({name: frozen_map(each) for name, each in states.items()}),
    )


@pytest.mark.parametrize(("beta", "told"), [(6.9, "gain around the loop"), (7.0, "has no")])
def test_a_gain_around_the_loop_below_one(beta: float, told: str) -> None:
    """beta^2 = 48 is the edge of T; above it the bleeds still take more than comes back."""
    finding = only_finding(named(tank(beta, beta)), RULE)
    assert finding.severity == "error"
    assert told in finding.message
    assert value(finding, "T") == pytest.approx(beta * beta / 48.0, rel=1e-9)


def test_what_the_other_rules_of_latches_tell_is_the_cause() -> None:
    found = judged(needing(1.5), STATES, RESERVE, RULE).findings
    (gain,) = (f for f in found if f.rule == RULE.slug)
    (reserve,) = (f for f in found if f.role == "reserve of gain")
    assert gain.caused_by == reserve.identity
    found = judged(needing(0.9), STATES, RESERVE, RULE).findings
    (gain,) = (f for f in found if f.rule == RULE.slug)
    (lost,) = (f for f in found if f.rule == STATES.slug)
    assert gain.caused_by == lost.identity
    (gain,) = (f for f in judged(needing(2.5), STATES, RESERVE, RULE).findings if f.rule == RULE.slug)
    assert gain.caused_by is None


def test_the_finding_shows_its_sums() -> None:
    subject = needing(2.5)
    finding = only_finding(subject, RULE)
    least = value(finding, "beta_Q1")
    assert value(finding, "T") == pytest.approx(least**2 / (1 + 330e3 / 270.0), rel=1e-9)
    assert value(finding, "T_hand") == pytest.approx(value(finding, "T"), rel=1e-9)
    assert value(finding, "M") == pytest.approx(2.5, rel=1e-4)
    assert value(finding, "I_Q1") < value(finding, "I_Q2")
    assert "below 0.4 times its least gain" in finding.message


def test_a_published_type_is_read_at_the_currents_of_the_middle() -> None:
    """At 100 uA a 2N3904 promises 40, not the 100 at 10 mA."""
    subject = bench(
        supply("V1", "vp", "gnd", 12.0),
        pnp("Q2", "out", "b2", "vp", type="2N3906"),
        resistor("RB2", "vp", "b2", 47e3),
        resistor("R2", "b2", "c1", 4.7e3),
        npn("Q1", "c1", "b1", "gnd", type="2N3904"),
        resistor("R3", "out", "b1", 100e3),
        resistor("RB1", "b1", "gnd", 47e3),
        load("RL", "out", "gnd", 2.2e3),
    )
    study = Study(subject)
    (latch,) = latches(study)
    state = middle(study, latch, "min")
    assert state is not None
    gains = state.mode.betas
    assert gains["Q1"] < 60.0
    expected = gains["Q1"] * gains["Q2"] / (1.0 + 100e3 / 2.2e3)
    assert gain_around(study, latch, "min") == pytest.approx(expected, rel=1e-9)
    assert gain_around(study, latch, "max") == pytest.approx(300.0**2 / (1.0 + 100e3 / 2.2e3), rel=1e-6)


def test_a_latch_that_lets_go_of_itself_is_judged_while_its_capacitor_holds_it() -> None:
    assert kinds(RULE, garden_light(100.0)) == {"satisfied"}


def test_the_mirror_and_other_names_have_the_same_numbers() -> None:
    subject = needing(2.5)
    other, names = renamed(subject)
    plain, turned, changed = (only_finding(each, RULE) for each in (subject, mirrored(subject), other))
    for finding in (turned, changed):
        assert value(finding, "T") == pytest.approx(value(plain, "T"), rel=1e-9)
        assert finding.test.left == pytest.approx(plain.test.left, rel=1e-6)
    assert changed.parts == tuple(sorted(names[name] for name in plain.parts))


def test_what_is_no_latch_is_not_judged() -> None:
    (found,) = outcomes(RULE, bench(supply("V1", "a", "gnd", 9.0), resistor("R1", "a", "gnd", 1e3)))
    assert found.kind == "not-applicable"


def test_the_engine_proves_a_smaller_feedback() -> None:
    (finding,) = reviewed(RULE.lesson.failing, RULE).findings
    (remedy,) = finding.remedies
    assert remedy.proof.after is not None
    assert remedy.proof.after >= 1.0 / 0.3
    assert [item["path"] for item in remedy.patch if item["op"] == "replace"] == ["/parts/R2/resistance"]
    assert math.isfinite(remedy.proof.before)
    assert "more gain" in finding.advice[0]
