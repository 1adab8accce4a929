"""The rules as they are: a stiffer divider would saturate its stage, and the tool has to notice."""

from __future__ import annotations

import json
from typing import Any

import jsonpatch
import pytest

from rules.divider_stiffness import RULE as DIVIDER_STIFFNESS
from rules.min_beta_drive import RULE as MIN_BETA_DRIVE
from rules.saturation_headroom import RULE as SATURATION_HEADROOM
from service import facade
from service.documents import load_circuit
from service.ruleset import Ruleset, of_rules
from service.states import states_shape

# Own example, worked by hand: 12 V, 820 k and 180 k, R_C 6k8, R_E 820, beta 60 to 400.  At beta 100 the base
# current pulls the tap down to 1.4 V and the stage sits at V_CE = 7.2 V; with a divider ten times as stiff
# it falls to about 0.6 V and saturates at high gain: the droop was hiding an oversized collector resistor.
CIRCUIT = b"""\
format: thumbrule/1
name: greenhouse-microphone
ground: gnd
parts:
  V1: {kind: supply, voltage: 12 V, low: 12 V, high: 12 V, resistance: 0 ohm, pins: {plus: rail, minus: gnd}}
  R1: {kind: resistor, resistance: 820 kohm, tolerance: 1 %, pins: {a: rail, b: tap}}
  R2: {kind: resistor, resistance: 180 kohm, tolerance: 1 %, pins: {a: tap, b: gnd}}
  RC: {kind: resistor, resistance: 6k8, tolerance: 1 %, pins: {a: rail, b: out}}
  RE: {kind: resistor, resistance: 820 ohm, tolerance: 1 %, pins: {a: low, b: gnd}}
  Q1: {kind: npn, beta: {min: 60, typical: 100, max: 400}, pins: {collector: out, base: tap, emitter: low}}
states: {listening: {Q1: active}}
"""


@pytest.fixture(scope="module")
def rules() -> Ruleset:
    found = of_rules([DIVIDER_STIFFNESS, MIN_BETA_DRIVE, SATURATION_HEADROOM])
    assert found.faults == ()
    return found


@pytest.fixture(scope="module")
def review(rules: Ruleset) -> dict[str, Any]:
    return facade.review(facade.read(CIRCUIT, "yaml"), ruleset=rules)


def _patched(patch: list[dict[str, Any]]) -> Any:
    return load_circuit(jsonpatch.apply_patch(facade.read(CIRCUIT, "yaml").raw, patch))


def test_stiffening_alone_saturates_the_stage() -> None:
    """The premise, by the solver: the divider of a tenth the resistance leaves no headroom at high gain."""
    stiff = CIRCUIT.replace(b"820 kohm", b"82 kohm").replace(b"180 kohm", b"18 kohm")
    regions = {}
    for beta in ("typical", "max"):
        answer = states_shape(facade.read(stiff, "yaml").circuit, beta, {})
        (state,) = answer["configurations"][0]["states"]
        regions[beta] = state["devices"]["Q1"]
    assert regions == {"typical": "active", "max": "saturated"}


def test_no_remedy_for_the_divider_leaves_the_stage_saturated(review: dict[str, Any]) -> None:
    (finding,) = [f for f in review["findings"] if f["rule"] == "divider-stiffness"]
    offered = [remedy for remedy in finding["remedies"] if remedy["proof"]["proven"]]
    assert offered, finding["advice"]
    for remedy in offered:
        for beta in ("min", "typical", "max"):
            for configuration in states_shape(_patched(remedy["patch"]), beta, {})["configurations"]:
                assert [state["devices"]["Q1"] for state in configuration["states"]] == ["active"]


def test_what_cannot_be_done_alone_is_joined_or_withdrawn_by_name(review: dict[str, Any]) -> None:
    (finding,) = [f for f in review["findings"] if f["rule"] == "divider-stiffness"]
    joined = [remedy for remedy in finding["remedies"] if "together with" in remedy["summary"]]
    withdrawn = [
        text for text in finding["advice"] if "withdrawn: it would cause saturation-headroom at Q1" in text
    ]
    assert joined or withdrawn
    for remedy in joined:
        changed = {op["path"] for op in remedy["patch"] if op["op"] == "replace"}
        assert "/parts/RC/resistance" in changed
        assert "saturation-headroom" in remedy["proof"]["reason"]


def test_mending_gives_a_circuit_without_findings(rules: Ruleset) -> None:
    result = facade.mend(facade.read(CIRCUIT, "yaml"), ruleset=rules)
    assert result["withdrawn"] is None
    assert len(result["applied"]) >= 1
    mended = facade.read(json.dumps(result["document"]).encode(), "json")
    again = facade.review(mended, ruleset=rules)
    assert again["findings"] == result["remaining"] == []
