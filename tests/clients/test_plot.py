"""The figure of a course: what it shows, where, and that it is the same bytes each time."""

from __future__ import annotations

import itertools
import os
import subprocess
import sys
import xml.etree.ElementTree as ElementTree
from pathlib import Path
from typing import Any

import pytest

from clients.plot import draw, value_at
from clients.plot_layout import Curve, event_times, marks, panels, spread, stays, told_events, volts, windows

ROOT = Path(__file__).parents[2]
BELL = ROOT / "clients" / "examples" / "frost-bell.yaml"


def line(*points: tuple[float, float | None], key: str = "voltage", **more: Any) -> dict[str, Any]:
    return {"at": [at for at, _ in points], key: [value for _, value in points], **more}


def store(*points: tuple[float, float | None], unit: str = "V") -> dict[str, Any]:
    return line(*points, key="value", unit=unit, nets=["t", "g"])


def event(at: float, what: str, kind: str = "region", state: str = "lit") -> dict[str, Any]:
    return {"at": at, "what": what, "kind": kind, "state": state}


def answer(**members: Any) -> dict[str, Any]:
    """A timer: pressed at 0, lit after some 300 us, dark again after 60 s."""
    base: dict[str, Any] = {
        "circuit": "path-light", "stimulus": "press", "start": "rest", "beta": "typical", "leakage": "none",
        "model": "hand", "verdict": "settles", "period": None, "drawn_to": 75.0, "outputs": ["out"],
        "events": [event(0.0, "at rest", "start"), event(0.0, "S1 closed", "stimulus"),
                   event(1e-4, "Q1 off -> active"), event(2e-4, "Q2 off -> active"),
                   event(3e-4, "Q2 active -> saturated"), event(0.1, "S1 open", "stimulus"),
                   event(60.0, "Q2 saturated -> off", "jump", "dark"),
                   event(60.0, "at rest", "rest", "dark")],
        "intervals": [
            {"state": "dark", "from": 0.0, "to": 3e-4, "contacts": {"S1": "closed"}, "drivers": {}},
            {"state": "lit", "from": 3e-4, "to": 0.1, "contacts": {"S1": "closed"}, "drivers": {}},
            {"state": "lit", "from": 0.1, "to": 60.0, "contacts": {"S1": "open"}, "drivers": {}},
            {"state": "dark", "from": 60.0, "to": None, "contacts": {"S1": "open"}, "drivers": {}}],
        "before": {"state": "dark", "contacts": {"S1": "open"}, "drivers": {}, "nets": {"out": 0.0, "t": 0.0},
                   "stored": {"C1": 0.0}},
        "nets": {"out": line((0.0, 0.0), (3e-4, 0.0), (3e-4, 9.0), (60.0, 9.0), (60.0, 0.0), (75.0, 0.0)),
                 "rail": line((0.0, 9.0), (75.0, 9.0)),
                 "t": line((0.0, 0.0), (60.0, 4.0), (75.0, 0.0))},
        "stored": {"C1": store((0.0, 0.0), (60.0, 4.0), (75.0, 0.0))},
        "thresholds": [{"part": "C1", "voltage": 4.0, "aim": 6.0, "at": 60.0, "kind": "jump", "state": "lit",
                        "after": 60.0}],
    }
    return {**base, **members}


def texts(path: Path) -> list[str]:
    """Every text of a figure; letters are outlines, but each text leaves itself as a comment."""
    parser = ElementTree.XMLParser(target=ElementTree.TreeBuilder(insert_comments=True))
    root = ElementTree.parse(path, parser).getroot()
    return [str(node.text).strip() for node in root.iter() if node.tag is ElementTree.Comment]


def test_early_events_get_a_close_view_of_their_own() -> None:
    close, whole = windows(answer())
    assert (close.unit, whole.unit) == ("µs", "s")
    assert all(close.holds(at) for at in (0.0, 1e-4, 2e-4, 3e-4))
    assert not close.holds(0.1)
    assert whole.end == 75.0
    assert whole.start < 0.0


def test_events_that_can_be_told_apart_need_no_close_view() -> None:
    events = [event(float(at), "Q1 off -> on") for at in (0, 10, 20, 40)]
    assert len(windows(answer(events=events))) == 1


def test_late_events_that_fall_together_are_shown_from_where_they_begin() -> None:
    events = [event(60.0 + at, "Q1 off -> on") for at in (0.0, 1e-3, 2e-3)]
    close, _ = windows(answer(events=events))
    assert (close.origin, close.unit) == (60.0, "ms")
    assert close.shown(60.001) == pytest.approx(1.0)


def test_from_power_up_on_nothing_is_drawn_before_zero() -> None:
    assert [window.start for window in windows(answer(before=None))] == [0.0, 0.0]


def test_contacts_outputs_and_the_capacitor_with_its_threshold() -> None:
    positions, nets, capacitors = panels(answer())
    assert [curve.name for curve in positions.curves] == ["S1"]
    assert positions.ends == (("open", "closed"),)
    assert value_at(positions.curves[0], -1.0) == 0.0
    assert value_at(positions.curves[0], 0.05) == 1.0
    assert [curve.name for curve in nets.curves] == ["out"]
    assert [curve.name for curve in capacitors.curves] == ["C1"]
    assert [(level.value, level.label, level.aim) for level in capacitors.levels] == [
        (4.0, "C1 threshold 4 V", False), (6.0, "C1 bound for 6 V", True)]


def test_an_aim_far_away_is_told_beside_the_threshold() -> None:
    threshold = {**answer()["thresholds"][0], "aim": -11.8}
    (level,) = panels(answer(thresholds=[threshold]))[-1].levels
    assert level.label == "C1 threshold 4 V, bound for \N{MINUS SIGN}11.8 V"


def test_twins_and_further_periods_share_one_line() -> None:
    stored = {name: store((0.0, 0.0), (75.0, 4.0)) for name in ("C1", "C2")}
    thresholds = [{**answer()["thresholds"][0], "part": name, "aim": None} for name in ("C2", "C1", "C2")]
    levels = panels(answer(stored=stored, thresholds=thresholds))[-1].levels
    assert [level.label for level in levels] == ["C1, C2 threshold 4 V"]


def test_a_state_that_goes_on_beyond_its_threshold_has_no_aim() -> None:
    threshold = {**answer()["thresholds"][0], "kind": "region"}
    levels = panels(answer(thresholds=[threshold]))[-1].levels
    assert [level.label for level in levels] == ["C1 threshold 4 V"]


def test_nets_can_be_chosen_and_without_outputs_those_that_move_are_shown() -> None:
    assert [curve.name for curve in panels(answer(), ["t", "rail"])[1].curves] == ["t", "rail"]
    assert [curve.name for curve in panels(answer(outputs=[]))[1].curves] == ["out"]


def test_coil_currents_are_in_milliamperes() -> None:
    stored = {"K1": store((0.0, 0.0), (75.0, 0.03), unit="A")}
    currents = panels(answer(stored=stored, thresholds=[]))[-1]
    assert (currents.kind, currents.curves[0].value[-1]) == ("currents", 30.0)


def test_the_start_and_the_rest_beside_other_events_have_no_mark() -> None:
    told = told_events(answer())
    assert [item["what"] for item in told[:2]] == ["S1 closed", "Q1 off -> active"]
    assert told[-1]["kind"] == "jump"
    assert event_times(answer()) == [0.0, 1e-4, 2e-4, 3e-4, 0.1, 60.0]


def test_marks_that_would_touch_are_joined() -> None:
    close, whole = windows(answer())
    times = [item["at"] for item in told_events(answer())]
    assert [mark.label for mark in marks(times, close, 2.0, 0.1)] == ["1", "2", "3", "4"]
    assert [mark.label for mark in marks(times, whole, 4.0, 0.1)] == ["1\N{EN DASH}5", "6"]


@pytest.mark.parametrize("count", [2, 9, 14])
def test_joined_marks_do_not_touch_either(count: int) -> None:
    window = windows(answer())[-1]
    times = [75.0 * (k / count) ** 2 for k in range(count)]
    found = marks(times, window, 3.0, 0.1)
    places = [(mark.at - window.start) / (window.end - window.start) * 3.0 for mark in found]
    halves = [0.05 * len(mark.label) for mark in found]
    gaps = [(b - hb) - (a + ha) for (a, ha), (b, hb) in itertools.pairwise(zip(places, halves, strict=True))]
    assert all(gap >= 0.1 - 1e-9 for gap in gaps)


@pytest.mark.parametrize("places", [
    [0.0, 0.0, 0.0], [1.0, 1.05, 5.0, 5.01], [9.9, 10.0], [], [3.0], [0.2, 0.1]])
def test_names_are_moved_apart_and_keep_their_order(places: list[float]) -> None:
    moved = spread(places, 0.5, 0.0, 10.0)
    assert all(-1e-9 <= place <= 10.0 + 1e-9 for place in moved)
    ordered = sorted(zip(places, moved, strict=True))
    assert all(b - a >= 0.5 - 1e-9 for (_, a), (_, b) in itertools.pairwise(ordered))


def test_names_with_room_stay_where_they_are() -> None:
    assert spread([1.0, 3.0, 2.0], 0.5, 0.0, 10.0) == [1.0, 3.0, 2.0]


def test_states_are_told_one_after_the_other() -> None:
    found = [(stay.name, stay.end) for stay in stays(answer())]
    assert found == [("dark", 3e-4), ("lit", 60.0), ("dark", 75.0)]


def test_the_states_of_an_oscillation_go_on() -> None:
    intervals = [{"state": name, "from": k / 2, "to": (k + 1) / 2} for k, name in enumerate("abab")]
    course = answer(verdict="oscillates", period=1.0, intervals=intervals, before=None, drawn_to=3.25)
    assert [stay.name for stay in stays(course)] == ["a", "b", "a", "b", "a", "b", "a"]
    assert stays(course)[-1].end == 3.25


def test_a_gap_is_no_value() -> None:
    curve = Curve("n", (0.0, 1.0, 1.0, 2.0), (0.0, 2.0, 5.0, 5.0))
    assert (value_at(curve, 0.5), value_at(curve, 1.0), value_at(curve, 9.0)) == (1.0, 5.0, 5.0)
    assert value_at(Curve("n", (0.0,), (None,)), 0.0) is None


def test_negative_volts_have_the_sign_of_print() -> None:
    assert (volts(-0.5), volts(3.877)) == ("\N{MINUS SIGN}0.5 V", "3.88 V")


def test_the_figure_says_what_it_shows(tmp_path: Path) -> None:
    path = tmp_path / "light.svg"
    draw(answer(), str(path), title="Cheap at $5, and $6 more")
    said = texts(path)
    for wanted in ("path-light: Cheap at $5, and $6 more", "voltage (V)", "capacitor (V)", "time (µs)",
                   "time (s)", "out", "C1", "S1", "open", "closed", "lit", "C1 threshold 4 V",
                   "C1 bound for 6 V",
                   "Q2 saturated \N{RIGHTWARDS ARROW} off", "60 s", "close view", "whole course",
                   "settles in the state dark; nothing happens after 60 s"):
        assert wanted in said, wanted
    assert "1\N{EN DASH}5" in said


def test_a_course_without_anything_is_drawn_all_the_same(tmp_path: Path) -> None:
    path = tmp_path / "empty.svg"
    draw({"circuit": "empty", "verdict": "undecided"}, str(path))
    assert "empty" in texts(path)


@pytest.mark.parametrize(("ending", "start"), [(".svg", b"<?xml"), (".pdf", b"%PDF"), (".png", b"\x89PNG")])
def test_each_kind_of_file_is_the_same_bytes_each_time(tmp_path: Path, ending: str, start: bytes) -> None:
    paths = [tmp_path / f"{k}{ending}" for k in range(2)]
    for path in paths:
        draw(answer(), str(path), title="A path light")
    assert paths[0].read_bytes() == paths[1].read_bytes()
    assert paths[0].read_bytes().startswith(start)


def test_the_figure_is_the_same_under_any_hash_seed(tmp_path: Path) -> None:
    said = set()
    for seed in ("0", "4711"):
        path = tmp_path / f"{seed}.svg"
        command = [sys.executable, "-m", "clients", "timeline", str(BELL), "--plot", str(path)]
        done = subprocess.run(command, cwd=tmp_path, capture_output=True, check=False, timeout=120,
                              env={**os.environ, "PYTHONHASHSEED": seed, "PYTHONPATH": str(ROOT)})
        assert (done.returncode, done.stderr) == (0, b"")
        said.add((done.stdout, path.read_bytes()))
    assert len(said) == 1
