"""long-wire: hum worked by hand, filters, series resistance, drops, both sides of each limit, remedies."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from rules.analysis.formulas.field import filter_for, loop_of_wire, mains_pick_up
from rules.long_wire import RULE
from schemas.circuit import Circuit, NetNote, Part, frozen_map
from schemas.finding import Finding
from tests.builders import BENCH, circuit, contact, exact, film, load, npn, resistor, supply
from tests.judged import document, judged, kinds, mirrored, outcomes, renamed, reviewed, value
from tests.otherwise import with_limits


def float_switch(
    metres: float, hold: float = 10e3, series: float = 22e3, *more: Part, area: float | None = None
) -> Circuit:
    """A float switch at the end of a wire, and a lamp: exact parts, 25 degC."""
    wire = "base" if series == 0.0 else "line"
    parts = [
        supply("V1", "rail", "gnd", 9.0),
        contact("S1", "rail", wire),
        resistor("R2", "base", "gnd", hold),
        load("LA1", "rail", "out", 470.0),
        npn("Q1", collector="out", base="base", emitter="gnd", beta=200.0),
        *more,
    ]
    if series:
        parts.append(resistor("R1", "line", "base", series))
    note = NetNote(wire=metres, wire_area=area)
    return exact(*parts, nets=frozen_map({wire: note}))


def findings(subject: Circuit) -> dict[str, Finding]:
    """By role."""
    return {finding.role: finding for finding in judged(subject, RULE).findings}


def test_the_lesson_circuits_fire_and_pass() -> None:
    assert "violated" in kinds(RULE, document(RULE.lesson.failing).circuit)
    assert kinds(RULE, document(RULE.lesson.passing).circuit) == {"satisfied"}


def test_the_usual_wire_picks_up_seven_microamperes() -> None:
    """2*pi*50 Hz*100 pF*230 V = 7.2 uA (own arithmetic)."""
    assert mains_pick_up(100e-12, 230.0, 50.0) == pytest.approx(7.226e-6, rel=1e-3)


@pytest.mark.parametrize(
    ("hold", "severity"), [(20.7e3, None), (20.8e3, "warning"), (62.2e3, "warning"), (62.4e3, "error")]
)
@pytest.mark.parametrize("flip", [False, True])
def test_both_sides_of_the_limits_on_hum(hold: float, severity: str | None, flip: bool) -> None:
    """5 m: 7.226 uA. A third of 0.45 V at 25 degC over that is 20.76 kohm, all of it 62.3 kohm."""
    assert BENCH.high == 298.15
    subject = float_switch(5.0, hold)
    finding = findings(mirrored(subject) if flip else subject).get("hum")
    assert (None if finding is None else finding.severity) == severity
    if finding is not None:
        assert value(finding, "V_hum") == pytest.approx(7.226e-6 * hold, rel=1e-3)


def test_a_contact_that_is_closed_holds_the_wire() -> None:
    """Only the state with the switch open counts: closed, the wire stands at the rail."""
    finding = findings(float_switch(5.0, 100e3))["hum"]
    assert finding.state is not None
    assert "off" in finding.state


def test_a_capacitor_behind_the_resistor_ends_it() -> None:
    """100 kohm with 100 nF at 50 Hz: 7.226 uA*100 kohm/sqrt(1 + 3.14^2) = 0.219 V; with 330 nF 0.069 V."""
    small = findings(float_switch(5.0, 100e3, 22e3, film("C1", "base", "gnd", 100e-9)))["hum"]
    expected = 7.226e-6 * 100e3 / math.hypot(1.0, 2.0 * math.pi * 50.0 * 100e3 * 100e-9)
    assert value(small, "V_hum") == pytest.approx(expected, rel=1e-3)
    assert "hum" not in findings(float_switch(5.0, 100e3, 22e3, film("C1", "base", "gnd", 330e-9)))


def test_the_widest_resistor_and_the_least_capacitor_count() -> None:
    wide = circuit(*float_switch(5.0, 20e3).parts.values(), nets=float_switch(5.0).nets, ambient=BENCH)
    assert "hum" not in findings(float_switch(5.0, 20e3))
    assert value(findings(wide)["hum"], "Z") == pytest.approx(21e3, rel=1e-3)  # 20 kohm plus 5 %


def test_a_base_that_floats_is_the_matter_of_another_rule() -> None:
    subject = float_switch(5.0)
    bare = replace(subject, parts={n: p for n, p in subject.parts.items() if n != "R2"})
    reasons = [o.reason for o in outcomes(RULE, bare) if o.kind == "not-applicable"]
    assert any("no transistor is off in a state in which line is defined" in reason for reason in reasons)


@pytest.mark.parametrize(("series", "fires"), [(1e3, False), (999.0, True), (0.0, True)])
def test_both_sides_of_the_series_resistance(series: float, fires: bool) -> None:
    found = findings(float_switch(1.0, 10e3, series))
    assert ("series" in found) == fires
    if fires:
        assert found["series"].severity == "warning"
        assert value(found["series"], "R_series") == series


def test_a_rail_that_leaves_the_box_meets_no_base() -> None:
    subject = float_switch(5.0, 100e3)
    fed = replace(subject, nets=frozen_map({"rail": NetNote(wire=30.0)}))
    assert not findings(fed)


def lamp_wire(metres: float, area: float | None) -> Circuit:
    """A lamp of 24 ohm on 12 V at the end of a wire."""
    return exact(
        supply("V1", "rail", "gnd", 12.0),
        load("LA1", "rail", "gnd", 24.0),
        nets=frozen_map({"rail": NetNote(wire=metres, wire_area=area)}),
    )


# copper 17.24 nohm m at 20 degC: IEC 60028, from memory
@pytest.mark.parametrize(("metres", "fires"), [(7.6, False), (7.7, True)])
def test_both_sides_of_the_drop(metres: float, fires: bool) -> None:
    """0.5 A; 5 % of 12 V is 0.6 V, so 1.2 ohm there and back: 7.66 m of 0.22 mm2."""
    assert loop_of_wire(7.656, 0.22e-6) == pytest.approx(1.2, rel=1e-3)
    found = findings(lamp_wire(metres, None))
    assert ("drop" in found) == fires
    if fires:
        assert "state wire_area" in found["drop"].message
        assert not findings(lamp_wire(metres, 0.5e-6))


@pytest.mark.parametrize(("metres", "fires"), [(7.6, False), (7.7, True)])
def test_a_supply_at_the_far_end_loses_what_it_gives(metres: float, fires: bool) -> None:
    """The same 0.5 A, now of a supply that comes through the wire, into a resistor that stays in the box."""
    subject = exact(
        supply("V1", "rail", "gnd", 12.0),
        resistor("R1", "rail", "gnd", 24.0),
        nets=frozen_map({"rail": NetNote(wire=metres)}),
    )
    found = findings(subject)
    assert ("drop" in found) is fires
    if fires:
        assert found["drop"].parts == ("V1",)


def test_a_thicker_wire_is_proposed_and_proven() -> None:
    text = """\
format: thumbrule/1
name: orchard-lamp
ground: gnd
parts:
  V1: {kind: supply, voltage: 12 V, pins: {plus: rail, minus: gnd}}
  LA1: {kind: load, resistance: 24 ohm, pins: {plus: rail, minus: gnd}}
nets: {rail: {wire: 20 m, wire_area: 0.22 mm2}}
"""
    (finding,) = reviewed(text, RULE).findings
    (remedy,) = finding.remedies
    assert remedy.proof.proven
    # 20 m: 0.5 A*2*17.24e-9*20/A = 0.6 V for A = 0.575 mm2, so 0.75 mm2
    assert "0.75 mm2" in remedy.summary


def test_a_wire_of_no_stated_area_gets_one() -> None:
    text = """\
format: thumbrule/1
name: orchard-lamp
ground: gnd
parts:
  V1: {kind: supply, voltage: 12 V, pins: {plus: rail, minus: gnd}}
  LA1: {kind: load, resistance: 24 ohm, pins: {plus: rail, minus: gnd}}
nets: {rail: {wire: 20 m}}
"""
    (finding,) = reviewed(text, RULE).findings
    assert finding.remedies[0].proof.proven
    assert {"op": "add", "path": "/nets/rail/wire_area", "value": "0.75 mm2"} in finding.remedies[0].patch


def test_the_filter_is_proposed_and_proven() -> None:
    (finding,) = reviewed(RULE.lesson.failing, RULE).findings
    (remedy,) = (r for r in finding.remedies if r.proof.proven)
    # 1/(2*pi*5 Hz*10.5 kohm) = 3.03 uF, and 10 % more for the tolerance: 3.9 uF of E12
    assert filter_for(5.0, 10.5e3) == pytest.approx(3.03e-6, rel=1e-2)
    assert "3.9 uF" in remedy.summary


def test_a_resistor_is_put_before_a_base_on_the_wire() -> None:
    text = RULE.lesson.passing.replace("b: line}", "b: base}").replace("  line:", "  base:")
    text = text.replace("  R1: {kind: resistor, resistance: 22 kohm, pins: {a: line, b: base}}\n", "")
    text = text.replace("resistance: 10 kohm, pins: {a: base", "resistance: 470 ohm, pins: {a: base")
    found = {f.role: f for f in reviewed(text, RULE).findings}
    assert any("R1 of 1 kohm" in r.summary and r.proof.proven for r in found["series"].remedies)


def test_only_a_stated_wire_is_judged() -> None:
    subject = replace(float_switch(5.0, 1e6), nets=frozen_map({"line": NetNote(terminal=True)}))
    assert kinds(RULE, subject) == {"not-applicable"}


def test_names_do_not_matter() -> None:
    subject = document(RULE.lesson.failing).circuit
    other, called = renamed(subject)
    one, two = findings(subject)["hum"], findings(other)["hum"]
    assert two.parts == tuple(called[name] for name in one.parts)
    assert two.test.left == pytest.approx(one.test.left)


def test_a_policy_moves_the_limit() -> None:
    """Beside 400 V the same wire picks up more."""
    high = with_limits(RULE, mains=400.0)
    subject = float_switch(5.0, 15e3)
    assert "hum" not in findings(subject)
    assert {f.role for f in judged(subject, high).findings} == {"hum"}


def test_the_dial_crosses_the_limit() -> None:
    dial = RULE.lesson.dial
    assert dial is not None
    assert RULE.lesson.passing.replace(dial.good, dial.bad) == RULE.lesson.failing


def test_one_capacitor_is_enough_for_a_loose_base() -> None:
    """60 m at 220 kohm: 86.7 uA at 50 Hz leave 0.14 V across 1.97 uF; 5 Hz alone asks for 0.14 uF."""
    text = RULE.lesson.failing.replace("resistance: 10 kohm", "resistance: 220 kohm")
    (finding,) = reviewed(text, RULE).findings
    (remedy,) = finding.remedies
    assert remedy.proof.proven
    assert "of 2.2 uF" in remedy.summary
    assert len([step for step in remedy.patch if step["op"] == "add"]) == 1
