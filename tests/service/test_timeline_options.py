"""What a timeline is asked for: which stimulus, from where, at which corner; closed forms in the answers."""

from __future__ import annotations

import json
import math
from typing import Any

import pytest

from service import facade
from service.facade import OptionRefused

SHELF = """\
format: thumbrule/1
name: shelf-light
ground: gnd
parts:
  V1: {kind: supply, voltage: 9 V, pins: {plus: rail, minus: gnd}}
  S1: {kind: contact, rest: open, pins: {a: rail, b: top}}
  R1: {kind: resistor, resistance: 10k, pins: {a: top, b: hold}}
  C1: {kind: capacitor, capacitance: 100 uF, voltage: 16 V, dielectric: aluminium,
       pins: {plus: hold, minus: gnd}}
  R2: {kind: resistor, resistance: 30k, pins: {a: hold, b: gnd}}
"""
PRESS = "stimuli:\n  press: [{at: 0 s, part: S1, to: closed}, {at: 2 s, part: S1, to: open}]\n"
TAP = "  tap: [{at: 1 ms, part: S1, to: closed}]\n"
TAU_UP = 7.5e3 * 100e-6
TAU_DOWN = 30e3 * 100e-6
AIM = 9.0 * 30 / 40


def ask(text: str, **options: Any) -> Any:
    answer = facade.timeline(facade.read(text.encode(), "yaml"), **options)
    assert json.loads(json.dumps(answer, allow_nan=False)) == answer
    return answer


def test_the_only_stimulus_is_meant_and_the_curve_is_the_closed_form() -> None:
    answer = ask(SHELF + PRESS)
    assert (answer["stimulus"], answer["start"], answer["verdict"]) == ("press", "rest", "settles")
    hold = answer["nets"]["hold"]
    for at, volts in zip(hold["at"], hold["voltage"], strict=True):
        top = AIM * -math.expm1(-min(at, 2.0) / TAU_UP)
        assert volts == pytest.approx(top * math.exp(-max(0.0, at - 2.0) / TAU_DOWN), rel=1e-9, abs=1e-12)
    last = answer["events"][-1]
    assert last["stored"]["C1"] == pytest.approx(AIM * -math.expm1(-2.0 / TAU_UP), rel=1e-12)
    assert answer["drawn_to"] == pytest.approx(2.0 + TAU_DOWN * math.log(100.0), rel=0.3)


def test_before_time_zero_the_circuit_was_at_rest() -> None:
    before = ask(SHELF + PRESS)["before"]
    assert before["contacts"] == {"S1": "open"}
    assert before["nets"]["hold"] == pytest.approx(0.0)
    assert before["stored"] == {"C1": pytest.approx(0.0)}
    assert ask(SHELF + PRESS, start="power-up")["before"] is None


def test_without_a_stimulus_the_power_comes_on() -> None:
    closed = SHELF.replace("rest: open", "rest: closed")
    answer = ask(closed)
    assert (answer["stimulus"], answer["start"]) == (None, "power-up")
    assert answer["nets"]["hold"]["voltage"][-1] == pytest.approx(AIM, rel=0.02)
    assert ask(closed, start="rest")["nets"]["hold"]["voltage"] == pytest.approx([AIM, AIM])


def test_of_several_stimuli_one_has_to_be_named() -> None:
    with pytest.raises(OptionRefused) as refused:
        ask(SHELF + PRESS + TAP)
    assert refused.value.option == "stimulus"
    assert refused.value.complaint.accepted == "press, tap"
    assert ask(SHELF + PRESS + TAP, stimulus="tap")["events"][-1]["at"] == pytest.approx(1e-3)


def test_leakage_is_that_of_the_grade() -> None:
    ends = [ask(SHELF + PRESS, leakage=name)["events"][-1]["stored"]["C1"] for name in ("none", "limit")]
    assert ends[1] < ends[0] - 1e-3


def test_the_end_of_the_curves_may_be_said() -> None:
    answer = ask(SHELF + PRESS, until=0.5)
    assert answer["drawn_to"] == 0.5
    assert all(line["at"][-1] == 0.5 for line in answer["nets"].values())


@pytest.mark.parametrize(("options", "option", "nearest"), [
    ({"stimulus": "pres"}, "stimulus", "press"),
    ({"start": "power-upp"}, "start", "power-up"),
    ({"beta": "typicall"}, "beta", "typical"),
    ({"leakage": "limits"}, "leakage", "limit"),
    ({"model": "hands"}, "model", "hand"),
    ({"until": 0.0}, "until", None),
    ({"until": math.inf}, "until", None),
])  # fmt: skip
def test_what_does_not_fit_is_refused_with_the_nearest_name(
    options: dict[str, Any], option: str, nearest: str | None
) -> None:
    with pytest.raises(OptionRefused) as refused:
        ask(SHELF + PRESS, **options)
    assert refused.value.option == option
    assert refused.value.complaint.nearest == nearest


def test_a_stimulus_where_none_is_declared() -> None:
    with pytest.raises(OptionRefused, match="declares no stimulus"):
        ask(SHELF, stimulus="press")


LATCH = """\
format: thumbrule/1
name: barrel
ground: gnd
parts:
  V1: {kind: supply, voltage: 12 V, pins: {plus: vp, minus: gnd}}
  Q2: {kind: pnp, beta: 150, pins: {collector: out, base: b2, emitter: vp}}
  RB2: {kind: resistor, resistance: 4k7, pins: {a: vp, b: b2}}
  R2: {kind: resistor, resistance: 4k7, pins: {a: b2, b: c1}}
  Q1: {kind: npn, beta: 200, pins: {collector: c1, base: b1, emitter: gnd}}
  R3: {kind: resistor, resistance: 47k, pins: {a: out, b: b1}}
  RB1: {kind: resistor, resistance: 10k, pins: {a: b1, b: gnd}}
  RL: {kind: load, resistance: 1k, pins: {plus: out, minus: gnd}}
states:
  dark: {Q1: off, Q2: off}
  lit: {Q1: saturated, Q2: saturated}
"""


def test_a_run_may_start_from_a_state_by_its_name() -> None:
    for name, volts in (("dark", 0.0), ("lit", 11.8)):
        answer = ask(LATCH, start=name)
        assert answer["intervals"][0]["state"] == name
        assert answer["before"]["state"] == name
        assert answer["nets"]["out"]["voltage"] == pytest.approx([volts, volts], abs=1e-9)
    with pytest.raises(OptionRefused) as refused:
        ask(LATCH, start="litt")
    assert refused.value.complaint.accepted == "rest, power-up, dark, lit"
    assert refused.value.complaint.nearest == "lit"
