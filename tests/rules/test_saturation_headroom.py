"""saturation-headroom: linear stages, switches, followers, and what saturation leaves to the next stage."""

from __future__ import annotations

from typing import Any

import pytest

from rules.analysis.formulas.bias import collector_resistor_at_most
from rules.analysis.preferred import is_preferred
from rules.min_beta_drive import RULE as DRIVE
from rules.saturation_headroom import RULE
from schemas.circuit import Beta, Circuit, frozen_map
from schemas.quantities import parse
from tests.builders import (
    capacitor,
    driver,
    exact,
    film,
    led,
    load,
    npn,
    only_state,
    pnp,
    resistor,
    supply,
    volts,
)
from tests.judged import document, judged, kinds, mirrored, only_finding, outcomes, renamed, reviewed, value

SPREAD = Beta(100, 200, 400)


def stage(rc: float = 3.3e3, beta: Beta | float = SPREAD, volts: float = 12.0, **members: Any) -> Circuit:
    """A divider-biased NPN stage; its base stands near 2.4 V."""
    return exact(
        supply("V1", "rail", "gnd", volts, low=members.pop("low", None), high=members.pop("high", None)),
        resistor("R1", "rail", "base", 33e3),
        resistor("R2", "base", "gnd", 8.2e3),
        npn("Q1", "out", "base", "emit", beta),
        resistor("RC", "rail", "out", rc),
        resistor("RE", "emit", "gnd", 1e3),
        **members,
    )


def named(region: str) -> dict[str, Any]:
    return {"states": frozen_map({"working": frozen_map({"Q1": region})})}


def test_the_lesson_circuits_fire_and_pass() -> None:
    assert "violated" in kinds(RULE, document(RULE.lesson.failing).circuit)
    assert kinds(RULE, document(RULE.lesson.passing).circuit) == {"satisfied"}


def across(subject: Circuit, corner: str = "min", transistor: str = "Q1") -> float:
    return next(
        o.test.left
        for o in outcomes(RULE, subject)
        if o.subject == (transistor,) and o.corner == corner and o.test is not None
    )


# V_CE of printed stages: exact solutions with finite gain where the book approximates.
TEXTBOOK = [
    # FL ex. 5.3 p151: exact V_CE 2.479 V (the book's approximation: 1.95 V)
    pytest.param((10.0, 10e3, 5.6e3, 1e3, 560.0, 100.0), 2.479, id="FL 5.3"),
    # BE ex. 5.8 to 5.10 p199: 10.390, 9.748 and 9.382 V at hFE 50, 100, 200
    pytest.param((18.0, 33e3, 12e3, 1.2e3, 1e3, 50.0), 10.390, id="BE 5.8"),
    pytest.param((18.0, 33e3, 12e3, 1.2e3, 1e3, 100.0), 9.748, id="BE 5.9"),
    pytest.param((18.0, 33e3, 12e3, 1.2e3, 1e3, 200.0), 9.382, id="BE 5.10"),
    # E84 (Harvey Mudd College) home work 12, problem 3, exact at beta 50: 8.379 V
    pytest.param((15.0, 24e3, 6.4e3, 2e3, 1e3, 50.0), 8.379, id="E84 12.3"),
]


@pytest.mark.parametrize(("values", "expected"), TEXTBOOK)
def test_headroom_of_textbook_stages(values: tuple[float, ...], expected: float) -> None:
    volts, top, bottom, rc, re, beta = values
    subject = exact(
        supply("V1", "rail", "gnd", volts),
        resistor("R1", "rail", "b", top),
        resistor("R2", "b", "gnd", bottom),
        npn("Q1", "c", "b", "e", beta),
        resistor("RC", "rail", "c", rc),
        resistor("RE", "e", "gnd", re),
    )
    assert across(subject) == pytest.approx(expected, abs=6e-4)
    assert kinds(RULE, subject) == {"satisfied"}


def test_a_pnp_stage_of_the_book() -> None:
    """FL ex. 5.4 p154, to the positive rail: exact V_EC 2.612 V (the book's approximation: 2.24 V)."""
    subject = exact(
        supply("V1", "rail", "gnd", 10.0),
        resistor("R1", "b", "gnd", 22e3),
        resistor("R2", "rail", "b", 10e3),
        pnp("Q1", "c", "b", "e", 150.0),
        resistor("RE", "rail", "e", 1e3),
        resistor("RC", "c", "gnd", 2.2e3),
    )
    assert across(subject) == pytest.approx(2.612, abs=6e-4)


def test_a_doubled_gain_saturates_the_base_biased_stage_of_the_book() -> None:
    """E84 home work 12, problem 2: 57.2k and 300 ohm hold 7.5 V at beta 100, and saturate at beta 200."""
    subject = exact(
        supply("V1", "rail", "gnd", 15.0),
        resistor("RB", "rail", "b", 57.2e3),
        npn("Q1", "c", "b", "gnd", Beta(100, 100, 200)),
        resistor("RC", "rail", "c", 300.0),
        **named("active"),
    )
    assert across(subject, "typical") == pytest.approx(7.5, abs=0.005)
    finding = only_finding(subject, RULE)
    assert (finding.severity, finding.corner) == ("error", "max")
    assert value(finding, "V_CE") == pytest.approx(0.2)
    # the bias asks for 200 * 14.3 V/57.2k = 50 mA; 300 ohm would drop 15 V
    assert value(finding, "I_bias") == pytest.approx(50e-3, rel=1e-3)
    assert value(finding, "V_RC") == pytest.approx(15.0, rel=1e-3)


def _collector_resistor(vce: float) -> float:
    """RC of the 12 V stage for just this V_CE at beta 400, by hand."""
    v, r = 12.0 * 8.2 / 41.2, 33e3 * 8.2e3 / 41.2e3
    ib = (v - 0.7) / (r + 401 * 1e3)
    return (12.0 - 401 * ib * 1e3 - vce) / (400 * ib)


@pytest.mark.parametrize(
    ("vce", "told"), [(1.2001, []), (1.1999, ["warning"]), (0.3001, ["warning"]), (0.2999, ["error"])]
)
def test_both_sides_of_each_limit(vce: float, told: list[str]) -> None:
    subject = stage(_collector_resistor(vce), 400.0, **named("active"))
    assert across(subject) == pytest.approx(vce, abs=1e-9)
    assert [finding.severity for finding in judged(subject, RULE).findings] == told


def test_the_greatest_gain_is_the_worst_for_a_linear_stage() -> None:
    ohms = _collector_resistor(0.8)
    finding = only_finding(stage(ohms, **named("active")), RULE)
    assert (finding.severity, finding.corner) == ("warning", "max")
    assert {place.corner for place in finding.occurrences} == {"max", "typical"}
    assert finding.state == "working"
    assert (finding.parts, finding.nets) == (("Q1", "RC"), ("out",))
    assert finding.pointers == ("/parts/RC/resistance",)
    for words in (
        "Q1 keeps 800 mV from collector to emitter",
        "greatest gain, beta 400",
        "1 V is wanted",
        "600 mV above saturation",
        f"RC of {ohms / 1e3:.3g} kohm drops",
    ):
        assert words in finding.message
    assert {item.symbol for item in finding.evidence} >= {
        "V_CE",
        "I_C",
        "V_CE,sat",
        "R_C",
        "R_C_max",
        "beta_Q1",
    }


def test_a_saturated_linear_stage_says_what_its_bias_asks_for() -> None:
    finding = only_finding(stage(10e3, 400.0, **named("active")), RULE)
    assert finding.severity == "error"
    assert "named active" in finding.message
    current = value(finding, "I_bias")
    assert value(finding, "V_RC") == pytest.approx(current * 10e3)
    assert value(finding, "V_RC") > value(finding, "V_there")
    most = collector_resistor_at_most(12.0, 401 / 400 * current * 1e3, current, 1.2)
    assert value(finding, "R_C_max") == pytest.approx(most, rel=1e-9)


def test_a_linear_stage_that_rests_cut_off() -> None:
    subject = exact(
        supply("V1", "rail", "gnd", 12.0),
        resistor("R1", "rail", "b", 220e3),
        resistor("R2", "b", "gnd", 10e3),
        npn("Q1", "c", "b", "e", 100.0),
        resistor("RC", "rail", "c", 1e3),
        resistor("RE", "e", "gnd", 1e3),
        **named("active"),
    )
    finding = only_finding(subject, RULE)
    assert finding.severity == "error"
    assert finding.test.left == pytest.approx(12 * 10 / 230)
    assert "rests cut off" in finding.message


def test_pnp_mirror_has_the_same_numbers() -> None:
    subject = stage(6.2e3, **named("active"))
    plain, turned = only_finding(subject, RULE), only_finding(mirrored(subject), RULE)
    for symbol in ("V_CE", "I_C", "I_B", "V_RC", "V_there", "R_C_max"):
        assert value(turned, symbol) == pytest.approx(value(plain, symbol), rel=1e-9)


def test_names_and_order_do_not_matter() -> None:
    subject = stage(6.2e3, **named("active"))
    other, names = renamed(subject)
    plain, changed = only_finding(subject, RULE), only_finding(other, RULE)
    assert sorted(names[part] for part in plain.parts) == list(changed.parts)
    assert changed.test.left == pytest.approx(plain.test.left, rel=1e-12)
    assert changed.message.count(names["Q1"]) == plain.message.count("Q1")


def lamp_switch(rb: float = 47e3, beta: Beta | float = SPREAD) -> Circuit:
    return exact(
        supply("V1", "rail", "gnd", 12.0),
        driver("U1", "in", "gnd", 0.0, 5.0),
        resistor("R1", "in", "b", rb),
        npn("Q1", "c", "b", "gnd", beta),
        load("LP1", "rail", "c", 470.0),
    )


def test_a_switch_that_stays_active_at_the_least_gain() -> None:
    """100 * 91.5 uA = 9.15 mA through 470 ohm leaves 7.70 V, and twice the gain 3.4 V."""
    found = judged(lamp_switch(), RULE).findings
    assert [(finding.severity, finding.corner) for finding in found] == [("error", "min")]
    assert value(found[0], "V_CE") == pytest.approx(12 - 100 * 4.3 / 47e3 * 470, rel=1e-6)
    assert [place.corner for place in found[0].occurrences] == ["min", "typical"]
    assert kinds(RULE, lamp_switch(4.7e3)) == {"satisfied"}


def test_the_lack_of_drive_is_named_as_the_cause() -> None:
    found = judged(lamp_switch(), RULE, DRIVE).findings
    by_rule = {finding.rule: finding for finding in found}
    assert by_rule["saturation-headroom"].caused_by == by_rule["min-beta-drive"].identity
    assert by_rule["min-beta-drive"].caused_by is None


def test_a_darlington_pair_is_fully_on_at_the_drop_of_a_junction_more() -> None:
    def pair(rb: float) -> Circuit:
        return exact(
            supply("V1", "rail", "gnd", 12.0),
            driver("U1", "in", "gnd", 0.0, 5.0),
            resistor("R1", "in", "b1", rb),
            npn("Q1", "c", "b1", "b2", 50.0),
            npn("Q2", "c", "b2", "gnd", 30.0),
            resistor("R2", "b2", "gnd", 1e3),
            load("L1", "rail", "c", 24.0),
        )

    assert across(pair(2.2e3), transistor="Q2") == pytest.approx(0.9)
    assert kinds(RULE, pair(2.2e3)) == {"satisfied"}
    found = judged(pair(22e3), RULE, DRIVE).findings
    (cause,) = [finding.identity for finding in found if finding.rule == "min-beta-drive"]
    assert {finding.caused_by for finding in found if finding.rule == RULE.slug} == {cause}


def test_a_follower_has_the_rail_for_headroom() -> None:
    """FL ex. 6.9: V_E 4.3 V unloaded; a follower with a signal at its base keeps 1 V more than saturation."""

    def follower(top: float) -> Circuit:
        return exact(
            supply("V1", "rail", "gnd", 10.0),
            resistor("R1", "rail", "b", top),
            resistor("R2", "b", "gnd", 18e3),
            npn("Q1", "rail", "b", "e", 175.0),
            resistor("RE", "e", "gnd", 1e3),
            film("C1", "sig", "b", 1e-6),
            resistor("R3", "sig", "gnd", 10e3),
        )

    assert kinds(RULE, follower(18e3)) == {"satisfied"}
    finding = only_finding(follower(470.0), RULE)
    assert finding.severity == "warning"
    assert finding.advice
    assert "no collector resistor" in finding.advice[0]


def test_a_follower_without_a_signal_only_has_to_stay_active() -> None:
    """A ripple filter: its base hangs on its own rail, so V_CE is little more than V_BE, and never less."""
    subject = exact(
        supply("V1", "rail", "gnd", 10.0),
        resistor("R1", "rail", "b", 470.0),
        capacitor("C1", "b", "gnd", 100e-6),
        npn("Q1", "rail", "b", "e", 175.0),
        load("L1", "e", "gnd", 1e3),
    )
    assert across(subject) == pytest.approx(0.7, abs=0.1)
    assert kinds(RULE, subject) == {"satisfied"}


def sink(rd: float, **members: Any) -> Circuit:
    """An LED current sink: (3.3 V - 0.7 V) / 180 ohm = 14.4 mA, as long as it stays active."""
    return exact(
        supply("V1", "rail", "gnd", 9.0),
        driver("U1", "in", "gnd", 0.0, 3.3),
        resistor("R1", "in", "b", 10e3),
        npn("Q1", "c", "b", "e", SPREAD),
        led("D1", "rail", "d", 2.0),
        resistor("R2", "d", "c", rd),
        resistor("RE", "e", "gnd", 180.0),
        **members,
    )


def test_a_current_sink_that_saturates_at_some_gains() -> None:
    assert kinds(RULE, sink(100.0)) == {"satisfied"}
    # 11.3 mA at the typical and 12.7 mA at the greatest gain, times 570 ohm out of 7 V
    found = judged(sink(390.0), RULE).findings
    assert [(finding.severity, finding.corner) for finding in found] == [("warning", "max")]
    assert "saturates at some gains" in found[0].message


def test_what_no_one_stated_is_undecided_only_where_it_matters() -> None:
    def base_biased(rb: float) -> Circuit:
        return exact(
            supply("V1", "rail", "gnd", 20.0),
            resistor("RB", "rail", "b", rb),
            npn("Q1", "c", "b", "gnd", Beta(50, 100, 400)),
            resistor("RC", "rail", "c", 3.3e3),
        )

    (undecided,) = outcomes(RULE, base_biased(470e3))
    assert undecided.kind == "undecided"
    assert "states:" in undecided.reason
    assert "active or saturated" in undecided.reason
    assert kinds(RULE, base_biased(4.7e6)) == {"not-applicable"}
    declared = exact(*base_biased(470e3).parts.values(), **named("saturated"))
    assert {f.severity for f in judged(declared, RULE).findings} == {"error"}


def proposals(subject: Circuit) -> list[float]:
    return [
        parse(c.new, "resistance") for o in outcomes(RULE, subject) for p in o.proposals for c in p.changes
    ]


def test_the_collector_resistor_is_lowered_just_enough_or_to_the_middle() -> None:
    enough, middle = proposals(stage(10e3, **named("active")))
    assert is_preferred(enough, "E24")
    assert across(stage(enough * 1.05, **named("active")), "max") >= 1.2
    assert across(stage(enough / 0.9 * 1.05, **named("active")), "max") < 1.2
    # half way at the typical gain: what is left across the transistor, less saturation, is the drop across RC
    vce = across(stage(middle, **named("active")), "typical")
    drop = 12.0 - vce - volts(only_state(stage(middle, **named("active"))), "emit")
    assert vce - 0.2 >= drop
    assert middle < enough


def test_the_highest_supply_counts_where_it_is_the_worst() -> None:
    """The bias rises with the supply, and the drop across RC with the bias: at 17 V there is less left."""
    plain = proposals(stage(10e3, **named("active")))[0]
    wide = proposals(stage(10e3, low=9.0, high=17.0, **named("active")))[0]
    assert wide < plain
    assert across(stage(wide * 1.05, volts=17.0, **named("active")), "max") >= 1.2
    assert across(stage(wide * 1.05, volts=9.0, **named("active")), "max") >= 1.2


def test_the_engine_proves_a_smaller_collector_resistor() -> None:
    (finding,) = reviewed(RULE.lesson.failing, RULE).findings
    assert [op["path"] for op in finding.remedies[0].patch if op["op"] == "replace"] == [
        "/parts/RC/resistance"
    ]
    after = finding.remedies[0].proof.after
    assert after is not None
    assert after >= 1.2


def test_without_a_transistor_there_is_nothing_to_judge() -> None:
    subject = exact(supply("V1", "rail", "gnd", 9.0), resistor("R1", "rail", "gnd", 1e3))
    assert kinds(RULE, subject) == {"not-applicable"}


def test_a_switch_that_conducts_in_reverse_is_no_switch_that_is_on() -> None:
    """Collector and emitter exchanged: |V_CE| is small, and yet nothing is as it should be."""
    subject = exact(
        supply("V1", "rail", "gnd", 9.0),
        driver("U1", "in", "gnd", 0.0, 5.0),
        resistor("R1", "in", "b", 100e3),
        npn("Q1", "gnd", "b", "e", 100.0),
        resistor("RL", "rail", "e", 10e3),
        **named("saturated"),
    )
    found = outcomes(RULE, subject)
    assert [(outcome.kind, outcome.reason) for outcome in found] == [
        ("not-applicable", "Q1 conducts only in reverse")
    ]


def test_a_transistor_turned_round_is_no_follower() -> None:
    """With the collector on ground and the emitter on the load it only looks like one, unless it is named."""
    parts = (
        supply("V1", "rail", "gnd", 9.0),
        driver("U1", "in", "gnd", 0.0, 5.0),
        resistor("R1", "in", "b", 1e3),
        npn("Q1", "gnd", "b", "e", 100.0),
        resistor("RL", "rail", "e", 220.0),
    )
    found = outcomes(RULE, exact(*parts))
    assert [(o.kind, o.reason) for o in found] == [("not-applicable", "Q1 conducts in reverse")]
    assert only_finding(exact(*parts, **named("active")), RULE).severity == "error"


def test_a_transistor_that_serves_as_a_diode_has_no_headroom_to_keep() -> None:
    """The input half of a current mirror stands at V_CE = V_BE."""
    subject = exact(
        supply("V1", "rail", "gnd", 12.0),
        resistor("R1", "rail", "ref", 10e3),
        npn("Q1", "ref", "ref", "one", SPREAD),
        resistor("R2", "one", "gnd", 470.0),
        npn("Q2", "out", "ref", "two", SPREAD),
        resistor("R3", "two", "gnd", 470.0),
        resistor("R4", "rail", "out", 4.7e3),
        states=frozen_map({"on": frozen_map({"Q2": "active"})}),
    )
    found = {(outcome.subject, outcome.kind) for outcome in outcomes(RULE, subject)}
    assert found == {(("Q1",), "not-applicable"), (("Q2",), "satisfied")}
