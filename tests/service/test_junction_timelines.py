"""The junction model's course in the shape of a timeline, beside the exact course of the hand model."""

from __future__ import annotations

import json
import math
from typing import Any

import pytest

from service import facade
from service.junction_timelines import _bursts
from tests.service.test_timeline_options import LATCH, PRESS, SHELF

FLASHER = """\
format: thumbrule/1
name: bench-flasher
ground: gnd
parts:
  V1: {kind: supply, voltage: 12 V, pins: {plus: vp, minus: gnd}}
  RC1: {kind: resistor, resistance: 820 ohm, pins: {a: vp, b: c1}}
  RC2: {kind: resistor, resistance: 820 ohm, pins: {a: vp, b: c2}}
  RB1: {kind: resistor, resistance: 56k, pins: {a: vp, b: b1}}
  RB2: {kind: resistor, resistance: 56k, pins: {a: vp, b: b2}}
  C1: {kind: capacitor, capacitance: 1 uF, pins: {a: c1, b: b2}}
  C2: {kind: capacitor, capacitance: 1 uF, pins: {a: c2, b: b1}}
  Q1: {kind: npn, beta: 200, pins: {collector: c1, base: b1, emitter: gnd}}
  Q2: {kind: npn, beta: 200, pins: {collector: c2, base: b2, emitter: gnd}}
states:
  left: {Q1: saturated, Q2: off}
  right: {Q1: off, Q2: saturated}
"""


def both(text: str, **options: Any) -> tuple[Any, Any]:
    document = facade.read(text.encode(), "yaml")
    answers = [facade.timeline(document, model=model, **options) for model in ("hand", "junction")]
    for answer in answers:
        assert json.loads(json.dumps(answer, allow_nan=False)) == answer
    assert list(answers[0]) == list(answers[1])
    return answers[0], answers[1]


def test_a_charging_capacitor_has_the_same_course_in_both_models() -> None:
    hand, junction = both(SHELF + PRESS, until=3.0)
    assert (hand["model"], junction["model"]) == ("hand", "junction")
    hold = junction["nets"]["hold"]
    assert hold["at"][-1] == pytest.approx(3.0)
    for at, volts in zip(hold["at"], hold["voltage"], strict=True):
        top = 6.75 * -math.expm1(-min(at, 2.0) / 0.75)
        assert volts == pytest.approx(top * math.exp(-max(0.0, at - 2.0) / 3.0), abs=2e-3)
    assert [event["at"] for event in junction["events"] if event["kind"] == "stimulus"] == [0.0, 2.0]
    assert junction["stored"]["C1"]["value"][-1] == pytest.approx(hold["voltage"][-1])
    assert junction["before"] == hand["before"]
    assert junction["intervals"][0]["contacts"] == {"S1": "closed"}
    assert junction["intervals"][-1]["contacts"] == {"S1": "open"}


def test_a_flasher_has_about_the_same_period_in_both_models() -> None:
    hand, junction = both(FLASHER)
    assert (hand["verdict"], junction["verdict"]) == ("oscillates", "oscillates")
    assert junction["period"] == pytest.approx(hand["period"], rel=0.05)
    states = [item["state"] for item in junction["intervals"] if (item["to"] or 1e9) - item["from"] > 0.01]
    assert states[-4:] in (["left", "right", "left", "right"], ["right", "left", "right", "left"])
    assert set(junction["outputs"]) == {"c1", "c2"}


def test_a_latch_stays_where_it_starts() -> None:
    for name, volts in (("dark", 0.0), ("lit", 11.97)):  # 11.974 V: smooth model at 25 degC, own check
        _, junction = both(LATCH, start=name, until=1e-3)
        assert (junction["verdict"], junction["intervals"][-1]["state"]) == ("settles", name)
        assert junction["nets"]["out"]["voltage"][-1] == pytest.approx(volts, abs=0.02)


def test_a_course_cut_off_while_it_moves_is_not_decided() -> None:
    _, junction = both(SHELF + PRESS, until=1.0)
    assert (junction["verdict"], junction["complete"]) == ("undecided", False)
    assert junction["problems"] == [junction["reason"]]
    assert "still moving at 1 s" in junction["reason"]


def test_what_follows_at_once_is_one_event() -> None:
    from rules.analysis.junction.happenings import Happening

    items = [Happening(0.0, "stimulus", "S1", "S1 goes closed")]
    items += [Happening(at, "conducts", "Q1", "Q1") for at in (1e-6, 2e-6, 1.0, 1.0005, 1.5)]
    assert [[item.at for item in burst] for burst in _bursts(items)] == [
        [0.0], [1e-6], [2e-6], [1.0, 1.0005], [1.5]]  # fmt: skip
