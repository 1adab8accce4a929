"""timing-leakage: worked example, both sides of its limits, what it must never propose, and its proofs."""

from __future__ import annotations

from dataclasses import replace
from importlib.resources import files

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rules.analysis.formulas.timing import rc_time
from rules.analysis.study import Study
from rules.timing_leakage import RULE
from schemas.circuit import Action, Ambient, Beta, Circuit, Leakage, Tolerance, frozen_map
from schemas.finding import Finding, Outcome
from tests.builders import battery, capacitor, circuit, film, npn, resistor, supply
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

COOL = Ambient(273.15, 283.15, 293.15)  # up to 20 degC: the limits of the sheets as they are printed

# Every other capacitor of these circuits is a filter, a coupling or a decoupler.
ON_DELAY_CURRENT = (9.0 * 122 / 169 - 0.7 * 122 / 22) / (1.0 / (1 / 47e3 + 1 / 122e3))  # A at the threshold


def cool(subject: Circuit) -> Circuit:
    return replace(subject, ambient=COOL)


def charging(subject: Circuit) -> Circuit:
    """Only the position in which S1 stays closed: nothing but the charging delay is left."""
    return replace(subject, stimuli=frozen_map({"on": (Action(0.0, "S1", "closed"),)}))


def typical(subject: Circuit) -> list[Outcome]:
    """What is said at nominal values and typical gain: the sums on paper."""
    return [o for o in outcomes(RULE, subject) if o.corner == "typical"]


def on_paper(subject: Circuit) -> Finding:
    (finding,) = [o.finding for o in typical(subject) if o.finding is not None]
    return finding


def ratios(subject: Circuit) -> list[float]:
    """At nominal values."""
    gains = ("min", "typical", "max")
    return [o.test.left for o in outcomes(RULE, subject) if o.test is not None and o.corner in gains]


def test_the_lesson_circuits_fire_and_pass() -> None:
    assert "violated" in kinds(RULE, document(RULE.lesson.failing).circuit)
    assert kinds(RULE, document(RULE.lesson.passing).circuit) == {"satisfied"}


def test_the_garden_light_may_never_go_out() -> None:
    """470 uF, 16 V: 0.01CV allows 75.2 uA; at most 39.9 uA charge it.  Hand sums, own working."""
    finding = on_paper(cool(garden_light()))
    assert finding.severity == "error"
    assert value(finding, "I_L") == pytest.approx(75.2e-6, rel=1e-9)
    assert value(finding, "k") == 0.01
    # 8.77 V towards the threshold through 220 kohm; what is left at 3.962 V with both bases fed
    assert value(finding, "I_ch") == pytest.approx(17.7e-6, rel=2e-3)
    assert value(finding, "rho_sheet") == pytest.approx(75.2 / 17.7, rel=2e-3)
    assert value(finding, "rho_tau") == pytest.approx(0.01 * 103.4 * 16.0 / (8.7735 - 3.9625), rel=1e-3)
    assert value(finding, "t") == pytest.approx(62.3, abs=0.1)
    assert value(finding, "V_stop") == 0.0
    assert "may never end" in finding.message
    assert "limit 0.5" in finding.message


@pytest.mark.parametrize("leakage", [5e-6, 10e-6])
def test_a_measured_leakage_gives_the_delay_worked_by_hand(leakage: float) -> None:
    """72.8 s and 92.2 s to 3.877 V; the last 0.086 V, where both bases draw, come on top."""
    subject = cool(garden_light(leakage=Leakage(current=leakage)))
    finding = on_paper(subject)
    by_hand = rc_time(220e3, 470e-6, 0.0, 8.7735, 3.877, leakage)
    assert by_hand is not None
    assert by_hand < value(finding, "t_L") < 1.15 * by_hand


def test_heat_counts_and_the_cold_figure_stands_beside_it() -> None:
    cold, warm = on_paper(cool(garden_light())), on_paper(garden_light())
    assert value(warm, "f_T") == pytest.approx(3.0**0.5)
    assert warm.test.left == pytest.approx(3.0**0.5 * cold.test.left)
    assert value(warm, "rho_sheet") == pytest.approx(cold.test.left)
    assert "40 degC" in warm.message


@pytest.mark.parametrize(
    ("ratio", "severity"),
    [
        (0.0299, None),
        (0.0301, "note"),
        (0.0999, "note"),
        (0.1001, "warning"),
        (0.4999, "warning"),
        (0.5001, "error"),
        (1.2, "error"),
    ],
)
def test_both_sides_of_each_limit(ratio: float, severity: str | None) -> None:
    subject = charging(cool(on_delay(leakage=Leakage(current=ratio * ON_DELAY_CURRENT))))
    (outcome,) = typical(subject)
    assert ratios(subject) == pytest.approx([ratio] * 3)
    if severity is None:
        assert outcome.kind == "satisfied"
        return
    assert outcome.finding is not None
    assert outcome.finding.severity == severity
    assert not outcome.finding.test.holds
    assert ("may never end" in outcome.finding.message) is (ratio >= 1.0)


# R1 and R2 +5 %, R3 -5 %, and a drop that is 50 mV and, at 0 degC, another 50 mV larger
WORST_CURRENT = (9.0 / 49.35e3) - 0.8 / 20.9e3 * (1.0 + (105e3 + 20.9e3) / 49.35e3)  # A


@pytest.mark.parametrize(
    ("ratio", "severity"),
    [
        (0.0299, None),
        (0.0301, "note"),
        (0.0999, "note"),
        (0.1001, "warning"),
        (0.4999, "warning"),
        (0.5001, "error"),
    ],
)
def test_both_sides_of_each_limit_at_the_worst_corner(ratio: float, severity: str | None) -> None:
    """What a careful hand finds: all resistors the wrong way, and the tolerance of C has no say in it."""
    subject = charging(cool(on_delay(leakage=Leakage(current=ratio * WORST_CURRENT))))
    found = judged(subject, RULE).findings
    assert [f.severity for f in found] == ([] if severity is None else [severity])
    for finding in found:
        assert finding.test.left == pytest.approx(ratio, rel=1e-6)
        assert finding.corner == "R1 +5 %, R2 +5 %, R3 -5 %, V_BE 0.75 V, 0 degC"
        assert finding.corner in finding.message


def test_a_stall_names_the_voltage() -> None:
    leakage = 1.2 * ON_DELAY_CURRENT
    finding = on_paper(charging(cool(on_delay(leakage=Leakage(current=leakage)))))
    aim, source = 9.0 * 122 / 169, 1.0 / (1 / 47e3 + 1 / 122e3)
    assert value(finding, "V_stop") == pytest.approx(aim - leakage * source)


@given(st.floats(0.05, 20.0), st.sampled_from([None, 0.002]))
def test_how_r_and_c_share_the_time_constant_does_not_matter(share: float, per_cv: float | None) -> None:
    """R times a factor and C over it: threshold, delay and ratio stay as long as no floor rules."""
    grade = None if per_cv is None else Leakage(per_cv=per_cv)

    def split(factor: float) -> Circuit:
        return charging(
            cool(
                on_delay(
                    charging=47e3 * factor,
                    upper=100e3 * factor,
                    lower=22e3 * factor,
                    farads=10e-3 / factor,
                    leakage=grade,
                )
            )
        )

    one, other = ratios(split(1.0)), ratios(split(share))
    assert other == pytest.approx(one, rel=1e-6)


def test_the_smallest_ratio_is_a_floor_for_every_threshold() -> None:
    """e*k*t*V_R/V_inf with the threshold anywhere; equality near 63 % of the aim."""
    excess = []
    for lower in (13e3, 16e3, 20e3, 22e3, 30e3, 47e3, 220e3):
        finding = on_paper(charging(cool(on_delay(lower=lower))))
        excess.append((abs(value(finding, "x") - 0.632), finding.test.left / value(finding, "rho_min")))
    assert all(over >= 1.0 - 1e-9 for _, over in excess)
    nearest = min(excess)
    assert nearest[1] == pytest.approx(1.0, abs=0.02)
    assert max(over for _, over in excess) > 1.3


def _changes(found: tuple[Outcome, ...]) -> list[dict[str, object]]:
    return [{c.pointer: c.new for c in p.changes} for o in found for p in o.proposals]


def frost_bell() -> Circuit:
    text = files("clients").joinpath("examples", "frost-bell.yaml").read_text()
    return document(text).circuit


@pytest.mark.parametrize(
    "subject", [garden_light(), frost_bell(), on_delay(), on_delay(farads=10e-6), one_shot(), hold_on()]
)
def test_a_smaller_resistor_with_a_larger_capacitor_is_never_proposed(subject: Circuit) -> None:
    for changes in _changes(outcomes(RULE, subject)):
        assert not any(pointer.endswith("/resistance") for pointer in changes)
    told = [a for f in judged(subject, RULE).findings for a in f.advice]
    assert not any("lower" in a and "larger C" in a for a in told)


def test_it_says_that_the_split_does_not_matter() -> None:
    advice = only_finding(garden_light(), RULE).advice
    assert any("how R*C is split does not matter" in a for a in advice)


def test_what_does_not_suffice_is_told_with_its_numbers() -> None:
    finding = only_finding(garden_light(), RULE)
    first, second, third = finding.advice[:3]
    ratio = finding.test.left
    for text, factor in ((first, 0.2), (second, 10 / 16), (third, 0.125)):
        assert f"from {ratio:.3g} to {ratio * factor:.3g}" in text
    assert "low-leakage grade" in first
    assert "rated 10 V" in second
    assert not _changes(outcomes(RULE, garden_light()))


def test_film_with_a_larger_resistor_is_honest_about_the_base_current() -> None:
    """10 uF instead of 470 uF takes 10 Mohm: 0.48 uA, where the threshold itself draws 4.2 uA."""
    told = [a for a in only_finding(garden_light(), RULE).advice if a.startswith("film of 10 uF")]
    assert len(told) == 1
    assert "would not end" in told[0]
    assert "R6 10 Mohm" in told[0]
    assert "481 nA" in told[0]


def test_the_bench_sheet_line_asks_for_a_tenth() -> None:
    finding = only_finding(garden_light(), RULE)
    line = next(a for a in finding.advice if a.startswith("bench sheet"))
    tenth = 0.1 * value(finding, "I_ch") / value(finding, "f_T")
    assert f"{tenth * 1e9:.3g} nA" in line
    assert "/parts/C1/leakage" in line


def test_a_grade_that_suffices_is_proposed() -> None:
    """0.01CV of 47 uF, 16 V is 7.5 uA; a fifth of it passes even at the worst corner."""
    subject = charging(cool(on_delay(farads=47e-6, lower=33e3)))
    assert only_finding(subject, RULE).severity == "note"
    assert _changes(outcomes(RULE, subject))[0] == {"/parts/C1/leakage": "0.002CV"}


def test_the_engine_proves_the_film_of_the_lesson() -> None:
    (finding,) = reviewed(RULE.lesson.failing, RULE).findings
    assert finding.role == "charging"
    assert all(remedy.proof.proven for remedy in finding.remedies)
    assert {"/parts/C1/dielectric": "film", "/parts/C1/voltage": "63 V"} in [
        {op["path"]: op["value"] for op in remedy.patch if op["op"] != "test"} for remedy in finding.remedies
    ]


LOW_THRESHOLD = """\
format: thumbrule/1
name: seed-mist
ground: gnd
ambient: {low: 5 degC, nominal: 15 degC, high: 20 degC}
parts:
  V1: {kind: supply, voltage: 9 V, pins: {plus: rail, minus: gnd}}
  S1: {kind: contact, rest: open, pins: {a: rail, b: feed}}
  R1: {kind: resistor, resistance: 47 kohm, pins: {a: feed, b: slow}}
  C1: {kind: capacitor, capacitance: 680 uF, voltage: 6.3 V, leakage: 0.002CV, pins: {plus: slow, minus: gnd}}
  R2: {kind: resistor, resistance: 100 kohm, pins: {a: slow, b: base}}
  R3: {kind: resistor, resistance: 220 kohm, pins: {a: base, b: gnd}}
  R4: {kind: resistor, resistance: 10 kohm, pins: {a: rail, b: out}}
  Q1: {kind: npn, beta: 200, pins: {collector: out, base: base, emitter: gnd}}
stimuli:
  on: [{at: 0 s, part: S1, to: closed}]
"""


def test_a_threshold_nearer_to_63_per_cent_is_proposed_and_proven() -> None:
    """1.0 V of 7.9 V: 3 times the least ratio.  The divider moves, a smaller C keeps the delay."""
    (finding,) = reviewed(LOW_THRESHOLD, RULE).findings
    assert value(finding, "x") == pytest.approx(0.145, abs=0.01)
    assert finding.test.left > 0.03 > value(finding, "rho_min")
    (remedy,) = finding.remedies
    changed = {op["path"]: op["value"] for op in remedy.patch if op["op"] != "test"}
    assert set(changed) <= {"/parts/C1/capacitance", "/parts/R2/resistance", "/parts/R3/resistance"}
    assert len(changed) == 2
    assert remedy.proof.after is not None
    assert remedy.proof.after <= 0.03


def test_a_missing_rating_is_named() -> None:
    found = outcomes(RULE, on_delay(voltage=None))
    assert {o.kind for o in found} == {"undecided"}
    assert "/parts/C1/voltage" in found[0].reason
    assert kinds(RULE, on_delay(voltage=None, leakage=Leakage(current=1e-9))) == {"satisfied"}
    assert kinds(RULE, on_delay(voltage=None, dielectric="film")) == {"satisfied"}


def test_leakage_shortens_a_discharge_and_is_no_error() -> None:
    finding = only_finding(cool(hold_on()), RULE)
    assert finding.severity == "warning"
    assert finding.role == "discharging"
    assert finding.test.left > 1.0
    assert "shortens" in finding.message
    assert value(finding, "t_L") < value(finding, "t")
    assert kinds(RULE, cool(hold_on(leakage=Leakage(current=1e-9)))) == {"satisfied"}


@pytest.mark.parametrize("share", [0.0299, 0.0301, 0.0999, 0.1001])
def test_both_sides_of_the_limits_when_discharging(share: float) -> None:
    """At 1.4 V, 7 uA leave through R2 into 0.7 V over R3 with Q1 at its edge."""
    subject = cool(hold_on(leakage=Leakage(current=share * 7e-6)))
    expected = [] if share < 0.03 else ["note"] if share < 0.1 else ["warning"]
    assert [o.finding.severity for o in typical(subject) if o.finding is not None] == expected


def test_a_capacitor_that_turns_round_is_no_stall() -> None:
    """A one-shot of 470 uF and 470 kohm: 75 uA may leak, 9 uA bring it the last half volt."""
    finding = only_finding(cool(one_shot(farads=470e-6, timing=470e3)), RULE)
    assert finding.severity == "warning"
    assert "never" not in finding.message


def test_beta_corners_are_all_judged() -> None:
    """With weak transistors the steered base draws more, and less is left for the capacitor."""
    subject = garden_light()
    spread = {"Q1": Beta(100, 200, 400), "Q2": Beta(75, 150, 300), "Q3": Beta(100, 200, 400)}
    parts = {
        name: replace(part, values={**part.values, "beta": spread[name]}) if name in spread else part
        for name, part in subject.parts.items()
    }
    finding = only_finding(replace(subject, parts=parts), RULE)
    assert finding.corner is not None
    assert "Q3 beta min" in finding.corner
    assert {o.corner for o in finding.occurrences} == {"min", "typical", "max", finding.corner}
    left = {o.corner: o.left for o in finding.occurrences}
    assert left[finding.corner] > left["min"] > left["typical"] > left["max"]


def test_a_latch_that_may_never_let_go_says_so_and_has_run_it() -> None:
    """The course through the stimulus with that leakage comes to rest with the light still on."""
    finding = only_finding(garden_light(), RULE)
    assert "may never end" in finding.message
    assert "no delay is guaranteed" in finding.message
    assert 'Run through "press" with that leakage' in finding.message
    assert "C1 never reaches 3.877 V: it ends at 0 V" in finding.message
    assert value(finding, "V_run") == 0.0
    run = Study(garden_light()).timeline("press", leakage="limit")
    assert run.verdict == "never-ends"
    assert "Q1 active" in run.last.name


def test_the_draft_of_the_frost_bell_may_ring_for_ever() -> None:
    """330 uF, 16 V: 105 uA at 45 degC; no grade, no rating and no split of R and C mends that."""
    finding = only_finding(frost_bell(), RULE)
    assert finding.severity == "error"
    assert finding.corner is not None
    assert "BT1 6.5 V" in finding.corner
    assert "R6 +5 %" in finding.corner
    assert 'Run through "pass" with that leakage' in finding.message
    assert value(finding, "I_L") == pytest.approx(330e-6 * 16.0 * 0.01 * 3.0 ** (25.0 / 40.0))
    assert not _changes(outcomes(RULE, frost_bell()))
    assert any("does not matter" in a for a in finding.advice)
    assert any(a.startswith("bench sheet") for a in finding.advice)


def test_a_capacitor_that_gets_there_slowly_is_not_said_to_stay() -> None:
    finding = only_finding(cool(garden_light(leakage=Leakage(current=8e-6))), RULE)
    assert finding.severity == "error"
    assert "may last" in finding.message
    assert "guaranteed" not in finding.message
    assert not [q for q in finding.evidence if q.symbol == "V_run"]


def test_the_tolerance_of_the_capacitor_has_no_say() -> None:
    """The sheet speaks of the rated capacitance; a part 20 % larger is charged no less and leaks no more."""
    finding = only_finding(garden_light(), RULE)
    assert finding.corner is not None
    assert "C1" not in finding.corner
    exact = Tolerance(0.0, 0.0)
    part = garden_light().parts["C1"]
    narrow = replace(part, values=frozen_map({**part.values, "tolerance": exact}))
    subject = replace(garden_light(), parts=frozen_map({**garden_light().parts, "C1": narrow}))
    assert only_finding(subject, RULE).test.left == pytest.approx(finding.test.left, rel=1e-9)


def test_couplings_filters_and_decouplers_are_not_applicable() -> None:
    subject = circuit(
        battery("B1", "rail", "gnd", 12.0, 2.0),
        capacitor("C1", "rail", "gnd", 100e-6),
        film("C2", "in", "base", 1e-6),
        resistor("R0", "in", "gnd", 10e3),
        resistor("R1", "rail", "base", 36e3),
        resistor("R2", "base", "gnd", 7.5e3),
        resistor("RC", "rail", "out", 3.9e3),
        npn("Q1", collector="out", base="base", emitter="e", beta=200.0),
        resistor("RE", "e", "gnd", 1e3),
        capacitor("CE", "e", "gnd", 100e-6),
    )
    found = outcomes(RULE, subject)
    assert {o.kind for o in found} == {"not-applicable"}
    assert {o.subject for o in found} == {("C1",), ("C2",), ("CE",)}


def test_no_capacitor_at_all() -> None:
    assert kinds(RULE, circuit(supply("V1", "rail", "gnd", 9.0), resistor("R1", "rail", "gnd", 1e3))) == {
        "not-applicable"
    }


def test_the_two_halves_of_a_blinker() -> None:
    assert {f.parts for f in judged(blinker(), RULE).findings} == {("C1",), ("C2",)}


@pytest.mark.parametrize("subject", [garden_light(), on_delay(), hold_on()])
def test_renaming_and_order_change_nothing(subject: Circuit) -> None:
    changed, names = renamed(subject)
    before, after = judged(subject, RULE).findings, judged(changed, RULE).findings
    assert [f.severity for f in after] == [f.severity for f in before]
    for was, now in zip(before, after, strict=True):
        assert now.test.left == pytest.approx(was.test.left, rel=1e-9)
        assert now.parts == tuple(names[p] for p in was.parts)
        assert now.role == was.role


@pytest.mark.parametrize("subject", [garden_light(), on_delay(), one_shot()])
def test_the_mirror_image_is_judged_alike(subject: Circuit) -> None:
    before, after = judged(subject, RULE).findings, judged(mirrored(subject), RULE).findings
    assert [(f.severity, f.role) for f in after] == [(f.severity, f.role) for f in before]
    for was, now in zip(before, after, strict=True):
        assert now.test.left == pytest.approx(was.test.left, rel=1e-6)


def test_a_capacitor_drawn_the_other_way_round_reads_alike() -> None:
    """Pins a and b of a part that is not polarised: the voltage is negative, the verdict the same."""

    def drawn(a: str, b: str) -> Circuit:
        subject = charging(on_delay())
        part = film("C1", a, b, 470e-6, voltage=16.0, dielectric="tantalum")
        return replace(subject, parts={**subject.parts, "C1": part})

    one, other = only_finding(drawn("slow", "gnd"), RULE), only_finding(drawn("gnd", "slow"), RULE)
    assert other.test.left == pytest.approx(one.test.left)
    assert value(other, "rho_min") == pytest.approx(value(one, "rho_min"))
    assert value(other, "rho_tau") == pytest.approx(value(one, "rho_tau"))


def test_evidence_has_units_and_sources() -> None:
    finding = only_finding(garden_light(), RULE)
    units = {q.symbol: q.unit for q in finding.evidence}
    assert units["k"] == "1/s"
    assert units["I_L"] == "A"
    sourced = {q.symbol: q.source for q in finding.evidence if q.origin == "assumed"}
    assert "Panasonic" in (sourced["I_L"] or "")
    assert sourced["f_T"]


def test_the_study_is_not_changed_by_judging() -> None:
    study = Study(garden_light())
    first = [(o.kind, o.test) for o in RULE.check(study)]
    assert [(o.kind, o.test) for o in RULE.check(study)] == first
