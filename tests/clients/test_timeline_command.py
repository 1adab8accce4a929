"""``thumbrule timeline``: what it prints, what it refuses, and its exit status."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from clients.cli import main
from clients.layout import WIDTH, columns
from clients.render_timeline import decisive, timeline_text, verdict
from service import facade

EXAMPLES = Path(__file__).parents[2] / "clients" / "examples"
SHELF = """\
format: thumbrule/1
name: shelf-light
title: A shelf light that fades
ground: gnd
parts:
  V1: {kind: supply, voltage: 9 V, pins: {plus: rail, minus: gnd}}
  S1: {kind: contact, rest: open, pins: {a: rail, b: top}}
  R1: {kind: resistor, resistance: 10k, pins: {a: top, b: hold}}
  C1: {kind: capacitor, capacitance: 100 uF, pins: {plus: hold, minus: gnd}}
  D1: {kind: led, forward: 1.8 V, pins: {anode: hold, cathode: tap}}
  R2: {kind: resistor, resistance: 1k, pins: {a: tap, b: gnd}}
states:
  glowing: {D1: on}
  dark: {D1: off}
stimuli:
  press: [{at: 0 s, part: S1, to: closed}, {at: 2 s, part: S1, to: open}]
"""


@pytest.fixture
def shelf(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    path = Path("shelf.yaml")
    path.write_text(SHELF)
    return path


def run(*arguments: str) -> Result:
    return CliRunner().invoke(main, arguments, prog_name="thumbrule")


def narrow(text: str) -> bool:
    return all(columns(line) <= WIDTH for line in text.split("\n"))


def test_everything_in_its_place(shelf: Path) -> None:
    result = run("timeline", str(shelf))
    assert (result.exit_code, result.stderr) == (0, "")
    text = result.stdout
    assert text.startswith("shelf-light: A shelf light that fades\n  stimulus press; from rest; beta typ")
    assert narrow(text)
    # by hand: 10 kohm feeds 100 uF from 9 V, and the diode conducts from 1.8 V on
    assert re.search(r"^  223\.1 ms  D1 off -> on +glowing$", text, re.M)
    # what is left on C1 goes through the diode, ever more slowly: it never quite blocks
    assert "\nverdict: settles in the state glowing; nothing happens after 2 s\n" in text
    assert "  223.1 ms  1.800 V\n" in text
    assert "C1 ends dark at 1.800 V, 223.1 ms after that began; it was bound for 9.000 V" in text
    heads = ("events", "stored at each event", "intervals", "thresholds")
    places = [text.index(f"\n{head}\n") for head in heads]
    assert places == sorted(places)


def test_json_is_the_shape_of_the_service(shelf: Path) -> None:
    result = run("timeline", str(shelf), "--format", "json", "--beta", "min", "--until", "500 ms")
    expected = facade.timeline(facade.read(SHELF.encode(), "yaml"), beta="min", until=0.5)
    assert json.loads(result.stdout) == expected
    assert expected["drawn_to"] == 0.5


@pytest.mark.parametrize(("options", "said"), [
    (["--stimulus", "pres"], "did you mean: press"), (["--start", "glow"], "needed: rest, power-up, dark"),
    (["--until", "3 V"], "a time is needed"), (["--until", "-1 s"], "must not be negative"),
    (["--plot", "out.gif"], "has to end in .svg, .pdf, .png"), (["--beta", "low"], "'min', 'typical', 'max'"),
    (["--leakage", "some"], "'none', 'limit'"), (["--plot", "no/such/place.svg"], "could not be written")])
def test_what_cannot_be_done_is_said(shelf: Path, options: list[str], said: str) -> None:
    result = run("timeline", str(shelf), *options)
    assert (result.exit_code, result.stdout) == (2, "")
    assert said in " ".join(result.stderr.split())
    assert narrow(result.stderr)


def test_a_refused_option_as_json_is_problem_details(shelf: Path) -> None:
    result = run("timeline", str(shelf), "--stimulus", "pres", "--format", "json")
    details = json.loads(result.stdout)
    assert (result.exit_code, details["status"]) == (2, 400)
    assert details["errors"][0]["pointer"] == "?stimulus"


def test_an_undecided_course_is_status_2(shelf: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    answer = {"circuit": "shelf", "verdict": "undecided", "complete": False,
              "problems": ["the budget is spent"]}
    monkeypatch.setattr(facade, "timeline", lambda *_, **__: answer)
    result = run("timeline", str(shelf))
    assert result.exit_code == 2
    assert "verdict: not decided\n  - the budget is spent\n" in result.stdout


def test_a_figure_is_written_beside_the_text(shelf: Path) -> None:
    plain = run("timeline", str(shelf))
    drawn = run("timeline", str(shelf), "--plot", "shelf.svg")
    assert (drawn.exit_code, drawn.stdout) == (0, plain.stdout)
    assert Path("shelf.svg").read_bytes().startswith(b"<?xml")


@pytest.mark.parametrize("leakage", ["none", "limit"])
@pytest.mark.parametrize("name", ["frost-bell", "frost-bell-mended", "aquarium-ear", "pond-pump"])
def test_examples_are_plain_text_within_80_columns(name: str, leakage: str) -> None:
    result = run("timeline", str(EXAMPLES / f"{name}.yaml"), "--leakage", leakage)
    assert result.exit_code == 0
    assert narrow(result.stdout)
    assert result.stdout.isascii()


def test_a_leaking_capacitor_may_never_let_go() -> None:
    text = run("timeline", str(EXAMPLES / "frost-bell.yaml"), "--leakage", "limit").stdout
    said = " ".join(text.split())
    assert "verdict: never ends: C1 never reaches" in said
    assert "where its leakage of 105 uA takes all of the charging current" in said


@pytest.mark.parametrize(("answer", "said"), [
    ({"verdict": "oscillates", "period": 0.25}, "oscillates with a period of 250 ms, 4 Hz"),
    ({"verdict": "never-ends", "reason": "C1 stays below"}, "never ends: C1 stays below"),
    ({"verdict": "settles", "intervals": [{"state": "lit", "from": 0.0, "to": None}], "events": []},
     "settles in the state lit; nothing happens after 0 s"),
    ({"verdict": "undecided"}, "not decided"),
])
def test_verdicts_in_words(answer: dict[str, Any], said: str) -> None:
    assert verdict(answer) == said


def test_many_capacitors_are_told_in_several_tables() -> None:
    names = [f"CAPACITOR{k}" for k in range(9)]
    event = {"at": 1.0, "what": "S1 closed", "state": "lit", "stored": dict.fromkeys(names, 1.5)}
    answer = {"circuit": "rack", "verdict": "settles", "events": [event],
              "stored": {name: {"unit": "V"} for name in names}}
    text = timeline_text(answer)
    assert narrow(text)
    assert all(name in text for name in names)
    assert text.count("  time  CAPACITOR") == 2


def test_a_reason_that_two_events_share_is_told_once() -> None:
    events = [{"at": 0.0, "what": what, "state": "lit", "reason": "it is alone"} for what in ("S1", "Q1")]
    assert timeline_text({"circuit": "x", "events": events}).count("it is alone") == 1


def test_what_ceased_to_exist_counts_before_what_changed_region() -> None:
    region, jump = {"kind": "region", "part": "C1"}, {"kind": "jump", "part": "C2"}
    assert decisive([region, jump]) == [jump]
    assert decisive([region]) == [region]
