"""Running a rule set: isolation of what breaks, merging, order, the shape of a review."""

from __future__ import annotations

import json
from collections.abc import Iterable
from typing import Any

import pytest

from schemas.circuit import Circuit
from schemas.finding import Outcome
from schemas.finding import Test as Inequality
from service.documents import load_circuit
from service.engine import review, run
from service.facade import exit_status
from service.ruleset import of_rules
from service.shapes import review_shape
from tests.service.fakes import FakeRule, document, least_resistance, satisfied, violated

LOW = Inequality.at_least(50.0, 100.0, "ohm")


def _circuit(**ohms: Any) -> Circuit:
    return load_circuit(document(**(ohms or {"R1": "1k0"})))


def _shape(*rules: FakeRule, remedies: bool = False, **ohms: Any) -> dict[str, Any]:
    return review_shape(review(_circuit(**ohms), of_rules(rules), remedies))


def _raises(study: Any) -> Iterable[Outcome]:
    yield satisfied("broken", Inequality.at_least(2.0, 1.0, "V"))
    raise ZeroDivisionError("float division by zero\nand more lines")


def test_a_clean_circuit_has_no_finding_and_exit_status_zero() -> None:
    shape = _shape(least_resistance(100.0, "150 ohm"))
    assert shape["findings"] == []
    assert [(o["rule"], o["kind"], o["subject"]) for o in shape["outcomes"]] == [
        ("least-resistance", "satisfied", ["R1"])
    ]
    assert exit_status(shape) == 0


def test_a_rule_that_raises_fails_alone_and_never_reads_as_a_pass() -> None:
    shape = _shape(FakeRule("broken", _raises), least_resistance(100.0, "150 ohm"))
    assert [(o["rule"], o["kind"]) for o in shape["outcomes"]] == [
        ("broken", "failed"),
        ("broken", "satisfied"),
        ("least-resistance", "satisfied"),
    ]
    assert shape["outcomes"][0]["reason"] == "the rule raised ZeroDivisionError: float division by zero"
    assert "Traceback" not in json.dumps(shape)
    assert exit_status(shape) == 2


@pytest.mark.parametrize(
    ("given", "reason"),
    [
        ([], "the rule gave no outcome; even a rule that does not apply has to say so"),
        (["fine"], "the rule gave a str where an Outcome is needed"),
        ([violated("odd", Inequality(float("nan"), ">=", 1.0, "V", -1.0), ("R1",))], "is nan"),
        ([violated("odd", LOW, ("R7",))], "the finding names the part 'R7', which is not in the circuit"),
        ([violated("even", LOW, ("R1",))], "the outcome names the rule 'even'"),
        (7, "the rule raised TypeError: 'int' object is not iterable"),
        (None, "the rule raised TypeError: 'NoneType' object is not iterable"),
    ],
)
def test_what_a_rule_gives_has_to_be_sound(given: Any, reason: str) -> None:
    shape = _shape(FakeRule("odd", lambda study: given))
    assert [outcome["kind"] for outcome in shape["outcomes"]] == ["failed"]
    assert reason in shape["outcomes"][0]["reason"]
    assert shape["findings"] == []
    assert exit_status(shape) == 2


def test_a_rule_that_could_not_be_loaded_is_a_failed_outcome() -> None:
    shape = _shape(FakeRule("unnamed", lambda study: (), title=""))
    assert [(o["rule"], o["kind"]) for o in shape["outcomes"]] == [("unnamed", "failed")]
    assert shape["problems"] == ["rule 'unnamed' of local: title is empty"]
    assert exit_status(shape) == 2


def test_one_finding_per_identity_with_the_numbers_of_the_worst_place() -> None:
    def judge(study: Any) -> Iterable[Outcome]:
        for state, corner, left in (("on", "max", 80.0), ("off", "min", 60.0), ("on", "min", 70.0)):
            test = Inequality.at_least(left, 100.0, "ohm")
            yield violated("low", test, ("R1",), state=state, corner=corner)

    findings = _shape(FakeRule("low", judge))["findings"]
    assert len(findings) == 1
    assert (findings[0]["state"], findings[0]["corner"], findings[0]["test"]["left"]) == ("off", "min", 60.0)
    places = [(o["state"], o["corner"], o["left"]) for o in findings[0]["occurrences"]]
    assert places == [("off", "min", 60.0), ("on", "max", 80.0), ("on", "min", 70.0)]


def test_severity_outweighs_the_margin() -> None:
    def judge(study: Any) -> Iterable[Outcome]:
        yield violated("low", Inequality.at_least(10.0, 100.0, "ohm"), ("R1",), severity="note", corner="max")
        yield violated(
            "low", Inequality.at_least(90.0, 100.0, "ohm"), ("R1",), severity="error", corner="min"
        )

    finding = _shape(FakeRule("low", judge))["findings"][0]
    assert (finding["severity"], finding["corner"]) == ("error", "min")


def test_another_role_is_another_finding() -> None:
    def judge(study: Any) -> Iterable[Outcome]:
        yield violated("low", LOW, ("R1",), role="divider")
        yield violated("low", LOW, ("R1",), role="bleed")

    assert [f["role"] for f in _shape(FakeRule("low", judge))["findings"]] == ["bleed", "divider"]


def test_findings_are_told_by_severity_then_rule_then_parts() -> None:
    def judge(study: Any) -> Iterable[Outcome]:
        for part, severity in (("R2", "note"), ("R2", "error"), ("R1", "error"), ("R1", "warning")):
            yield violated("zeta", LOW, (part,), severity=severity, role=severity)

    shape = _shape(
        FakeRule("zeta", judge), least_resistance(100.0, "150 ohm", severity="error"), R1="10 ohm", R2="1k0"
    )
    told = [(f["severity"], f["rule"], f["parts"]) for f in shape["findings"]]
    assert told == [
        ("error", "least-resistance", ["R1"]),
        ("error", "zeta", ["R1"]),
        ("error", "zeta", ["R2"]),
        ("warning", "zeta", ["R1"]),
        ("note", "zeta", ["R2"]),
    ]


def test_undefined_and_infinite_numbers_are_null() -> None:
    def judge(study: Any) -> Iterable[Outcome]:
        yield violated("slow", Inequality.at_most(float("inf"), 3.0, "s"), ("R1",))

    shape = _shape(FakeRule("slow", judge))
    assert shape["findings"][0]["test"] == {
        "left": None,
        "relation": "<=",
        "right": 3.0,
        "unit": "s",
        "margin": None,
    }
    json.dumps(shape, allow_nan=False)


@pytest.mark.parametrize(
    ("severity", "threshold", "status"),
    [
        ("error", "error", 1),
        ("warning", "error", 0),
        ("warning", "warning", 1),
        ("note", "warning", 0),
        ("note", "note", 1),
    ],
)
def test_the_exit_status_counts_from_the_threshold(severity: str, threshold: Any, status: int) -> None:
    shape = _shape(FakeRule("low", lambda study: [violated("low", LOW, ("R1",), severity=severity)]))
    assert exit_status(shape, threshold) == status


@pytest.mark.parametrize(
    ("over", "status"),
    [
        ({}, 0),
        ({"problems": ["S1 open: a loop of sources"]}, 2),
        ({"complete": False}, 2),
        ({"outcomes": [{"kind": "failed"}]}, 2),
        ({"outcomes": [{"kind": "undecided"}]}, 0),
    ],
)
def test_what_could_not_be_checked_outweighs_everything(over: dict[str, Any], status: int) -> None:
    clean: dict[str, Any] = {"outcomes": [], "complete": True, "problems": [], "findings": []}
    assert exit_status({**clean, **over}) == status
    if status == 2:
        assert exit_status({**clean, **over, "findings": [{"severity": "error"}]}) == 2


def test_an_unknown_threshold_is_refused() -> None:
    with pytest.raises(ValueError, match="threshold is 'fatal'"):
        exit_status(_shape(least_resistance(1.0, "2 ohm")), "fatal")  # type: ignore[arg-type]


def test_a_network_fault_is_a_problem_and_exit_status_two() -> None:
    raw = document(R1="1k0")
    raw["parts"]["V2"] = {
        "kind": "supply",
        "voltage": "6 V",
        "resistance": 0,
        "pins": {"plus": "rail", "minus": "gnd"},
    }
    raw["parts"]["V1"]["resistance"] = 0
    shape = review_shape(review(load_circuit(raw), of_rules([least_resistance(1.0, "2 ohm")]), False))
    assert not shape["complete"]
    assert any("contradict" in text for text in shape["problems"])
    assert exit_status(shape) == 2


def test_what_was_assumed_is_listed_in_order() -> None:
    found = run(_circuit(), of_rules([least_resistance(1.0, "2 ohm")]))
    pointers = [item.pointer for item in found.assumed]
    assert "/assumptions/resistor_tolerance" in pointers
    assert pointers == sorted(pointers)


def test_the_same_circuit_in_another_order_gives_the_same_review() -> None:
    raw = document(R1="10 ohm", R2="20 ohm", R3="1k0")
    turned = {key: raw[key] for key in reversed(raw)}
    turned["parts"] = {key: raw["parts"][key] for key in reversed(raw["parts"])}
    rules = of_rules([least_resistance(100.0, "150 ohm")])
    first = review_shape(review(load_circuit(raw), rules, True, raw))
    second = review_shape(review(load_circuit(turned), rules, True, turned))
    assert json.dumps(first) == json.dumps(second)


def test_an_analysis_that_breaks_makes_the_review_incomplete(monkeypatch: pytest.MonkeyPatch) -> None:
    from rules.analysis.study import Study

    def broken(self: Any, corner: str = "typical") -> Any:
        raise ArithmeticError("singular\nsecond line")

    monkeypatch.setattr(Study, "state_sets", broken)
    shape = _shape(least_resistance(100.0, "150 ohm"))
    assert shape["complete"] is False
    assert shape["problems"] == [
        "the states of the circuit could not be worked out: ArithmeticError: singular"
    ]
    assert exit_status(shape) == 2
