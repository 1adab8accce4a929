"""Policy on the command line: which file counts for which circuit, what is shown, and what is refused."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from clients.cli import main
from clients.layout import WIDTH, columns
from service.policy import PROFILES

ROOT = Path(__file__).resolve().parents[2]
SWITCH = """\
format: thumbrule/1
name: gate-light
ground: gnd
parts:
  PS1: {kind: supply, voltage: 12 V, pins: {plus: rail, minus: gnd}}
  U1:  {kind: driver, low: 0 V, high: 5 V, pins: {out: order, reference: gnd}}
  R1:  {kind: resistor, resistance: 1.2k, pins: {a: order, b: base}}
  Q1:  {kind: npn, beta: {min: 60, typical: 150, max: 300}, pins: {collector: lamp, base: base, emitter: gnd}}
  LP1: {kind: load, resistance: 270 ohm, pins: {plus: rail, minus: lamp}}
"""
ONLY = '[rules]\nrun = ["min-beta-drive"]\n'
STRICT = ONLY + "[limits.min-beta-drive]\nsure = 5\n"


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A repository with a circuit two folders down."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / ".git").mkdir()
    (tmp_path / "yard" / "gate").mkdir(parents=True)
    (tmp_path / "yard" / "gate" / "light.yaml").write_text(SWITCH)
    return tmp_path


LIGHT = "yard/gate/light.yaml"


def run(*arguments: str, given: str | None = None) -> Result:
    return CliRunner().invoke(main, list(arguments), input=given)


def answer(*arguments: str, given: str | None = None) -> Any:
    result = run(*arguments, given=given)
    return json.loads(result.stdout)


def rules_that_ran(review: Any) -> set[str]:
    return {item["rule"] for item in review["outcomes"] if not item["reason"].startswith("not run:")}


def test_the_nearest_policy_counts_for_each_circuit(folder: Path) -> None:
    (folder / "thumbrule.toml").write_text(ONLY)
    (folder / "yard" / "gate" / "thumbrule.toml").write_text(STRICT)
    (folder / "other.yaml").write_text(SWITCH.replace("gate-light", "other"))
    both = answer("review", "--no-remedies", "--format", "json", LIGHT, "other.yaml")["reviews"]
    first, second = (item["review"] for item in both)
    assert [item["rule"] for item in first["findings"]] == ["min-beta-drive"]
    assert second["findings"] == []
    assert first["policy"][0] == "from yard/gate/thumbrule.toml"
    assert second["policy"][0] == "from thumbrule.toml"
    assert rules_that_ran(first) == rules_that_ran(second) == {"min-beta-drive"}
    assert first["ruleset"] != second["ruleset"]


def test_a_limit_by_policy_is_named_in_the_finding(folder: Path) -> None:
    (folder / "thumbrule.toml").write_text(STRICT)
    result = run("review", "--no-remedies", LIGHT)
    assert result.exit_code == 1
    assert "where 5 times is wanted" in result.stdout
    found = answer("review", "--no-remedies", "--format", "json", LIGHT)["findings"][0]
    assert "limit sure is 5 instead of 3 by policy (thumbrule.toml, line 4)" in found["grounds"]["source"]


def test_a_named_policy_and_none_at_all(folder: Path) -> None:
    (folder / "thumbrule.toml").write_text(STRICT)
    (folder / "mild.toml").write_text(ONLY + '[severity]\nmin-beta-drive = "note"\n')
    named = answer("review", "--no-remedies", "--format", "json", "--policy", "mild.toml", LIGHT)
    assert named["findings"] == []
    assert named["policy"][0] == "from mild.toml"
    plain = answer("review", "--no-remedies", "--format", "json", "--no-policy", LIGHT)
    assert plain["policy"] == []
    assert len(rules_that_ran(plain)) > 20


def test_a_severity_changes_the_exit_status(folder: Path) -> None:
    (folder / "thumbrule.toml").write_text(STRICT)
    assert run("review", "--no-remedies", LIGHT).exit_code == 1
    (folder / "thumbrule.toml").write_text(STRICT + '[severity]\nmin-beta-drive = "note"\n')
    assert run("review", "--no-remedies", LIGHT).exit_code == 0
    assert run("review", "--no-remedies", "--threshold", "note", LIGHT).exit_code == 1


def test_standard_input_takes_the_policy_of_the_working_folder(folder: Path) -> None:
    (folder / "thumbrule.toml").write_text(STRICT)
    found = answer("review", "--no-remedies", "--format", "json", "-", given=SWITCH)
    assert [item["rule"] for item in found["findings"]] == ["min-beta-drive"]


def test_mend_takes_values_from_the_series_of_the_policy(folder: Path) -> None:
    (folder / "thumbrule.toml").write_text(STRICT + '[series]\nresistor = "E6"\n')
    made = answer("mend", "--dry-run", "--format", "json", LIGHT)
    values = [op["value"] for op in made["patch"] if op["op"] == "replace"]
    assert values == ["680 ohm"]
    (folder / "thumbrule.toml").write_text(STRICT + '[series]\nresistor = "E96"\n')
    made = answer("mend", "--dry-run", "--format", "json", LIGHT)
    assert [op["value"] for op in made["patch"] if op["op"] == "replace"] != values


def test_the_policy_in_effect_is_shown_with_origins(folder: Path) -> None:
    (folder / "base.toml").write_text('[series]\nfilm = "E6"\n')
    (folder / "yard" / "thumbrule.toml").write_text('extends = ["../base.toml"]\n' + STRICT)
    result = run("policy", "--show", LIGHT)
    assert result.exit_code == 0
    lines = result.stdout.splitlines()
    assert all(columns(line) <= WIDTH for line in lines)
    text = " ".join(result.stdout.split())
    assert "base.toml, yard/thumbrule.toml" in text
    assert "film = E6 [base.toml:2]" in text
    assert "min-beta-drive: sure = 5 instead of 3 [yard/thumbrule.toml:5]" in text
    assert (
        "min-beta-drive: edge = 1 [default: by definition" in text
        or "min-beta-drive: edge = 1 [default:" in text
    )
    assert "profile = house" in text
    shown = answer("policy", "--show", "--format", "json", "yard")
    assert shown["files"] == ["base.toml", "yard/thumbrule.toml"]
    assert {item["origin"]["kind"] for item in shown["limits"]} == {"file", "default"}
    assert shown["derating"]["known"] == sorted(PROFILES)


def test_without_show_only_changes_are_told(folder: Path) -> None:
    (folder / "thumbrule.toml").write_text("[limits.min-beta-drive]\nsure = 5\n")
    result = run("policy")
    assert result.exit_code == 0
    assert "sure = 5 instead of 3 [thumbrule.toml:2]" in result.stdout
    assert "1 setting by policy" in result.stdout
    assert "default" not in result.stdout
    (folder / "thumbrule.toml").unlink()
    assert run("policy").stdout == "no policy: the rules run as they are\n"


BROKEN = """\
[limits.min-beta-drve]
sure = 3
[limits.min-beta-drive]
sure = "3 V"
[severity]
min-beta-drive = "fatal"
"""


@pytest.mark.parametrize("command", [("review",), ("mend", "--dry-run"), ("policy", "--show")])
def test_a_policy_that_cannot_be_used_is_told_with_file_and_line(
    folder: Path, command: tuple[str, ...]
) -> None:
    (folder / "thumbrule.toml").write_text(BROKEN.replace("fatal", "note"))
    result = run(*command, LIGHT)
    assert result.exit_code == 2
    assert result.stdout == ""
    said = " ".join(result.stderr.split())
    assert "thumbrule.toml:1:1: /limits/min-beta-drve: no rule has this name" in said
    assert "did you mean: min-beta-drive" in said
    assert 'thumbrule.toml:4:1: /limits/min-beta-drive/sure: the limit has no unit seen: "3 V"' in said
    assert "The policy thumbrule.toml cannot be used." in said
    details = answer(*command, "--format", "json", LIGHT)
    assert [item["line"] for item in details["errors"]] == [1, 4]


def test_what_is_wrong_in_one_file_comes_before_what_does_not_fit_the_rules(folder: Path) -> None:
    (folder / "thumbrule.toml").write_text(BROKEN)
    said = run("review", LIGHT).stderr
    assert "thumbrule.toml:6:1: /severity/min-beta-drive" in said
    assert '"fatal"' in said


@pytest.mark.parametrize(
    ("arguments", "word"),
    [
        (("--policy", "a.toml", "--no-policy"), "cannot be combined"),
        (("--server", "http://127.0.0.1:9", "--policy", "a.toml"), "a server has its own policy"),
        (("--server", "http://127.0.0.1:9", "--no-policy"), "a server has its own policy"),
    ],
)
def test_options_that_contradict_each_other_are_refused(
    folder: Path, arguments: tuple[str, ...], word: str
) -> None:
    result = run("review", *arguments, LIGHT)
    assert result.exit_code == 2
    assert word in " ".join(result.stderr.split())


def test_a_policy_or_a_place_that_is_not_there(folder: Path) -> None:
    result = run("review", "--policy", "nowhere.toml", LIGHT)
    assert result.exit_code == 2
    assert "the policy cannot be read" in result.stderr
    result = run("policy", "nowhere")
    assert result.exit_code == 2
    assert "no such file or folder" in result.stderr


def test_a_lesson_tells_the_limits_of_the_policy_also_of_a_rule_that_is_skipped(folder: Path) -> None:
    (folder / "thumbrule.toml").write_text(
        '[limits.min-beta-drive]\nsure = 5\n[rules]\nskip = ["min-beta-drive"]\n'
    )
    made = answer("lesson", "--format", "json", "min-beta-drive")
    assert {item["name"]: item["value"] for item in made["limits"]}["sure"] == 5.0
    plain = answer("lesson", "--format", "json", "--no-policy", "min-beta-drive")
    assert {item["name"]: item["value"] for item in plain["limits"]}["sure"] == 3.0


def test_serve_refuses_a_policy_before_it_listens(folder: Path) -> None:
    (folder / "bad.toml").write_text("[limits]\nx = 1\n")
    result = run("serve", "--port", "0", "--policy", "bad.toml")
    assert result.exit_code == 2
    assert "bad.toml" in result.stderr


def test_a_server_serves_under_its_policy_and_tells_it(folder: Path) -> None:
    (folder / "thumbrule.toml").write_text(
        "[limits.min-beta-drive]\nsure = 9\n"
    )  # of no account to the server
    (folder / "house.toml").write_text(STRICT)
    command = [
        sys.executable,
        "-m",
        "clients",
        "serve",
        "--port",
        "0",
        "--workers",
        "1",
        "--policy",
        "house.toml",
    ]
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    server = subprocess.Popen(command, stdout=subprocess.PIPE, text=True, cwd=folder, env=environment)
    try:
        assert server.stdout is not None
        address = server.stdout.readline().removeprefix("Serving on ").split()[0]
        shown = run("policy", "--server", address)
        assert shown.exit_code == 0
        assert "sure = 5 instead of 3 [house.toml:4]" in shown.stdout
        found = answer("review", "--no-remedies", "--format", "json", "--server", address, LIGHT)
        assert [item["rule"] for item in found["findings"]] == ["min-beta-drive"]
        assert found["policy"][0] == "from house.toml"
    finally:
        server.terminate()
        server.wait(timeout=30)


def test_a_policy_that_a_server_does_not_use_is_named(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    from clients.options import tell_unused_policy

    (tmp_path / "thumbrule.toml").write_text('[series]\nresistor = "E12"\n')
    circuit = str(tmp_path / "pond.yaml")
    tell_unused_policy("http://127.0.0.1:8000", circuit, circuit)
    said = capsys.readouterr().err
    assert said.count("is not used") == 1
    assert str(tmp_path / "thumbrule.toml") in said
    tell_unused_policy(None, circuit)
    assert capsys.readouterr().err == ""
