"""latch-two-states: the edge of the on state by hand, every corner, latches that let go, and what is none."""

from __future__ import annotations

import math

import pytest

from rules.analysis.latches.find import latches, loop_of
from rules.analysis.study import Study
from rules.latch_two_states import RULE
from schemas.circuit import Ambient, Beta, Circuit, Part, frozen_map
from schemas.finding import Finding
from tests.builders import contact, driver, load, npn, pnp, press, resistor, solve, supply
from tests.judged import document, judged, kinds, mirrored, only_finding, outcomes, renamed, reviewed, value
from tests.latches import bench, bistable, garden_light, least_feedback, tank


def test_the_lesson_circuits_fire_and_pass() -> None:
    assert "violated" in kinds(RULE, document(RULE.lesson.failing).circuit)
    assert kinds(RULE, document(RULE.lesson.passing).circuit) == {"satisfied"}


def test_the_latch_keeps_both_places() -> None:
    """Two stable states and the unstable one between them, at every gain and at the worst corner."""
    found = outcomes(RULE, tank(Beta(100, 200, 400), Beta(80, 150, 300), toleranced=True))
    assert {outcome.kind for outcome in found} == {"satisfied"}
    assert {outcome.test.left for outcome in found if outcome.test} == {2.0}
    assert [outcome.corner for outcome in found][:3] == ["min", "typical", "max"]
    assert {outcome.corner for outcome in found[3:]} == {
        "beta max, 40 degC",
        "beta min, R3 +5 %, RB1 -5 %, RL -5 %, 0 degC",
    }


@pytest.mark.parametrize(("share", "told"), [(0.99, []), (1.001, ["error"])])
@pytest.mark.parametrize(("beta_1", "beta_2"), [(100.0, 80.0), (200.0, 150.0), (60.0, 300.0)])
def test_both_sides_of_the_edge(share: float, told: list[str], beta_1: float, beta_2: float) -> None:
    """On is lost where Q2, fed by an active Q1, only just saturates: both active is unstable.

    Within half a per cent of it the small-signal test already calls the state unstable.
    """
    weak = Beta(beta_1, 2 * beta_1, 4 * beta_1), Beta(beta_2, 2 * beta_2, 4 * beta_2)
    subject = tank(*weak, share * least_feedback(beta_1, beta_2))
    assert [finding.severity for finding in judged(subject, RULE).findings] == told


def test_the_edge_by_enumeration() -> None:
    """The same edge, counted: three states on one side, one on the other."""
    edge = least_feedback(100.0, 80.0)
    assert [len(solve(tank(100.0, 80.0, k * edge)).states) for k in (0.999, 1.001)] == [3, 1]


def test_only_the_weakest_transistor_loses_it() -> None:
    edge = least_feedback(50.0, 50.0)
    finding = only_finding(tank(Beta(50, 100, 200), Beta(50, 100, 200), 1.05 * edge), RULE)
    assert finding.corner == "min"
    assert [place.corner for place in finding.occurrences] == ["min"]
    assert "cannot rest in" in finding.message
    assert 'only "all off" is left' in finding.message
    assert value(finding, "M") < 1.0
    assert [value(finding, f"beta_{name}") for name in ("Q1", "Q2")] == [50.0, 50.0]


def test_the_worst_corner_is_found_and_named() -> None:
    """3 % of room in R3 are less than the cold, the low supply and the tolerances take."""
    subject = tank(100.0, 80.0, 0.97 * least_feedback(100.0, 80.0), low=11.0, high=13.0, toleranced=True)
    finding = only_finding(subject, RULE)
    assert finding.corner == "V1 11 V, R3 +5 %, RB1 -5 %, 0 degC"
    assert value(finding, "V_V1") == 11.0
    assert value(finding, "T") == 273.15
    assert value(finding, "M") > 1.0 > value(finding, "M_worst")


def cold(share: float) -> Circuit:
    """On at -20 degC, where the drops are 0.79 V and the gains 0.775 times those at 25 degC."""
    drop, gain = 0.7 + 0.002 * 45, 1 - 0.005 * 45
    bleeds = drop / 10e3, drop / 4.7e3
    out = 12.0 - 0.2
    one, two = 100.0 * gain, 80.0 * gain
    edge = (out - drop) * (one * two - 1.0) / (out / 1e3 + two * (one * bleeds[0] + bleeds[1]))
    return tank(100.0, 80.0, share * edge, ambient=Ambient(253.15, 298.15, 313.15))


@pytest.mark.parametrize(("share", "told"), [(0.999, []), (1.001, ["error"])])
def test_both_sides_of_the_edge_in_the_cold(share: float, told: list[str]) -> None:
    found = judged(cold(share), RULE).findings
    assert [finding.severity for finding in found] == told
    assert all(finding.corner == "-20 degC" for finding in found)


def test_a_latch_that_lets_go_of_itself_is_judged_while_its_capacitor_holds_it() -> None:
    subject = garden_light(Beta(100, 150, 400), toleranced=True)
    assert [len(found.states) for found in Study(subject).state_sets()] == [1, 1]
    assert kinds(RULE, subject) == {"satisfied"}
    (latch,) = latches(Study(subject))
    assert latch.network.held == {"C1": 0.0}
    assert set(latch.timed) == {"min", "typical", "max"}


def test_two_of_one_kind_rest_on_one_side_or_the_other() -> None:
    (latch,) = latches(Study(bistable(assumptions={"vbe_on": 0.3, "vce_sat": 0.1})))
    assert [rest.conducting for rest in latch.rests] == [frozenset({"Q1"}), frozenset({"Q2"})]
    # VR ch. 9 problem 2: Q2 needs a gain of 26.1 (overdrive 1.534 at 40)
    book = {"assumptions": {"vbe_on": 0.3, "vce_sat": 0.1}}
    assert kinds(RULE, bistable(beta=26.2, **book)) == {"satisfied"}
    assert {f.severity for f in judged(bistable(beta=Beta(25.0, 40.0, 80.0), **book), RULE).findings} <= {
        "error"
    }


def test_the_pnp_mirror_and_other_names_change_nothing() -> None:
    subject = tank(100.0, 80.0, 1.01 * least_feedback(100.0, 80.0), states=NAMED)
    plain = only_finding(with_contact(subject), RULE)
    turned = only_finding(mirrored(with_contact(subject)), RULE)
    other, names = renamed(with_contact(subject))
    changed = only_finding(other, RULE)
    assert turned.test == plain.test == changed.test
    assert value(turned, "M") == pytest.approx(value(plain, "M"), rel=1e-6)
    assert sorted(names[part] for part in plain.parts) == list(changed.parts)
    assert value(changed, "M") == pytest.approx(value(plain, "M"), rel=1e-9)


NAMED = frozen_map(
    {"dry": frozen_map({"Q1": "off", "Q2": "off"}), "wet": frozen_map({"Q1": "on", "Q2": "on"})}
)


def with_contact(subject: Circuit) -> Circuit:
    return bench(
        *subject.parts.values(),
        contact("S1", "vp", "set"),
        resistor("R8", "set", "b1", 10e3),
        states=subject.states,
    )


def test_an_on_state_that_only_the_contact_holds_is_missed_once_it_is_named() -> None:
    """At no gain does it hold itself: the names of the document say that it should."""
    subject = tank(200.0, 150.0, 1.2 * least_feedback(200.0, 150.0))
    assert kinds(RULE, with_contact(subject)) == {"not-applicable"}
    finding = only_finding(with_contact(bench(*subject.parts.values(), states=NAMED)), RULE)
    assert finding.state == "wet"
    assert '"wet (S1 open)"' in finding.message


def test_a_power_switch_at_rest_in_off_hides_no_latch() -> None:
    parts = [p for p in tank(100.0, 80.0, 1.01 * least_feedback(50.0, 80.0)).parts.values() if p.name != "V1"]
    subject = bench(*parts, supply("V1", "cell", "gnd", 12.0), contact("S0", "cell", "vp"))
    (latch,) = latches(Study(subject))
    assert latch.configuration.key == "S0 closed"


def ring() -> Circuit:
    """Three of a kind, of which one holds the two others off."""
    parts: list[Part] = [supply("V1", "rail", "gnd", 9.0)]
    for me in "123":
        parts += [npn(f"Q{me}", f"c{me}", f"b{me}", "gnd", 200.0), resistor(f"RC{me}", "rail", f"c{me}", 1e3)]
        parts.append(resistor(f"RB{me}", f"b{me}", "gnd", 4.7e3))
        parts += [resistor(f"R{me}{other}", f"c{other}", f"b{me}", 22e3) for other in "123" if other != me]
    return bench(*parts)


def test_a_third_resting_place_is_told_as_a_note() -> None:
    found = judged(ring(), RULE).findings
    assert {finding.severity for finding in found} == {"note"}
    assert "can rest in 3 places" in found[0].message
    assert found[0].test.left == 3.0


def longer_loop() -> Circuit:
    """A follower between the load and the holding resistor: three transistors in one loop."""
    return bench(
        supply("V1", "vp", "gnd", 12.0),
        pnp("Q2", "out", "b2", "vp", 100.0),
        resistor("RB2", "vp", "b2", 10e3),
        resistor("R2", "b2", "c1", 4.7e3),
        npn("Q1", "c1", "b1", "gnd", 100.0),
        resistor("RB1", "b1", "gnd", 10e3),
        load("RL", "out", "gnd", 1e3),
        npn("Q3", "vp", "out", "f", 100.0),
        resistor("RF", "f", "gnd", 10e3),
        resistor("R3", "f", "b1", 33e3),
    )


def test_a_loop_of_three_is_read_off_its_middle_state() -> None:
    middle = next(state for state in solve(longer_loop()).states if state.index == -1)
    assert loop_of(middle) == ("Q1", "Q2", "Q3")
    (latch,) = latches(Study(longer_loop()))
    assert latch.members == ("Q1", "Q2", "Q3")
    assert kinds(RULE, longer_loop()) == {"satisfied"}


# SK ex. 16.6 p1150: an emitter-coupled trigger, Q1 off; it has one state for each input
TRIGGER = bench(
    supply("V1", "rail", "gnd", 5.0),
    driver("U1", "in", "gnd", 0.0, 3.5),
    npn("Q1", "c1", "in", "e", 50.0),
    npn("Q2", "c2", "c1", "e", 50.0),
    resistor("R1", "rail", "c1", 3.5e3),
    resistor("R2", "rail", "c2", 2.6e3),
    resistor("RE", "e", "gnd", 1e3),
    assumptions={"vbe_on": 0.8},
)
# the same in the middle of its hysteresis, where both states are: still no latch
IN_BETWEEN = bench(
    supply("V1", "rail", "gnd", 15.0),
    npn("Q1", "c1", "in", "e", 450.0),
    npn("Q2", "c2", "b2", "e", 100.0),
    resistor("R1", "rail", "c1", 2.2e3),
    resistor("R2", "rail", "c2", 2.2e3),
    resistor("R3", "c1", "b2", 1.2e3),
    resistor("R4", "b2", "gnd", 56e3),
    resistor("RE", "e", "gnd", 4.7e3),
    resistor("R5", "rail", "in", 15e3),
    resistor("R6", "in", "gnd", 47e3),
)
HYSTERESIS = bench(
    *tank(r3=470e3, rb1=4.7e3).parts.values(),
    driver("U1", "in", "gnd", 0.0, 5.0),
    resistor("R8", "in", "b1", 10e3),
    states=NAMED,
)
NONE = [
    ("a trigger", TRIGGER, "no transistors hold each other"),
    ("a trigger in between", IN_BETWEEN, "no transistors hold each other"),
    ("a switch with hysteresis", HYSTERESIS, "rest in one place only"),
    ("no base is held", tank(rb2=None), "nothing holds the base of Q2"),
    (
        "no transistor",
        bench(supply("V1", "a", "gnd", 9.0), resistor("R1", "a", "gnd", 1e3)),
        "there is no latch",
    ),
]


@pytest.mark.parametrize(("subject", "word"), [case[1:] for case in NONE], ids=[case[0] for case in NONE])
def test_what_is_no_latch_says_why(subject: Circuit, word: str) -> None:
    (found,) = outcomes(RULE, subject)
    assert found.kind == "not-applicable"
    assert word in found.reason


def test_hysteresis_wide_enough_to_rest_in_both_places_is_a_latch() -> None:
    """The same feedback, but with the low level of the driver it now keeps its on state."""
    parts = [part for part in HYSTERESIS.parts.values() if part.name not in ("R3", "RB1")]
    wide = bench(*parts, resistor("R3", "out", "b1", 33e3), resistor("RB1", "b1", "gnd", 100e3))
    assert kinds(RULE, wide) == {"satisfied"}


def test_more_feedback_is_proven() -> None:
    (finding,) = reviewed(RULE.lesson.failing, RULE).findings
    assert {
        item["path"] for remedy in finding.remedies for item in remedy.patch if item["op"] == "replace"
    } == {
        "/parts/R1/resistance",
        "/parts/R2/resistance",
    }
    assert all(remedy.proof.after == 2.0 for remedy in finding.remedies)


def test_a_press_that_holds_only_so_long_is_no_resting_place() -> None:
    """A button lights the lamp while it is pressed: without feedback there is nothing to keep."""
    parts = [part for part in tank().parts.values() if part.name != "R3"]
    subject = bench(
        *parts,
        contact("S1", "vp", "set"),
        resistor("R8", "set", "b1", 10e3),
        stimuli=frozen_map({"press": press("S1", 0.5)}),
        states=NAMED,
    )
    assert kinds(RULE, subject) == {"not-applicable"}


def test_a_loop_gain_below_one_has_no_second_place() -> None:
    """T = beta_1*beta_2/(1 + R3/RL) below 1: no unstable state can lie between."""
    subject = with_contact(bench(*tank(2.0, 2.0).parts.values(), states=NAMED))
    finding: Finding = only_finding(subject, RULE)
    assert 4.0 / (1.0 + 47.0) < 1.0
    assert value(finding, "M") < 1.0
    assert math.isfinite(value(finding, "M"))


def test_the_trigger_in_between_does_rest_in_two_places() -> None:
    assert sorted(state.index or 0 for state in solve(IN_BETWEEN).states) == [-1, 1, 1]


def test_an_emitter_resistor_in_common_leaves_a_bistable_what_it_is() -> None:
    parts: list[Part] = [supply("V1", "rail", "gnd", 12.0), resistor("RE", "e", "gnd", 220.0)]
    for me, other in ("12", "21"):
        parts += [npn(f"Q{me}", f"c{me}", f"b{me}", "e", 100.0), resistor(f"RC{me}", "rail", f"c{me}", 1e3)]
        parts += [
            resistor(f"R1{me}", f"c{other}", f"b{me}", 15e3),
            resistor(f"R2{me}", f"b{me}", "gnd", 15e3),
        ]
    assert kinds(RULE, bench(*parts)) == {"satisfied"}
