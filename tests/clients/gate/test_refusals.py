"""What cannot be checked: the status is 2, whatever else was found, and the place is named."""

from __future__ import annotations

import json
import os
from pathlib import Path
from typing import Any

import pytest

from clients.gate.circuits import declares
from tests.clients.gate.repo import FAULT, LAMP, RULES, WORSE, Repo, gate

BASE = ("--base", "main")


@pytest.fixture
def lamps(repo: Repo) -> Repo:
    repo.commit({"thumbrule.toml": RULES, "lamp.yaml": FAULT, "other.yaml": LAMP})
    return repo


def judged(*arguments: str) -> Any:
    return json.loads(gate(*arguments, "--format", "json").stdout)


@pytest.mark.parametrize("broken", [
    b"format: thumbrule/1\nparts: [\n", FAULT.replace("kind: npn", "kind: valve").encode(), b"", b"hello\n",
    FAULT.encode("utf-16"), FAULT.replace("format: thumbrule/1", "format: else/1").encode(), b"\xff\xfe\x00",
])  # fmt: skip
def test_a_circuit_that_can_no_longer_be_read(lamps: Repo, broken: bytes) -> None:
    lamps.write({"lamp.yaml": broken, "other.yaml": WORSE})
    result = gate(*BASE)
    assert result.exit_code == 2
    assert "unchecked" in result.stdout
    assert "1 item could not be checked, 1 new" in " ".join(result.stdout.split())


def test_a_circuit_that_becomes_a_link(lamps: Repo) -> None:
    (lamps.top / "lamp.yaml").unlink()
    (lamps.top / "lamp.yaml").symlink_to("other.yaml")
    result = gate(*BASE)
    assert result.exit_code == 2
    assert "symbolic link" in result.stdout


def test_a_place_in_the_text_is_named(lamps: Repo) -> None:
    lamps.write({"lamp.yaml": FAULT.replace("kind: npn", "kind: valve")})
    text = gate(*BASE).stdout
    assert "line 9: /parts/Q1/kind" in text


def test_files_that_are_no_circuits_are_left_alone(lamps: Repo) -> None:
    lamps.write({
        "ci.yaml": "run: |\n  cat > lamp.yaml <<E\n  format: thumbrule/1\n  E\n", "list.json": "[1, 2]",
        "broken.yml": "a: [", "notes.txt": "format: thumbrule/1\n", "note.json": '{"about": "thumbrule/1"}',
        "tags.yaml": "x: !Ref thumbrule\n", "two.yaml": "a: 1\n---\nb: thumbrule\n", "half.json": "{",
    })  # fmt: skip
    result = gate(*BASE)
    assert result.exit_code == 0
    assert "no circuit to judge" in result.stdout


@pytest.mark.parametrize(("name", "text", "is_one"), [
    ("a.yaml", "format: thumbrule/1\n", True), ("a.yaml", "'format': \"thumbrule/1\"\nparts: [", True),
    ("a.json", '{"name": "x", "format": "thumbrule/1"}', True), ("a.json", '{"format": "thumbrule/1"', True),
    ("a.json", '{"format": "\\u0074humbrule/2"}', True), ("a.yaml", "\ufeffformat: thumbrule/9\r\n", True),
    ("a.yaml", "{format: thumbrule/1, parts: ", True), ("a.yaml", "formats: thumbrule/1\n", False),
    ("a.json", '{"files": [{"format": "thumbrule/1"}]}', False), ("a.yaml", "# format: thumbrule/1\n", False),
    ("a.json", '{"format": "thumbrule-baseline/1"}', False),
])  # fmt: skip
def test_what_calls_itself_a_circuit(name: str, text: str, is_one: bool) -> None:
    assert declares(text.encode(), name) is is_one


def test_a_base_that_could_not_be_read_makes_everything_new(repo: Repo) -> None:
    repo.commit({"thumbrule.toml": RULES, "lamp.yaml": "format: thumbrule/1\nparts: [\n"})
    repo.write({"lamp.yaml": FAULT})
    result = gate(*BASE)
    assert result.exit_code == 1
    assert "the base of this file cannot be read" in " ".join(result.stdout.split())
    repo.write({"lamp.yaml": LAMP})
    assert gate(*BASE).exit_code == 0


def test_not_a_repository(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("GIT_CEILING_DIRECTORIES", str(tmp_path.parent))
    monkeypatch.chdir(tmp_path)
    result = gate(*BASE)
    assert result.exit_code == 2
    assert "no git repository" in result.stderr


def test_an_unknown_revision(lamps: Repo) -> None:
    result = gate("--base", "mian")
    assert result.exit_code == 2
    assert "did you mean: main" in result.stderr
    problem = json.loads(gate("--base", "mian", "--format", "json").stdout)
    assert problem["errors"][0]["nearest"] == "main"


def test_before_the_first_commit_head_stands_for_nothing(repo: Repo) -> None:
    repo.write({"thumbrule.toml": RULES, "lamp.yaml": FAULT, "fine.yaml": LAMP})
    result = gate("--base", "HEAD")
    assert result.exit_code == 1
    assert "no commit yet" in result.stdout
    assert gate(*BASE).exit_code == 2
    repo.git("add", "fine.yaml")
    assert gate("--base", "HEAD", "--staged").exit_code == 0


def test_a_file_that_is_not_there(lamps: Repo) -> None:
    result = gate(*BASE, "lamb.yaml")
    assert result.exit_code == 2
    assert "did you mean: lamp.yaml" in result.stdout


def test_a_file_outside_of_the_repository(lamps: Repo, tmp_path_factory: pytest.TempPathFactory) -> None:
    other = tmp_path_factory.mktemp("other") / "lamp.yaml"
    other.write_text(LAMP)
    result = gate(*BASE, str(other))
    assert result.exit_code == 2
    assert "outside of the repository" in result.stdout


def test_a_named_file_has_to_be_a_circuit(lamps: Repo) -> None:
    assert gate(*BASE, "lamp.yaml").exit_code == 0
    assert gate(*BASE, "thumbrule.toml").exit_code == 2


def test_a_name_that_is_no_text(lamps: Repo) -> None:
    with open(os.fsencode(lamps.top) + b"/lamp\xff.yaml", "wb") as stream:
        stream.write(FAULT.encode())
    result = gate(*BASE)
    assert result.exit_code == 2
    assert "lamp\\xff.yaml" in result.stdout
    assert "not UTF-8" in result.stdout


def test_a_folder_names_the_circuits_below_it(lamps: Repo, monkeypatch: pytest.MonkeyPatch) -> None:
    lamps.commit({"yard/one.yaml": FAULT, "yard/two.yaml": LAMP, "yard/note.yaml": "a: 1\n"})
    assert [item["file"] for item in judged(*BASE, "yard")["files"]] == ["yard/one.yaml", "yard/two.yaml"]
    monkeypatch.chdir(lamps.top / "yard")
    assert [item["file"] for item in judged(*BASE, ".")["files"]] == ["yard/one.yaml", "yard/two.yaml"]
    assert [item["file"] for item in judged(*BASE, "../lamp.yaml", "one.yaml")["files"]] == [
        "lamp.yaml", "yard/one.yaml"]  # fmt: skip
    lamps.write({"yard/one.yaml": WORSE, "lamp.yaml": WORSE})
    assert [item["file"] for item in judged(*BASE)["files"]] == ["lamp.yaml", "yard/one.yaml"]
    (lamps.top / "yard/two.yaml").unlink()
    assert judged(*BASE, "../yard")["deleted"] == ["yard/two.yaml"]


def test_a_rule_that_fails_is_no_pass(lamps: Repo, monkeypatch: pytest.MonkeyPatch) -> None:
    from rules.min_beta_drive import RULE

    def check(self: Any, study: Any) -> Any:
        raise ValueError("made to fail")

    monkeypatch.setattr(type(RULE), "check", check)
    lamps.write({"lamp.yaml": WORSE})
    result = gate(*BASE)
    assert result.exit_code == 2
    assert "min-beta-drive could not be run" in " ".join(result.stdout.split())


@pytest.mark.parametrize(("arguments", "said"), [
    ([], "give --base REV, --baseline FILE, or both"),
    (["--baseline", "b.json", "--staged"], "need --base"),
    (["--baseline", "b.json", "--exact-base"], "need --base"),
    ([*BASE, "--head", "main", "--staged"], "cannot be combined"),
    ([*BASE, "--ratchet"], "--ratchet needs --baseline"),
    ([*BASE, "--baseline", "b", "--ratchet", "--head", "main"], "cannot be combined"),
    ([*BASE, "--worse-by", "much"], "--worse-by"), ([*BASE, "--worse-by", "-1 %"], "--worse-by"),
    ([*BASE, "--today", "tomorrow"], "YYYY-MM-DD"), ([*BASE, "--report", "text"], "FORMAT=FILE"),
    ([*BASE, "--report", "pdf=x"], "FORMAT=FILE"),
    ([*BASE, "--report", "json=x", "--report", "sarif=x"], "two reports"),
])  # fmt: skip
def test_options_that_do_not_fit(lamps: Repo, arguments: list[str], said: str) -> None:
    result = gate(*arguments)
    assert result.exit_code == 2
    assert said in " ".join(result.stderr.split())
