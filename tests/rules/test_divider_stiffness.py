"""divider-stiffness: where it fires, its numbers against textbooks, and what it proposes."""

from __future__ import annotations

from dataclasses import replace

import pytest

from rules.analysis.dividers import Loading, loading
from rules.analysis.formulas.bias import base_current, stiffness, thevenin_of_divider
from rules.analysis.study import Study
from rules.divider_stiffness import RULE
from schemas.circuit import Beta, Circuit, frozen_map
from tests.builders import (
    capacitor,
    contact,
    driver,
    exact,
    npn,
    pnp,
    resistor,
    supply,
    zener,
)
from tests.judged import document, judged, kinds, mirrored, only_finding, outcomes, renamed, value
from tests.timers import pair_delay

SPREAD = Beta(100, 200, 400)


def stage(
    top: float = 330e3,
    bottom: float = 82e3,
    beta: Beta | float = SPREAD,
    rc: float = 3.3e3,
    re: float = 1e3,
    volts: float = 12.0,
    **members: object,
) -> Circuit:
    return exact(
        supply("V1", "rail", "gnd", volts),
        resistor("R1", "rail", "base", top),
        resistor("R2", "base", "gnd", bottom),
        npn("Q1", "out", "base", "emit", beta),
        resistor("RC", "rail", "out", rc),
        resistor("RE", "emit", "gnd", re),
        name="ear",
        **members,  # type: ignore[arg-type]
    )


def test_the_lesson_circuits_fire_and_pass() -> None:
    assert "violated" in kinds(RULE, document(RULE.lesson.failing).circuit)
    assert kinds(RULE, document(RULE.lesson.passing).circuit) == {"satisfied"}


# Base current and divider current (A), tap without and with base current (V): the exact solutions with
# finite gain of the circuits in the examples named.
TEXTBOOK = [
    # FL ex. 5.3 p151: 10 V, 10k/5.6k, RC 1k, RE 560, beta 100; exact I_B 48.04 uA, V_B 3.417 V
    pytest.param(stage(10e3, 5.6e3, 100.0, 1e3, 560.0, 10.0), 48.04e-6, 641.03e-6, 3.590, 3.417, id="FL 5.3"),
    # BE ex. 5.8 p199: 18 V, 33k/12k, RC 1.2k, RE 1k, hFE 50: I_C 3.428 mA, V_E 3.497 V; unloaded 4.8 V
    pytest.param(stage(33e3, 12e3, 50.0, 1.2e3, 1e3, 18.0), 68.56e-6, 400e-6, 4.800, 4.197, id="BE 5.8"),
    # BE ex. 5.10 p201: the same, hFE 200: I_C 3.909 mA, V_E 3.928 V
    pytest.param(stage(33e3, 12e3, 200.0, 1.2e3, 1e3, 18.0), 19.545e-6, 400e-6, 4.800, 4.628, id="BE 5.10"),
    # E84 (Harvey Mudd College) home work 12, problem 3: 15 V, 24k/6.4k, RE 1k, RC 2k, beta 50; I_C 2.193 mA
    pytest.param(stage(24e3, 6.4e3, 50.0, 2e3, 1e3, 15.0), 43.86e-6, 493.4e-6, 3.158, 2.936, id="E84 12.3"),
]


@pytest.mark.parametrize(("subject", "base", "divider", "unloaded", "loaded"), TEXTBOOK)
def test_currents_and_tap_of_textbook_dividers(
    subject: Circuit, base: float, divider: float, unloaded: float, loaded: float
) -> None:
    study = Study(subject)
    found = loading(study, [study.roles.stages["Q1"]], study.situations("min")[0])
    assert isinstance(found, Loading)
    assert found.base == pytest.approx(base, rel=3e-4)  # I_C is printed to four digits
    assert found.divider == pytest.approx(divider, rel=1e-4)
    assert found.unloaded == pytest.approx(unloaded, abs=6e-4)
    assert found.loaded == pytest.approx(loaded, abs=6e-4)
    assert found.ratio == pytest.approx(divider / base, rel=3e-4)
    # both ends of these dividers stand still: then the hand formula is exact
    assert found.by_hand == pytest.approx(found.shift, rel=1e-9)


def test_a_textbook_stage_at_three_gains() -> None:
    """BE ex. 5.8 to 5.10: hFE 50, 100, 200 give k = 5.83, 10.7 and 20.5."""
    subject = stage(33e3, 12e3, Beta(50, 100, 200), 1.2e3, 1e3, 18.0)
    found = {outcome.corner: outcome for outcome in outcomes(RULE, subject)}
    ratios = {corner: outcome.test.left for corner, outcome in found.items() if outcome.test is not None}
    assert ratios == pytest.approx({"min": 5.834, "typical": 10.71, "max": 20.47}, rel=1e-3)
    assert {corner: o.kind for corner, o in found.items()} == {
        "min": "violated",
        "typical": "satisfied",
        "max": "satisfied",
    }
    finding = found["min"].finding
    assert finding is not None
    assert finding.severity == "warning"


def test_a_loaded_pnp_divider_of_the_book() -> None:
    """FL ex. 5.5 p154: -6 V, 68k/47k, RE 2.2k, RC 1.8k, beta 75; exact I_C 0.674 mA, so I_B 8.99 uA."""
    subject = exact(
        supply("V1", "gnd", "rail", 6.0),
        resistor("R1", "rail", "base", 68e3),
        resistor("R2", "base", "gnd", 47e3),
        pnp("Q1", "out", "base", "emit", 75.0),
        resistor("RC", "rail", "out", 1.8e3),
        resistor("RE", "emit", "gnd", 2.2e3),
    )
    finding = only_finding(subject, RULE)
    assert value(finding, "I_B") == pytest.approx(8.99e-6, rel=1e-3)
    assert value(finding, "I_div") == pytest.approx(6.0 / 115e3)
    assert value(finding, "V_tap0") == pytest.approx(-6.0 * 47 / 115)
    assert value(finding, "V_tap") == pytest.approx(-2.2026, abs=5e-4)
    assert finding.test.left == pytest.approx(5.80, abs=0.01)
    assert finding.severity == "warning"


def _gain_for(ratio: float, top: float, bottom: float) -> float:
    """The gain at which the ratio of the 12 V stage with RE = 1 kohm is just this; by the closed forms."""
    source = thevenin_of_divider(12.0, top, bottom)
    wanted = 12.0 / (top + bottom) / ratio
    return ((source.voltage - 0.7) / wanted - source.resistance) / 1e3 - 1.0


@pytest.mark.parametrize("limit", [3.0, 10.0])
def test_both_sides_of_each_limit(limit: float) -> None:
    top, bottom = 150e3, 39e3
    for share, side in ((1 + 1e-6, "above"), (1 - 1e-6, "below")):
        gain = _gain_for(limit * share, top, bottom)
        subject = stage(top, bottom, gain)
        source = thevenin_of_divider(12.0, top, bottom)
        by_hand = stiffness(12.0, top, bottom, base_current(source, gain, 1e3, 0.7))
        assert by_hand == pytest.approx(limit * share, rel=1e-9)
        result = judged(subject, RULE)
        told = [finding.severity for finding in result.findings]
        assert (
            told
            == {
                (3.0, "above"): ["warning"],
                (3.0, "below"): ["error"],
                (10.0, "above"): [],
                (10.0, "below"): ["warning"],
            }[limit, side]
        )


def test_the_finding_stands_alone() -> None:
    finding = only_finding(stage(), RULE)
    assert finding.severity == "error"
    assert (finding.parts, finding.nets) == (("Q1", "R1", "R2"), ("base",))
    assert finding.pointers == ("/parts/R1/resistance", "/parts/R2/resistance")
    assert finding.corner == "min"
    assert {place.corner for place in finding.occurrences} == {"min", "typical", "max"}
    # by hand: V_th 2.388 V behind 65.7 kohm; I_B = 1.688 V / (65.7k + 101k) = 10.13 uA; I_div = 29.1 uA
    assert value(finding, "I_B") == pytest.approx(10.13e-6, rel=1e-3)
    assert finding.test.left == pytest.approx(29.13 / 10.13, rel=1e-3)
    assert value(finding, "shift") == pytest.approx(0.6655, rel=1e-3)
    for number in ("10.1 uA", "29.1 uA", "2.88 times", "10 times", "2.39 V", "1.72 V", "beta 100"):
        assert number in finding.message
    assert {item.symbol for item in finding.evidence} >= {
        "R1",
        "R2",
        "beta_Q1",
        "k",
        "R_th",
        "shift_hand",
        "off",
    }
    assert all(item.pointer for item in finding.evidence if item.origin != "derived")


def test_the_exact_shift_counts_what_the_hand_formula_leaves_out() -> None:
    """A soft rail gives way with the collector current: the tap falls by more than R_th*I_B."""
    subject = exact(
        supply("V1", "raw", "gnd", 12.0),
        resistor("RS", "raw", "rail", 1e3),
        resistor("R1", "rail", "base", 330e3),
        resistor("R2", "base", "gnd", 82e3),
        npn("Q1", "out", "base", "emit", 100.0),
        resistor("RC", "rail", "out", 3.3e3),
        resistor("RE", "emit", "gnd", 1e3),
    )
    finding = only_finding(subject, RULE)
    assert value(finding, "shift") != pytest.approx(value(finding, "shift_hand"), rel=0.01)
    assert value(finding, "off") == pytest.approx(
        100 * (value(finding, "shift_hand") / value(finding, "shift") - 1), abs=1e-9
    )


def test_pnp_mirror_has_the_same_numbers() -> None:
    plain, turned = only_finding(stage(), RULE), only_finding(mirrored(stage()), RULE)
    for symbol in ("I_B", "I_div", "k", "shift", "R_th"):
        assert value(turned, symbol) == pytest.approx(value(plain, symbol), rel=1e-9)
    assert value(turned, "V_tap") == pytest.approx(-value(plain, "V_tap"), rel=1e-9)
    assert turned.severity == plain.severity


def test_names_and_order_do_not_matter() -> None:
    subject = stage()
    other, names = renamed(subject)
    plain, changed = only_finding(subject, RULE), only_finding(other, RULE)
    assert sorted(names[part] for part in plain.parts) == list(changed.parts)
    assert changed.test.left == pytest.approx(plain.test.left, rel=1e-12)

    def proposed(circuit_: Circuit, back: dict[str, str]) -> set[tuple[tuple[str, str], ...]]:
        return {
            tuple(sorted((back[c.pointer.split("/")[2]], c.new) for c in proposal.changes))
            for outcome in outcomes(RULE, circuit_)
            for proposal in outcome.proposals
        }

    assert proposed(subject, {name: name for name in names}) == proposed(
        other, {new: old for old, new in names.items()}
    )


NOT_A_DIVIDER = [
    (
        "its emitter on a rail",
        exact(
            supply("V1", "rail", "gnd", 9.0),
            resistor("R1", "rail", "b", 470e3),
            resistor("R2", "b", "gnd", 100e3),
            npn("Q1", "c", "b", "gnd", 100.0),
            resistor("RC", "rail", "c", 4.7e3),
        ),
        "on a rail",
    ),
    (
        "a switch",
        exact(
            supply("V1", "rail", "gnd", 9.0),
            driver("U1", "in", "gnd", 0.0, 5.0),
            resistor("R1", "in", "b", 10e3),
            resistor("R2", "b", "gnd", 22e3),
            npn("Q1", "c", "b", "gnd", 100.0),
            resistor("RC", "rail", "c", 1e3),
        ),
        "is a switch",
    ),
    (
        "one feed resistor",
        exact(
            supply("V1", "rail", "gnd", 9.0),
            resistor("R1", "rail", "b", 470e3),
            npn("Q1", "c", "b", "e", 100.0),
            resistor("RC", "rail", "c", 1e3),
            resistor("RE", "e", "gnd", 1e3),
        ),
        "only R1 feeds",
    ),
    (
        "a zener holds the tap",
        exact(
            supply("V1", "rail", "gnd", 12.0),
            resistor("R1", "rail", "b", 4.7e3),
            resistor("R2", "b", "gnd", 22e3),
            zener("Z1", "gnd", "b", 5.1),
            npn("Q1", "c", "b", "e", 100.0),
            resistor("RC", "rail", "c", 1e3),
            resistor("RE", "e", "gnd", 2.2e3),
        ),
        "Z1 sets the potential",
    ),
    (
        "fed back from its own collector",
        exact(
            supply("V1", "rail", "gnd", 12.0),
            resistor("R1", "c", "b", 220e3),
            resistor("R2", "b", "gnd", 47e3),
            npn("Q1", "c", "b", "e", 100.0),
            resistor("RC", "rail", "c", 4.7e3),
            resistor("RE", "e", "gnd", 470.0),
        ),
        "fed back from its own collector",
    ),
    (
        "a feed with a bleed to ground",
        exact(
            supply("V1", "rail", "gnd", 12.0),
            driver("U1", "in", "gnd", 0.0, 5.0),
            resistor("R1", "in", "b", 4.7e3),
            resistor("R2", "b", "gnd", 100e3),
            npn("Q1", "c", "b", "e", 100.0),
            resistor("RC", "rail", "c", 100.0),
            resistor("RE", "e", "gnd", 330.0),
        ),
        "R2 bleeds",
    ),
    (
        "driven deep into saturation",
        exact(
            supply("V1", "rail", "gnd", 12.0),
            resistor("R1", "rail", "b", 10e3),
            resistor("R2", "b", "gnd", 10e3),
            npn("Q1", "c", "b", "e", 100.0),
            resistor("RC", "rail", "c", 10e3),
            resistor("RE", "e", "gnd", 100.0),
        ),
        "saturated",
    ),
    (
        "never on",
        exact(
            supply("V1", "rail", "gnd", 12.0),
            resistor("R1", "rail", "b", 220e3),
            resistor("R2", "b", "gnd", 10e3),
            npn("Q1", "c", "b", "e", 100.0),
            resistor("RC", "rail", "c", 10e3),
            resistor("RE", "e", "gnd", 100.0),
        ),
        "conducts in no state",
    ),
    (
        "its emitter on a rail through a closed contact",
        exact(
            supply("V1", "rail", "gnd", 9.0),
            resistor("R1", "rail", "b", 470e3),
            resistor("R2", "b", "gnd", 100e3),
            npn("Q1", "c", "b", "e", 100.0),
            resistor("RC", "rail", "c", 1e3),
            contact("S1", "e", "gnd", rest="closed"),
        ),
        "on a rail",
    ),
    (
        "no transistor",
        exact(supply("V1", "rail", "gnd", 9.0), resistor("R1", "rail", "gnd", 1e3)),
        "no transistor",
    ),
]


@pytest.mark.parametrize(
    ("subject", "word"), [case[1:] for case in NOT_A_DIVIDER], ids=[c[0] for c in NOT_A_DIVIDER]
)
def test_what_is_not_a_divider_says_why(subject: Circuit, word: str) -> None:
    found = outcomes(RULE, subject)
    assert {outcome.kind for outcome in found} == {"not-applicable"}
    assert word in found[0].reason


def test_a_capacitor_that_is_waited_for_holds_the_tap() -> None:
    """While C1 holds the base, the resistors do not set it; at rest they do."""
    subject = exact(
        supply("V1", "rail", "gnd", 12.0),
        resistor("R1", "rail", "base", 330e3),
        resistor("R2", "base", "gnd", 82e3),
        capacitor("C1", "base", "gnd", 10e-6),
        npn("Q1", "out", "base", "emit", 100.0),
        resistor("RC", "rail", "out", 3.3e3),
        resistor("RE", "emit", "gnd", 1e3),
    )
    states = {outcome.state for outcome in outcomes(RULE, subject) if outcome.kind == "violated"}
    assert states == {"Q1 active"}


def test_two_bases_on_one_tap_load_it_together() -> None:
    subject = exact(
        supply("V1", "rail", "gnd", 12.0),
        resistor("R1", "rail", "b", 33e3),
        resistor("R2", "b", "gnd", 10e3),
        *(npn(f"Q{k}", f"c{k}", "b", f"e{k}", 100.0) for k in (1, 2)),
        *(resistor(f"RE{k}", f"e{k}", "gnd", 1e3) for k in (1, 2)),
        *(resistor(f"RC{k}", "rail", f"c{k}", 3e3) for k in (1, 2)),
    )
    finding = only_finding(subject, RULE)
    assert finding.parts == ("Q1", "Q2", "R1", "R2")
    # by symmetry: two bases behind R_th are one behind twice R_th: 2*(2.791 - 0.7)/(2*7.674k + 101k)
    assert value(finding, "I_B") == pytest.approx(2 * (2.7907 - 0.7) / (2 * 7.6744e3 + 101e3), rel=1e-4)


def test_three_arms_count_by_thevenin() -> None:
    subject = exact(
        supply("V1", "rail", "gnd", 12.0),
        supply("V2", "half", "gnd", 6.0),
        resistor("R1", "rail", "b", 330e3),
        resistor("R3", "half", "b", 330e3),
        resistor("R2", "b", "gnd", 100e3),
        npn("Q1", "c", "b", "e", 100.0),
        resistor("RC", "rail", "c", 2.2e3),
        resistor("RE", "e", "gnd", 1e3),
    )
    finding = only_finding(subject, RULE)
    conductance = 2 / 330e3 + 1 / 100e3
    tap = (18.0 / 330e3) / conductance
    assert value(finding, "R_th") == pytest.approx(1 / conductance)
    assert value(finding, "V_tap0") == pytest.approx(tap)
    assert value(finding, "I_div") == pytest.approx(tap / 100e3)  # both upper arms end above the tap
    changed = [c.pointer for o in outcomes(RULE, subject) for p in o.proposals for c in p.changes]
    assert changed == [f"/parts/{name}/resistance" for name in ("R1", "R2", "R3")]


def test_a_region_that_depends_on_the_gain_makes_it_an_error() -> None:
    """k is 3.4 at the least gain: a warning, were it not that the stage saturates at the greatest."""
    mild = stage(240e3, 62e3, Beta(100, 200, 400), rc=3.3e3)
    hard = stage(240e3, 62e3, Beta(100, 200, 400), rc=6.8e3)
    assert only_finding(mild, RULE).severity == "warning"
    finding = only_finding(hard, RULE)
    assert finding.severity == "error"
    assert 3.0 < finding.test.left < 10.0
    assert "Q1 is saturated at the greatest gain" in finding.message


def test_a_driver_that_switches_a_follower_sets_no_bias() -> None:
    subject = exact(
        supply("V1", "rail", "gnd", 12.0),
        driver("U1", "in", "gnd", 0.0, 5.0),
        resistor("R1", "in", "base", 10e3),
        resistor("R2", "base", "gnd", 100e3),
        npn("Q1", "rail", "base", "out", 50.0),
        resistor("RL", "out", "gnd", 470.0),
    )
    (found,) = outcomes(RULE, subject)
    assert (found.kind, found.reason) == (
        "not-applicable",
        "U1 switches it: what feeds its base sets no bias",
    )


def test_a_base_that_waits_at_a_timing_capacitor_is_left_to_steer_current() -> None:
    """R1 and R6 carry 28 uA and the base takes 4; but by then the pair has turned over."""
    plain = pair_delay()
    q1 = npn("Q1", collector="c1", base="slow", emitter="tail", beta=150.0)
    parts = {**plain.parts, "Q1": q1, "R6": resistor("R6", "slow", "gnd", 220e3)}
    subject = replace(plain, parts=frozen_map(parts))
    about = [o for o in outcomes(RULE, subject) if o.subject == ("Q1",)]
    assert {o.kind for o in about} == {"not-applicable"}
    assert "C1 waits there" in about[0].reason
    bare = {name: part for name, part in parts.items() if name != "C1"}
    assert "violated" in kinds(RULE, replace(plain, parts=frozen_map(bare)))
