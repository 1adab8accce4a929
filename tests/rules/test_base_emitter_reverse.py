"""base-emitter-reverse: worked numbers, both sides of its limits, the diodes that mend it, and its traps."""

from __future__ import annotations

from dataclasses import replace

import pytest

from rules.base_emitter_reverse import RULE
from schemas.circuit import Circuit, Ratings, frozen_map
from schemas.finding import Finding
from tests.builders import (
    capacitor,
    circuit,
    contact,
    driver,
    film,
    led,
    npn,
    pnp,
    press,
    resistor,
    supply,
)
from tests.judged import document, judged, kinds, mirrored, outcomes, renamed, reviewed, value
from tests.timers import garden_light, one_shot

SIX = Ratings(vebo=6.0)


def findings(subject: Circuit) -> dict[str, Finding]:
    """By transistor."""
    return {finding.parts[0]: finding for finding in judged(subject, RULE).findings}


def flasher(volts: float = 12.0, high: float | None = None, lit: float | None = 1.9) -> Circuit:
    """Two cross-coupled stages, 820 ohm and an LED in each collector, 56 kohm and 4.7 uF."""
    parts = [supply("V1", "rail", "gnd", volts, high=high)]
    for me, other in ((1, 2), (2, 1)):
        fed = "rail" if lit is None else f"a{me}"
        if lit is not None:
            parts.append(led(f"D{me}", "rail", fed, lit))
        parts += [
            resistor(f"RC{me}", fed, f"c{me}", 820.0),
            resistor(f"RB{me}", "rail", f"b{me}", 56e3),
            film(f"C{me}", f"c{other}", f"b{me}", 4.7e-6),
            npn(f"Q{me}", collector=f"c{me}", base=f"b{me}", emitter="gnd", beta=200.0),
        ]
    return circuit(*parts, name="flasher")


def pulled_below(volts: float, kind: str = "npn", **values: object) -> Circuit:
    """A logic output that goes ``volts`` below the emitter of a switch: 22 kohm to its base."""
    sign = 1.0 if kind == "npn" else -1.0
    make = npn if kind == "npn" else pnp
    ends = ("rail", "gnd") if kind == "npn" else ("gnd", "rail")
    return circuit(
        supply("V1", *ends, 9.0),
        driver("U1", "order", "gnd", -volts * sign, 5.0 * sign, rest="low"),
        resistor("R1", "order", "base", 22e3),
        resistor("R2", "rail", "out", 1e3),
        make("Q1", collector="out", base="base", emitter="gnd", beta=150.0, **values),
    )


def test_the_lesson_circuits_fire_and_pass() -> None:
    assert "violated" in kinds(RULE, document(RULE.lesson.failing).circuit)
    assert kinds(RULE, document(RULE.lesson.passing).circuit) == {"satisfied"}


def test_a_flasher_reverses_its_junctions_by_the_swing_of_its_collectors() -> None:
    """12 V - 1.9 V - 0.2 V - 0.7 V = 9.20 V (Kirchhoff's voltage law at the moment of switching).

    Own Ebers-Moll run of the same circuit: 9.81 V, inside the allowance.
    """
    for finding in findings(flasher()).values():
        assert finding.severity == "error"
        assert value(finding, "V_EB") == pytest.approx(12.0 - 1.9 - 0.2 - 0.7, abs=0.02)
        assert value(finding, "V_EB,max") > 9.81
        assert value(finding, "V_EBO") == 5.0
        assert "V_EBO is 5 V for a type that is not named" in finding.message
        assumed = {q.symbol for q in finding.evidence if q.origin == "assumed"}
        assert assumed == {"V_EBO"}


def test_without_the_leds_it_is_their_drop_more() -> None:
    bare, lit = findings(flasher(lit=None)), findings(flasher())
    assert value(bare["Q1"], "V_EB") - value(lit["Q1"], "V_EB") == pytest.approx(1.9, abs=0.02)
    assert any("an LED in the collector leads" in a for a in bare["Q1"].advice)
    assert not any("an LED" in a for a in lit["Q1"].advice)


@pytest.mark.parametrize(
    ("volts", "severity"),
    [(3.99, None), (4.01, "warning"), (4.99, "warning"), (5.01, "error")],
)
@pytest.mark.parametrize("kind", ["npn", "pnp"])
def test_both_sides_of_the_limits_at_rest(volts: float, severity: str | None, kind: str) -> None:
    """No current flows: the base stands where the output stands, whatever R1 is."""
    found = list(findings(pulled_below(volts, kind)).values())
    assert [f.severity for f in found] == ([] if severity is None else [severity])
    if found:
        assert found[0].test.left == pytest.approx(volts)
        assert ("below" if kind == "npn" else "above") in found[0].message


@pytest.mark.parametrize(
    ("volts", "severity"),
    [(4.79, None), (4.81, "warning"), (5.99, "warning"), (6.01, "error")],
)
def test_a_stated_rating_counts(volts: float, severity: str | None) -> None:
    found = list(findings(pulled_below(volts, ratings=SIX)).values())
    assert [f.severity for f in found] == ([] if severity is None else [severity])
    if found:
        rating = next(q for q in found[0].evidence if q.symbol == "V_EBO")
        assert (rating.value, rating.origin, rating.pointer) == (6.0, "declared", "/parts/Q1/ratings/vebo")


@pytest.mark.parametrize(("kind", "type_name", "rated"), [("npn", "2N3904", 6.0), ("pnp", "2N3906", 5.0)])
def test_a_type_brings_its_rating(kind: str, type_name: str, rated: float) -> None:
    """Multicomp 2N3904 V1.1 (2008): V_EBO 6 V; Multicomp 2N3906 V1.1: 5 V."""
    subject = pulled_below(5.5, kind, type=type_name)
    subject = replace(
        subject,
        parts=frozen_map(
            {**subject.parts, "Q1": replace(subject.parts["Q1"], values=frozen_map({"type": type_name}))}
        ),
    )
    (finding,) = findings(subject).values()
    assert value(finding, "V_EBO") == rated
    assert finding.severity == ("warning" if rated == 6.0 else "error")


def coupled(volts: float) -> Circuit:
    """A one-shot on another supply: V_EB = V_S - V_CE,sat - V_BE when Q1 comes on."""
    subject = one_shot()
    return replace(subject, parts=frozen_map({**subject.parts, "V1": supply("V1", "rail", "gnd", volts)}))


@pytest.mark.parametrize(
    ("volts", "severity"),
    [
        # 1.1*(V_S - 0.9 V) against 4 V and 5 V
        (4.52, None),
        (4.55, "warning"),
        (5.43, "warning"),
        (5.46, "error"),
    ],
)
def test_both_sides_of_the_limits_along_a_run(volts: float, severity: str | None) -> None:
    found = findings(coupled(volts))
    assert [f.severity for f in found.values()] == ([] if severity is None else [severity])
    if found:
        assert set(found) == {"Q2"}
        assert found["Q2"].test.left == pytest.approx(1.1 * (volts - 0.9), rel=2e-3)
        assert "that C1 holds take it there" in found["Q2"].message


def test_the_highest_supply_decides() -> None:
    """5 V leave 4.1 V: 4.51 V with the allowance; 6 V leave 5.1 V: 5.61 V."""
    assert {f.severity for f in findings(flasher(5.0, lit=None)).values()} == {"warning"}
    high = findings(flasher(5.0, high=6.0, lit=None))
    assert {f.severity for f in high.values()} == {"error"}
    assert {f.corner for f in high.values()} == {"V1 6 V"}
    assert value(high["Q1"], "V_EB") == pytest.approx(5.1, abs=0.02)


def test_the_steering_transistor_of_a_timer() -> None:
    """V_B(Q1) - V_BE - 0 V while S1 is pressed: R8 and R3 lift the base of Q1 against R4.

    By hand, base current neglected: (8.77/47k + 9/22k)/(1/47k + 1/22k + 1/39k) = 6.45 V, less 0.7 V.
    """
    found = findings(garden_light())
    assert set(found) == {"Q3"}
    thevenin = (8.77 / 47e3 + 8.98 / 22e3) / (1 / 47e3 + 1 / 22e3 + 1 / 39e3)
    assert value(found["Q3"], "V_EB") == pytest.approx(thevenin - 0.7, rel=0.02)
    assert found["Q3"].severity == "error"
    assert any("with the base of Q1 at 4.34 V at most" in a for a in found["Q3"].advice)
    assert any("no diode across the junction here" in a for a in found["Q3"].advice)


def test_a_resistor_in_the_base_lead_does_not_take_the_voltage() -> None:
    """Trap: it limits the current once the junction has broken down, not the voltage at which it does."""
    subject = coupled(9.0)
    parts = {
        **subject.parts,
        "Q2": npn("Q2", collector="c2", base="inner", emitter="gnd", beta=150.0),
        "R9": resistor("R9", "b2", "inner", 220.0),
    }
    bare = value(findings(subject)["Q2"], "V_EB")
    assert value(findings(replace(subject, parts=frozen_map(parts)))["Q2"], "V_EB") == pytest.approx(
        bare, rel=5e-3
    )


def test_a_collapse_counts_too() -> None:
    """Trap: nothing pulls the base down; its emitter is held up by a capacitor as the base falls."""
    subject = circuit(
        supply("V1", "rail", "gnd", 9.0),
        contact("S1", "rail", "live"),
        resistor("R3", "live", "feed", 100.0),
        resistor("R1", "feed", "gnd", 100e3),
        npn("Q1", collector="rail", base="feed", emitter="store", beta=150.0),
        capacitor("C1", "store", "gnd", 100e-6, voltage=16.0),
        resistor("R2", "store", "gnd", 100e3),
        stimuli=frozen_map({"tap": press("S1", 1.0)}),
    )
    (finding,) = findings(subject).values()
    assert value(finding, "V_EB") == pytest.approx(9.0 - 0.7, abs=0.01)
    assert value(finding, "V_C1") == pytest.approx(8.3, abs=0.01)


SERIES = """\
format: thumbrule/1
name: herb-bed-flasher
ground: gnd
parts:
  V1: {kind: supply, voltage: 9 V, pins: {plus: rail, minus: gnd}}
  R1: {kind: resistor, resistance: 1 kohm, pins: {a: rail, b: c1}}
  R2: {kind: resistor, resistance: 1 kohm, pins: {a: rail, b: c2}}
  R3: {kind: resistor, resistance: 47 kohm, pins: {a: rail, b: b1}}
  R4: {kind: resistor, resistance: 47 kohm, pins: {a: rail, b: b2}}
  C1: {kind: capacitor, capacitance: 10 uF, dielectric: film, pins: {a: c1, b: b2}}
  C2: {kind: capacitor, capacitance: 10 uF, dielectric: film, pins: {a: c2, b: b1}}
  Q1: {kind: npn, beta: 200, pins: {collector: c1, base: b1, emitter: gnd}}
  Q2: {kind: npn, beta: 200, pins: {collector: c2, base: b2, emitter: gnd}}
"""


def test_a_diode_in_the_base_lead_is_proven() -> None:
    for finding in reviewed(SERIES, RULE).findings:
        (remedy,) = finding.remedies
        added = {op["path"]: op["value"] for op in remedy.patch if op["op"] == "add"}
        assert set(added) == {"/parts/D1", "/parts/R5"}
        base = {"Q1": "b1", "Q2": "b2"}[finding.parts[0]]
        assert added["/parts/D1"]["pins"] == {"anode": base, "cathode": f"{base}_2"}
        assert added["/parts/R5"] == {
            "kind": "resistor",
            "resistance": "100 kohm",
            "pins": {"a": f"{base}_2", "b": "gnd"},
        }
        assert remedy.proof.after == pytest.approx(0.0, abs=1e-6)
        assert "the period " in remedy.summary


def test_a_diode_across_the_junction_is_proven_where_a_resistor_feeds_it() -> None:
    text = """\
format: thumbrule/1
name: shade-motor
ground: gnd
parts:
  V1: {kind: supply, voltage: 9 V, pins: {plus: rail, minus: gnd}}
  U1: {kind: driver, low: -8 V, high: 8 V, pins: {out: order, reference: gnd}}
  R1: {kind: resistor, resistance: 10 kohm, pins: {a: order, b: base}}
  R2: {kind: resistor, resistance: 1 kohm, pins: {a: rail, b: out}}
  Q1: {kind: npn, beta: 150, pins: {collector: out, base: base, emitter: gnd}}
"""
    (finding,) = reviewed(text, RULE).findings
    (remedy,) = finding.remedies
    added = {op["path"]: op["value"] for op in remedy.patch if op["op"] == "add"}
    assert added == {"/parts/D1": {"kind": "diode", "pins": {"anode": "gnd", "cathode": "base"}}}
    assert remedy.proof.after is not None
    assert remedy.proof.after <= 0.8  # one diode drop, with its tolerance and in the cold


@pytest.mark.parametrize(
    ("subject", "words"),
    [
        (circuit(supply("V1", "rail", "gnd", 9.0), resistor("R1", "rail", "gnd", 1e3)), "no transistor"),
        (
            circuit(
                supply("V1", "rail", "gnd", 9.0),
                resistor("R1", "rail", "c", 1e3),
                npn("Q1", collector="c", base="gnd", emitter="gnd", beta=100.0),
            ),
            "tied together",
        ),
        (
            circuit(
                supply("V1", "rail", "gnd", 9.0),
                resistor("R1", "rail", "c", 1e3),
                npn("Q1", collector="c", base="b", emitter="gnd", beta=100.0),
            ),
            "float whenever it is off",
        ),
    ],
)
def test_nothing_to_judge(subject: Circuit, words: str) -> None:
    found = outcomes(RULE, subject)
    assert {o.kind for o in found} == {"not-applicable"}
    assert words in found[0].reason


@pytest.mark.parametrize("subject", [flasher(), garden_light(), coupled(9.0)], ids=lambda c: c.name)
def test_renaming_and_order_change_nothing(subject: Circuit) -> None:
    changed, names = renamed(subject)
    was, now = findings(subject), findings(changed)
    assert {names[q] for q in was} == set(now)
    for name, finding in was.items():
        assert now[names[name]].severity == finding.severity
        assert now[names[name]].test.left == pytest.approx(finding.test.left, rel=1e-5)


@pytest.mark.parametrize("subject", [flasher(), garden_light(), coupled(9.0)], ids=lambda c: c.name)
def test_the_mirror_image_is_judged_alike(subject: Circuit) -> None:
    was, now = findings(subject), findings(mirrored(subject))
    assert set(was) == set(now)
    for name, finding in was.items():
        assert now[name].severity == finding.severity
        assert now[name].test.left == pytest.approx(finding.test.left, rel=1e-5)
