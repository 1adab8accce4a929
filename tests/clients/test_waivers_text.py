"""Waivers in the text of a review and in the exit status of the command."""

from __future__ import annotations

import contextlib
import json
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from clients import options
from clients.cli import main
from clients.render import review_text, verdict

CIRCUIT = """\
format: thumbrule/1
name: bench-light
ground: gnd
parts:
  V1: {kind: supply, voltage: 5 V, pins: {plus: rail, minus: gnd}}
  LS1: {kind: load, resistance: 600 ohm, pins: {plus: rail, minus: out}}
  R1: {kind: resistor, resistance: 18k, pins: {a: rail, b: base}}
  Q1: {kind: npn, type: 2N3904, pins: {collector: out, base: base, emitter: gnd}}
"""
WAIVER = "{rule: min-beta-drive, parts: [Q1, R1], reason: lamp may be dim, owner: bench, expires: 2026-11-29}"
UNREADABLE = WAIVER.replace("2026-11-29", "2026-11-31")


def finding(name: str, **more: Any) -> dict[str, Any]:
    return {"identity": f"min-beta-drive/1/{name}", "rule": "min-beta-drive", "severity": "warning",
            "parts": [name], "nets": [], "pointers": [f"/parts/{name}"], "state": "lit", "corner": None,
            "message": f"{name} is short of drive.", "caused_by": None, "waiver": None, **more}  # fmt: skip


def waiver(status: str, explanation: str = "", **more: Any) -> dict[str, Any]:
    return {"pointer": "/waivers/0", "reason": "the lamp may be dim", "owner": "bench",
            "expires": "2027-06-30", "status": status, "explanation": explanation, **more}  # fmt: skip


def review(*findings: Any, waivers: Any = ()) -> dict[str, Any]:
    return {"circuit": "bench", "complete": True, "findings": list(findings), "outcomes": [], "states": [],
            "waivers": list(waivers)}  # fmt: skip


def test_a_waived_finding_is_one_line_and_counts_no_more() -> None:
    answer = review(finding("Q1", waiver=waiver("in-force")), finding("Q2"))
    text = review_text(answer)
    said = "warning: min-beta-drive: Q1 (lit): the lamp may be dim (bench, to"
    assert f"waived, and not counted\n  - {said}" in text
    assert "Q1 is short of drive" not in text
    assert "Q2 is short of drive" in text
    assert text.endswith("verdict: 1 warning, 1 waived\n")
    assert verdict(review(finding("Q1", waiver=waiver("in-force")))) == "nothing found, 1 waived"
    assert all(len(line) <= 80 for line in text.splitlines())


def test_a_waived_finding_takes_none_of_its_consequences_along() -> None:
    cause = finding("Q1", waiver=waiver("in-force"))
    text = review_text(review(cause, finding("Q2", caused_by=cause["identity"])))
    assert "Q2 is short of drive" in text
    assert "it also causes" not in text


@pytest.mark.parametrize("status", ["expired", "malformed", "changed", "not-waivable", "not-judged"])
def test_a_waiver_that_does_not_hold_is_told_at_its_finding_and_in_a_list(status: str) -> None:
    held = waiver(status, "because of this")
    told = {**held, "rule": "min-beta-drive", "parts": ["Q1"], "nets": ["n1"], "covers": []}
    text = review_text(review(finding("Q1", waiver=held), waivers=[told]), locate=lambda pointer: 7)
    assert f"  waiver  {status}: because of this\n" in text
    assert "waivers that are not in force\n  - /waivers/0, line 7: " in text
    assert f"{status}: min-beta-drive: Q1, net n1:" in text
    assert text.endswith("verdict: 1 warning\n")


def test_without_waivers_nothing_is_said_of_them() -> None:
    assert "waive" not in review_text(review(finding("Q1")))


def run(tmp_path: Path, text: str, *arguments: str) -> Result:
    """In the folder itself: the path of a temporary folder may be so long that it is broken in two."""
    (tmp_path / "light.yaml").write_text(text)
    with contextlib.chdir(tmp_path):
        return CliRunner().invoke(main, ["review", "light.yaml", "--no-remedies", *arguments],
                                  prog_name="thumbrule")  # fmt: skip


@pytest.mark.parametrize(("today", "status", "said"), [
    ("2026-11-29", 0, "waived: warning: min-beta-drive: Q1, R1, net base"),
    ("2026-11-30", 1, "waiver: expired: min-beta-drive: Q1, R1: it was in force to"),
])  # fmt: skip
def test_the_day_decides_the_exit_status(tmp_path: Path, today: str, status: int, said: str) -> None:
    result = run(tmp_path, CIRCUIT + f"waivers:\n  - {WAIVER}\n", "--quiet", "--today", today)
    assert said in " ".join(result.stdout.split())
    assert result.exit_code == status, result.stdout


def test_the_clock_is_read_where_no_day_is_given(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    class Clock(date):
        @classmethod
        def today(cls) -> date:
            return date(2026, 11, 30)

    monkeypatch.setattr(options, "date", Clock)
    result = run(tmp_path, CIRCUIT + f"waivers:\n  - {WAIVER}\n", "--format", "json")
    assert result.exit_code == 1
    (told,) = json.loads(result.stdout)["waivers"]
    assert (told["status"], told["explanation"]) == ("expired", "it was in force to 2026-11-29, 1 day ago")


def test_a_malformed_waiver_does_not_hide_the_circuit(tmp_path: Path) -> None:
    result = run(tmp_path, CIRCUIT + f"waivers:\n  - {UNREADABLE}\n", "--today", "2026-11-29", "--quiet")
    assert result.exit_code == 1
    told = " ".join(result.stdout.split())
    assert "light.yaml:10: waiver: malformed: min-beta-drive: Q1, R1:" in told
    assert "no such day in the calendar" in told


def test_a_waiver_that_misses_its_finding_is_told_what_it_missed(tmp_path: Path) -> None:
    near = WAIVER.replace("[Q1, R1]", "[Q1]")
    result = run(tmp_path, CIRCUIT + f"waivers:\n  - {near}\n", "--today", "2026-11-29", "--quiet")
    said = "no finding that names just Q1; it has one that names Q1, R1, net base"
    assert said in " ".join(result.stdout.split())
    assert result.exit_code == 1


@pytest.mark.parametrize("day", ["tomorrow", "2026-02-30", "20261129", ""])
def test_a_day_that_is_none_is_refused(tmp_path: Path, day: str) -> None:
    result = run(tmp_path, CIRCUIT, "--today", day)
    assert result.exit_code == 2
    assert "needed is a date as YYYY-MM-DD" in " ".join(result.stderr.split())


def test_mending_leaves_alone_what_is_waived(tmp_path: Path) -> None:
    path = tmp_path / "light.yaml"
    path.write_text(f"{CIRCUIT}waivers:\n  - {WAIVER}\n")
    left = "0 proven remedies applied waived, and not counted"
    for day, said in (("2026-11-29", left), ("2026-11-30", "1 proven remedy applied")):
        call = ["mend", str(path), "--dry-run", "--today", day]
        result = CliRunner().invoke(main, call, prog_name="thumbrule")
        assert said in " ".join(result.output.split())
        assert result.exit_code == 0, result.output
    call = ["mend", str(path), "--dry-run", "--format", "json", "--today", "2026-11-29"]
    answer = json.loads(CliRunner().invoke(main, call, prog_name="thumbrule").stdout)
    assert [item["why"] for item in answer["remaining"]] == [["it is waived, so it is left as it is"]]
