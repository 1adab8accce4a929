"""A lesson as a page: three depths of the same data, within 80 columns, with the numbers of a circuit."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from clients.cli import main
from clients.layout import WIDTH, columns
from clients.render_lesson import lesson_text, rules_text
from service import facade

CIRCUITS = Path("clients/examples")
LAMP = "workshop-lamp.yaml"
STEP = {
    "place": 0, "says": "The load sets the current.", "left": "I", "relation": "=", "right": "V/R",
    "why": "law", "uses": [], "without": [], "source": "Ohm's law", "left_value": 0.012,
    "right_value": 0.012, "unit": "A", "holds": True, "how": None, "numbers": "12 V/1 kohm",
}  # fmt: skip
LIMIT = {
    **STEP, "place": 1, "says": "No more than that.", "relation": "<=", "right": "I_max", "why": "derived",
    "uses": [0], "without": ["V"], "right_value": 0.01, "holds": False, "numbers": "10 mA",
}  # fmt: skip


def run(*arguments: str) -> Any:
    return CliRunner().invoke(main, list(arguments))


def page(**more: Any) -> dict[str, Any]:
    return {"slug": "reset-path", "title": "A way out", "rule_of_thumb": "Empty it.", **more}


def test_a_lesson_keeps_the_layout_of_its_circuits() -> None:
    text = lesson_text(page(lesson={
        "why": "Charge stays.", "failing": "parts:\n  R1: {kind: resistor}\n", "passing": "parts: {}\n"}))
    assert text == ("reset-path: A way out\n\nrule of thumb\n  Empty it.\n\nwhy it holds\n  Charge stays.\n\n"
                    "the smallest circuit that fails\n"
                    "  parts:\n    R1: {kind: resistor}\n\nand the one that passes\n  parts: {}\n")


def test_a_step_comes_with_formula_numbers_and_how_it_is_known() -> None:
    text = lesson_text(page(derivation={"proven": None, "steps": [STEP, LIMIT], "symbols": [], "plain": []}))
    assert ("  1. The load sets the current.\n     I = V/R\n     I = 12 V/1 kohm = 12 mA\n     [Ohm's law]\n"
            "  2. No more than that.\n     I <= I_max\n     12 mA <= 10 mA, not in this example\n"
            "     [from 1, without V]\n") in text


def test_the_three_depths_tell_more_and_more() -> None:
    texts = [run("lesson", "min-beta-drive", "--depth", depth).stdout for depth in ("line", "card", "lesson")]
    assert texts[0] == ("min-beta-drive: A switch gets three times the base current that its least gain\n"
                        "  needs.\n")
    assert "does not hold\n" in texts[1]
    assert "step by step" not in texts[1]
    assert "step by step, with the numbers of an example\n" in texts[2]
    assert "the smallest circuit that fails\n" in texts[2]
    assert len(texts[0]) < len(texts[1]) < len(texts[2])


@pytest.mark.parametrize("depth", ["line", "card", "lesson"])
@pytest.mark.parametrize("style", ["text", "markdown"])
def test_a_lesson_worked_on_a_circuit(depth: str, style: str) -> None:
    result = run("lesson", "min-beta-drive", "--circuit", str(CIRCUITS / LAMP), "--depth", depth, "--format",
                 style)
    assert result.exit_code == 0
    assert result.stdout.isascii()
    assert "workshop-lamp" in result.stdout
    assert "0.4144 >= 3 is not met" in result.stdout.replace("\\>", ">")
    assert ("ODF = beta_min*I_B/I_C" in result.stdout) == (depth == "lesson")
    if style == "text":
        assert max(columns(line) for line in result.stdout.split("\n")) <= WIDTH


def test_the_numbers_put_in_are_those_of_the_review() -> None:
    answer = json.loads(run("lesson", "min-beta-drive", "--circuit", str(CIRCUITS / LAMP), "--format",
                            "json").stdout)
    (verdict,) = answer["worked"]["verdicts"]
    review = facade.review(facade.read((CIRCUITS / LAMP).read_bytes(), name=LAMP), remedies=False)
    (finding,) = [item for item in review["findings"] if item["rule"] == "min-beta-drive"]
    assert (verdict["identity"], verdict["test"]) == (finding["identity"], finding["test"])
    found = {item["formula"]: item for item in verdict["put_in"]}
    overdrive = found["ODF = beta_min*I_B/I_C"]
    known = {item["symbol"]: item["value"] for item in finding["evidence"]}
    assert overdrive["right"] == pytest.approx(known["beta_min"] * known["I_B"] / known["I_C"])
    assert overdrive["agrees"] is True
    assert found["I_B >= sure*I_C/beta_min"]["agrees"] is False


def test_a_proof_is_told() -> None:
    result = run("lesson", "supply-short", "--prove")
    assert result.exit_code == 0
    assert "each step proven here" in result.stdout


def test_options_that_do_not_go_together() -> None:
    assert run("lesson", "--circuit", str(CIRCUITS / LAMP)).exit_code == 2
    assert run("lesson", "supply-short", "--prove", "--depth", "card").exit_code == 2
    assert run("lesson", "supply-short", "--circuit", "nowhere.yaml").exit_code == 2


def test_the_catalogue_as_text_and_as_a_page() -> None:
    assert rules_text([page()]) == "reset-path  A way out\n"
    assert rules_text([]) == "no rules are installed\n"
    assert "| reset-path | Way back of the timing capacitor |" in run("lesson", "--format", "markdown").stdout


def test_every_lesson_worked_on_a_circuit_stays_within_the_page() -> None:
    document = facade.read((CIRCUITS / LAMP).read_bytes(), name=LAMP)
    for rule in facade.rules():
        answer = facade.lesson(rule["slug"], document=document)
        text = lesson_text(answer)
        assert max(columns(line) for line in text.split("\n")) <= WIDTH, rule["slug"]
        assert text.isascii(), rule["slug"]
        assert answer["worked"]["verdicts"], rule["slug"]
        assert lesson_text(answer, style="markdown").count("```") % 2 == 0
