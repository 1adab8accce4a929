"""``thumbrule review --format sarif|junit|markdown``."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import pytest
from click.testing import CliRunner, Result

from clients.cli import main
from tests.clients.reports.circuits import EXAMPLES, lamp

LAMP, PUMP = str(EXAMPLES / "workshop-lamp.yaml"), str(EXAMPLES / "pond-pump.yaml")


def review(*arguments: str, given: str | None = None) -> Result:
    command = ["review", "--no-remedies", *arguments]
    return CliRunner().invoke(main, command, prog_name="thumbrule", input=given)


def test_sarif(valid: Callable[[Any], None]) -> None:
    found = review("--format", "sarif", LAMP, PUMP)
    assert found.exit_code == 1
    log = json.loads(found.stdout)
    valid(log)
    assert {item["ruleId"] for item in log["runs"][0]["results"]} == {
        "min-beta-drive", "saturation-headroom"}
    assert log["runs"][0]["automationDetails"]["id"] == "thumbrule/review/"
    assert all("help" in rule for rule in log["runs"][0]["tool"]["driver"]["rules"])


def test_sarif_with_all_outcomes(valid: Callable[[Any], None]) -> None:
    log = json.loads(review("--format", "sarif", "--all-outcomes", LAMP).stdout)
    valid(log)
    assert {item["kind"] for item in log["runs"][0]["results"]} == {"fail", "pass", "notApplicable"}


def test_all_outcomes_are_for_sarif_alone() -> None:
    found = review("--format", "junit", "--all-outcomes", LAMP)
    assert found.exit_code == 2
    assert "--all-outcomes is for --format sarif" in found.stderr


def test_junit_goes_by_the_threshold() -> None:
    microphone = str(EXAMPLES / "class-microphone.yaml")
    for threshold, failures in (("error", "2"), ("note", "3")):
        found = review("--format", "junit", "--threshold", threshold, microphone)
        assert found.exit_code == 1
        assert ElementTree.fromstring(found.stdout).attrib["failures"] == failures


def test_markdown() -> None:
    found = review("--format", "markdown", PUMP)
    assert (found.exit_code, found.stdout) == (0, "### thumbrule: passes\n")


@pytest.mark.parametrize("style", ["sarif", "junit", "markdown"])
def test_a_file_that_cannot_be_read_is_in_the_report(style: str, tmp_path: Path,
                                                     valid: Callable[[Any], None]) -> None:
    torn = tmp_path / "torn.yaml"
    torn.write_text(lamp().replace("kind: npn", "kind: nqn"), encoding="utf-8")
    found = review("--format", style, str(torn), PUMP, str(tmp_path / "none.yaml"))
    assert found.exit_code == 2
    assert "torn.yaml" in found.stderr
    if style == "sarif":
        log = json.loads(found.stdout)
        valid(log)
        (invocation,) = log["runs"][0]["invocations"]
        assert invocation["executionSuccessful"] is False
        assert len(invocation["toolConfigurationNotifications"]) == 2
    elif style == "junit":
        root = ElementTree.fromstring(found.stdout)
        assert (root.attrib["errors"], len(root)) == ("2", 3)
    else:
        assert found.stdout.startswith("### thumbrule: could not check 2 of 3 circuits\n")


def test_standard_input(valid: Callable[[Any], None]) -> None:
    found = review("--format", "sarif", "-", given=lamp())
    assert found.exit_code == 1
    log = json.loads(found.stdout)
    valid(log)
    assert len(log["runs"][0]["results"]) == 2
