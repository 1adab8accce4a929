"""The command line: exit status, what goes where, and that it never ends in a traceback."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from clients import output
from clients.cli import main
from clients.layout import WIDTH, columns
from service import facade

LAMP = """\
# the lamp over the bench
format: thumbrule/1
name: lamp
title: A lamp on a switch
ground: gnd
parts:
  PS1: {kind: supply, voltage: 12 V, pins: {plus: rail, minus: gnd}}
  U1:  {kind: driver, low: 0 V, high: 5 V, pins: {out: order, reference: gnd}}
  R1:  {kind: resistor, resistance: 10k, pins: {a: order, b: base}}   # too large
  Q1:  {kind: npn, beta: {min: 60, typical: 150, max: 300}, pins: {collector: lamp, base: base, emitter: gnd}}
  LP1: {kind: load, resistance: 270 ohm, pins: {plus: rail, minus: lamp}}
states:
  dark: {Q1: off}
"""
PATCH = [{"op": "test", "path": "/parts/R1/kind", "value": "resistor"},
         {"op": "test", "path": "/parts/R1/resistance", "value": "10k"},
         {"op": "replace", "path": "/parts/R1/resistance", "value": "1.8 kohm"}]
MENDED = LAMP.replace("resistance: 10k", "resistance: 1.8 kohm")


def finding(severity: str) -> dict[str, Any]:
    return {"identity": f"r/1/{severity}", "rule": "r", "severity": severity, "parts": ["R1"], "nets": [],
            "pointers": ["/parts/R1/resistance"], "message": "R1 is too large."}


def review_of(*severities: str, **members: Any) -> dict[str, Any]:
    return {"circuit": "lamp", "ruleset": "sha256:0", "complete": True, "states": [],
            "findings": [finding(severity) for severity in severities],
            "outcomes": [{"rule": "r", "kind": "satisfied", "subject": ["Q1"], "reason": ""}],
            "assumed": [], "cautions": [], "problems": [], **members}


@pytest.fixture
def lamp(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    path = Path("lamp.yaml")
    path.write_bytes(LAMP.encode())
    return path


@pytest.fixture
def answers(monkeypatch: pytest.MonkeyPatch) -> dict[str, Any]:
    """What the service says, set by the test; the rules themselves are tested elsewhere."""
    said: dict[str, Any] = {"review": review_of()}

    def review(document: Any, *, remedies: bool, ruleset: Any, today: Any, malformed: Any) -> Any:
        said["asked"] = remedies
        if isinstance(said["review"], Exception):
            raise said["review"]
        return said["review"]

    def mend(document: Any, *, ruleset: Any, today: Any) -> Any:
        return said["mend"]

    monkeypatch.setattr(facade, "review", review)
    monkeypatch.setattr(facade, "mend", mend)
    return said


def run(*arguments: str, stdin: str | None = None) -> Result:
    return CliRunner().invoke(main, arguments, input=stdin, prog_name="thumbrule")


def narrow(text: str) -> bool:
    return all(columns(line) <= WIDTH for line in text.split("\n"))


@pytest.mark.parametrize(("answer", "threshold", "status"), [
    (review_of(), "warning", 0),
    (review_of("note"), "warning", 0),
    (review_of("note"), "note", 1),
    (review_of("warning"), "warning", 1),
    (review_of("warning"), "error", 0),
    (review_of("error", "note"), "error", 1),
    (review_of(complete=False), "warning", 2),
    (review_of(problems=["a loop of sources"]), "warning", 2),
    (review_of("note", outcomes=[{"rule": "r", "kind": "failed", "subject": [], "reason": "x"}]), "error", 2),
])
def test_the_status_of_a_review(lamp: Path, answers: dict[str, Any], answer: dict[str, Any], threshold: str,
                                status: int) -> None:
    answers["review"] = answer
    result = run("review", str(lamp), "--threshold", threshold)
    assert result.exit_code == status
    assert result.stdout.startswith("lamp: A lamp on a switch\n  in lamp.yaml\n")
    assert result.stderr == ""


def test_a_review_names_the_line_of_each_place(lamp: Path, answers: dict[str, Any]) -> None:
    answers["review"] = review_of("warning")
    assert run("review", str(lamp), "--quiet").stdout == (
        "lamp.yaml:9: warning: r: R1: R1 is too large.\nlamp.yaml: 1 warning\n")


def test_json_is_the_shape_of_the_service(lamp: Path, answers: dict[str, Any]) -> None:
    answers["review"] = review_of("warning")
    result = run("review", str(lamp), "--format", "json")
    assert result.exit_code == 1
    assert json.loads(result.stdout) == answers["review"]


def test_remedies_can_be_left_out(lamp: Path, answers: dict[str, Any]) -> None:
    run("review", str(lamp))
    assert answers["asked"] is True
    run("review", str(lamp), "--no-remedies")
    assert answers["asked"] is False


def test_several_files_have_the_worst_status_and_one_json_object(lamp: Path, answers: dict[str, Any]) -> None:
    Path("bad.yaml").write_text("format: thumbrule/1\n")
    answers["review"] = review_of("warning")
    result = run("review", str(lamp), "bad.yaml", "none.yaml", "--format", "json")
    assert result.exit_code == 2
    first, second, third = json.loads(result.stdout)["reviews"]
    assert first == {"file": "lamp.yaml", "review": answers["review"]}
    assert second["problem"]["status"] == 422
    assert third["problem"]["errors"][0]["detail"] == "the file cannot be read: No such file or directory"
    text = run("review", str(lamp), "bad.yaml")
    assert text.exit_code == 2
    assert "lamp: A lamp" in text.stdout
    assert "bad.yaml: could not check" in text.stderr


def test_standard_input(answers: dict[str, Any]) -> None:
    result = run("review", "-", "--quiet", stdin=LAMP)
    assert (result.exit_code, result.stdout) == (0, "standard input: nothing found\n")
    assert run("review", "-", "-", stdin=LAMP).exit_code == 2


BAD = LAMP.replace("resistance: 10k", "resistence: 10k").replace("kind: load", "kind: laod")


def test_a_bad_document_is_told_with_place_need_and_nearest_name(lamp: Path) -> None:
    lamp.write_text(BAD)
    result = run("review", str(lamp))
    assert result.exit_code == 2
    assert result.stdout == ""
    assert re.search(r"^lamp\.yaml:9:\d+: /parts/R1/resistence: ", result.stderr, re.MULTILINE)
    assert "did you mean: resistance" in result.stderr
    assert re.search(r"^lamp\.yaml:11:\d+: /parts/LP1/kind: ", result.stderr, re.MULTILINE)
    assert "did you mean: load" in result.stderr
    assert '  seen: "laod"' in result.stderr
    assert result.stderr.endswith("lamp.yaml: could not check: The text is not a circuit document.\n")
    assert narrow(result.stderr)


@pytest.mark.parametrize("command", ["review", "states", "timeline", "spread", "sheet", "mend"])
def test_a_bad_document_as_json_is_problem_details_on_standard_output(lamp: Path, command: str) -> None:
    lamp.write_text(BAD)
    result = run(command, str(lamp), "--format", "json", *(["--dry-run"] if command == "mend" else []))
    assert result.exit_code == 2
    assert result.stderr == ""
    details = json.loads(result.stdout)
    assert list(details) == ["type", "title", "status", "detail", "errors"]
    assert details["status"] == 422
    assert {item["pointer"] for item in details["errors"]} >= {"/parts/R1/resistence", "/parts/LP1/kind"}


@pytest.mark.parametrize(("content", "status"), [(b"\xff\xfe", 400), (b"{", 400), (b"", 400), (b"[]", 422)])
def test_what_is_no_document_at_all(lamp: Path, content: bytes, status: int) -> None:
    lamp.write_bytes(content)
    result = run("states", str(lamp), "--format", "json")
    assert (result.exit_code, json.loads(result.stdout)["status"]) == (2, status)
    text = run("states", str(lamp))
    assert (text.exit_code, text.stdout) == (2, "")
    assert narrow(text.stderr)


def test_a_missing_file_suggests_its_neighbour(lamp: Path) -> None:
    result = run("states", "lamb.yaml")
    assert result.exit_code == 2
    assert "lamb.yaml: the file cannot be read: No such file or directory" in result.stderr
    assert "did you mean: lamp.yaml" in result.stderr
    assert run("states", ".").exit_code == 2


def test_states_prints_every_configuration(lamp: Path) -> None:
    result = run("states", str(lamp), "--beta", "min")
    assert result.exit_code == 0
    assert "lamp: A lamp on a switch\n  beta min\n" in result.stdout
    assert "U1 low: 1 state\n\n  dark: stable, index +1\n" in result.stdout
    assert "U1 high: 1 state\n" in result.stdout
    assert narrow(result.stdout)


def test_states_as_json_are_the_shape_of_the_service(lamp: Path) -> None:
    answer = json.loads(run("states", str(lamp), "--format", "json").stdout)
    low, high = answer["configurations"]
    assert (low["drivers"], high["drivers"]) == ({"U1": "low"}, {"U1": "high"})
    assert low["states"][0]["nets"]["lamp"] == pytest.approx(12.0)


def test_a_search_that_was_not_complete_is_no_pass(lamp: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(facade, "states", lambda *_, **__: {"circuit": "lamp", "complete": False})
    result = run("states", str(lamp))
    assert result.exit_code == 2
    assert "NOT COMPLETE" in result.stdout


@pytest.mark.parametrize(("hold", "said"), [
    ("C1", "needed is C1=0V"), ("=0V", "needed is C1=0V"), ("C1=0 ohm", "a voltage is needed"),
    ("Q1=0V", "only a capacitor can be held"), ("C1=0V", "is not a part of this circuit")])
def test_a_hold_that_cannot_be_used(lamp: Path, hold: str, said: str) -> None:
    result = run("states", str(lamp), "--hold", hold)
    assert result.exit_code == 2
    assert said in " ".join(result.stderr.split())
    assert narrow(result.stderr)


def test_one_capacitor_is_not_held_twice(lamp: Path) -> None:
    result = run("states", str(lamp), "--hold", "C1=0V", "--hold", "C1=1V")
    assert result.exit_code == 2
    assert "held twice" in result.stderr


@pytest.mark.parametrize("arguments", [
    [], ["review"], ["reviev", "x"], ["review", "x", "--depth", "book"],
    ["review", "x", "--quiet", "--depth", "card"],
    ["states", "x", "--beta", "some"], ["timeline", "x", "--until", "soon"],
    ["states", "x", "y"], ["mend", "x", "--dry-run", "--output", "y"],
    ["mend", "-", "--format", "json"], ["serve", "--port", "70000"], ["review", "x", "--server", "nowhere"],
    ["review", "x", "--timeout", "0"]])
def test_bad_usage_is_status_2_and_says_why(arguments: list[str]) -> None:
    result = run(*arguments)
    assert result.exit_code == 2
    assert result.stdout == ""
    assert result.stderr.startswith("Usage: thumbrule")
    assert narrow(result.stderr)


@pytest.mark.parametrize("arguments", [["--help"], ["review", "-h"], ["mend", "--help"], ["--version"]])
def test_help_and_version_are_status_0(arguments: list[str]) -> None:
    result = run(*arguments)
    assert result.exit_code == 0
    assert "thumbrule" in result.stdout
    assert narrow(result.stdout)


def mend_answer(**members: Any) -> dict[str, Any]:
    from schemas.document import read

    return {"circuit": "lamp", "document": read(MENDED.encode()).raw, "patch": PATCH,
            "applied": [{"identity": "r/1/a", "rule": "r", "summary": "lower R1", "patch": PATCH}],
            "remaining": [], "withdrawn": None, "review": review_of(), **members}


def test_mend_changes_only_the_value(lamp: Path, answers: dict[str, Any]) -> None:
    answers["mend"] = mend_answer()
    result = run("mend", str(lamp))
    assert result.exit_code == 0
    assert lamp.read_text() == MENDED
    assert result.stdout == ("lamp.yaml: 1 proven remedy applied\n  r: lower R1\n"
                             "    /parts/R1/resistance, line 9: 10k -> 1.8 kohm\n")
    assert [entry.name for entry in Path().iterdir()] == ["lamp.yaml"]


def test_mend_dry_run_prints_a_difference_that_patch_takes(lamp: Path, answers: dict[str, Any]) -> None:
    answers["mend"] = mend_answer()
    result = run("mend", str(lamp), "--dry-run")
    assert lamp.read_text() == LAMP
    changed = [line for line in result.stdout.splitlines() if line[0] in "+-"]
    assert changed[:2] == ["--- lamp.yaml", "+++ lamp.yaml (mended)"]
    assert [line[:30] for line in changed[2:]] == [
        "-  R1:  {kind: resistor, resis", "+  R1:  {kind: resistor, resis"]
    assert "1 proven remedy applied" in result.stderr


def test_mend_to_another_file_and_to_standard_output(lamp: Path, answers: dict[str, Any]) -> None:
    answers["mend"] = mend_answer()
    run("mend", str(lamp), "--output", "new.yaml")
    assert (lamp.read_text(), Path("new.yaml").read_text()) == (LAMP, MENDED)
    result = run("mend", str(lamp), "--output", "-")
    assert result.stdout == MENDED
    assert "1 proven remedy applied" in result.stderr
    piped = run("mend", "-", stdin=LAMP)
    assert piped.stdout == MENDED


def test_mend_as_json(lamp: Path, answers: dict[str, Any]) -> None:
    answers["mend"] = mend_answer()
    result = run("mend", str(lamp), "--format", "json")
    assert json.loads(result.stdout) == answers["mend"]
    assert lamp.read_text() == MENDED


def test_mend_has_the_status_of_what_is_left(lamp: Path, answers: dict[str, Any]) -> None:
    answers["mend"] = mend_answer(review=review_of("warning"), remaining=[finding("warning")])
    result = run("mend", str(lamp))
    assert result.exit_code == 1
    assert "left for a person to decide\n  warning: r: R1: R1 is too large.\n" in result.stdout


def test_mend_with_nothing_to_do_does_not_touch_the_file(lamp: Path, answers: dict[str, Any]) -> None:
    answers["mend"] = mend_answer(patch=[], applied=[])
    before = lamp.stat()
    assert run("mend", str(lamp)).exit_code == 0
    after = lamp.stat()
    assert (after.st_ino, after.st_mtime_ns) == (before.st_ino, before.st_mtime_ns)


@pytest.mark.parametrize("members", [
    {"document": {"format": "thumbrule/1"}},
    {"patch": [{"op": "test", "path": "/parts/R1/resistance", "value": "22k"}, *PATCH]},
])
def test_mend_writes_nothing_on_doubt(lamp: Path, answers: dict[str, Any], members: dict[str, Any]) -> None:
    answers["mend"] = mend_answer(**members)
    result = run("mend", str(lamp))
    assert result.exit_code == 2
    assert lamp.read_text() == LAMP
    assert "The proven changes were not written" in " ".join(result.stderr.split())


def test_mend_writes_nothing_while_a_rule_could_not_be_run(lamp: Path, answers: dict[str, Any]) -> None:
    failed = [{"rule": "reset-path", "kind": "failed", "subject": [], "reason": "x"}]
    answers["mend"] = mend_answer(review=review_of(outcomes=failed))
    result = run("mend", str(lamp))
    assert result.exit_code == 2
    assert lamp.read_text() == LAMP
    assert "the proof is not whole: reset-path could not be run" in " ".join(result.stderr.split())
    assert run("mend", str(lamp), "--dry-run").stdout.startswith("--- lamp.yaml")


def test_mend_into_a_place_that_cannot_be_written(lamp: Path, answers: dict[str, Any]) -> None:
    answers["mend"] = mend_answer()
    result = run("mend", str(lamp), "--output", "no/such/place.yaml")
    assert result.exit_code == 2
    assert "could not be written: No such file or directory" in " ".join(result.stderr.split())


def test_an_unknown_rule_names_its_neighbour(monkeypatch: pytest.MonkeyPatch) -> None:
    def lesson(slug: str, **more: Any) -> Any:
        raise facade.UnknownRule(slug, "reset-path", ("min-beta-drive", "reset-path"))

    monkeypatch.setattr(facade, "lesson", lesson)
    result = run("lesson", "reset-pat")
    assert result.exit_code == 2
    assert "  needed: min-beta-drive, reset-path\n  did you mean: reset-path\n" in result.stderr
    details = json.loads(run("lesson", "reset-pat", "--format", "json").stdout)
    assert (details["status"], details["errors"][0]["nearest"]) == (404, "reset-path")


def test_lessons(monkeypatch: pytest.MonkeyPatch) -> None:
    page = {"slug": "reset-path", "title": "A way out"}
    monkeypatch.setattr(facade, "lesson", lambda slug, **more: page)
    monkeypatch.setattr(facade, "rules", lambda ruleset=None: [page])
    assert run("lesson", "reset-path").stdout == "reset-path: A way out\n"
    assert json.loads(run("lesson", "reset-path", "--format", "json").stdout) == page
    assert run("lesson").stdout == "reset-path  A way out\n"
    assert json.loads(run("lesson", "--format", "json").stdout) == {"rules": [page]}


def test_a_defect_of_the_program_is_no_traceback(lamp: Path, answers: dict[str, Any]) -> None:
    answers["review"] = ZeroDivisionError("float division")
    result = run("review", str(lamp))
    assert result.exit_code == 2
    assert "Traceback" not in result.output
    assert "a defect of the program, not of the circuit: ZeroDivisionError: float division" in " ".join(
        result.stderr.split())
    assert json.loads(run("review", str(lamp), "--format", "json").stdout)["status"] == 500


def test_a_defect_shows_its_traceback_on_request(lamp: Path, answers: dict[str, Any],
                                                 monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("THUMBRULE_TRACEBACK", "1")
    answers["review"] = ZeroDivisionError("float division")
    assert isinstance(run("review", str(lamp)).exception, ZeroDivisionError)


@pytest.mark.parametrize(("terminal", "no_colour", "term", "wanted"), [
    (True, "", "xterm", True), (True, "1", "xterm", False), (False, "", "xterm", False),
    (True, "", "dumb", False)])
def test_colour_only_for_a_willing_terminal(monkeypatch: pytest.MonkeyPatch, terminal: bool, no_colour: str,
                                            term: str, wanted: bool) -> None:
    class Stream:
        @staticmethod
        def isatty() -> bool:
            return terminal

    monkeypatch.setattr(output.sys, "stdout", Stream)
    monkeypatch.setenv("NO_COLOR", no_colour)
    monkeypatch.setenv("TERM", term)
    assert output.wants_colour() is wanted
    assert (output.paint("x", "red") != "x") is wanted


# --- as a process of its own -----------------------------------------------------------------------------

ROOT = Path(__file__).parents[2]


def process(*arguments: str, cwd: Path, **options: Any) -> subprocess.CompletedProcess[str]:
    environment = {**os.environ, "PYTHONPATH": str(ROOT), **options.pop("env", {})}
    return subprocess.run([sys.executable, "-m", "clients", *arguments], cwd=cwd, text=True, check=False,
                          capture_output=True, timeout=60, env=environment, **options)


def test_the_status_reaches_the_shell(lamp: Path) -> None:
    here = lamp.resolve().parent
    assert process("states", "lamp.yaml", cwd=here).returncode == 0
    assert process("states", "none.yaml", cwd=here).returncode == 2
    assert process("state", cwd=here).returncode == 2


def test_a_reader_that_goes_away_is_no_error(lamp: Path) -> None:
    # Far more than a pipe holds, so that the writer is surely cut off.
    script = ("import sys; from clients import cli; from service import facade;"
              "facade.states = lambda *a, **k: {'circuit': 'x', 'complete': True, 'problems': [],"
              " 'assumed': [], 'beta': 'y' * 2_000_000}; cli.main(['states', 'lamp.yaml'])")
    with subprocess.Popen([sys.executable, "-c", script], cwd=lamp.resolve().parent, stdout=subprocess.PIPE,
                          stderr=subprocess.PIPE, env={**os.environ, "PYTHONPATH": str(ROOT)}) as writer:
        assert writer.stdout is not None
        assert writer.stderr is not None
        writer.stdout.read(10)
        writer.stdout.close()
        said = writer.stderr.read()
        assert writer.wait(60) == 0
    assert said == b""


@pytest.mark.parametrize("encoding", ["ascii", "latin-1", "utf-8"])
def test_a_poor_terminal_gets_escapes(lamp: Path, encoding: str) -> None:
    lamp.write_text(LAMP.replace("A lamp on", "Lampe für 魚,"), encoding="utf-8")
    result = process("states", "lamp.yaml", cwd=lamp.resolve().parent, env={"PYTHONIOENCODING": encoding},
                     encoding=encoding)
    assert result.returncode == 0
    assert result.stdout.splitlines()[0] == {
        "ascii": "lamp: Lampe f\\xfcr \\u9b5a, a switch", "latin-1": "lamp: Lampe für \\u9b5a, a switch",
        "utf-8": "lamp: Lampe für 魚, a switch"}[encoding]


def loaded_by(*arguments: str, cwd: Path) -> set[str]:
    script = ("import sys, json; from clients.cli import main\n"
              "try: main(sys.argv[1:])\nexcept SystemExit: pass\n"
              "sys.stderr.write(json.dumps(sorted(sys.modules)))")
    done = subprocess.run([sys.executable, "-c", script, *arguments], cwd=cwd, text=True, check=True,
                          capture_output=True, timeout=60, env={**os.environ, "PYTHONPATH": str(ROOT)})
    return set(json.loads(done.stderr))


HEAVY = {"flask", "requests", "scipy", "sympy", "networkx", "marshmallow", "gunicorn", "jsonpatch"}


def test_help_loads_nothing_heavy(tmp_path: Path) -> None:
    assert not loaded_by("--help", cwd=tmp_path) & (HEAVY | {"numpy", "yaml", "service", "rules"})


def test_states_load_only_what_they_need(lamp: Path) -> None:
    loaded = loaded_by("states", "lamp.yaml", cwd=lamp.resolve().parent)
    assert not loaded & HEAVY
    assert "numpy" in loaded
