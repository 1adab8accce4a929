"""extra-low-voltage: limits from both sides, fuses, mains contacts, uses; one wording with the cautions."""

from __future__ import annotations

from dataclasses import replace

import pytest

from rules.extra_low_voltage import RULE
from schemas.circuit import Circuit
from schemas.finding import Finding
from service.cautions import ALWAYS, cautions_for
from tests.builders import battery, circuit, contact, fuse, load, resistor, supply
from tests.judged import document, judged, kinds, only_finding, outcomes, reviewed, value
from tests.otherwise import told_twice, with_limits


def lamp(volts: float = 12.0, *, kind: str = "battery", use: str | None = None, **values: object) -> Circuit:
    """A lamp across a source."""
    make = battery if kind == "battery" else supply
    source = make("BT1", "rail", "gnd", volts, **values)  # type: ignore[arg-type]
    return circuit(source, load("LA1", "rail", "gnd", 24.0), name="lamp", use=use)


def findings(subject: Circuit) -> dict[str, Finding]:
    """By role."""
    return {finding.role: finding for finding in judged(subject, RULE).findings}


def test_the_lesson_circuits_fire_and_pass() -> None:
    assert "violated" in kinds(RULE, document(RULE.lesson.failing).circuit)
    assert "violated" not in kinds(RULE, document(RULE.lesson.passing).circuit)


# 60 V DC: clause 414.4.5 of the HD/IEC 60364-4-41 family (dry places); IEC 62282-5-1:2012, 3.23
@pytest.mark.parametrize(("volts", "fires"), [(60.0, False), (60.1, True), (-61.0, True)])
def test_both_sides_of_sixty_volts(volts: float, fires: bool) -> None:
    assert ("voltage" in findings(lamp(volts))) == fires


def test_the_highest_of_all_declared_voltages_counts() -> None:
    finding = only_finding(lamp(48.0, high=62.0), RULE)
    assert (finding.severity, value(finding, "V")) == ("error", 62.0)
    assert finding.pointers == ("/parts/BT1/voltage",)


def test_sources_in_series_add_up() -> None:
    stacked = circuit(
        battery("BT1", "half", "gnd", 48.0),
        battery("BT2", "top", "half", 48.0),
        load("LA1", "top", "gnd", 1e3),
    )
    finding = findings(stacked)["voltage"]
    assert value(finding, "V") == pytest.approx(96.0)
    assert finding.nets == ("gnd", "top")


@pytest.mark.parametrize("volts", [61.0, 130.0])
def test_finding_and_caution_say_the_same_in_the_same_words(volts: float) -> None:
    subject = lamp(volts)
    assert findings(subject)["voltage"].message in cautions_for(subject)
    # 120 V ripple-free DC: IEC 61558-1:2005, 3.7.16
    assert ("120 V DC" in findings(subject)["voltage"].message) == (volts > 120.0)


# 8 A and 100 W: limited power source, from memory
@pytest.mark.parametrize(("ohms", "fires"), [(1.5001, False), (1.4999, True)])
def test_both_sides_of_eight_amperes(ohms: float, fires: bool) -> None:
    """12 V over 1.5 ohm is 8 A."""
    assert ("fuse" in findings(lamp(12.0, resistance=ohms, chemistry="nickel"))) == fires


@pytest.mark.parametrize("chemistry", ["alkaline", None])
@pytest.mark.parametrize(("ohms", "fires"), [(4.001, False), (3.999, True)])
def test_both_sides_of_a_hundred_watts(ohms: float, fires: bool, chemistry: str | None) -> None:
    """40 V over 4 ohm: at most 40*40/(4*4) = 100 W, into 4 ohm; the 10 A into a short do not count."""
    assert ("fuse" in findings(lamp(40.0, resistance=ohms, chemistry=chemistry))) == fires


def test_dry_cells_limit_themselves() -> None:
    assert not findings(lamp(6.0, resistance=0.5))
    assert not findings(lamp(6.0, resistance=0.6, chemistry="alkaline"))
    assert findings(lamp(6.0, resistance=0.6, chemistry="nickel"))["fuse"].severity == "warning"


@pytest.mark.parametrize("chemistry", ["lead", "lithium"])
def test_lead_and_lithium_want_a_fuse_whatever_is_stated(chemistry: str) -> None:
    finding = only_finding(lamp(12.0, chemistry=chemistry), RULE)
    assert finding.severity == "error"
    assert chemistry in finding.message
    assert not findings(lamp(3.0, chemistry=chemistry, resistance=15.0))  # a button cell


def test_a_supply_is_judged_by_what_it_can_give() -> None:
    assert not findings(lamp(kind="supply", current=2.0))
    assert findings(lamp(kind="supply", current=9.0))["fuse"].severity == "warning"
    assert not findings(lamp(kind="supply", resistance=0.05))  # its slope under load, not what a short draws
    assert not findings(lamp(kind="supply"))
    reasons = {o.reason for o in outcomes(RULE, lamp(kind="supply")) if o.kind == "not-applicable"}
    assert any("/parts/BT1/current" in reason for reason in reasons)


def test_a_fuse_protects_only_when_every_way_leads_through_it() -> None:
    def wired(*more: object) -> Circuit:
        return circuit(
            battery("BT1", "cell", "gnd", 12.0, 0.02, chemistry="lead"),
            fuse("F1", "cell", "rail", 1.0),
            load("LA1", "rail", "gnd", 24.0),
            *more,  # type: ignore[arg-type]
        )

    assert not findings(wired())
    assert "fuse" in findings(wired(resistor("R1", "cell", "gnd", 10e3)))
    assert not findings(wired(contact("S1", "cell", "spare")))  # leads nowhere
    in_the_other_lead = circuit(
        battery("BT1", "rail", "cell", 12.0, 0.02, chemistry="lead"),
        fuse("F1", "cell", "gnd", 1.0),
        load("LA1", "rail", "gnd", 24.0),
    )
    assert not findings(in_the_other_lead)
    stacked = circuit(
        battery("BT1", "half", "gnd", 12.0, 0.02, chemistry="lead"),
        battery("BT2", "cell", "half", 12.0, 0.02, chemistry="lead"),
        fuse("F1", "cell", "rail", 1.0),
        load("LA1", "rail", "gnd", 24.0),
    )
    assert not findings(stacked)  # one fuse serves cells in series


def test_the_fuse_that_is_proposed_is_proven() -> None:
    (finding,) = reviewed(RULE.lesson.failing, RULE).findings
    (remedy,) = finding.remedies
    assert remedy.proof.proven
    # the lamp takes 12 V / 24.02 ohm, a little less than 0.5 A: the next fuse below twice that
    assert "of 800 mA" in remedy.summary
    assert {step["op"] for step in remedy.patch} <= {"test", "add", "replace"}


@pytest.mark.parametrize(("rated", "fires"), [(0.5001, False), (0.4999, True)])
def test_both_sides_of_a_fuse_that_blows_by_itself(rated: float, fires: bool) -> None:
    """12 V over 24 ohm is 0.5 A."""
    subject = circuit(
        battery("BT1", "cell", "gnd", 12.0),
        fuse("F1", "cell", "rail", rated),
        load("LA1", "rail", "gnd", 24.0),
    )
    found = findings(subject)
    assert ("blows" in found) == fires
    if fires:
        assert (found["blows"].severity, value(found["blows"], "I")) == ("error", 0.5)


def test_a_larger_fuse_is_proposed_and_proven() -> None:
    text = RULE.lesson.passing.replace("current: 1 A", "current: 250 mA")
    (finding,) = reviewed(text, RULE).findings
    (remedy,) = finding.remedies
    assert remedy.proof.proven
    assert "500 mA" in remedy.summary


def mains(**values: object) -> Circuit:
    """A heater behind a contact of the mains, beside a small lamp."""
    return circuit(
        supply("V1", "rail", "gnd", 12.0),
        load("LA1", "rail", "gnd", 240.0),
        contact("S1", "line", "heat", mains=True, **values),
        load("H1", "heat", "neutral", 500.0),
    )


def test_a_mains_contact_wants_separation_stated() -> None:
    finding = only_finding(mains(), RULE)
    assert finding.severity == "error"
    assert "/parts/S1/separated" in finding.message
    assert "licensed practitioner" in finding.message
    assert not findings(mains(separated=True))
    assert only_finding(mains(separated=False), RULE).role == "mains"


def test_a_mains_contact_joined_to_the_circuit_is_never_right() -> None:
    joined = mains(separated=True)
    leaky = {**joined.parts, "R1": resistor("R1", "neutral", "gnd", 1e6)}
    finding = only_finding(replace(joined, parts=leaky), RULE)
    assert "R1" in finding.message
    assert value(finding, "n") == 1.0


@pytest.mark.parametrize("use", ["life-safety", "medical", "vehicle-braking"])
def test_some_uses_are_outside_what_can_be_vouched_for(use: str) -> None:
    subject = lamp(use=use)
    finding = only_finding(subject, RULE)
    assert (finding.severity, finding.pointers) == ("note", ("/use",))
    assert finding.message in cautions_for(subject)
    assert "licensed" in finding.message


@pytest.mark.parametrize("use", [None, "bench", "hobby"])
def test_ordinary_uses_are_silent(use: str | None) -> None:
    assert not findings(lamp(use=use))
    assert cautions_for(lamp(use=use)) == (ALWAYS,)


def test_names_do_not_matter() -> None:
    subject = document(RULE.lesson.failing).circuit
    one, two = told_twice(subject, RULE)
    assert two.test == one.test


def test_a_policy_moves_the_limit() -> None:
    """30 V DC where it is wet: clause 414.4.5 of the HD/IEC 60364-4-41 family."""
    wet = with_limits(RULE, scope=30.0)
    assert not findings(lamp(48.0))
    assert only_finding(lamp(48.0), wet).role == "voltage"


def test_the_dial_crosses_the_limit() -> None:
    dial = RULE.lesson.dial
    assert dial is not None
    turned = RULE.lesson.passing.replace(f"voltage: {dial.good}", f"voltage: {dial.bad}")
    assert turned != RULE.lesson.passing
    assert "violated" in kinds(RULE, document(turned).circuit)
