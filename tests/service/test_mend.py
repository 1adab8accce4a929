"""Mending to a fixed point, and withdrawing everything on any doubt."""

from __future__ import annotations

import copy
from collections.abc import Iterable
from typing import Any

import jsonpatch
import pytest

from schemas.document import Document
from schemas.finding import Outcome, Proposal
from schemas.finding import Test as Inequality
from service import facade
from service import mend as module
from service.documents import load_circuit, read_document
from service.mend import mend
from service.ruleset import of_rules
from tests.service.fakes import (
    FakeRule,
    document,
    least_resistance,
    most_in_all,
    resistances,
    satisfied,
    set_value,
    violated,
)

YAML = b"""\
format: thumbrule/1
name: propagator-lamp   # written by hand
ground: gnd
parts:
  V1: {kind: supply, voltage: 5 V, pins: {plus: rail, minus: gnd}}
  R1: {kind: resistor, resistance: 47R, pins: {a: rail, b: gnd}}
  R2: {kind: resistor, resistance: 33R, pins: {a: rail, b: gnd}}
"""


def _document() -> Document:
    return read_document(YAML, "yaml")


def test_every_proven_remedy_is_applied_and_the_result_reviewed() -> None:
    document_ = _document()
    result = facade.mend(document_, ruleset=of_rules([least_resistance(100.0, "150 ohm")]))
    assert [step["summary"] for step in result["applied"]] == [
        "R1 resistance 150 ohm",
        "R2 resistance 150 ohm",
    ]
    assert result["remaining"] == result["review"]["findings"] == []
    assert result["withdrawn"] is None
    assert result["circuit"] == "propagator-lamp"
    # an independent library applies the patch to the same document
    assert jsonpatch.apply_patch(document_.raw, result["patch"]) == result["document"]
    assert {op["path"]: op["value"] for op in result["patch"] if op["op"] == "replace"} == {
        "/parts/R1/resistance": "150 ohm",
        "/parts/R2/resistance": "150 ohm",
    }


def test_the_document_itself_is_not_changed() -> None:
    document_ = _document()
    before = copy.deepcopy(document_.raw)
    facade.mend(document_, ruleset=of_rules([least_resistance(100.0, "150 ohm")]))
    assert document_.raw == before


def test_a_second_mend_changes_nothing() -> None:
    rules = of_rules([least_resistance(100.0, "150 ohm")])
    raw = document(R1="47R", R2="33R")
    once = mend(load_circuit(raw), raw, rules)
    twice = mend(load_circuit(once.raw), once.raw, rules)
    assert len(once.steps) == 2
    assert (twice.steps, twice.patch, twice.raw) == ((), (), once.raw)


def test_what_cannot_be_proven_remains() -> None:
    raw = document(R1="30 ohm", R2="1k0")
    result = mend(load_circuit(raw), raw, of_rules([least_resistance(100.0, "150 ohm"), most_in_all(1040.0)]))
    assert result.steps == ()
    assert result.raw == raw
    assert [finding.rule for finding in result.review.findings] == ["least-resistance"]
    assert "withdrawn" in result.review.findings[0].advice[0]


def test_the_worst_finding_is_mended_first(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where no set of remedies can be proven as a whole (here: none is tried)."""
    monkeypatch.setattr("service.joint.SETS_TRIED", 0)
    rules = of_rules([
        least_resistance(100.0, "150 ohm", slug="alpha", severity="note"),
        least_resistance(40.0, "68 ohm", slug="beta", severity="error"),
    ])  # fmt: skip
    raw = document(R1="30 ohm")
    result = mend(load_circuit(raw), raw, rules)
    assert [step.finding.rule for step in result.steps] == ["beta", "alpha"]
    # the place was changed twice, the patch changes it once
    assert [op["value"] for op in result.patch if op["op"] == "replace"] == ["150 ohm"]
    assert [op["value"] for op in result.patch if op["op"] == "test"] == ["resistor", "30 ohm"]


def test_one_change_that_clears_two_findings_is_made_once() -> None:
    rules = of_rules([
        least_resistance(100.0, "150 ohm", slug="alpha", severity="note"),
        least_resistance(40.0, "68 ohm", slug="beta", severity="error"),
    ])  # fmt: skip
    raw = document(R1="30 ohm")
    result = mend(load_circuit(raw), raw, rules)
    (step,) = result.steps
    assert step.remedy.summary == "R1 resistance 150 ohm"
    assert {key.split("/")[0] for key in step.clears} == {"alpha", "beta"}
    assert result.review.findings == ()


def test_the_cap_withdraws_everything() -> None:
    raw = document(R1="10 ohm", R2="20 ohm", R3="30 ohm")
    result = mend(load_circuit(raw), raw, of_rules([least_resistance(100.0, "150 ohm")]), cap=2)
    assert (result.steps, result.patch, result.raw) == ((), (), raw)
    assert result.withdrawn == "after 2 changes there was still something to mend"
    assert len(result.review.findings) == 3


def test_a_circle_withdraws_everything(monkeypatch: pytest.MonkeyPatch) -> None:
    """A proof that missed a new finding would let two remedies undo each other."""
    toggle = {"47R": "150 ohm", "150 ohm": "47R"}

    def judge(study: Any) -> Iterable[Outcome]:
        ohms = resistances(study)["R1"]
        text = "47R" if ohms == 47.0 else "150 ohm"
        role = "low" if ohms == 47.0 else "high"
        test = Inequality.at_least(1.0, 2.0, "")
        yield violated("torn", test, ("R1",), (set_value("R1", "resistance", text, toggle[text]),), role=role)

    from service.comparing import Comparison

    monkeypatch.setattr(Comparison, "is_clean", property(lambda self: self.target is None))
    raw = document(R1="47R")
    result = mend(load_circuit(raw), raw, of_rules([FakeRule("torn", judge)]))
    assert result.withdrawn is not None
    assert "go in a circle" in result.withdrawn
    assert (result.steps, result.raw) == ((), raw)


def test_a_loss_that_only_the_sum_shows_withdraws_everything() -> None:
    """Each step stays within the leeway beside the one before; together they do not."""

    def drifting(study: Any) -> Iterable[Outcome]:
        changed = sum(1 for ohms in resistances(study).values() if ohms > 100.0)
        test = Inequality.at_least(-1.0 - changed * 0.009, 0.0, "")
        yield violated("drift", test, tuple(resistances(study)))

    raw = document(R1="10 ohm", R2="20 ohm", R3="30 ohm")
    rules = of_rules([least_resistance(100.0, "150 ohm"), FakeRule("drift", drifting)])
    result = mend(load_circuit(raw), raw, rules)
    assert result.withdrawn is not None
    assert "taken together, the changes were not an improvement: it would worsen drift" in result.withdrawn
    assert (result.steps, result.raw) == ((), raw)


def test_a_step_may_build_on_a_part_that_another_step_added() -> None:
    extra = {"kind": "resistor", "resistance": "10 ohm", "pins": {"a": "rail", "b": "gnd"}}

    def wants_bleed(study: Any) -> Iterable[Outcome]:
        count = len(resistances(study))
        test = Inequality.at_least(float(count), 2.0, "")
        if test.holds:
            yield satisfied("bleed", test)
        else:
            part = {**extra, "resistance": "200 ohm"}
            yield violated(
                "bleed", test, ("R1",), (Proposal("add R2", (_add("R2", part),)),), severity="error"
            )

    def wants_equal(study: Any) -> Iterable[Outcome]:
        ohms = resistances(study)
        test = Inequality.at_most(ohms.get("R2", 150.0), 150.0, "ohm")
        if test.holds:
            yield satisfied("equal", test, ("R1",))
        else:
            yield violated("equal", test, ("R1",), (set_value("R2", "resistance", None, "120 ohm"),))

    raw = document(R1="150 ohm")
    rules = of_rules([FakeRule("bleed", wants_bleed), FakeRule("equal", wants_equal)])
    result = mend(load_circuit(raw), raw, rules)
    assert result.raw["parts"]["R2"]["resistance"] == "120 ohm"
    assert jsonpatch.apply_patch(raw, list(result.patch)) == result.raw


def _add(name: str, part: dict[str, Any]) -> Any:
    from schemas.finding import Change

    return Change(f"/parts/{name}", None, part)


def test_the_cap_is_generous_enough_for_a_real_board() -> None:
    assert module.MAX_STEPS >= 20
