"""reset-wins: what is left at the base by hand, both sides, every way back, set against reset, letting go."""

from __future__ import annotations

import pytest

from rules.analysis.latches.find import latches
from rules.analysis.latches.resets import controls
from rules.analysis.study import Study
from rules.reset_wins import RULE
from schemas.circuit import Ambient, Circuit, Part, frozen_map
from schemas.quantities import parse
from tests.builders import contact, driver, load, npn, pnp, resistor, supply
from tests.judged import document, judged, kinds, mirrored, only_finding, outcomes, renamed, reviewed, value
from tests.latches import bench, bistable, garden_light, tank

WARM = Ambient(273.15, 298.15, 323.15)  # 50 degC: V_BE,off is 0.4 V


def test_the_lesson_circuits_fire_and_pass() -> None:
    assert "violated" in kinds(RULE, document(RULE.lesson.failing).circuit)
    assert kinds(RULE, document(RULE.lesson.passing).circuit) == {"satisfied"}


def pulled(ohms: float, *extra: Part, **members: object) -> Circuit:
    """The tank latch with a button that pulls the base of Q1 down through a resistor."""
    parts = (contact("S2", "b1", "pull"), resistor("R6", "pull", "gnd", ohms), *extra)
    return tank(200.0, 150.0, 47e3, 10e3, 4.7e3, 1e3, 12.0, *parts, **members)


def pull_for(volts: float, supply_volts: float = 12.0) -> float:
    """R6 with which the base of Q1 stands at ``volts`` while Q2 is still on: a divider from 11.8 V."""
    current = (supply_volts - 0.2 - volts) / 47e3 - volts / 10e3
    return volts / current


@pytest.mark.parametrize(("share", "told"), [(0.999, []), (1.001, ["error"])])
def test_both_sides_of_what_is_surely_off(share: float, told: list[str]) -> None:
    subject = pulled(pull_for(0.4 * share), ambient=WARM)
    found = judged(subject, RULE).findings
    assert [finding.severity for finding in found] == told
    for finding in found:
        assert finding.test.left == pytest.approx(0.4 * share, rel=1e-9)
        assert finding.test.right == pytest.approx(0.4)


def test_it_works_on_the_bench_and_not_in_the_sun() -> None:
    """0.55 V are left: with the drop of hand work the latch does come back, at every gain."""
    subject = pulled(pull_for(0.55), ambient=WARM)
    (latch,) = latches(Study(subject))
    (reset,) = controls(Study(subject), latch)
    assert reset.forces == latch.off
    finding = only_finding(subject, RULE)
    assert finding.parts == ("Q1", "Q2", "S2")
    assert "With S2 closed the base of Q1 (net b1) still stands 550 mV" in finding.message
    assert value(finding, "V_BE,off(T)") == pytest.approx(0.4)
    assert value(finding, "R6") == pytest.approx(pull_for(0.55))


def test_the_worst_corner_is_the_highest_supply_and_resistors_that_hurt() -> None:
    subject = pulled(2e3, low=11.0, high=13.0, toleranced=True)
    finding = only_finding(subject, RULE)
    assert finding.corner == "V1 13 V, R3 -5 %, R6 +5 %, RB1 +5 %, 40 degC"
    beside = 1.0 / (1.0 / (1.05 * 2e3) + 1.0 / (1.05 * 10e3))
    left = 12.8 * beside / (beside + 0.95 * 47e3)
    assert finding.test.left == pytest.approx(left, rel=1e-9)
    assert finding.test.right == pytest.approx(0.45 - 0.002 * 15)


def test_a_reset_that_ends_the_state_nowhere_is_seen_by_what_it_takes() -> None:
    """Through 4.7k the on state stays: the button takes base current away, but never enough."""
    subject = pulled(4.7e3)
    (latch,) = latches(Study(subject))
    (reset,) = controls(Study(subject), latch)
    assert (reset.forces, reset.opposes) == (None, True)
    finding = only_finding(subject, RULE)
    beside = 1.0 / (1.0 / 4.7e3 + 1.0 / 10e3)
    assert finding.test.left == pytest.approx(11.8 * beside / (beside + 47e3), rel=1e-9)
    assert finding.test.left > 0.7


def reset_by(*parts: Part, drop: str = "") -> Circuit:
    kept = [part for part in tank().parts.values() if part.name not in drop.split()]
    return bench(*kept, *parts)


WAYS = {
    "from base to emitter": reset_by(contact("S2", "b1", "gnd")),
    "at the base of the other": reset_by(contact("S2", "b2", "vp")),
    "opens the feedback": reset_by(
        contact("S2", "fed", "b1", "closed"), resistor("R3", "out", "fed", 47e3), drop="R3"
    ),
    "opens the emitter": reset_by(
        contact("S2", "e1", "gnd", "closed"), npn("Q1", "c1", "b1", "e1", 200.0, icbo=50e-9), drop="Q1"
    ),
    "takes the supply": reset_by(
        contact("S2", "cell", "vp", "closed"), supply("V1", "cell", "gnd", 12.0), drop="V1"
    ),
    "shorts the load": reset_by(contact("S2", "out", "gnd")),
    "a transistor at the base": reset_by(
        driver("U1", "in", "gnd", 0.0, 5.0),
        resistor("R6", "in", "b3", 10e3),
        npn("Q3", "b1", "b3", "gnd", 200.0),
    ),
}


@pytest.mark.parametrize("subject", WAYS.values(), ids=WAYS.keys())
def test_every_way_back(subject: Circuit) -> None:
    (latch,) = latches(Study(subject))
    assert [control.forces for control in controls(Study(subject), latch)] == [latch.off]
    assert kinds(RULE, subject) == {"satisfied"}


def test_set_over_reset_is_a_note() -> None:
    """The set resistor is the stronger of the two: pressed together, the latch is on."""
    strong = (contact("S1", "vp", "set"), resistor("R8", "set", "b1", 4.7e3))
    finding = only_finding(pulled(470.0, *strong), RULE)
    assert (finding.severity, finding.role) == ("note", "set over reset")
    assert finding.parts == ("Q1", "Q2", "S1", "S2")
    assert "S1 closed overrides S2 closed" in finding.message
    # 11.3 V through 4.7k against 0.7 V over 470 ohm: 2.4 mA against 1.5 mA
    assert (12.0 - 0.7) / 4.7e3 > 0.7 / 470 + 0.7 / 10e3


def test_reset_over_set_is_satisfied() -> None:
    weak = (contact("S1", "vp", "set"), resistor("R8", "set", "b1", 33e3))
    assert kinds(RULE, pulled(220.0, *weak)) == {"satisfied"}


def test_two_sides_of_one_kind_reset_each_other() -> None:
    """Each contact forces its side; which is the reset nobody can say, so neither overrides the other."""
    book = {"vbe_on": 0.3, "vce_sat": 0.1}
    plain = bistable(assumptions=book)
    subject = bench(
        *plain.parts.values(), contact("S1", "b1", "gnd"), contact("S2", "b2", "gnd"), assumptions=book
    )
    (latch,) = latches(Study(subject))
    forced = {c.name: c.forces.conducting for c in controls(Study(subject), latch) if c.forces is not None}
    assert forced == {"S1": frozenset({"Q2"}), "S2": frozenset({"Q1"})}
    assert kinds(RULE, subject) == {"satisfied"}


def test_a_contact_that_has_nothing_to_do_with_it_is_no_reset() -> None:
    """It adds a load: the output gives a little more, the base keeps what it had."""
    subject = tank(
        200.0, 150.0, 47e3, 10e3, 4.7e3, 1e3, 12.0, contact("S3", "out", "x"), load("R9", "x", "gnd", 1e4)
    )
    (found,) = outcomes(RULE, subject)
    assert found.kind == "not-applicable"
    assert "only taking its supply away" in found.reason


def test_a_latch_that_lets_go_of_itself_goes_to_off() -> None:
    found = outcomes(RULE, garden_light(100.0))
    assert {(o.kind, o.subject) for o in found} == {("satisfied", ("Q1", "Q2", "C1"))}


def test_what_else_rests_in_two_places_does_not_disturb_the_release() -> None:
    """A lamp with a latch of its own: two states follow, and the timed latch is off in both."""
    other = (
        pnp("Q5", "lamp", "b5", "vb", 150.0),
        resistor("R51", "vb", "b5", 4.7e3),
        resistor("R52", "b5", "c4", 4.7e3),
        npn("Q4", "c4", "b4", "gnd", 200.0),
        resistor("R53", "lamp", "b4", 47e3),
        resistor("R54", "b4", "gnd", 10e3),
        load("LP2", "lamp", "gnd", 1e3),
    )
    found = [o for o in outcomes(RULE, garden_light(100.0, *other)) if o.subject == ("Q1", "Q2", "C1")]
    assert {o.kind for o in found} == {"satisfied"}


def test_the_mirror_and_other_names_have_the_same_numbers() -> None:
    subject = pulled(pull_for(0.55), ambient=WARM)
    other, names = renamed(subject)
    plain, turned, changed = (only_finding(each, RULE) for each in (subject, mirrored(subject), other))
    assert turned.test.left == pytest.approx(plain.test.left, rel=1e-9)
    assert changed.test.left == pytest.approx(plain.test.left, rel=1e-9)
    assert changed.parts == tuple(sorted(names[name] for name in plain.parts))


def test_what_is_no_latch_is_not_judged() -> None:
    plain = bench(supply("V1", "a", "gnd", 9.0), contact("S1", "a", "b"), load("L1", "b", "gnd", 100.0))
    assert kinds(RULE, plain) == {"not-applicable"}


def test_a_named_state_that_exists_nowhere_needs_no_way_back() -> None:
    named = frozen_map(
        {"dry": frozen_map({"Q1": "off", "Q2": "off"}), "wet": frozen_map({"Q1": "on", "Q2": "on"})}
    )
    parts = tank(200.0, 150.0, 4.7e6).parts.values()
    subject = bench(*parts, contact("S1", "vp", "set"), resistor("R8", "set", "b1", 10e3), states=named)
    assert kinds(RULE, subject) == {"not-applicable"}


def test_the_engine_proves_the_largest_resistor_that_is_surely_off() -> None:
    (finding,) = reviewed(RULE.lesson.failing, RULE).findings
    (remedy,) = finding.remedies
    (change,) = (item for item in remedy.patch if item["op"] == "replace")
    assert change["path"] == "/parts/R6/resistance"
    assert parse(change["value"], "resistance") == 680.0
    assert "straight from base to emitter of Q1" in finding.advice[0]
    # 12.8 V over 0.95*22k against 0.42 V: 680 ohm + 5 % leaves 0.40 V, 750 ohm + 5 % leaves 0.44 V
    for ohms, holds in ((680.0, True), (750.0, False)):
        beside = 1.0 / (1.0 / (1.05 * ohms) + 1.0 / 10.5e3)
        assert (12.8 * beside / (beside + 20.9e3) <= 0.42) == holds
    assert remedy.proof.after is not None
    assert remedy.proof.after <= 0.42
