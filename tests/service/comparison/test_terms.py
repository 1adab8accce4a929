"""A change that gives a circuit other terms, or takes something out of a rule's sight, is told."""

from __future__ import annotations

import copy
import json
from pathlib import Path
from typing import Any

import pytest

from service import facade

ROOT = Path(__file__).resolve().parents[3]
BELL = (ROOT / "clients/examples/frost-bell.yaml").read_text(encoding="utf-8")
LAMP = (ROOT / "clients/examples/workshop-lamp.yaml").read_text(encoding="utf-8")
RING = "{kind: delay, name: ring time, stimulus: pass, state: ringing, target: 30 s, within: 40 %}"


def compare(before: str, after: str) -> dict[str, Any]:
    documents = (facade.read(text.encode()) for text in (before, after))
    return facade.compare(*documents, remedies=False)


def told(before: str, after: str) -> list[tuple[str, str, str | None, str | None, str]]:
    return [(t["what"], t["name"], t["before"], t["after"], t["pointer"])
            for t in compare(before, after)["terms"]]  # fmt: skip


def replaced(text: str, old: str, new: str) -> str:
    assert old in text
    return text.replace(old, new)


def data(text: str) -> Any:
    return copy.deepcopy(facade.read(text.encode()).raw)


def test_a_requirement_that_is_eased() -> None:
    eased = replaced(BELL, "target: 30 s", "target: 20 s")
    assert told(BELL, eased) == [
        ("requirement", "delay ring time", "stimulus pass, state ringing, target 30 s, within 40 %",
         "stimulus pass, state ringing, target 20 s, within 40 %", "/requirements/0")]  # fmt: skip


def test_a_requirement_that_is_taken_out_and_one_that_comes() -> None:
    without = replaced(BELL, f"  - {RING}\n", "")
    assert [t[:2] + t[3:] for t in told(BELL, without)] == [
        ("requirement", "delay ring time", None, "/requirements/0")]  # fmt: skip
    assert [t[:3] for t in told(without, BELL)] == [("requirement", "delay ring time", None)]


@pytest.mark.parametrize(("old", "new"), [
    ("target: 30 s", "target: 30000 ms"),  # another spelling of one value
    ("high: 45 degC", "high: 45.0 degC"),
    ("name: ring time", "name: time of the bell"),  # only what it is called
])  # fmt: skip
def test_other_words_are_no_other_terms(old: str, new: str) -> None:
    assert told(BELL, replaced(BELL, old, new)) == []


def test_another_order_of_requirements_is_no_change() -> None:
    raw = data(BELL)
    raw["requirements"].reverse()
    assert told(BELL, json.dumps(raw)) == []


def test_a_net_under_another_name_is_no_other_requirement() -> None:
    wanted = "{kind: net-voltage, net: lamp, state: bright, target: 0.2 V, within: 50 %}"
    raw = f"{LAMP}requirements:\n  - {wanted}\n"
    renamed = raw.replace("collector: lamp", "collector: glow").replace("minus: lamp", "minus: glow")
    renamed = renamed.replace("net: lamp", "net: glow")
    answer = compare(raw, renamed)
    assert answer["renamed"]["nets"] == {"lamp": "glow"}
    assert answer["terms"] == []


def test_a_milder_ambient_takes_a_finding_away_and_is_told_beside_it() -> None:
    answer = compare(BELL, replaced(BELL, "high: 45 degC", "high: 30 degC"))
    assert [(t["what"], t["before"][-10:], t["after"][-10:]) for t in answer["terms"]] == [
        ("ambient", "high 45 degC"[-10:], "high 30 degC"[-10:])]  # fmt: skip
    assert "delay-tolerance" in {gone["rule"] for gone in answer["gone"]}


def test_use_assumptions_and_stimuli() -> None:
    raw = data(BELL)
    raw["use"] = "hobby"
    raw["assumptions"] = {"vbe_on": "0.65 V"}
    raw["stimuli"]["pass"][-1]["at"] = "3 s"
    found = told(BELL, json.dumps(raw))
    assert [(what, name) for what, name, *_ in found] == [
        ("use", ""), ("assumption", "vbe_on"), ("stimulus", "pass")]  # fmt: skip
    assert (found[1][2], found[1][3]) == (None, "0.65 V")
    assert "at 3 s" in str(found[2][3])


def test_what_a_rule_does_not_see_any_more() -> None:
    # both resistors on a net of their own: the base hangs free, and there is no drive to judge
    raw = data(LAMP)
    raw["parts"]["R1"]["pins"]["b"] = "loose"
    raw["parts"]["R2"]["pins"]["a"] = "loose"
    answer = compare(LAMP, json.dumps(raw))
    drive = [item for item in answer["unjudged"] if item["rule"] == "min-beta-drive"]
    assert drive
    assert all(item["was"] == "violated" and item["why"] for item in drive)
    assert {item["rule"] for item in drive} <= {gone["rule"] for gone in answer["gone"]}


def test_a_part_that_is_taken_out_leaves_nothing_unjudged() -> None:
    raw = data(LAMP)
    del raw["parts"]["R2"]
    answer = compare(LAMP, json.dumps(raw))
    assert [item for item in answer["unjudged"] if "R2" in item["subject"]] == []


def test_nothing_is_told_without_a_change() -> None:
    answer = compare(BELL, BELL + "\n# a remark\n")
    assert (answer["terms"], answer["unjudged"]) == ([], [])
