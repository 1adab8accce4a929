"""divider-stiffness: what it proposes, and what the engine proves or withdraws."""

from __future__ import annotations

import json

import pytest

from rules.analysis.formulas.bias import base_current, stiffness, thevenin_of_divider
from rules.analysis.operating import operating_point
from rules.analysis.preferred import is_preferred
from rules.divider_stiffness import RULE
from rules.min_beta_drive import RULE as DRIVE
from rules.saturation_headroom import RULE as HEADROOM
from schemas.circuit import Beta, Circuit, Requirement, frozen_map
from schemas.quantities import parse
from service.patches import apply
from tests.builders import circuit, npn, only_state, resistor, supply
from tests.judged import document, only_finding, outcomes, reviewed


def stage(**members: object) -> Circuit:
    """k = 2.9 at the least gain; the tap at 1.97 V at the typical one."""
    return circuit(
        supply("V1", "rail", "gnd", 12.0),
        resistor("R1", "rail", "base", 330e3),
        resistor("R2", "base", "gnd", 82e3),
        npn("Q1", "out", "base", "emit", Beta(100, 200, 400)),
        resistor("RC", "rail", "out", 3.3e3),
        resistor("RE", "emit", "gnd", 1e3),
        **members,  # type: ignore[arg-type]
    )


def _changes(subject: Circuit) -> list[dict[str, float]]:
    return [
        {c.pointer.split("/")[2]: parse(c.new, "resistance") for c in p.changes}
        for o in outcomes(RULE, subject)
        for p in o.proposals
    ]


def test_proposals_are_preferred_values_that_meet_the_limit_with_tolerance() -> None:
    proposals = _changes(stage())
    assert len(proposals) == 3
    for values in proposals:
        top, bottom = values["R1"], values["R2"]
        assert is_preferred(top, "E24")
        assert is_preferred(bottom, "E24")
        for up in (0.95, 1.05):
            for low in (0.95, 1.05):
                source = thevenin_of_divider(12.0, top * up, bottom * low)
                ib = base_current(source, 100.0, 1e3, 0.7)
                assert stiffness(12.0, top * up, bottom * low, ib) >= 10.0
    ratio, kept, safe = proposals
    assert ratio["R1"] / ratio["R2"] == pytest.approx(330 / 82, rel=0.05)
    # the tap at typical gain: 2.388 V - 65.7 kohm * 6.33 uA = 1.972 V; with the new arms within 5 %
    source = thevenin_of_divider(12.0, kept["R1"], kept["R2"])
    tap = source.voltage - source.resistance * base_current(source, 200.0, 1e3, 0.7)
    assert tap == pytest.approx(1.972, rel=0.05)
    # at the greatest gain the bias is nowhere higher than before: 2.388 V - 65.7 kohm * 3.62 uA = 2.151 V
    source = thevenin_of_divider(12.0, safe["R1"], safe["R2"])
    tap = source.voltage - source.resistance * base_current(source, 400.0, 1e3, 0.7)
    assert 2.151 * 0.9 < tap <= 2.151


def test_a_required_tap_voltage_is_what_the_arms_are_chosen_for() -> None:
    wanted = Requirement("net-voltage", "bias", frozen_map({"net": "base", "target": 2.4, "within": 0.05}))
    proposals = _changes(stage(requirements=(wanted,)))
    assert len(proposals) == 2  # what is required may well lie higher than before
    values = proposals[-1]
    source = thevenin_of_divider(12.0, values["R1"], values["R2"])
    tap = source.voltage - source.resistance * base_current(source, 200.0, 1e3, 0.7)
    assert tap == pytest.approx(2.4, rel=0.05)


# A large collector resistor, which only the drooping bias kept from saturating the stage.
TRAP = """\
format: thumbrule/1
name: cricket-counter
ground: gnd
ambient: {low: 25 degC, nominal: 25 degC, high: 25 degC}
assumptions: {resistor_tolerance: 0, junction_spread: 0 V}
parts:
  V1: {kind: supply, voltage: 12 V, pins: {plus: rail, minus: gnd}}
  R1: {kind: resistor, resistance: 820k, pins: {a: rail, b: base}}
  R2: {kind: resistor, resistance: 180k, pins: {a: base, b: gnd}}
  RC: {kind: resistor, resistance: 6k8, pins: {a: rail, b: out}}
  RE: {kind: resistor, resistance: 820 ohm, pins: {a: emit, b: gnd}}
  Q1: {kind: npn, beta: {min: 100, max: 400}, pins: {collector: out, base: base, emitter: emit}}
states:
  counting: {Q1: active}
"""
ALL = (RULE, DRIVE, HEADROOM)


def test_the_trap_before_it_is_mended() -> None:
    """V_CE 7.2 V at beta 100 with k = 1.9; tenfold stiffer 0.59 V; with 3k9 4.9 V, and 4.0 V at beta 400."""

    def vce(text: str, corner: str) -> float:
        point = operating_point(only_state(document(text).circuit, corner=corner), "Q1")
        assert point is not None
        return point.vce

    stiff = TRAP.replace("820k", "82k").replace("180k", "18k")
    found = only_finding(document(TRAP).circuit, RULE)
    (least,) = [seen.left for seen in found.occurrences if seen.corner == "min"]
    assert least == pytest.approx(1.9, abs=0.05)
    assert found.test.left == least  # exact parts have no worse corner
    assert vce(TRAP, "min") == pytest.approx(7.2, abs=0.05)
    assert vce(stiff, "min") == pytest.approx(0.59, abs=0.005)
    assert vce(stiff, "max") == pytest.approx(0.2)
    assert vce(stiff.replace("6k8", "3k9"), "min") == pytest.approx(4.9, abs=0.1)
    assert vce(stiff.replace("6k8", "3k9"), "max") == pytest.approx(4.0, abs=0.1)


def test_stiffening_alone_is_caught_and_joined_with_a_smaller_collector_resistor() -> None:
    review = reviewed(TRAP, *ALL)
    (finding,) = [found for found in review.findings if found.rule == "divider-stiffness"]
    assert finding.remedies
    by_parts = {
        tuple(op["path"] for op in remedy.patch if op["op"] == "replace"): remedy
        for remedy in finding.remedies
    }
    joint = by_parts["/parts/R1/resistance", "/parts/R2/resistance", "/parts/RC/resistance"]
    assert joint.proof.proven
    assert "saturation-headroom" in joint.proof.reason
    assert "RC 6.8 kohm to" in joint.summary
    assert joint.proof.after is not None
    assert joint.proof.after >= 10.0


def test_every_remedy_of_the_trap_leaves_nothing_behind() -> None:
    found = document(TRAP)
    for finding in reviewed(TRAP, *ALL).findings:
        for remedy in finding.remedies:
            mended = json.dumps(apply(found.raw, remedy.patch))
            assert [f for f in reviewed(mended, *ALL).findings if f.identity == finding.identity] == []


def test_a_proposal_that_no_joint_change_saves_is_withdrawn_with_the_reason() -> None:
    """The collector load is a sounder: there is no resistor that could make room."""
    text = TRAP.replace(
        "RC: {kind: resistor, resistance: 6k8, pins: {a: rail, b: out}}",
        "RC: {kind: load, resistance: 6k8, pins: {plus: rail, minus: out}}",
    )
    (finding,) = [found for found in reviewed(text, *ALL).findings if found.rule == "divider-stiffness"]
    withdrawn = [advice for advice in finding.advice if "the same ratio" in advice]
    assert len(withdrawn) == 1
    assert "withdrawn: it would cause saturation-headroom at Q1" in withdrawn[0]
