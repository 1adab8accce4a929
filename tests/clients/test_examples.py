"""The example circuits: what is found in them, how it reads, and that mending keeps their text."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from clients.cli import main
from clients.layout import WIDTH, columns
from clients.render import review_text
from clients.render_states import states_text
from clients.sources import Source
from service import facade

EXAMPLES = Path(__file__).parents[2] / "clients" / "examples"
FOUND: dict[str, set[tuple[str, str, str]]] = {
    "aquarium-ear.yaml": set(),
    "barrel-latch.yaml": set(),
    "class-microphone.yaml": {("error", "divider-stiffness", "Q1 R1 R2"),
                              ("error", "saturation-headroom", "Q1 RC"),
                              ("note", "standing-current", "BT1")},
    "frost-bell-mended.yaml": {("note", "timing-leakage", "C1"), ("note", "trigger", "S1")},
    "frost-bell.yaml": {("error", "base-emitter-reverse", "Q3"), ("error", "required-delay", "C1"),
                        ("error", "required-re-arm", "C1"), ("error", "steer-current", "C1 Q3"),
                        ("error", "timing-leakage", "C1"), ("note", "trigger", "S1"),
                        ("warning", "delay-tolerance", "C1"),
                        ("warning", "divider-stiffness", "Q1 R3 R4 R8"),
                        ("warning", "tolerance-reachable", "C1")},
    "pond-pump.yaml": set(),
    "shed-fan.json": set(),
    "vent-relay.yaml": {("error", "flyback-path", "K1"), ("error", "min-beta-drive", "Q1 R1"),
                        ("error", "saturation-headroom", "Q1"), ("warning", "floating-base", "Q1"),
                        ("warning", "no-dc-path", "Q1 R1 S1")},
    "workshop-lamp.yaml": {("error", "min-beta-drive", "Q1 R1"), ("error", "saturation-headroom", "Q1")},
}
NAMES = sorted(FOUND)


def run(*arguments: str) -> tuple[int, str, str]:
    result = CliRunner().invoke(main, arguments, prog_name="thumbrule")
    return result.exit_code, result.stdout, result.stderr


@pytest.fixture(scope="module")
def reviews() -> dict[str, Any]:
    return {name: facade.review(Source(str(EXAMPLES / name)).document) for name in NAMES}


def test_every_example_is_in_the_table() -> None:
    assert sorted(path.name for path in EXAMPLES.iterdir()) == NAMES


@pytest.mark.parametrize("name", NAMES)
def test_what_is_found(reviews: dict[str, Any], name: str) -> None:
    review = reviews[name]
    found = {(item["severity"], item["rule"], " ".join(item["parts"])) for item in review["findings"]}
    assert found == FOUND[name]
    assert review["complete"]
    assert review["problems"] == []
    assert "failed" not in {item["kind"] for item in review["outcomes"]}


@pytest.mark.parametrize("name", NAMES)
def test_the_status_of_each_example(name: str) -> None:
    serious = any(severity != "note" for severity, _, _ in FOUND[name])
    status, text, said = run("review", str(EXAMPLES / name), "--no-remedies")
    assert (status, said) == (1 if serious else 0, "")
    assert text.splitlines()[-1].startswith("verdict: " + ("" if serious or FOUND[name] else "nothing found"))


@pytest.mark.parametrize("depth", ["line", "card", "lesson"])
@pytest.mark.parametrize("name", NAMES)
def test_reviews_are_plain_text_within_80_columns(reviews: dict[str, Any], name: str, depth: Any) -> None:
    source = Source(str(EXAMPLES / name))
    text = review_text(reviews[name], title=source.title, label=name, depth=depth, locate=source.locate)
    assert max(columns(line) for line in text.split("\n")) <= WIDTH
    assert text.isascii()
    for item in reviews[name]["findings"]:
        assert " ".join(item["message"].split()) in " ".join(text.split())


@pytest.mark.parametrize("beta", ["min", "typical", "max"])
@pytest.mark.parametrize("name", NAMES)
def test_states_are_plain_text_within_80_columns(name: str, beta: str) -> None:
    answer = facade.states(Source(str(EXAMPLES / name)).document, beta=beta)
    text = states_text(answer)
    assert max(columns(line) for line in text.split("\n")) <= WIDTH
    assert text.isascii()
    assert answer["complete"]
    named = [state["name"] for configuration in answer["configurations"] for state in configuration["states"]]
    named += [state["name"] for configuration in answer["configurations"] for state in configuration["timed"]]
    assert set(Source(str(EXAMPLES / name)).document.circuit.states) <= set(named)


def test_every_lesson_is_plain_text_within_80_columns() -> None:
    status, text, _ = run("lesson")
    assert status == 0
    slugs = [line.split()[0] for line in text.splitlines()]
    assert "min-beta-drive" in slugs
    for slug in slugs:
        status, text, _ = run("lesson", slug)
        assert status == 0
        assert max(columns(line) for line in text.split("\n")) <= WIDTH
        assert text.isascii()


def test_the_frost_bell_rings_for_about_half_a_minute() -> None:
    document = Source(str(EXAMPLES / "frost-bell.yaml")).document
    (ringing,) = facade.states(document)["configurations"][0]["timed"]
    # By hand: Q2 puts 8.776 V on R6 and R3, and C1 meets the base of Q1 at 3.863 V after
    # 49.5 s * ln(8.776 / (8.776 - 3.863)) = 28.7 s; taking over the tail current needs about a second more.
    assert ringing["ends"]["after"] == pytest.approx(29.8, abs=0.2)
    assert ringing["ends"]["voltage"] == pytest.approx(3.96, abs=0.01)


@pytest.mark.parametrize(("name", "changed", "status"), [
    ("workshop-lamp.yaml", {"R1"}, 0), ("class-microphone.yaml", {"R1", "R2", "RC"}, 0),
    ("frost-bell.yaml", {"C1"}, 1), ("shed-fan.json", set(), 0)])
def test_mending_changes_values_and_nothing_else(tmp_path: Path, name: str, changed: set[str],
                                                 status: int) -> None:
    path = tmp_path / name
    before = (EXAMPLES / name).read_text()
    path.write_text(before)
    assert run("mend", str(path))[0] == status
    pairs = list(zip(before.splitlines(), path.read_text().splitlines(), strict=True))
    assert {old.split(":")[0].strip() for old, new in pairs if old != new} == changed
    assert [old.partition("#")[2] for old, _ in pairs] == [new.partition("#")[2] for _, new in pairs]
    again = path.read_bytes()
    assert run("mend", str(path))[0] == status
    assert path.read_bytes() == again
    assert run("review", str(path), "--quiet")[0] == status


@pytest.mark.parametrize("style", ["text", "json"])
def test_the_output_is_the_same_under_any_hash_seed(tmp_path: Path, style: str) -> None:
    said = set()
    for seed in ("0", "4711"):
        environment = {**os.environ, "PYTHONHASHSEED": seed, "PYTHONPATH": str(EXAMPLES.parents[1])}
        command = [sys.executable, "-m", "clients", "review", str(EXAMPLES / "workshop-lamp.yaml"),
                   "--format", style]
        done = subprocess.run(command, capture_output=True, cwd=tmp_path, env=environment, check=False,
                              timeout=120)
        assert done.returncode == 1
        said.add(done.stdout)
    assert len(said) == 1
