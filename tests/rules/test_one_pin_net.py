"""one-pin-net: lonely wires, what they were meant to reach, and nets that may have one pin."""

from __future__ import annotations

from dataclasses import replace

import pytest

from rules.analysis.lonely import homes, lonely_pins, spelt_alike
from rules.no_dc_path import RULE as NO_DC_PATH
from rules.one_pin_net import RULE
from schemas.circuit import Circuit, NetNote
from tests.builders import circuit, coil, contact, film, led, npn, pnp, resistor, supply
from tests.judged import document, judged, kinds, only_finding, outcomes, renamed, reviewed, value


def switch(bleed: str = "gnd", load: str = "rail") -> Circuit:
    """An NPN switch; ``bleed`` and ``load`` are the nets of the far ends of its resistors."""
    return circuit(
        supply("V1", "rail", "gnd", 9.0),
        contact("S1", "rail", "feed"),
        resistor("R1", "feed", "b", 22e3),
        resistor("R2", "b", bleed, 47e3),
        resistor("R3", load, "c", 1e3),
        npn("Q1", collector="c", base="b", emitter="gnd", beta=200.0),
    )


def wanted(subject: Circuit) -> list[tuple[str, str]]:
    """The nets that are proposed for the only lonely pin, with the reason."""
    (pin,) = lonely_pins(subject)
    return [(home.net, home.why) for home in homes(subject, pin)]


def test_the_lesson_circuits_fire_and_pass() -> None:
    assert kinds(RULE, document(RULE.lesson.failing).circuit) == {"violated"}
    assert kinds(RULE, document(RULE.lesson.passing).circuit) == {"satisfied"}


def test_a_wrong_spelling_is_named() -> None:
    finding = only_finding(switch(bleed="gdn"), RULE)
    assert (finding.severity, finding.parts, finding.nets) == ("error", ("R2",), ("gdn",))
    assert finding.pointers == ("/parts/R2/pins/b",)
    assert "R2.b stands alone on the net gdn" in finding.message
    assert "no current flows through R2" in finding.message
    assert value(finding, "n") == 1.0


def test_two_pins_are_enough_and_one_is_not() -> None:
    subject = switch(bleed="spur")
    assert kinds(RULE, subject) == {"violated"}
    joined = {**subject.parts, "R9": resistor("R9", "spur", "gnd", 1e3)}
    (outcome,) = outcomes(RULE, replace(subject, parts=joined))
    assert outcome.kind == "satisfied"
    assert outcome.test is not None
    assert (outcome.test.left, outcome.test.margin) == (2.0, 0.0)


def test_the_nearest_spelling_comes_first_and_patterns_only_without_one() -> None:
    assert wanted(switch(bleed="gdn")) == [("gnd", "spelt nearly the same")]
    assert wanted(switch(bleed="GND")) == [("gnd", "spelt nearly the same")]
    assert wanted(switch(bleed="nowhere")) == [("gnd", "base to emitter of Q1")]
    assert wanted(switch(load="nowhere")) == [("rail", "collector load of Q1")]


def test_what_is_read_for_one_another_comes_first() -> None:
    """bl is b1 before it is b2; b7 may be either, and nothing is proposed on a guess."""
    assert spelt_alike("bl", ["b1", "b2", "gnd"]) == ("b1",)
    assert spelt_alike("b7", ["b1", "b2", "gnd"]) == ("b1", "b2")
    assert spelt_alike("0ut", ["in", "out"]) == ("out",)
    two = [
        supply("V1", "rail", "gnd", 9.0),
        resistor("R1", "b1", "gnd", 1e3),
        resistor("R2", "b2", "gnd", 1e3),
        resistor("R3", "rail", "b1", 1e3),
        resistor("R4", "rail", "b2", 1e3),
        resistor("R5", "rail", "b7", 1e3),
    ]
    assert wanted(circuit(*two)) == []
    assert any("to b1 or b2 by its spelling" in line for line in only_finding(circuit(*two), RULE).advice)


def test_one_letter_names_are_no_spelling_mistakes_of_each_other() -> None:
    """x and b differ by one letter, which is all they have."""
    assert wanted(switch(bleed="x")) == [("gnd", "base to emitter of Q1")]


def test_what_a_lonely_pin_usually_leads_to() -> None:
    """The other way round for PNP; the minus ends of loads, the cathode of an LED, a lonely emitter."""
    parts = [supply("V1", "rail", "gnd", 9.0), resistor("R9", "rail", "gnd", 1e3)]
    upper = pnp("Q1", collector="c", base="b", emitter="rail", beta=100.0)
    drive = resistor("R1", "b", "gnd", 10e3)
    assert wanted(circuit(*parts, upper, drive, resistor("R2", "c", "nowhere", 1e3))) == [
        ("gnd", "collector load of Q1")
    ]
    lost = circuit(*parts, resistor("R1", "rail", "top", 1e3), led("D1", "top", "nowhere"))
    assert wanted(lost) == [("gnd", "the return of its current")]
    hanging = npn("Q1", collector="rail", base="b", emitter="nowhere", beta=100.0)
    assert wanted(circuit(*parts, hanging, drive)) == [("gnd", "where its emitter current flows")]


def test_never_a_net_that_the_part_is_on_already() -> None:
    """R3 reads rail/rial: moved home it would be shorted out, were rail its other end."""
    subject = circuit(
        supply("V1", "rail", "gnd", 9.0),
        resistor("R1", "rail", "gnd", 1e3),
        resistor("R3", "rail", "rial", 1e3),
    )
    assert wanted(subject) == []
    assert any("take R3 out" in line for line in only_finding(subject, RULE).advice)


def test_a_net_that_leaves_the_board_may_have_one_pin() -> None:
    subject = circuit(
        supply("V1", "rail", "gnd", 9.0),
        resistor("R1", "rail", "out", 10e3),
        resistor("R2", "out", "gnd", 10e3),
        film("C1", "out", "line", 1e-6),
    )
    assert kinds(RULE, subject) == {"violated"}
    flagged = replace(subject, nets={"line": NetNote(terminal=True)})
    assert kinds(RULE, flagged) == {"not-applicable", "satisfied"}
    only_labelled = replace(subject, nets={"line": NetNote(label="to the mixer")})
    assert kinds(RULE, only_labelled) == {"violated"}


def test_the_free_throw_of_a_changeover_is_a_note() -> None:
    subject = circuit(
        supply("V1", "rail", "gnd", 9.0),
        contact("K1", "rail", "work", rest="open"),
        contact("K2", "rail", "free", rest="closed"),
        resistor("R1", "work", "gnd", 1e3),
    )
    finding = only_finding(subject, RULE)
    assert (finding.severity, finding.parts) == ("note", ("K2",))
    assert finding.advice[0] == "leave it, if K2 is one throw of a change-over contact"
    alone = circuit(
        supply("V1", "rail", "gnd", 9.0),
        contact("S1", "rail", "free"),
        resistor("R1", "rail", "gnd", 1e3),
    )
    assert only_finding(alone, RULE).severity == "error"


def test_the_wire_home_is_proven() -> None:
    """All that the finding needs, with the rule on undefined nets as a witness."""
    review = reviewed(RULE.lesson.failing, RULE, NO_DC_PATH)
    (finding,) = [f for f in review.findings if f.rule == RULE.slug]
    (remedy,) = finding.remedies
    assert remedy.proof.proven
    assert [dict(step) for step in remedy.patch if step["op"] != "test"] == [
        {"op": "replace", "path": "/parts/R2/pins/b", "value": "gnd"}
    ]
    assert "carries up to 14.9 uA" in remedy.summary  # 0.7 V over 47 kohm


def test_what_follows_from_it_names_it_as_the_cause() -> None:
    found = judged(document(RULE.lesson.failing).circuit, RULE, NO_DC_PATH).findings
    (root,) = [f for f in found if f.rule == RULE.slug]
    floating = [f for f in found if f.rule == NO_DC_PATH.slug]
    assert floating
    assert all(f.caused_by == root.identity for f in floating)


@pytest.mark.parametrize("spur", ["gdn", "nowhere"])
def test_renaming_changes_nothing_but_names(spur: str) -> None:
    subject = switch(bleed=spur)
    changed, names = renamed(subject)
    was, now = only_finding(subject, RULE), only_finding(changed, RULE)
    assert (now.severity, now.role, now.test) == (was.severity, was.role, was.test)
    assert now.parts == tuple(names[part] for part in was.parts)


def test_a_coil_without_its_return() -> None:
    subject = circuit(supply("V1", "rail", "gnd", 12.0), coil("K1", "rail", "earth", 400.0))
    # two spellings of ground: neither is joined to the other, and both are told
    assert {f.nets for f in judged(subject, RULE).findings} == {("earth",), ("gnd",)}
