"""``thumbrule spread``: what it prints, its progress, and that Ctrl-C leaves an honest part."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from clients.cli import main
from clients.command_spread import Watch
from clients.layout import WIDTH, columns
from clients.render_spread import number, percent, place, spread_text
from service import facade

ROOT = Path(__file__).parents[2]
EXAMPLES = ROOT / "clients" / "examples"
BELL = EXAMPLES / "frost-bell.yaml"


def run(*arguments: str) -> Result:
    return CliRunner().invoke(main, arguments, prog_name="thumbrule")


def narrow(text: str) -> bool:
    return all(columns(line) <= WIDTH for line in text.split("\n"))


def test_everything_in_its_place() -> None:
    result = run("spread", str(BELL), "--samples", "200")
    assert (result.exit_code, result.stderr) == (0, "")
    text = result.stdout
    assert narrow(text)
    assert text.isascii()
    assert "\n  200 samples, seed 1; 16 values drawn, uniform and independent within each\n" in text
    assert "\n  quiet (S1 open)                 200 of 200  100 %" in text
    assert "\nringing (S1 open, C1 at 0 V), V\n" in text
    assert "  steady: b1 0 V, out 0 V, tail 0 V, timer 0 V, wipe 0 V\n" in text
    assert "C1: ringing greatest at R3 -5 %, R4 +5 %, R6 +5 %, C1 +20 %, 45 degC" in " ".join(text.split())
    assert "\n  ring time  18 s to 42 s  200 of 200  100 %" in text
    assert "not sampled: ready for the next cold spell, standing-current" in text


@pytest.mark.parametrize("name", ["aquarium-ear.yaml", "barrel-latch.yaml", "shed-fan.json"])
def test_examples_are_plain_text_within_80_columns(name: str) -> None:
    result = run("spread", str(EXAMPLES / name), "--samples", "60")
    assert result.exit_code == 0
    assert narrow(result.stdout)
    assert result.stdout.isascii()


def test_json_is_the_shape_of_the_service() -> None:
    result = run("spread", str(BELL), "--samples", "80", "--seed", "4", "--format", "json")
    document = facade.read(BELL.read_bytes(), "yaml")
    assert json.loads(result.stdout) == facade.spread(document, samples=80, seed=4)


def test_a_budget_is_status_2_and_says_so() -> None:
    result = run("spread", str(BELL), "--samples", "900", "--budget", "100")
    assert result.exit_code == 2
    assert "ONLY 100 of 900 samples" in result.stdout
    assert "- 100 of 900 samples done" in result.stdout


def test_progress_is_told_where_it_is_asked_for() -> None:
    result = run("spread", str(BELL), "--samples", "1000", "--progress")
    assert result.stderr == "500 of 1000 samples\n1000 of 1000 samples\n"
    assert "of 1000 samples\n" not in result.stdout
    assert run("spread", str(BELL), "--samples", "20").stderr == ""


@pytest.mark.parametrize("arguments", [
    ["--samples", "0"], ["--samples", "many"], ["--budget", "-1"], ["--seed", "x"]])
def test_bad_numbers_are_status_2(arguments: list[str]) -> None:
    result = run("spread", str(BELL), *arguments)
    assert (result.exit_code, result.stdout) == (2, "")
    assert "Invalid value for" in result.stderr


def test_ctrl_c_leaves_the_samples_done_by_then() -> None:
    command = [sys.executable, "-m", "clients", "spread", str(BELL), "--samples", "100000", "--progress"]
    with subprocess.Popen(command, cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
                          env={**os.environ, "PYTHONPATH": str(ROOT)}) as process:
        assert process.stderr is not None
        assert process.stdout is not None
        assert process.stderr.readline() == "500 of 100000 samples\n"
        process.send_signal(signal.SIGINT)
        text, said = process.stdout.read(), process.stderr.read()
        assert process.wait(120) == 2
    assert "Traceback" not in said
    assert "\n  ONLY " in text
    assert " of 100000 samples, seed 1;" in text
    assert "\nringing (S1 open, C1 at 0 V), V\n" in text


class Terminal:
    """A stream that counts as a terminal."""

    def __init__(self) -> None:
        self.text = ""

    def isatty(self) -> bool:
        return True

    def write(self, text: str) -> int:
        self.text += text
        return len(text)

    def flush(self) -> None:
        pass


def test_a_terminal_has_one_line_of_progress() -> None:
    stream: Any = Terminal()
    watch = Watch(stream)
    assert [watch(done, 30) for done in (10, 20, 30)] == [False, False, False]
    assert stream.text == "\r10 of 30 samples\r20 of 30 samples\r30 of 30 samples\n"


def test_the_first_signal_ends_the_run_and_the_second_the_program() -> None:
    watch = Watch(None)
    assert watch(10, 30) is False
    watch.end(signal.SIGINT, None)
    assert watch(20, 30) is True
    with pytest.raises(KeyboardInterrupt):
        watch.end(signal.SIGINT, None)


def test_many_steps_are_few_lines() -> None:
    stream: Any = Terminal()
    stream.isatty = lambda: False
    watch = Watch(stream)
    for done in range(1, 1001):
        watch(done, 1000)
    assert stream.text.count("\n") == 21


@pytest.mark.parametrize(("share", "text"), [
    (1.0, "100 %"), (0.99999, "99.9 %"), (0.0, "0 %"), (1e-6, "0.1 %"), (0.5, "50 %"), (0.954, "95.4 %"),
    (None, "undefined")])
def test_almost_all_never_reads_as_all(share: float | None, text: str) -> None:
    assert percent(share) == text


@pytest.mark.parametrize(("value", "text"), [
    (12.3456, "12.35"), (0.7, "0.7000"), (-0.0123456, "-0.01235"), (1234.56, "1235"), (9.9999, "10.00"),
    (0.0, "0"), (1e-12, "0"), (4.5e-5, "4.500e-05"), (None, "-")])
def test_numbers_of_a_table(value: float | None, text: str) -> None:
    assert number(value) == text


def test_a_place_is_named_by_state_contacts_and_what_is_held() -> None:
    item = {"state": "lit", "contacts": {"S1": "open"}, "drivers": {"U1": "low"}, "held": {"C1": 0.0}}
    assert place(item) == "lit (S1 open, U1 low, C1 at 0 V)"
    assert place({"state": "lit"}) == "lit"


def test_why_a_bound_is_no_proof_is_told_once() -> None:
    worst = {"low": 1.0, "high": 2.0, "note": "in another state"}
    items = [{"kind": "net-voltage", "name": name, "state": "lit", "worst": worst} for name in ("a", "b")]
    text = spread_text({"circuit": "x", "samples": 1, "asked": 1, "quantities": items})
    assert "    a, b: in another state\n" in text


def test_an_end_that_is_open_is_no_number() -> None:
    base = {"requirement": "quick", "unit": "s", "passed": 1, "share": 1.0, "low": 0.2, "high": 1.0}
    text = spread_text({"circuit": "x", "samples": 1, "asked": 1, "yields": [
        {**base, "at_least": None, "at_most": 2.0}, {**base, "at_least": 1.0, "at_most": None}]})
    assert "up to 2 s" in text
    assert "from 1 s up" in text
